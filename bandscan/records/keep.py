"""Keep results: from the JSON that a measurement wrote to a document in the records."""

from __future__ import annotations

import getpass
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from bandscan.records.document import (
    LANDING_SCHEMA,
    MEASUREMENT_SCHEMA,
    SHEET_SCHEMA,
    UnfitError,
    check_landing,
    file_name,
    name_of,
    new_document,
)
from bandscan.records.errors import NotKeptError
from bandscan.records.names import ShaftName
from bandscan.records.put import Outcome, kept_document, put
from bandscan.records.reduced import find_original, reduce_photo
from bandscan.records.store import Records
from calib.errors import UnreadableFileError

_KINDS = {
    MEASUREMENT_SCHEMA: "`bandscan measure PHOTO --json FILE`",
    LANDING_SCHEMA: "`bandscan landing RESULT.json --seal FILE --json FILE`",
    SHEET_SCHEMA: "`bandscan sheet --json FILE`",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Keeping:
    """Whose results are kept, and what is kept with them.

    Parameters
    ----------
    name : ShaftName
    by : str
    notes : tuple of str
    taken : str or None
        Local time of the photos, where the photos do not say.
    landings, sheets : tuple of dict
        Objects that are kept with every result.
    move : bool
        Results that are kept under another shaft are moved to this one.
    """

    name: ShaftName
    by: str
    notes: tuple[str, ...] = ()
    taken: str | None = None
    landings: tuple[dict[str, Any], ...] = ()
    sheets: tuple[dict[str, Any], ...] = ()
    move: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Kept:
    """What became of one result.

    Parameters
    ----------
    photo : str
        Name of the photo.
    outcome : Outcome
    uuid : str
    pictured : bool
        Whether a copy of the photo is in the records.
    """

    photo: str
    outcome: Outcome
    uuid: str
    pictured: bool


def login_name() -> str:
    """Who is logged in; "unknown" where the system does not say."""
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "unknown"


def read_objects(path: Path, schema: str) -> list[dict[str, Any]]:
    """The objects of a schema in a JSON file: one, or an array of them.

    Raises
    ------
    UnreadableFileError
        The file is missing, not whole, or of another kind.
    """
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise UnreadableFileError(f"{path} cannot be read: {reason}.", "Check its name.") from None
    except (ValueError, RecursionError):
        raise UnreadableFileError(
            f"{path} is not whole: its JSON breaks off or is damaged; nothing of it was kept.",
            f"Write it again with {_KINDS[schema]}.",
        ) from None
    objects = content if isinstance(content, list) else [content]
    found = {item.get("schema") if isinstance(item, dict) else None for item in objects}
    if found != {schema}:
        told = ", ".join(sorted(str(name) for name in found)) or "nothing"
        raise UnreadableFileError(
            f"{path} holds {told}, not {schema}; nothing of it was kept.",
            f"Give what {_KINDS[schema]} wrote.",
        )
    return objects


def read_landings(path: Path) -> tuple[dict[str, Any], ...]:
    """The landings in a file that `bandscan landing --json` wrote.

    Raises
    ------
    UnreadableFileError
    """
    landings = read_objects(path, LANDING_SCHEMA)
    try:
        for landing in landings:
            check_landing(landing)
    except UnfitError as error:
        raise UnreadableFileError(
            f"{path} cannot be kept: {error}.", f"Give what {_KINDS[LANDING_SCHEMA]} wrote."
        ) from None
    return tuple(landings)


def keep_measurement(
    records: Records, measurement: dict[str, Any], result: Path, keeping: Keeping
) -> Kept:
    """Keep one measurement; it is on disk once this returns.

    Parameters
    ----------
    result : Path
        The file that the measurement was read from; its photo is looked for near it.

    Raises
    ------
    NotKeptError
        The photo was refused, or its result is kept under another shaft.
    UnreadableFileError
        The measurement lacks something.
    RecordsError
        It could not be written; then nothing of it is kept.
    """
    photo = _photo_name(measurement, result)
    refusal = measurement.get("refusal")
    if refusal:
        raise NotKeptError(
            f"{photo} was not measured ({refusal.get('code')}): there is nothing to keep.",
            "Keep a photo that could be measured; say what else is to be remembered in its --note.",
        )
    document = _document(measurement, result, keeping)
    pictured, reduced = _is_pictured(records, measurement["photo"]), None
    if not pictured:
        original = find_original(measurement["photo"], result)
        reduced = None if original is None else reduce_photo(original)
    with records.writing() as connection:
        outcome = put(connection, document, reduced, move=keeping.move)
        kept = kept_document(connection, document["uuid"])
    if outcome is Outcome.ELSEWHERE and kept is not None:
        raise NotKeptError(
            f"{photo} is kept already, under {name_of(kept)}.",
            f"If it shows {keeping.name}, run the command again with --move.",
        )
    return Kept(
        photo=photo,
        outcome=outcome,
        uuid=document["uuid"],
        pictured=pictured or reduced is not None,
    )


def _document(measurement: dict[str, Any], result: Path, keeping: Keeping) -> dict[str, Any]:
    try:
        return new_document(
            measurement,
            keeping.name,
            by=keeping.by,
            taken=keeping.taken,
            additions={
                "landings": keeping.landings,
                "sheets": keeping.sheets,
                "notes": keeping.notes,
            },
        )
    except UnfitError as error:
        raise UnreadableFileError(
            f"{result} cannot be kept: {error}.", f"Give what {_KINDS[MEASUREMENT_SCHEMA]} wrote."
        ) from None


def _photo_name(measurement: dict[str, Any], result: Path) -> str:
    photo = measurement.get("photo")
    named = photo.get("file") if isinstance(photo, dict) else None
    return file_name(str(named or result))


def _is_pictured(records: Records, photo: dict[str, Any]) -> bool:
    return bool(
        records.rows(
            "SELECT 1 FROM reduced_photo JOIN photo ON photo.id = photo_id WHERE photo.sha256 = ?",
            (photo.get("sha256"),),
        )
    )
