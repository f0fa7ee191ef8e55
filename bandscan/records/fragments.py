"""Read the tables of a damaged records file row by row, around the places that cannot be read."""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from typing import Any

from bandscan.records.document import (
    MEASUREMENT_SCHEMA,
    RECORD_SCHEMA,
    Document,
    UnfitError,
    check_document,
)
from bandscan.records.names import inspection_uuid
from bandscan.records.put import ReducedPhoto
from bandscan.records.store import is_whole

Rows = dict[int, sqlite3.Row]

_MAX_GAP = 2_000_000  # numbers that are tried one by one in a stretch that cannot be walked


def rows_of(connection: sqlite3.Connection, table: str) -> Rows:
    """Every row of a table that can be read, by its number.

    The table is walked from its first row and from its last; numbers between the places where
    the walks break off are asked for one by one.
    """
    found: Rows = {}
    columns = f"rowid AS number, * FROM {table} ORDER BY rowid"
    for order in ("ASC", "DESC"):
        with contextlib.suppress(sqlite3.Error):
            for row in connection.execute(f"SELECT {columns} {order}"):
                found[row["number"]] = row
            return found  # walked to its end
    _fill_gaps(connection, table, found)
    return found


def _fill_gaps(connection: sqlite3.Connection, table: str, found: Rows) -> None:
    last = max(found, default=0)
    with contextlib.suppress(sqlite3.Error):
        last = max(last, connection.execute(f"SELECT max(rowid) FROM {table}").fetchone()[0] or 0)
    query = f"SELECT rowid AS number, * FROM {table} WHERE rowid = ?"
    for number in range(1, min(last, _MAX_GAP) + 1):
        if number not in found:
            with contextlib.suppress(sqlite3.Error):
                row = connection.execute(query, (number,)).fetchone()
                if row is not None:
                    found[number] = row


def photos_in(connection: sqlite3.Connection) -> dict[str, ReducedPhoto]:
    """Pictures that are whole, by the hash of their original."""
    photos = rows_of(connection, "photo")
    paths = {row["photo_id"]: row["path"] for row in rows_of(connection, "original").values()}
    found = {}
    for number, row in rows_of(connection, "reduced_photo").items():
        if number in photos and is_whole(row["sha256"], row["jpeg"]):
            found[photos[number]["sha256"]] = ReducedPhoto(
                jpeg=row["jpeg"],
                orientation=photos[number]["orientation"] or 1,
                original=paths.get(number),
            )
    return found


def documents_in(connection: sqlite3.Connection) -> Iterator[tuple[int, Document | None, bool]]:
    """What is left of every inspection.

    Yields
    ------
    number : int
    document : dict or None
        None where nothing but a trace is left.
    whole : bool
        False: made anew from the tables, without what only the document held.
    """
    documents = rows_of(connection, "document")
    tables = {
        name: rows_of(connection, name)
        for name in ("inspection", "band", "note", "shaft", "machine", "photo")
    }
    traces = {row["inspection_id"] for name in ("band", "note") for row in tables[name].values()}
    for number in sorted({*documents, *tables["inspection"], *traces}):
        document = _whole_document(documents.get(number))
        if document is not None:
            yield number, document, True
        else:
            yield number, _remade_document(number, tables), False


def _whole_document(row: sqlite3.Row | None) -> Document | None:
    if row is None or not is_whole(row["sha256"], row["json"]):
        return None
    with contextlib.suppress(ValueError):  # an UnfitError is one
        document = json.loads(row["json"])
        check_document(document)
        return dict(document)
    return None


def _remade_document(number: int, tables: dict[str, Rows]) -> Document | None:
    """A document with the numbers of the tables, where whose shaft it was is known."""
    inspection = tables["inspection"].get(number)
    shaft = None if inspection is None else tables["shaft"].get(inspection["shaft_id"])
    if inspection is None or shaft is None:
        return None
    machine = tables["machine"].get(shaft["machine_id"])
    measurement = _remade_measurement(number, inspection, tables)
    document = {
        "schema": RECORD_SCHEMA,
        "uuid": inspection_uuid(measurement),
        "machine": "" if machine is None else machine["name"],
        "shaft": shaft["position"],
        "kept_at": inspection["kept_at"],
        "by": inspection["by"],
        "taken": None if inspection["taken_from"] == "kept" else inspection["at"],
        "taken_from": inspection["taken_from"],
        "measurement": measurement,
        "landings": [],
        "sheets": [],
        "notes": [
            {"at": row["at"], "by": row["by"], "text": row["text"]}
            for row in tables["note"].values()
            if row["inspection_id"] == number
        ],
    }
    with contextlib.suppress(UnfitError):
        check_document(document)
        return document
    return None


def _remade_measurement(
    number: int, inspection: sqlite3.Row, tables: dict[str, Rows]
) -> dict[str, Any]:
    photo = tables["photo"].get(inspection["photo_id"])
    bands = [row for row in tables["band"].values() if row["inspection_id"] == number]
    return {
        "schema": MEASUREMENT_SCHEMA,
        "photo": {
            key: None if photo is None else photo[key]
            for key in ("file", "sha256", "width_px", "height_px", "taken")
        },
        "lens": None,
        "scales": [],
        "agreement": None,
        "shaft": {
            "diameter_mm": None
            if inspection["diameter_mm"] is None
            else {"value": inspection["diameter_mm"], "u": inspection["diameter_u_mm"]}
        },
        "bands": [
            {
                f"{name}_mm": {
                    "value": row[f"{name}_mm"],
                    "u": row[f"{name}_u_mm"],
                    "dof": row[f"{name}_dof"],
                }
                for name in ("start", "end", "width")
            }
            | {"looks": row["looks"]}
            for row in sorted(bands, key=lambda row: int(row["number"]))
        ],
        "budget": [],
        "warnings": [
            {
                "code": "rescued",
                "message": "The records file was damaged; of this result the numbers are left.",
            }
        ],
        "corrections": json.loads(inspection["corrections"] or "[]"),
        "refusal": None,
        "landing": None,
    }
