"""Where the records file is when nobody names one."""

from __future__ import annotations

import os
import sys
from collections.abc import Mapping
from pathlib import Path

FOLDER = "bandscan"
FILE = "records.sqlite"


def default_place(
    platform: str = sys.platform,
    environment: Mapping[str, str] = os.environ,
    home: Path | None = None,
) -> Path:
    """The records file by the platform's convention.

    References
    ----------
    XDG Base Directory Specification 0.8 (a relative path in `XDG_DATA_HOME` is ignored);
    Apple, "File System Programming Guide" (`Library/Application Support`); Microsoft,
    "Known folders" (`%LOCALAPPDATA%`: data of one machine).

    Examples
    --------
    >>> place = default_place("linux", {"XDG_DATA_HOME": "/data"}, Path("/home/bench"))
    >>> place.as_posix()
    '/data/bandscan/records.sqlite'
    """
    home = Path.home() if home is None else home
    if platform == "darwin":
        base = home / "Library" / "Application Support"
    elif platform == "win32":
        base = Path(environment.get("LOCALAPPDATA") or home / "AppData" / "Local")
    else:
        named = environment.get("XDG_DATA_HOME", "")
        base = Path(named) if Path(named).is_absolute() else home / ".local" / "share"
    return base / FOLDER / FILE
