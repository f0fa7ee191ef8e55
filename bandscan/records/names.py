"""Names of machines, shaft positions and inspections, and the keys that go with them.

Keys are made from what they name, so two records files that never met give the same key to
the same thing and can be merged.
"""

from __future__ import annotations

import hashlib
import json
import unicodedata
import uuid
from dataclasses import dataclass
from typing import Any

from bandscan.records.errors import RecordsError

_SEPARATOR = "/"
_NAMESPACE = uuid.UUID("6f0b5c52-3f5b-4c58-9a53-0d5a7c1e7b11")  # of this project, random
_MAX_LETTERS = 200


def spaced(text: str) -> str:
    """Text in one Unicode form, each run of blanks made one, none at its ends."""
    return " ".join(unicodedata.normalize("NFC", text).split())


def key_of(text: str) -> str:
    """What two spellings of a name have in common: neither case nor blanks count."""
    return spaced(text).casefold()


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftName:
    """A shaft position, and the machine that it belongs to.

    Parameters
    ----------
    machine : str
        Empty where none was named.
    position : str
    """

    machine: str
    position: str

    @classmethod
    def parse(cls, text: str, machine: str | None = None) -> ShaftName:
        """From "MACHINE / POSITION", or a position and its machine apart.

        Raises
        ------
        RecordsError
            The position is empty, or a name is too long.

        Examples
        --------
        >>> ShaftName.parse("leg 4 /  input shaft")
        ShaftName(machine='leg 4', position='input shaft')
        >>> str(ShaftName.parse("input shaft", machine="leg 4"))
        'leg 4 / input shaft'
        """
        if machine is None and _SEPARATOR in text:
            machine, text = text.split(_SEPARATOR, maxsplit=1)
        name = cls(machine=spaced(machine or ""), position=spaced(text))
        if not name.position:
            raise RecordsError(
                f"{text!r} names no shaft position.", 'Write --shaft "MACHINE / POSITION".'
            )
        if max(len(name.machine), len(name.position)) > _MAX_LETTERS:
            raise RecordsError(
                f"The name {name.position[:20]}... is longer than {_MAX_LETTERS} letters.",
                "Give a shorter name, and say the rest in --note.",
            )
        return name

    def __str__(self) -> str:
        return f"{self.machine} {_SEPARATOR} {self.position}" if self.machine else self.position

    @property
    def key(self) -> tuple[str, str]:
        """Machine and position without case."""
        return key_of(self.machine), key_of(self.position)


def canonical(content: Any) -> str:
    """JSON that is the same for equal contents."""
    return json.dumps(content, sort_keys=True, separators=(",", ":"), ensure_ascii=True)


def sha256_of(data: bytes) -> str:
    """SHA-256 as 64 hexadecimal digits."""
    return hashlib.sha256(data).hexdigest()


def content_hash(content: Any) -> str:
    """SHA-256 of a JSON content."""
    return sha256_of(canonical(content).encode())


def machine_uuid(name: ShaftName) -> str:
    """Key of the machine."""
    return str(uuid.uuid5(_NAMESPACE, canonical(["machine", name.key[0]])))


def shaft_uuid(name: ShaftName) -> str:
    """Key of the shaft position."""
    return str(uuid.uuid5(_NAMESPACE, canonical(["shaft", *name.key])))


def inspection_uuid(measurement: dict[str, Any]) -> str:
    """Key of an inspection: the same for the same photo, settings and corrections.

    Notes
    -----
    The seal file is left out: it decides about the landing, which is kept beside the
    measurement. A result that does not carry its settings (written by something else) is
    known by its whole content, less the name of the photo.
    """
    if measurement.get("settings") is not None and measurement["photo"].get("sha256"):
        settings = {k: v for k, v in measurement["settings"].items() if k != "seal"}
        parts = [
            measurement["photo"]["sha256"],
            _without_names(settings),
            measurement.get("program"),
            measurement.get("corrections") or [],
        ]
    else:
        photo = {k: v for k, v in measurement["photo"].items() if k != "file"}
        parts = [{**measurement, "photo": photo, "landing": None}]
    return str(uuid.uuid5(_NAMESPACE, canonical(["inspection", content_hash(parts)])))


def _without_names(settings: dict[str, Any]) -> dict[str, Any]:
    """Files by their content alone: a lens file may be copied under another name."""
    return {
        key: value["sha256"] if isinstance(value, dict) and "sha256" in value else value
        for key, value in settings.items()
    }
