"""Search the inspections of a records file."""

from __future__ import annotations

from dataclasses import dataclass

from bandscan.records.names import ShaftName, key_of
from bandscan.records.store import Records


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What to look for; None and empty count for nothing, the rest must all be met.

    Parameters
    ----------
    machine, shaft, note, by : str
        A part of the name or text; neither case nor runs of blanks count.
    since, until : str or None
        Local dates, or dates and times, ISO 8601; both ends belong to it.
    verdict : str or None
        Of a lip of a landing that was kept.
    """

    machine: str = ""
    shaft: str = ""
    note: str = ""
    by: str = ""
    since: str | None = None
    until: str | None = None
    verdict: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """An inspection that was found."""

    uuid: str
    at: str
    name: ShaftName
    photo: str
    by: str
    bands_mm: tuple[tuple[float, float], ...]
    verdict: str | None
    note: str


def find(records: Records, search: Search, *, limit: int = -1) -> tuple[list[Found], int]:
    """Inspections that meet a search, latest first.

    Parameters
    ----------
    limit : int
        How many to give at most; negative: all.

    Returns
    -------
    found : list of Found
    count : int
        How many there are.

    Raises
    ------
    RecordsError
    """
    where, values = conditions(search)
    with records.reading() as connection:
        (count,) = connection.execute(f"SELECT count(*) {FROM} {where}", values).fetchone()
        rows = connection.execute(
            f"{_SELECT} {FROM} {where} ORDER BY at DESC, inspection.id DESC LIMIT ?",
            (*values, limit),
        ).fetchall()
        found = []
        for row in rows:
            bands = connection.execute(_BANDS, (row["id"],)).fetchall()
            found.append(
                Found(
                    uuid=row["uuid"],
                    at=row["at"],
                    name=ShaftName(machine=row["name"], position=row["position"]),
                    photo=row["file"] or "",
                    by=row["by"],
                    bands_mm=tuple((band[0], band[1]) for band in bands),
                    verdict=row["verdict"],
                    note=row["notes"] or "",
                )
            )
    return found, int(count)


_SELECT = """
SELECT inspection.id, inspection.uuid, at, by, name, position, file,
    (SELECT verdict FROM landing WHERE inspection_id = inspection.id ORDER BY id DESC LIMIT 1)
        AS verdict,
    (SELECT group_concat(text, '; ') FROM note WHERE inspection_id = inspection.id) AS notes
"""
FROM = """
FROM inspection JOIN shaft ON shaft.id = shaft_id JOIN machine ON machine.id = machine_id
    LEFT JOIN photo ON photo.id = photo_id
"""
_BANDS = "SELECT start_mm, end_mm FROM band WHERE inspection_id = ? ORDER BY number"


def conditions(search: Search) -> tuple[str, tuple[str, ...]]:
    """A WHERE clause over the tables of `FROM`, and its values."""
    asked = [
        ("instr(name_key, ?)", key_of(search.machine)),
        ("instr(position_key, ?)", key_of(search.shaft)),
        ("instr(by_key, ?)", key_of(search.by)),
        (
            "inspection.id IN (SELECT inspection_id FROM note WHERE instr(text_key, ?))",
            key_of(search.note),
        ),
        (
            "inspection.id IN (SELECT inspection_id FROM landing JOIN lip "
            "ON landing_id = landing.id WHERE lip.verdict = ?)",
            search.verdict,
        ),
        ("inspection.at >= ?", search.since),
        ("inspection.at <= ?", None if search.until is None else _end_of(search.until)),
    ]
    met = [(clause, value) for clause, value in asked if value]
    where = " AND ".join(clause for clause, _ in met)
    return (f"WHERE {where}" if where else ""), tuple(value for _, value in met)


def _end_of(until: str) -> str:
    """A date stands for the whole of its day."""
    return f"{until}T23:59:59" if len(until) == len("2026-05-04") else until
