"""What a measurement was asked for, as JSON: enough to know whether a second one is the same."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path
from typing import Any

from bandscan import __version__
from bandscan.options import MeasureOptions

Json = dict[str, Any]


def settings_object(options: MeasureOptions) -> Json:
    """Program and settings, to stand beside a measurement's own fields.

    Files (lens, card, seal) are given by name and content, without the folder, which may
    name a person.
    """
    fields = dataclasses.fields(options)
    return {
        "program": {"name": "bandscan", "version": __version__},
        "settings": {_name(field.name): _setting(getattr(options, field.name)) for field in fields},
    }


def _name(field: str) -> str:
    return field.removesuffix("_path")


def _setting(value: Any) -> Any:
    return _file(value) if isinstance(value, Path) else value


def _file(path: Path) -> Json:
    """Name and SHA-256 of a file; the measurement says it where it cannot be read."""
    try:
        sha256 = hashlib.sha256(path.read_bytes()).hexdigest()
    except (OSError, ValueError):
        sha256 = None
    return {"file": path.name, "sha256": sha256}
