"""Save what can be read of a damaged records file.

The damaged file is kept under another name; what can be read of it goes into a new file under
the old one. The swap is prepared beside it and finished even if the program is killed in it.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TypeVar

from bandscan.records import schema
from bandscan.records.document import RECORD_SCHEMA, UnfitError
from bandscan.records.errors import DamagedRecordsError, RecordsError
from bandscan.records.fragments import documents_in, photos_in
from bandscan.records.place import default_place
from bandscan.records.put import put
from bandscan.records.store import BUSY_S, Records, open_records, plain_words, sync_folder

_T = TypeVar("_T")

_LOGS = ("-wal", "-shm")
# SQLite file format, 1.3: page size, and size of the file in pages.
_PAGE_SIZE_AT, _PAGE_COUNT_AT = slice(16, 18), slice(28, 32)
_APPLICATION_ID_AT = slice(68, 72)


@dataclass(frozen=True, slots=True, kw_only=True)
class Rescued:
    """What a rescue gave.

    Parameters
    ----------
    reason : str
        What is wrong with the file.
    damaged : Path
        Where the damaged file is kept.
    saved, in_part, lost : int
        Inspections in the new file; of them those of which the numbers are left but not the
        whole result; those of which nothing is left but that they were.
    pictures : int
        Photos whose copy is in the new file.
    """

    reason: str
    damaged: Path
    saved: int
    in_part: int
    lost: int
    pictures: int


def use_records(
    path: Path | None,
    work: Callable[[Records], _T],
    *,
    create: bool = False,
    tell: Callable[[Rescued], None],
) -> _T:
    """Open a records file and work with it; where it is damaged, rescue it and go on.

    Parameters
    ----------
    work : callable
        May be called a second time, after a rescue.
    tell : callable
        Called with what was rescued.

    Raises
    ------
    RecordsError
    """
    path = default_place() if path is None else path
    if path.is_dir():
        raise RecordsError(f"{path} is a folder.", "Name a file with --records.")
    if _prepared(path).exists():
        with _alone(path):
            _swap(path)
    try:
        with open_records(path, create=create) as records:
            return work(records)
    except DamagedRecordsError as error:
        told = rescue(path, error)
    if told is not None:
        tell(told)
    with open_records(path, create=create) as records:
        return work(records)


def rescue(path: Path, found: DamagedRecordsError) -> Rescued | None:
    """Put a new file with what can be read in the place of a damaged one.

    Returns
    -------
    Rescued or None
        None where another has rescued it meanwhile.

    Raises
    ------
    RecordsError
        It is no records file, or the new one cannot be written; it is left as it is then.
    """
    if not _is_ours(path):  # before anything is put beside it
        raise RecordsError(
            f"{path} is no records file of bandscan, or nothing of it is left.",
            "Name another with --records, or put a copy of it in its place.",
        )
    with _alone(path), _no_writer(path):
        if _is_sound(path):
            return None
        try:
            kept = _copy_aside(path)
            told = _rebuild(path, kept, found)
            _swap(path)
        except OSError as error:
            raise RecordsError(
                f"The damaged records file {path} cannot be rescued: {error.strerror or error}.",
                "Make room beside it, close other programs that use it, and run this again.",
            ) from error
    return told


def _is_sound(path: Path) -> bool:
    try:
        with open_records(path) as records:
            records.check()
    except DamagedRecordsError:
        return False
    return True


def _is_ours(path: Path) -> bool:
    """Whether a file was one of records: by its number, or by a document in it."""
    data = path.read_bytes()
    number = int.from_bytes(data[_APPLICATION_ID_AT], "big")
    return number == schema.APPLICATION_ID or f'"schema":"{RECORD_SCHEMA}"'.encode() in data


def _copy_aside(path: Path) -> Path:
    """Copy the damaged file with its log under another name; the copy."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%S%fZ")
    kept = path.with_name(f"{path.name}.damaged-{stamp}")
    for suffix in ("", _LOGS[0]):
        source = path.with_name(path.name + suffix)
        if source.exists():
            shutil.copy2(source, kept.with_name(kept.name + suffix))
    sync_folder(path.parent)
    return kept


