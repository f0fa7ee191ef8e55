"""A small copy of a photo for the records, decoded and encoded anew so that pixels alone remain.

What a camera writes into a photo (its place on earth, serial numbers, its owner) ends here.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageOps

from bandscan.records.put import ReducedPhoto

LONG_SIDE_PX = 1600
JPEG_QUALITY = 85
_ORIENTATION_TAG = 0x0112  # EXIF 2.3


def find_original(photo: dict[str, Any], result: Path) -> Path | None:
    """The photo of a measurement, known by its hash; None where it is nowhere near.

    Parameters
    ----------
    photo : dict
        `photo` of the measurement.
    result : Path
        The result's file; the photo lies where the result says, or beside the result or
        its folder.
    """
    if not photo.get("sha256"):
        return None
    named = Path(str(photo.get("file")))
    folders = [result.parent, result.parent.parent]
    places = [named, *(folder / named for folder in folders)]
    places += [folder / named.name for folder in folders]
    for place in dict.fromkeys(places):
        with contextlib.suppress(OSError, ValueError), place.open("rb") as file:
            if hashlib.file_digest(file, "sha256").hexdigest() == photo["sha256"]:
                return place
    return None


def reduce_photo(path: Path) -> ReducedPhoto | None:
    """The small copy of a photo; None where it cannot be decoded."""
    with contextlib.suppress(ImportError):
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        with Image.open(io.BytesIO(path.read_bytes())) as picture:
            orientation = int(picture.getexif().get(_ORIENTATION_TAG, 1))
            picture.draft("RGB", (LONG_SIDE_PX, LONG_SIDE_PX))  # JPEG: decoded small, quickly
            upright = _eight_bit(ImageOps.exif_transpose(picture))
    except Exception:  # each of Pillow's formats raises its own kinds
        return None
    return ReducedPhoto(
        jpeg=_encoded(upright),
        orientation=orientation if orientation in range(1, 9) else 1,
        original=str(path.resolve()),
    )


def _eight_bit(picture: Image.Image) -> NDArray[np.uint8]:
    """Pixels as OpenCV has them: blue, green, red."""
    if picture.mode.startswith("I"):  # 16-bit grey
        grey = np.asarray(np.asarray(picture) // 257, dtype=np.uint8)
        return np.repeat(grey[..., None], 3, axis=2)
    return np.asarray(picture.convert("RGB"))[..., ::-1]


def _encoded(pixels: NDArray[np.uint8]) -> bytes:
    scale = LONG_SIDE_PX / max(pixels.shape[:2])
    small: Any = np.ascontiguousarray(pixels)
    if scale < 1.0:
        size = [max(1, round(side * scale)) for side in pixels.shape[1::-1]]
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes()
