"""Read a photo: one decode to grey in sensor order, and what the file says of itself."""

from __future__ import annotations

import contextlib
import hashlib
import io
import os
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import IO, cast

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, UnidentifiedImageError

from bandscan.model import Photo
from calib.errors import UnreadableFileError
from calib.exif import PhotoHeader, read_header
from calib.lens import CameraIdentity

Grey = NDArray[np.uint8] | NDArray[np.uint16]

MIN_SIDE_PX = 200  # a picture smaller than this is an icon, not a photo to measure in
MAX_SIDE_PX = 32_766  # OpenCV's remap takes grids below SHRT_MAX (its documentation)
MAX_PIXELS = 300_000_000  # the largest phone sensors have 200 million
MAX_FILE_BYTES = 2_000_000_000  # 200 million pixels of 16-bit RGB are 1.2e9

_DECODE = cv2.IMREAD_GRAYSCALE | cv2.IMREAD_ANYDEPTH | cv2.IMREAD_IGNORE_ORIENTATION
# What the JPEG and TIFF libraries say when they fill up a picture that is incomplete.
_DAMAGE = (b"Premature end", b"Corrupt JPEG", b"Read error", b"TIFF_Error", b"libpng error")
_HEIC_BRANDS = (b"heic", b"heix", b"hevc", b"hevx", b"heim", b"heis", b"mif1", b"msf1")

_DNG_VERSION = 0xC612  # tag of the DNG specification: marks a raw photo kept in a TIFF

_TAKE_ANEW = "Copy the photo from the camera again; if it stays so, take it again."
_SAVE_AS_JPEG = "Save the photo as JPEG, PNG or TIFF (8 or 16 bit) at full size."


def read_photo(path: Path) -> Photo:
    """Read and decode a photo once.

    Parameters
    ----------
    path : Path
        JPEG, PNG or TIFF (8 or 16 bit, grey or colour, CMYK JPEG too); HEIC with the
        optional package pillow-heif.

    Returns
    -------
    Photo
        `grey` has the stored grid: EXIF orientation is read, not applied. A HEIC file
        carries its own rotation, which is applied, as every reader of HEIC does.

    Raises
    ------
    UnreadableFileError
        If the file cannot be read, is damaged or incomplete, is no picture of a kind
        that can be read, or its size is out of bounds.
    """
    data = _read_bytes(path)
    heic = data[4:8] == b"ftyp" and data[8:12] in _HEIC_BRANDS
    open_picture = _heic_opener(path) if heic else Image.open
    header = _read_header(path, data, open_picture)
    if header is not None:
        _check_size(path, header.width_px, header.height_px)
    if heic:
        grey = _decode_heic(path, data, open_picture)
    else:
        grey = _decode(path, data, known=header is not None)
    _check_size(path, grey.shape[1], grey.shape[0])
    return Photo(
        path=path,
        sha256=hashlib.sha256(data).hexdigest(),
        grey=grey,
        orientation=1 if header is None or heic else header.orientation,
        taken=None if header is None else header.taken,
        identity=CameraIdentity() if header is None else header.identity,
    )


def _read_bytes(path: Path) -> bytes:
    try:
        if path.is_dir():
            raise UnreadableFileError(f"{path} is a folder, not a photo.", "Name the photo in it.")
        if path.exists() and not path.is_file():
            raise UnreadableFileError(f"{path} is not an ordinary file.", "Name a photo file.")
        size = path.stat().st_size
        if size == 0:
            raise UnreadableFileError(f"{path.name} is empty (0 bytes).", _TAKE_ANEW)
        if size > MAX_FILE_BYTES:
            raise UnreadableFileError(
                f"{path.name} has {size / 1e9:.1f} GB; at most {MAX_FILE_BYTES / 1e9:.0f} GB "
                "can be read.",
                _SAVE_AS_JPEG,
            )
        return path.read_bytes()
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise UnreadableFileError(
            f"{path} cannot be read: {reason}.", "Check the name and who may read the file."
        ) from error


