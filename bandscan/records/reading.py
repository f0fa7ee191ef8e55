"""Read a records file: the shafts in it, and everything that was kept of one."""

from __future__ import annotations

import json
import sqlite3
from dataclasses import dataclass
from typing import Any

from bandscan.records.document import Document
from bandscan.records.errors import RecordsError
from bandscan.records.names import ShaftName
from bandscan.records.store import Records, damaged, is_whole

_FEW = 5  # names that an error lists


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptInspection:
    """One inspection of a shaft, as it was kept.

    Parameters
    ----------
    uuid : str
    kept_at : str
        When it was kept, ISO 8601 in UTC.
    taken : str or None
        When the photo was taken, ISO 8601 local time; None where nothing says so.
    by : str
        Who kept it.
    note : str or None
        All notes, a line each.
    machine, shaft : str
        Machine (empty where none was named) and shaft position.
    measurement : dict
        The `bandscan.measurement/1` object; files are named without their folder.
    landing, sheet : dict or None
        The last that was kept with it.
    photo_jpeg : bytes or None
        Reduced copy of the photo, upright, at most 1600 px; None where the photo was not
        found when it was kept.
    photo_orientation : int
        EXIF orientation of the original (1 to 8), whose stored grid the measurement's pixel
        coordinates are of.
    overrides : tuple of dict
        Values that were corrected by hand: the measurement's `corrections`.
    """

    uuid: str
    kept_at: str
    taken: str | None
    by: str
    note: str | None
    machine: str
    shaft: str
    measurement: dict[str, Any]
    landing: dict[str, Any] | None = None
    sheet: dict[str, Any] | None = None
    photo_jpeg: bytes | None = None
    photo_orientation: int = 1
    overrides: tuple[dict[str, Any], ...] = ()

    @property
    def at(self) -> str:
        """When the shaft was inspected: the photo's time, else when it was kept."""
        return self.taken or self.kept_at.rstrip("Z")


def find_shaft(records: Records, name: str) -> tuple[int, ShaftName]:
    """Number and full name of a shaft position.

    Parameters
    ----------
    name : str
        "MACHINE / POSITION"; the position alone where one machine has it.

    Raises
    ------
    RecordsError
        There is none of that name, or several.
    """
    asked = ShaftName.parse(name)
    rows = records.rows(
        "SELECT shaft.id, name, position, name_key FROM shaft JOIN machine ON machine.id = "
        "machine_id WHERE position_key = ? ORDER BY name_key",
        (asked.key[1],),
    )
    if asked.machine or len(rows) > 1:
        exact = [row for row in rows if row["name_key"] == asked.key[0]]
        rows = exact or ([] if asked.machine else rows)
    if len(rows) == 1:
        found = ShaftName(machine=rows[0]["name"], position=rows[0]["position"])
        return int(rows[0]["id"]), found
    if rows:
        several = [ShaftName(machine=row["name"], position=row["position"]) for row in rows]
        raise RecordsError(
            f"{len(rows)} machines have a shaft {asked.position!r}: {_listed(several)}.",
            'Say which: "MACHINE / POSITION".',
        )
    raise RecordsError(
        f"No shaft {str(asked)!r} is in {records.path}; it has {_listed(shafts(records))}.",
        "Check the name, or search with: bandscan find",
    )


def shafts(records: Records) -> list[ShaftName]:
    """Every shaft position, by machine and name."""
    rows = records.rows(
        "SELECT name, position FROM shaft JOIN machine ON machine.id = machine_id "
        "ORDER BY name_key, position_key"
    )
    return [ShaftName(machine=row["name"], position=row["position"]) for row in rows]


def shaft_history(records: Records, name: str) -> tuple[KeptInspection, ...]:
    """Everything that was kept of a shaft, oldest inspection first.

    Raises
    ------
    RecordsError
        There is no shaft of that name, or several, or the file is damaged.
    """
    number, _ = find_shaft(records, name)
    rows = records.rows(
        "SELECT document.sha256, json, jpeg, orientation FROM inspection "
        "JOIN document ON document.inspection_id = inspection.id "
        "LEFT JOIN photo ON photo.id = inspection.photo_id "
        "LEFT JOIN reduced_photo ON reduced_photo.photo_id = photo.id "
        "WHERE shaft_id = ? ORDER BY at, kept_at, inspection.id",
        (number,),
    )
    return tuple(_kept(document_of(records, row), row["jpeg"], row["orientation"]) for row in rows)


def document_of(records: Records, row: sqlite3.Row) -> Document:
    """The document in a row, checked against its hash.

    Raises
    ------
    DamagedRecordsError
    """
    if not is_whole(row["sha256"], row["json"]):
        raise damaged(records.path, "a document has changed")
    return dict(json.loads(row["json"]))


def _kept(document: Document, jpeg: bytes | None, orientation: int | None) -> KeptInspection:
    landings, sheets = document["landings"], document["sheets"]
    notes = [note["text"] for note in document["notes"]]
    return KeptInspection(
        uuid=document["uuid"],
        kept_at=document["kept_at"],
        taken=document["taken"],
        by=document["by"],
        note="\n".join(notes) or None,
        machine=document["machine"],
        shaft=document["shaft"],
        measurement=document["measurement"],
        landing=landings[-1]["landing"] if landings else None,
        sheet=sheets[-1]["sheet"] if sheets else None,
        photo_jpeg=jpeg,
        photo_orientation=orientation or 1,
        overrides=tuple(document["measurement"].get("corrections") or ()),
    )


def _listed(names: list[ShaftName]) -> str:
    if not names:
        return "none yet"
    shown = "; ".join(str(name) for name in names[:_FEW])
    return shown if len(names) <= _FEW else f"{shown}; and {len(names) - _FEW} more"
