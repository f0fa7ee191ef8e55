"""Put results on disk: under a temporary name first, then renamed."""

from __future__ import annotations

import contextlib
import os
import tempfile
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
    temporary: Path | None = None
    try:
        handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        temporary = Path(name)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
        mask = os.umask(0)
        os.umask(mask)
        temporary.chmod(0o666 & ~mask)  # mkstemp gives the owner alone access
        temporary.replace(path)
    except (OSError, ValueError) as error:
        if temporary is not None:
            with contextlib.suppress(OSError):
                temporary.unlink()
        raise _unwritable(path, error) from error


def _unwritable(path: Path, error: Exception) -> UnwritableFileError:
    reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
    return UnwritableFileError(
        f"{path} cannot be written: {reason}.", "Name another place with --out or --json."
    )