def _read_header(
    path: Path, data: bytes, open_picture: Callable[..., Image.Image]
) -> PhotoHeader | None:
    """What the file says before it is decoded; None where Pillow does not know its kind."""
    limit = Image.MAX_IMAGE_PIXELS
    Image.MAX_IMAGE_PIXELS = None  # only the header is read; `_check_size` judges the size
    try:
        with open_picture(io.BytesIO(data)) as picture:
            if picture.format == "TIFF" and _DNG_VERSION in picture.getexif():
                raise UnreadableFileError(f"{path.name} is a raw photo (DNG).", _SAVE_AS_JPEG)
            return read_header(picture)
    except UnidentifiedImageError:
        return None  # OpenCV decides whether it is a picture
    except UnreadableFileError:
        raise
    except Exception as error:  # a damaged header raises almost anything
        raise UnreadableFileError(
            f"{path.name} is damaged: its header cannot be read ({type(error).__name__}).",
            _TAKE_ANEW,
        ) from error
    finally:
        Image.MAX_IMAGE_PIXELS = limit


def _check_size(path: Path, width: int, height: int) -> None:
    seen = f"{path.name} has {width} x {height} pixels"
    if min(width, height) < MIN_SIDE_PX:
        raise UnreadableFileError(
            f"{seen}; at least {MIN_SIDE_PX} on the shorter side are needed.",
            "Use the photo as the camera stored it, not a thumbnail or a cut-out.",
        )
    if max(width, height) > MAX_SIDE_PX or width * height > MAX_PIXELS:
        raise UnreadableFileError(
            f"{seen}; at most {MAX_SIDE_PX} a side and {MAX_PIXELS // 10**6} million in all "
            "can be read.",
            "Use a single photo as the camera stored it, not a panorama.",
        )


def _decode(path: Path, data: bytes, *, known: bool) -> Grey:
    grey = None
    with _decoder_messages() as messages, contextlib.suppress(cv2.error, MemoryError):
        grey = cv2.imdecode(np.frombuffer(data, dtype=np.uint8), _DECODE)
    said = messages()
    if (known and grey is None) or any(sign in said for sign in _DAMAGE):
        raise UnreadableFileError(
            f"{path.name} is damaged: the file ends early or is garbled inside.", _TAKE_ANEW
        )
    if grey is None:
        kind = "a text file" if _looks_like_text(data) else "not a picture of a known kind"
        raise UnreadableFileError(f"{path.name} is {kind}.", _SAVE_AS_JPEG)
    if grey.dtype not in (np.uint8, np.uint16):
        raise UnreadableFileError(f"{path.name} holds {grey.dtype} values.", _SAVE_AS_JPEG)
    return grey  # type: ignore[return-value]


def _looks_like_text(data: bytes) -> bool:
    start = data[:1000]
    return all(byte in b"\t\n\r\f" or byte >= 32 for byte in start)


@contextlib.contextmanager
def _decoder_messages() -> Iterator[Callable[[], bytes]]:
    """Catch what the C libraries write to standard error; the only sign of some damage.

    Yields a function that gives what was caught, for use after the block.
    """
    sys.stderr.flush()
    caught = bytearray()
    with _scratch_file() as sink:
        saved = os.dup(2)
        try:
            os.dup2(sink.fileno(), 2)
            yield lambda: bytes(caught)
        finally:
            os.dup2(saved, 2)
            os.close(saved)
            sink.seek(0)
            caught.extend(sink.read())


def _scratch_file() -> IO[bytes]:
    """A file without a name; in memory where the system has that, which is quicker."""
    if sys.platform == "linux":
        return os.fdopen(os.memfd_create("messages"), "w+b")
    import tempfile

    return tempfile.TemporaryFile()


def _heic_opener(path: Path) -> Callable[..., Image.Image]:
    try:
        import pillow_heif
    except ImportError as error:
        raise UnreadableFileError(
            f"{path.name} is a HEIC photo, and the package pillow-heif that reads it is not "
            "installed.",
            'Run pip install "bandscan[heic]", or set the camera to save JPEG.',
        ) from error
    return cast(Callable[..., Image.Image], pillow_heif.HeifImageFile)


def _decode_heic(path: Path, data: bytes, open_picture: Callable[..., Image.Image]) -> Grey:
    try:
        with _decoder_messages(), open_picture(io.BytesIO(data)) as picture:
            pixels = np.asarray(picture.convert("RGB"))
    except Exception as error:  # libheif's errors come in many types
        raise UnreadableFileError(
            f"{path.name} is damaged: the HEIC picture in it cannot be decoded.", _TAKE_ANEW
        ) from error
    return cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)  # type: ignore[return-value]
