"""Which photos of a folder are measured, and what is known of each."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path, PurePosixPath

from calib.errors import UnreadableFileError

PHOTO_ENDINGS = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
RESULTS_SUFFIX = "-bandscan"  # of folders with results
COLUMNS = ("photo", "machine", "shaft", "diameter_mm", "note")


@dataclass(frozen=True, slots=True, kw_only=True)
class ListedPhoto:
    """A photo of a folder.

    Parameters
    ----------
    file : str
        Within the folder, with forward slashes.
    shaft : str
        Empty where nothing says whose it is.
    machine : str or None
        None where it is in `shaft`, or not known.
    diameter_mm : float or None
    note : str
    """

    file: str
    shaft: str = ""
    machine: str | None = None
    diameter_mm: float | None = None
    note: str = ""


def photos_in(folder: Path) -> list[str]:
    """Photos in a folder and those in it, less hidden ones and results of bandscan.

    Raises
    ------
    UnreadableFileError
        It is no folder, or holds no photo.
    """
    if not folder.is_dir():
        raise UnreadableFileError(f"{folder} is no folder.", "Name the folder of the photos.")
    found = []
    for path in folder.rglob("*"):
        inside = path.relative_to(folder)
        skipped = any(
            part.startswith(".") or part.endswith(RESULTS_SUFFIX) for part in inside.parts
        )
        if path.suffix.lower() in PHOTO_ENDINGS and not skipped and path.is_file():
            found.append(inside.as_posix())
    if not found:
        raise UnreadableFileError(
            f"{folder} holds no photo.", f"Photos end in {', '.join(PHOTO_ENDINGS)}."
        )
    return sorted(found)


def shaft_by_folder(file: str, folder: Path) -> str:
    """Name of the folder that a photo is in, and of those above it.

    Examples
    --------
    >>> shaft_by_folder("leg 4/input shaft/a.jpg", Path("photos"))
    'leg 4/input shaft'
    >>> shaft_by_folder("a.jpg", Path("photos/leg 4"))
    'leg 4'
    """
    parts = PurePosixPath(file).parts[:-1]
    return "/".join(parts) or folder.name


def read_list(path: Path) -> list[ListedPhoto]:
    """Read a list of photos: CSV with a header, columns as in `COLUMNS`, all but photo optional.

    Fields are parted by commas or, as spreadsheets of some countries do it, by semicolons; the
    diameter may then have a decimal comma.

    Raises
    ------
    UnreadableFileError
        It cannot be read, or a line says what cannot be.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not UTF-8 text"
        raise UnreadableFileError(
            f"The list {path} cannot be read: {reason}.", "Save it as CSV (UTF-8)."
        ) from None
    header = text.split("\n", maxsplit=1)[0]
    rows = csv.DictReader(io.StringIO(text), delimiter=";" if ";" in header else ",")
    names = [name.strip() for name in rows.fieldnames or ()]
    if "photo" not in names or not set(names) <= set(COLUMNS):
        raise UnreadableFileError(
            f"The list {path} has the columns {', '.join(names) or 'none'}.",
            f"Its first line must name photo, and may name {', '.join(COLUMNS[1:])}.",
        )
    rows.fieldnames = names
    return [_listed(path, rows.line_num, row) for row in rows]


def _listed(path: Path, line: int, row: dict[str, str | None]) -> ListedPhoto:
    values = {key: (value or "").strip() for key, value in row.items() if key in COLUMNS}
    photo = values["photo"].replace("\\", "/")
    if not photo:
        raise UnreadableFileError(f"Line {line} of {path} names no photo.", "Fill it in.")
    diameter = values.get("diameter_mm", "")
    try:
        diameter_mm = float(diameter.replace(",", ".")) if diameter else None
        if diameter_mm is not None and not (math.isfinite(diameter_mm) and diameter_mm > 0.0):
            raise ValueError
    except ValueError:
        raise UnreadableFileError(
            f"Line {line} of {path}: {diameter!r} is no diameter in mm.", "Correct it."
        ) from None
    return ListedPhoto(
        file=str(PurePosixPath(photo)),
        shaft=values.get("shaft", ""),
        machine=values.get("machine") or None,
        diameter_mm=diameter_mm,
        note=values.get("note", ""),
    )


def missing_from(files: Iterable[str], others: Iterable[str]) -> list[str]:
    """Files that are not among the others, in their order."""
    known = set(others)
    return [file for file in files if file not in known]
