"""Put a document into a records file: the one way in, for keeping, importing and rescuing."""

from __future__ import annotations

import json
import math
import sqlite3
from dataclasses import dataclass
from enum import Enum

from bandscan.records.document import (
    Document,
    bands_of,
    diameter_of,
    merged,
    name_of,
    time_of,
    verdict_of,
)
from bandscan.records.names import (
    ShaftName,
    canonical,
    key_of,
    machine_uuid,
    sha256_of,
    shaft_uuid,
)
from calib.quantity import Estimate


class Outcome(Enum):
    """What became of a document."""

    KEPT = "kept"
    ADDED = "added to what was kept"
    ALREADY = "already kept"
    ELSEWHERE = "kept under another shaft"


@dataclass(frozen=True, slots=True, kw_only=True)
class ReducedPhoto:
    """A small copy of a photo, without anything but pixels in it.

    Parameters
    ----------
    jpeg : bytes
        Upright: the orientation of the original has been applied.
    orientation : int
        EXIF orientation of the original, 1 to 8.
    original : str or None
        Path of the original on this machine.
    """

    jpeg: bytes
    orientation: int
    original: str | None = None


def kept_document(connection: sqlite3.Connection, uuid: str) -> Document | None:
    """The document of an inspection, None where it was not kept."""
    row = connection.execute(
        "SELECT json FROM document JOIN inspection ON id = inspection_id WHERE uuid = ?", (uuid,)
    ).fetchone()
    return None if row is None else dict(json.loads(row[0]))


def put(
    connection: sqlite3.Connection,
    document: Document,
    reduced: ReducedPhoto | None = None,
    *,
    move: bool = False,
) -> Outcome:
    """Keep a document, or add what is new in it to the one that is kept.

    Parameters
    ----------
    connection : sqlite3.Connection
        Within a transaction.
    document : dict
        Checked by `check_document`.
    reduced : ReducedPhoto or None
        Kept where the photo has none yet.
    move : bool
        An inspection that is kept under another shaft is moved to this one.

    Returns
    -------
    Outcome
        ELSEWHERE: nothing was changed, for it is kept under another shaft.
    """
    kept = kept_document(connection, document["uuid"])
    if kept is None:
        photo_id = _put_photo(connection, document, reduced)
        _insert(connection, document, photo_id)
        return Outcome.KEPT
    whole = merged(kept, document)
    if name_of(kept).key != name_of(document).key:
        if not move:
            return Outcome.ELSEWHERE
        whole["machine"], whole["shaft"] = document["machine"], document["shaft"]
    changes = connection.total_changes
    photo_id = _put_photo(connection, document, reduced)
    changed = connection.total_changes > changes
    if canonical(whole) != canonical(kept):
        _replace(connection, whole, photo_id)
        changed = True
    return Outcome.ADDED if changed else Outcome.ALREADY


def _replace(connection: sqlite3.Connection, document: Document, photo_id: int | None) -> None:
    """Write an inspection anew under its own number; what hangs on it goes with it."""
    row = connection.execute(
        "SELECT id FROM inspection WHERE uuid = ?", (document["uuid"],)
    ).fetchone()
    connection.execute("DELETE FROM inspection WHERE id = ?", (row[0],))
    _insert(connection, document, photo_id, number=row[0])


def _insert(
    connection: sqlite3.Connection,
    document: Document,
    photo_id: int | None,
    *,
    number: int | None = None,
) -> None:
    diameter = diameter_of(document["measurement"])
    corrections = document["measurement"].get("corrections")
    cursor = connection.execute(
        "INSERT INTO inspection VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (
            number,
            document["uuid"],
            _shaft_id(connection, name_of(document)),
            photo_id,
            time_of(document),
            document["taken_from"],
            document["kept_at"],
            document["by"],
            key_of(document["by"]),
            None if diameter is None else diameter.value,
            None if diameter is None else diameter.u,
            json.dumps(corrections, ensure_ascii=False) if corrections else None,
        ),
    )
    inspection_id = cursor.lastrowid
    assert inspection_id is not None
    text = json.dumps(document, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    connection.execute(
        "INSERT INTO document VALUES (?, ?, ?)", (inspection_id, sha256_of(text.encode()), text)
    )
    _insert_bands(connection, document, inspection_id)
    _insert_landings(connection, document, inspection_id)
    connection.executemany(
        "INSERT INTO sheet VALUES (NULL, ?, ?, ?)",
        [(inspection_id, s["at"], s["sheet"].get("nominal_mm")) for s in document["sheets"]],
    )
    connection.executemany(
        "INSERT INTO note VALUES (NULL, ?, ?, ?, ?, ?)",
        [
            (inspection_id, note["at"], note["by"], note["text"], key_of(note["text"]))
            for note in document["notes"]
        ],
    )


def _insert_bands(connection: sqlite3.Connection, document: Document, inspection_id: int) -> None:
    connection.executemany(
        "INSERT INTO band VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [
            (
                inspection_id,
                number,
                *_columns(band.start_mm),
                *_columns(band.end_mm),
                *_columns(band.width_mm),
                band.looks,
            )
            for number, band in enumerate(bands_of(document["measurement"]), start=1)
        ],
    )


