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
    found = upright_photo(path, least_px=LONG_SIDE_PX)
    if found is None:
        return None
    pixels, orientation = found
    return ReducedPhoto(
        jpeg=_encoded(pixels), orientation=orientation, original=str(path.resolve())
    )


def is_bare_jpeg(data: bytes) -> bool:
    """Whether it is a JPEG with pixels alone: no EXIF, no comment, nothing but its JFIF head."""
    try:
        with Image.open(io.BytesIO(data), formats=["JPEG"]) as picture:
            return all(name == "APP0" for name, _ in picture.applist)  # type: ignore[attr-defined]
    except Exception:  # each kind of damage raises its own kind
        return False


def upright_photo(
    path: Path, *, least_px: int | None = None
) -> tuple[NDArray[np.uint8], int] | None:
    """The pixels of a photo turned as EXIF says, and its orientation; None if it is damaged.

    Parameters
    ----------
    least_px : int, optional
        Long side that is enough; a JPEG may then be decoded smaller, which is quicker.

    Returns
    -------
    pixels : ndarray of uint8, shape (rows, columns, 3)
        Blue, green, red.
    orientation : int
        1 to 8, of the stored grid.
    """
    with contextlib.suppress(ImportError):
        import pillow_heif

        pillow_heif.register_heif_opener()
    try:
        with Image.open(io.BytesIO(path.read_bytes())) as picture:
            orientation = int(picture.getexif().get(_ORIENTATION_TAG, 1))
            if least_px is not None:
                picture.draft("RGB", (least_px, least_px))
            upright = _eight_bit(ImageOps.exif_transpose(picture))
    except Exception:  # each of Pillow's formats raises its own kinds
        return None
    return upright, orientation if orientation in range(1, 9) else 1


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
