"""Open a records file: SQLite with write-ahead log, every commit on disk before it counts."""

from __future__ import annotations

import contextlib
import os
import sqlite3
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from bandscan.records import schema
from bandscan.records.errors import DamagedRecordsError, RecordsError
from bandscan.records.names import sha256_of
from bandscan.records.place import default_place

BUSY_S = 30.0  # to wait for another writer; the longest write of ours takes a second or so
SMALL_BYTES = 16_000_000  # checked whole at every opening: some 0.05 s
CHECK_AFTER = timedelta(days=7)  # a larger file is checked that often, before it is written to

CONTENTS = {"document": "json", "reduced_photo": "jpeg"}  # tables with a hash, and of what

_FULL, _DAMAGED = {sqlite3.SQLITE_FULL}, {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB}
_BUSY = {sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED}
_FORBIDDEN = {sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM}


class Records:
    """An open records file; close it, or use it in a `with` statement.

    Parameters
    ----------
    path : Path
    connection : sqlite3.Connection
        In autocommit; a write goes through `writing`.
    """

    def __init__(self, path: Path, connection: sqlite3.Connection) -> None:
        self.path = path
        self.connection = connection
        self._file = _identity(path)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was committed is on disk already."""
        with contextlib.suppress(sqlite3.Error):
            self.connection.close()

    def rows(self, sql: str, values: tuple[Any, ...] | dict[str, Any] = ()) -> list[sqlite3.Row]:
        """Every row of a query.

        Raises
        ------
        RecordsError
        """
        with plain_words(self.path):
            return self.connection.execute(sql, values).fetchall()

    @contextlib.contextmanager
    def writing(self) -> Iterator[sqlite3.Connection]:
        """A transaction of the only writer; it is on disk once the block is left.

        Raises
        ------
        RecordsError
            Another writer did not finish in time, the disk is full, the file is damaged or
            may not be written; nothing of the block is kept then.
        """
        with plain_words(self.path):
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                if _identity(self.path) != self._file:  # a rescue put a new file in its place
                    raise RecordsError(
                        f"The records file {self.path} was replaced meanwhile.",
                        "Run the command again; nothing was lost.",
                    )
                yield self.connection
                self.connection.execute("COMMIT")
            except BaseException:
                with contextlib.suppress(sqlite3.Error):  # SQLite may have rolled back itself
                    self.connection.execute("ROLLBACK")
                raise

    @contextlib.contextmanager
    def reading(self) -> Iterator[sqlite3.Connection]:
        """A transaction that sees one state of the file, whoever writes meanwhile."""
        with plain_words(self.path):
            self.connection.execute("BEGIN")
            try:
                yield self.connection
            finally:
                with contextlib.suppress(sqlite3.Error):
                    self.connection.execute("ROLLBACK")

    def check(self) -> None:
        """Read the whole file: SQLite's own check, and the hashes of documents and pictures.

        Raises
        ------
        DamagedRecordsError
        """
        found = [row[0] for row in self.rows("PRAGMA integrity_check(3)")]
        if found != ["ok"]:
            raise damaged(self.path, str(found[0]).splitlines()[-1])
        with plain_words(self.path):
            for table, column in CONTENTS.items():
                for row in self.connection.execute(f"SELECT sha256, {column} FROM {table}"):
                    if not is_whole(row["sha256"], row[column]):
                        raise damaged(self.path, f"a {table.replace('_', ' ')} has changed")


def open_records(path: Path | None = None, *, create: bool = False) -> Records:
    """Open a records file, bringing it to this version's tables.

    Parameters
    ----------
    path : Path or None
        None: the default place.
    create : bool
        Make it, and the folder, where there is none; otherwise that is an error.

    Raises
    ------
    DamagedRecordsError
        SQLite finds it damaged; see `bandscan.records.rescue`.
    RecordsError
        There is none, it is no records file, it is of a newer version, or it may not be
        read or written.
    """
    path = default_place() if path is None else path
    if not path.exists():
        if not create:
            raise RecordsError(
                f"There is no records file {path}.",
                'Keep a first result with: bandscan keep RESULT.json --shaft "MACHINE / POSITION"',
            )
        _make(path)
    records = Records(path, _connect(path))
    try:
        with plain_words(path):
            _prepare(records)
        if _check_is_due(records, writing=create):
            records.check()
            if create:
                _remember_check(records)
    except BaseException:
        records.close()
        raise
    return records


def _identity(path: Path) -> tuple[int, int] | None:
    try:
        status = path.stat()
    except OSError:
        return None
    return status.st_dev, status.st_ino


def is_whole(sha256: object, content: object) -> bool:
    """Whether a content is what its hash was made of."""
    data = content.encode() if isinstance(content, str) else content
    return isinstance(data, bytes) and sha256_of(data) == sha256


def _make(path: Path) -> None:
    """An empty file, so that its place in the folder is on disk before anything is kept."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.touch()
        sync_folder(path.parent)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        raise RecordsError(
            f"The records file {path} cannot be made: {reason}.", "Name another with --records."
        ) from None


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on disk; Windows has no such call and does it by itself."""
    if os.name == "nt":
        return
    handle = os.open(folder, os.O_RDONLY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def _connect(path: Path) -> sqlite3.Connection:
    with plain_words(path):
        connection = sqlite3.connect(path, timeout=BUSY_S, isolation_level=None)
        connection.row_factory = sqlite3.Row
        connection.execute("PRAGMA foreign_keys = ON")
        connection.execute("PRAGMA synchronous = FULL")
        return connection


def _prepare(records: Records) -> None:
    """Recognise the file, switch to the write-ahead log, and bring it up to date."""
    connection = records.connection
    version = _version(records)
    if connection.execute("PRAGMA journal_mode").fetchone()[0] != "wal":
        _use_log(connection)
    if version == len(schema.MIGRATIONS):
        return
    if version > 0:
        back_up(records, version)
    with records.writing():
        for step in schema.MIGRATIONS[_version(records) :]:  # another may have been quicker
            for statement in statements(step):
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {len(schema.MIGRATIONS)}")
        connection.execute(f"PRAGMA application_id = {schema.APPLICATION_ID}")


def _version(records: Records) -> int:
    """Version of the tables; 0 is an empty file."""
    connection = records.connection
    version = int(connection.execute("PRAGMA user_version").fetchone()[0])
    known = int(connection.execute("PRAGMA application_id").fetchone()[0])
    if known != schema.APPLICATION_ID:
        tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if known or version or tables:
            raise not_records(records.path)
    if version > len(schema.MIGRATIONS):
        raise RecordsError(
            f"The records file {records.path} is of version {version}; this bandscan knows "
            f"versions up to {len(schema.MIGRATIONS)}.",
            "Install a newer bandscan.",
        )
    return version


def _use_log(connection: sqlite3.Connection) -> None:
    """Switch to the write-ahead log; SQLite does not wait for others here, so this does.

    Where the disk has no shared memory (some network drives) SQLite stays with its
    rollback journal, which is as safe.
    """
    until = time.monotonic() + BUSY_S
    while True:
        try:
            connection.execute("PRAGMA journal_mode = WAL")
            return
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in _BUSY or time.monotonic() > until:
                raise
            time.sleep(0.02)


def statements(script: str) -> Iterator[str]:
    """The statements of a script one by one; `executescript` would commit between them."""
    statement = ""
    for line in script.splitlines(keepends=True):
        statement += line
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""


def back_up(records: Records, version: int) -> Path:
    """Copy the file before its tables are changed; the copy."""
    stamp = datetime.now(UTC).strftime("%Y%m%dT%H%M%SZ")
    path = records.path.with_name(f"{records.path.name}.version-{version}-{stamp}")
    temporary = path.with_name(f"{path.name}.{os.getpid()}.part")
    copy = sqlite3.connect(temporary)
    try:
        records.connection.backup(copy)
    finally:
        copy.close()
    temporary.replace(path)
    sync_folder(path.parent)
    return path


def _check_is_due(records: Records, *, writing: bool) -> bool:
    if records.path.stat().st_size <= SMALL_BYTES:
        return True
    if not writing:
        return False
    rows = records.rows("SELECT value FROM meta WHERE key = 'checked_at'")
    last = datetime.fromisoformat(rows[0][0]) if rows else datetime.min.replace(tzinfo=UTC)
    return datetime.now(UTC) - last > CHECK_AFTER


def _remember_check(records: Records) -> None:
    if records.path.stat().st_size > SMALL_BYTES:
        with records.writing() as connection:
            now = datetime.now(UTC).isoformat(timespec="seconds")
            connection.execute("INSERT OR REPLACE INTO meta VALUES ('checked_at', ?)", (now,))


def not_records(path: Path) -> RecordsError:
    """The error for a file that holds something else."""
    return RecordsError(f"{path} is no records file of bandscan.", "Name another with --records.")


def damaged(path: Path, what: str) -> DamagedRecordsError:
    """The error for a damaged file."""
    return DamagedRecordsError(
        f"The records file {path} is damaged: {what}.",
        f"Save what can be read with: bandscan find --records {path}",
    )


@contextlib.contextmanager
def plain_words(path: Path) -> Iterator[None]:
    """Turn what SQLite raises into a `RecordsError`."""
    try:
        yield
    except sqlite3.Error as error:
        raise _translated(path, error) from error


def _translated(path: Path, error: sqlite3.Error) -> RecordsError:
    code = getattr(error, "sqlite_errorcode", 0) & 0xFF  # the low byte is the primary code
    if code in _DAMAGED:
        return damaged(path, str(error))
    if code in _FULL:
        return RecordsError(
            f"The disk of {path} is full; nothing of this was kept, and what was kept before is "
            "whole.",
            "Make room and run the command again.",
        )
    if code in _BUSY:
        return RecordsError(
            f"Another program has been writing to {path} for {BUSY_S:.0f} s.",
            "Wait until it is done and run the command again; nothing was lost.",
        )
    if code in _FORBIDDEN:
        return RecordsError(
            f"The records file {path} cannot be opened for reading and writing ({error}).",
            "Check who may read and write it, or name another with --records.",
        )
    return RecordsError(
        f"The records file {path} cannot be used ({error}); nothing of this was kept.",
        "Check the disk, or name another file with --records.",
    )