def _rebuild(path: Path, kept: Path, found: DamagedRecordsError) -> Rescued:
    """Write what can be read of `kept` into a file that stands ready for the swap."""
    work = path.with_name(f"{path.name}.{os.getpid()}.reading")
    new = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        for suffix in ("", _LOGS[0]):
            source = kept.with_name(kept.name + suffix)
            if source.exists():
                shutil.copy2(source, work.with_name(work.name + suffix))
        with contextlib.closing(_open_damaged(work)) as connection:
            told = _refill(new, connection, kept, found)
        new.replace(_prepared(path))
        sync_folder(path.parent)
    finally:
        for file in (work, new):
            for suffix in ("", *_LOGS):
                file.with_name(file.name + suffix).unlink(missing_ok=True)
    return told


def _refill(
    new: Path, connection: sqlite3.Connection, kept: Path, found: DamagedRecordsError
) -> Rescued:
    photos = photos_in(connection)
    saved = in_part = last = 0
    with open_records(new, create=True) as records:
        with records.writing() as target:
            for number, document, whole in documents_in(connection):
                last = max(last, number)
                if document is None:
                    continue
                with contextlib.suppress(UnfitError):
                    put(target, document, photos.get(document["measurement"]["photo"]["sha256"]))
                    saved, in_part = saved + 1, in_part + (not whole)
        (pictures,) = records.rows("SELECT count(*) FROM reduced_photo")[0]
        with plain_words(new):
            records.connection.execute("PRAGMA journal_mode = DELETE")  # one file, to be renamed
    return Rescued(
        reason=found.message, damaged=kept, saved=saved, in_part=in_part,
        lost=max(last - saved, 0), pictures=pictures,
    )  # fmt: skip


def _open_damaged(path: Path) -> sqlite3.Connection:
    """A connection that gives up as late as possible.

    Where the first page, with the list of tables, cannot be read, that of an empty records
    file takes its place: the tables of all begin on the same pages.
    """
    connection = _lenient(path)
    with contextlib.suppress(sqlite3.Error):
        connection.execute("SELECT count(*) FROM meta").fetchone()
        return connection
    connection.close()
    _graft_first_page(path)
    return _lenient(path)


def _lenient(path: Path) -> sqlite3.Connection:
    connection = sqlite3.connect(path, isolation_level=None)
    connection.row_factory = sqlite3.Row
    connection.text_factory = _text
    return connection


def _text(data: bytes) -> str:
    return data.decode(errors="replace")


def _graft_first_page(path: Path) -> None:
    fresh = path.with_name(f"{path.name}.fresh")
    try:
        with open_records(fresh, create=True) as records, plain_words(fresh):
            records.connection.execute("PRAGMA journal_mode = DELETE")
        data = bytearray(fresh.read_bytes())
    finally:
        for suffix in ("", *_LOGS):
            fresh.with_name(fresh.name + suffix).unlink(missing_ok=True)
    size = int.from_bytes(data[_PAGE_SIZE_AT], "big")
    first = data[:size]
    first[_PAGE_COUNT_AT] = (path.stat().st_size // size).to_bytes(4, "big")
    with path.open("r+b") as file:
        file.write(first)


def _prepared(path: Path) -> Path:
    return path.with_name(f"{path.name}.rescued")


def _swap(path: Path) -> None:
    """Put the prepared file in its place; the log of the damaged one must not be read into it."""
    if not _prepared(path).exists():
        return
    for suffix in _LOGS:
        path.with_name(path.name + suffix).unlink(missing_ok=True)
    _prepared(path).replace(path)
    sync_folder(path.parent)


@contextlib.contextmanager
def _alone(path: Path) -> Iterator[None]:
    """Keep other rescuers away; the lock is SQLite's, which a kill releases."""
    lock = path.with_name(f".{path.name}.lock")
    with plain_words(path):
        connection = sqlite3.connect(lock, timeout=BUSY_S, isolation_level=None)
        with contextlib.closing(connection):
            connection.execute("BEGIN EXCLUSIVE")
            yield


@contextlib.contextmanager
def _no_writer(path: Path) -> Iterator[None]:
    """Keep writers of the damaged file away, where it is sound enough for a lock.

    They find at their next write that the file was replaced. When this connection closes,
    SQLite sees that too and leaves the new file's log alone. Windows replaces no open file;
    there the swap fails instead while another has it open.
    """
    if os.name == "nt":
        yield
        return
    connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
    with contextlib.closing(connection):
        with contextlib.suppress(sqlite3.DatabaseError):
            connection.execute("BEGIN IMMEDIATE")
        yield
