"""Records as tables for a spreadsheet: CSV by RFC 4180, the unit in every header.

U is the expanded uncertainty for 95 %, u a standard one. Positions are from the shaft end face.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any, TextIO

from bandscan.records.find import FROM, Search, conditions
from bandscan.records.store import Records
from calib.quantity import coverage_factor_95

Row = Sequence[Any]

_WHOSE = ("machine", "shaft", "inspected_at", "time_from")
BAND_HEADER = (
    *_WHOSE, "kept_at", "kept_by", "photo", "photo_sha256", "diameter_mm", "diameter_u_mm", "band",
    "start_mm", "start_U_mm", "end_mm", "end_U_mm", "width_mm", "width_U_mm", "looks", "verdict",
    "corrected_by_hand", "note", "uuid",
)  # fmt: skip
LIP_HEADER = (
    *_WHOSE, "seal", "lip", "contact_from_mm", "contact_to_mm", "u_mm", "clearance_mm",
    "clearance_U_mm", "probability_on_band", "verdict", "uuid",
)  # fmt: skip

_WHOSE_SQL = "machine.name, shaft.position, inspection.at, taken_from"
_BANDS = f"""
SELECT {_WHOSE_SQL}, kept_at, by, file, photo.sha256, diameter_mm, diameter_u_mm, number,
    start_mm, start_u_mm, start_dof, end_mm, end_u_mm, end_dof, width_mm, width_u_mm, width_dof,
    looks,
    (SELECT verdict FROM landing WHERE inspection_id = inspection.id ORDER BY id DESC LIMIT 1),
    CASE WHEN corrections IS NULL THEN 'no' ELSE 'yes' END,
    (SELECT group_concat(text, char(10)) FROM note WHERE inspection_id = inspection.id),
    inspection.uuid
{FROM} LEFT JOIN band ON band.inspection_id = inspection.id
"""
_LIPS = f"""
SELECT {_WHOSE_SQL}, seal, lip.name, low_mm, high_mm, u_mm,
    clearance_mm, clearance_u_mm, clearance_dof, probability_on_band, lip.verdict, inspection.uuid
{FROM} JOIN landing ON landing.inspection_id = inspection.id JOIN lip ON landing_id = landing.id
"""
_ORDER = "ORDER BY machine.name_key, shaft.position_key, inspection.at, inspection.id"


def write_bands(records: Records, search: Search, file: TextIO) -> None:
    """A row for each band; one without a band for an inspection that found none."""
    rows = _rows(records, search, _BANDS, f"{_ORDER}, number")
    _write(file, BAND_HEADER, rows, lambda row: _widened(row, u_columns=(12, 15, 18)))


def write_lips(records: Records, search: Search, file: TextIO) -> None:
    """A row for each lip of each landing."""
    rows = _rows(records, search, _LIPS, f"{_ORDER}, landing.id, lip.id")
    _write(file, LIP_HEADER, rows, lambda row: _widened(row, u_columns=(10,)))


def _rows(records: Records, search: Search, select: str, order: str) -> Iterator[Row]:
    where, values = conditions(search)
    yield from (
        tuple(row) for row in records.connection.execute(f"{select} {where} {order}", values)
    )


def _write(file: TextIO, header: Row, rows: Iterator[Row], finished: Callable[[Row], Row]) -> None:
    table = csv.writer(file)
    table.writerow(header)
    table.writerows(finished(row) for row in rows)


def _widened(row: Row, u_columns: Sequence[int]) -> list[Any]:
    """The row with U in place of each u and the degrees of freedom after it."""
    result = list(row)
    for column in sorted(u_columns, reverse=True):
        u, dof = result[column], result.pop(column + 1)
        if u is not None:
            result[column] = u * coverage_factor_95(math.inf if dof is None else dof)
    return result
