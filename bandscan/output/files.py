"""Put results on disk: under a temporary name first, then renamed."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Iterator
from pathlib import Path

from calib.errors import MeasureError


class UnwritableFileError(MeasureError):
    """A result cannot be written where it was asked for."""

    code = "unwritable"
    exit_status = 4


def make_folder(path: Path) -> None:
    """Make a folder for results, and those above it.

    Raises
    ------
    UnwritableFileError
        If it cannot be made.
    """
    try:
        path.mkdir(parents=True, exist_ok=True)
    except (OSError, ValueError) as error:
        raise _unwritable(path, error) from error


def write_file(path: Path, data: bytes) -> None:
    """Write a file so that it is either whole or not there.

    Raises
    ------
    UnwritableFileError
        If the folder or the file cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        temporary.write_bytes(data)
        temporary.replace(path)
    except (OSError, ValueError) as error:
        with contextlib.suppress(OSError, ValueError):
            temporary.unlink()
        raise _unwritable(path, error) from error


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[Path]:
    """Write a file in parts: the block gets another name to write to.

    The file has its own name, and is on disk, once the block is left; an error in the block
    leaves nothing.

    Raises
    ------
    UnwritableFileError
        If the folder or the file cannot be written.
    """
    temporary = path.with_name(f".{path.name}.{os.getpid()}.part")
    try:
        yield temporary
        with temporary.open("r+b") as file:
            os.fsync(file.fileno())
        temporary.replace(path)
    except OSError as error:
        raise _unwritable(path, error) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _unwritable(path: Path, error: Exception) -> UnwritableFileError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return UnwritableFileError(
        f"{path} cannot be written: {reason}.", "Name another place with --out or --json."
    )
