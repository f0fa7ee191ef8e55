"""The bands of one shaft over the years, read from the tables alone."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from bandscan.records.names import ShaftName
from bandscan.records.reading import find_shaft
from bandscan.records.store import Records
from bandscan.wear_growth import Sighting, Track, follow_bands
from calib.quantity import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class InspectionLine:
    """One inspection in a history.

    Parameters
    ----------
    uuid : str
    at : datetime
        Local time of the photo; where nothing says so, when it was kept.
    taken_from : {"photo", "given", "kept"}
        Where that time is from.
    kept_at, by, photo : str
        `photo` is the name of its file, empty where there was none.
    bands : tuple of Sighting
    verdict : str or None
        Of the last landing kept with it.
    notes : tuple of str
    corrections : tuple of dict
        Values that were corrected by hand.
    replaced : bool
        A later result of the same photo stands in its place; its bands are in no track.
    """

    uuid: str
    at: datetime
    taken_from: str
    kept_at: str
    by: str
    photo: str
    bands: tuple[Sighting, ...]
    verdict: str | None = None
    notes: tuple[str, ...] = ()
    corrections: tuple[dict[str, Any], ...] = ()
    replaced: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftWear:
    """A shaft's inspections, oldest first, and its bands followed through them."""

    name: ShaftName
    inspections: tuple[InspectionLine, ...]
    tracks: tuple[Track, ...]


def shaft_wear(records: Records, name: str) -> ShaftWear:
    """The history of a shaft.

    Raises
    ------
    RecordsError
        There is no shaft of that name, or several, or the file is damaged.
    """
    number, full_name = find_shaft(records, name)
    with records.reading() as connection:
        rows = connection.execute(_INSPECTIONS, (number,)).fetchall()
        bands = _grouped(connection.execute(_BANDS, (number,)).fetchall())
        notes = _grouped(connection.execute(_NOTES, (number,)).fetchall())
    last_of_photo = {(row["photo_id"], row["at"]): row["id"] for row in _by_keeping(rows)}
    inspections = []
    for index, row in enumerate(rows):
        last = last_of_photo[row["photo_id"], row["at"]]
        inspections.append(
            InspectionLine(
                uuid=row["uuid"],
                at=datetime.fromisoformat(row["at"]),
                taken_from=row["taken_from"],
                kept_at=row["kept_at"],
                by=row["by"],
                photo=row["file"] or "",
                bands=tuple(_sighting(index, row, band) for band in bands.get(row["id"], ())),
                verdict=row["verdict"],
                notes=tuple(note["text"] for note in notes.get(row["id"], ())),
                corrections=tuple(json.loads(row["corrections"] or "[]")),
                replaced=row["photo_id"] is not None and last != row["id"],
            )
        )
    current = [line.bands for line in inspections if not line.replaced]
    return ShaftWear(name=full_name, inspections=tuple(inspections), tracks=follow_bands(current))


_INSPECTIONS = """
SELECT inspection.id, inspection.uuid, at, taken_from, kept_at, by, photo_id, file, corrections,
    (SELECT verdict FROM landing WHERE inspection_id = inspection.id ORDER BY id DESC LIMIT 1)
        AS verdict
FROM inspection LEFT JOIN photo ON photo.id = photo_id
WHERE shaft_id = ? ORDER BY at, kept_at, inspection.id
"""
_BANDS = """
SELECT band.* FROM inspection JOIN band ON inspection_id = inspection.id
WHERE shaft_id = ? ORDER BY inspection_id, number
"""
_NOTES = """
SELECT inspection_id, text FROM inspection JOIN note ON inspection_id = inspection.id
WHERE shaft_id = ? ORDER BY note.id
"""


def _by_keeping(rows: list[sqlite3.Row]) -> list[sqlite3.Row]:
    return sorted(rows, key=lambda row: (row["kept_at"], row["id"]))


def _grouped(rows: list[sqlite3.Row]) -> dict[int, list[sqlite3.Row]]:
    groups: dict[int, list[sqlite3.Row]] = {}
    for row in rows:
        groups.setdefault(row["inspection_id"], []).append(row)
    return groups


def _sighting(index: int, inspection: sqlite3.Row, band: sqlite3.Row) -> Sighting:
    def estimate(name: str) -> Estimate:
        dof = band[f"{name}_dof"]
        return Estimate(
            value=band[f"{name}_mm"],
            u=band[f"{name}_u_mm"],
            dof=math.inf if dof is None else dof,
        )

    return Sighting(
        inspection=index,
        band=band["number"],
        at=datetime.fromisoformat(inspection["at"]),
        start_mm=estimate("start"),
        end_mm=estimate("end"),
        width_mm=estimate("width"),
    )
