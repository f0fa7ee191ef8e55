"""What EXIF tells of the camera, read from the file's header without decoding pixels."""

from __future__ import annotations

import math
import warnings
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from PIL import ExifTags, Image

from calib.errors import UnreadableFileError
from calib.lens import CameraIdentity

_ORIENTATIONS = range(1, 9)  # EXIF 2.3, tag 0x0112
_MOST_PX = 1e6  # of a side: more is damage


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoHeader:
    """Size, orientation, time and camera of a photo file.

    Parameters
    ----------
    width_px, height_px : int
        Stored grid, orientation not applied.
    orientation : int
        EXIF orientation, 1 to 8; 1 where there is none.
    taken : str or None
        ISO 8601, such as "2026-05-04T10:11:12".
    identity : CameraIdentity
    """

    width_px: int
    height_px: int
    orientation: int
    taken: str | None
    identity: CameraIdentity


def read_header(source: Path | str | Image.Image) -> PhotoHeader:
    """Read the header of a photo.

    Parameters
    ----------
    source : path or PIL image
        A file, or an image that Pillow has opened.

    Raises
    ------
    UnreadableFileError
        Missing, or not a picture that Pillow knows. Damaged EXIF is no error: what
        cannot be read is None.
    """
    if isinstance(source, Image.Image):
        return _header(source)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of odd EXIF, and of sizes: no pixel is decoded here
            with Image.open(source) as image:
                return _header(image)
    except OSError as error:
        reason = error.strerror or "it is not a picture in a known format"
        raise UnreadableFileError(
            f"The photo {source} cannot be read: {reason}.",
            "Give a JPEG, PNG or TIFF file as the camera wrote it.",
        ) from None
    except Exception as error:  # each of Pillow's formats raises its own kinds
        raise UnreadableFileError(
            f"The photo {source} is damaged: {error}.", "Copy it from the camera again."
        ) from None


def read_identity(source: Path | str | Image.Image) -> CameraIdentity:
    """The camera that took a photo; see `read_header`."""
    return read_header(source).identity


def _header(image: Image.Image) -> PhotoHeader:
    main: Any = {}
    detail: Any = {}
    with suppress(Exception):  # Pillow raises many kinds on damaged EXIF; none matters here
        main = image.getexif()
        detail = main.get_ifd(ExifTags.IFD.Exif)
    orientation = _whole(_get(main, ExifTags.Base.Orientation))
    taken = _get(detail, ExifTags.Base.DateTimeOriginal) or _get(main, ExifTags.Base.DateTime)
    return PhotoHeader(
        width_px=image.width,
        height_px=image.height,
        orientation=orientation if orientation in _ORIENTATIONS else 1,
        taken=_iso_time(taken),
        identity=CameraIdentity(
            make=_text(_get(main, ExifTags.Base.Make)),
            model=_text(_get(main, ExifTags.Base.Model)),
            lens_model=_text(_get(detail, ExifTags.Base.LensModel)),
            focal_mm=_positive(_get(detail, ExifTags.Base.FocalLength)),
            focal_35mm=_positive(_get(detail, ExifTags.Base.FocalLengthIn35mmFilm)),
            digital_zoom=_positive(_get(detail, ExifTags.Base.DigitalZoomRatio)),
            taken_px=_size(
                _get(detail, ExifTags.Base.ExifImageWidth),
                _get(detail, ExifTags.Base.ExifImageHeight),
            ),
        ),
    )


def _get(table: Any, tag: int) -> Any:
    with suppress(Exception):  # a broken entry reads as absent
        return table.get(tag)
    return None


def _text(value: Any) -> str | None:
    if isinstance(value, bytes):
        value = value.decode("latin-1")
    if not isinstance(value, str):
        return None
    cleaned = "".join(c for c in value.split("\0")[0] if c.isprintable()).strip()
    return cleaned or None


def _number(value: Any) -> float:
    if isinstance(value, tuple) and len(value) == 1:
        value = value[0]
    with suppress(Exception):  # text, 0/0, tuples
        return float(value)
    return math.nan


def _size(width: Any, height: Any) -> tuple[int, int] | None:
    """Long and short side, where both are told."""
    one, other = _positive(width), _positive(height)
    if one is None or other is None or not 1.0 <= min(one, other) <= max(one, other) <= _MOST_PX:
        return None
    return int(max(one, other)), int(min(one, other))


def _positive(value: Any) -> float | None:
    number = _number(value)
    return number if math.isfinite(number) and number > 0.0 else None


def _whole(value: Any) -> int:
    number = _number(value)
    return int(number) if math.isfinite(number) else 0


def _iso_time(value: Any) -> str | None:
    """EXIF's "YYYY:MM:DD HH:MM:SS" as ISO 8601; None where it is empty or no date."""
    text = _text(value)
    if text is None or len(text) < 19:
        return None
    stamp = f"{text[:10].replace(':', '-')}T{text[11:19]}"
    digits = stamp[:4] + stamp[5:7] + stamp[8:10] + stamp[11:13] + stamp[14:16] + stamp[17:19]
    return stamp if digits.isdigit() and int(digits[:8]) > 0 else None