def _insert_landings(
    connection: sqlite3.Connection, document: Document, inspection_id: int
) -> None:
    for item in document["landings"]:
        landing = item["landing"]
        seal = landing.get("seal") or {}
        landing_id = connection.execute(
            "INSERT INTO landing VALUES (NULL, ?, ?, ?, ?)",
            (inspection_id, item["at"], seal.get("label"), verdict_of(landing)),
        ).lastrowid
        connection.executemany(
            "INSERT INTO lip VALUES (NULL, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            [(landing_id, *_lip_columns(lip)) for lip in landing["lips"]],
        )


def _lip_columns(lip: Document) -> tuple[object, ...]:
    low, high = lip.get("contact_mm") or (None, None)
    clear = lip.get("clearance_mm") or {}
    return (
        str(lip["name"]), low, high, lip.get("u_mm"), clear.get("value"), clear.get("u"),
        clear.get("dof"), lip.get("probability_on_band"), lip["verdict"],
    )  # fmt: skip


def _columns(estimate: Estimate) -> tuple[float, float, float | None]:
    return estimate.value, estimate.u, None if math.isinf(estimate.dof) else estimate.dof


def _put_photo(
    connection: sqlite3.Connection, document: Document, reduced: ReducedPhoto | None
) -> int | None:
    """Number of the photo; what is not yet known of it is added."""
    photo = document["measurement"]["photo"]
    if photo.get("sha256") is None:
        return None
    connection.execute(
        "INSERT INTO photo (sha256, file, taken, width_px, height_px) VALUES (?, ?, ?, ?, ?) "
        "ON CONFLICT (sha256) DO NOTHING",
        tuple(photo.get(key) for key in ("sha256", "file", "taken", "width_px", "height_px")),
    )
    row = connection.execute("SELECT id FROM photo WHERE sha256 = ?", (photo["sha256"],)).fetchone()
    photo_id = int(row[0])
    if reduced is not None:
        inserted = connection.execute(
            "INSERT INTO reduced_photo VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (photo_id, sha256_of(reduced.jpeg), reduced.jpeg),
        ).rowcount
        if inserted:
            connection.execute(
                "UPDATE photo SET orientation = ? WHERE id = ?", (reduced.orientation, photo_id)
            )
        if reduced.original is not None:
            connection.execute(
                "INSERT INTO original VALUES (NULL, ?, ?) ON CONFLICT DO NOTHING",
                (photo_id, reduced.original),
            )
    return photo_id


def _shaft_id(connection: sqlite3.Connection, name: ShaftName) -> int:
    """Number of the shaft position; it and its machine are made where they are new."""
    machine_key, position_key = name.key
    connection.execute(
        "INSERT INTO machine VALUES (NULL, ?, ?, ?) ON CONFLICT (uuid) DO NOTHING",
        (machine_uuid(name), name.machine, machine_key),
    )
    connection.execute(
        "INSERT INTO shaft SELECT NULL, ?, id, ?, ? FROM machine WHERE uuid = ? "
        "ON CONFLICT DO NOTHING",
        (shaft_uuid(name), name.position, position_key, machine_uuid(name)),
    )
    row = connection.execute("SELECT id FROM shaft WHERE uuid = ?", (shaft_uuid(name),)).fetchone()
    return int(row[0])
