"""A TOML file written by a person: values checked one by one, errors that name the line."""

from __future__ import annotations

import difflib
import math
import re
import statistics
import tomllib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NoReturn

from calib.errors import UnreadableFileError
from calib.quantity import Estimate, effective_dof

_HEADER = re.compile(r"\s*\[\[?\s*([\w-]+)\s*\]\]?")
_KEY = re.compile(r"\s*([\w-]+)\s*=")

_MOST = 1e9  # a thousand kilometres in mm; larger is a slip of the keyboard, or infinite

Lines = dict[tuple[str, int, str], int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """One table of a TOML file, with the lines on which its keys stand.

    Parameters
    ----------
    name : str
        As in the file, without brackets.
    number : int
        Which of several tables of that name, from 1; 0 where there can be one only.
    """

    path: Path
    name: str
    number: int
    content: dict[str, Any]
    lines: Lines

    @property
    def title(self) -> str:
        """The table in words."""
        return f"[[{self.name}]] number {self.number}" if self.number else f"[{self.name}]"

    def refuse(self, key: str, what: str, remedy: str) -> NoReturn:
        """Raise the error that names file, line and key.

        Raises
        ------
        UnreadableFileError
        """
        index = max(self.number, 1)
        line = self.lines.get((self.name, index, key)) or self.lines.get((self.name, index, ""))
        where = f"{self.path}, line {line}" if line else f"{self.path}"
        raise UnreadableFileError(f"{where}: {key} in {self.title} {what}.", remedy)

    def only(self, known: Sequence[str]) -> None:
        """Refuse keys that are not known, so that a slip of the keyboard is not ignored."""
        for key in self.content:
            if key not in known:
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"Write {near[0]}" if near else f"Known here: {', '.join(known)}"
                self.refuse(key, "is not a key that is known", f"{hint}.")

    def number_of(
        self,
        key: str,
        default: float | None = None,
        *,
        least: float = -math.inf,
        above: float = -math.inf,
        most: float = math.inf,
    ) -> float:
        """A finite number within its limits; `default` None: it must be given."""
        if key not in self.content and default is not None:
            return default
        self._must_have(key, f"{key} = 1.0")
        value = self.content[key]
        if not _is_number(value):
            self.refuse(key, f"is {value!r}, not a number", f"Write it like {key} = 1.0.")
        if value < least or value <= above:
            limit = f"at least {least:g}" if value < least else f"more than {above:g}"
            self.refuse(key, f"is {value:g}; it must be {limit}", "Correct the value.")
        if value > most:
            self.refuse(key, f"is {value:g}; it must be at most {most:g}", "Correct the value.")
        return float(value)

    def word(self, key: str, default: str | None = None, choices: Sequence[str] = ()) -> str:
        """A text, one of `choices` where there are any."""
        if key not in self.content and default is not None:
            return default
        example = choices[0] if choices else "text"
        self._must_have(key, f'{key} = "{example}"')
        value = self.content[key]
        if not isinstance(value, str):
            self.refuse(key, f"is {value!r}, not a text", f'Write it like {key} = "{example}".')
        if choices and value not in choices:
            listed = ", ".join(f'"{choice}"' for choice in choices)
            self.refuse(key, f'is "{value}"', f"Use one of {listed}.")
        return value

    def pair(self, key: str, default: tuple[float, float]) -> tuple[float, float]:
        """Two numbers, the lower first."""
        if key not in self.content:
            return default
        value = self.content[key]
        fix = f"Write two numbers, the lower first, like {key} = [1.0, 2.0]."
        if not isinstance(value, list) or len(value) != 2 or not all(map(_is_number, value)):
            self.refuse(key, f"is {value!r}, not a pair of numbers", fix)
        if value[0] > value[1]:
            self.refuse(key, f"runs from {value[0]:g} down to {value[1]:g}", fix)
        return float(value[0]), float(value[1])

    def pairs(self, key: str) -> tuple[tuple[float, float], ...]:
        """Any number of pairs, the lower number of each first; none where the key is missing."""
        value = self.content.get(key, [])
        fix = f"Write pairs in double brackets, like {key} = [[1.0, 2.0], [7.0, 8.5]]."
        whole = isinstance(value, list) and all(
            isinstance(pair, list) and len(pair) == 2 and all(map(_is_number, pair))
            for pair in value
        )
        if not whole:
            self.refuse(key, f"is {value!r}, not a list of pairs", fix)
        for low, high in value:
            if low >= high:
                self.refuse(key, f"has a pair from {low:g} to {high:g}", fix)
        return tuple((float(low), float(high)) for low, high in value)

    def reading(self, key: str, u_key: str, *, default_u: float | None = None) -> Estimate:
        """One reading with its stated uncertainty, or several readings.

        Several readings give their mean and its type A uncertainty (JCGM 100:2008, 4.2); a
        stated uncertainty is that of the gauge and is added to it (type B).
        """
        self._must_have(key, f"{key} = 1.0")
        value = self.content[key]
        readings = value if isinstance(value, list) else [value]
        if not readings or not all(map(_is_number, readings)):
            fix = f"Write it like {key} = 2.6, or several readings {key} = [2.58, 2.61, 2.60]."
            self.refuse(key, f"is {value!r}, not a number or a list of numbers", fix)
        several = len(readings) > 1
        stated = self.number_of(u_key, 0.0 if several else default_u, least=0.0)
        if not several:
            return Estimate(value=float(readings[0]), u=stated)
        type_a = statistics.stdev(readings) / math.sqrt(len(readings))
        parts = [(type_a, len(readings) - 1.0), (stated, math.inf)]
        return Estimate(
            value=statistics.fmean(readings),
            u=math.hypot(type_a, stated),
            dof=effective_dof(parts) if type_a > 0.0 else math.inf,
        )

    def is_list(self, key: str) -> bool:
        """Whether several readings stand under a key."""
        value = self.content.get(key)
        return isinstance(value, list) and len(value) > 1

    def _must_have(self, key: str, example: str) -> None:
        if key not in self.content:
            self.refuse(key, "is missing", f"Add a line like {example}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class TomlFile:
    """A TOML file that was read."""

    path: Path
    content: dict[str, Any]
    lines: Lines

    def only(self, known: Sequence[str]) -> None:
        """Refuse tables that are not known."""
        whole = Table(path=self.path, name="", number=0, content=self.content, lines=self.lines)
        for key in self.content:
            if key not in known:
                line = self.lines.get((key, 1, ""))
                near = difflib.get_close_matches(key, known, n=1)
                hint = f"Write {near[0]}" if near else f"Known: {', '.join(known)}"
                if line is None:
                    whole.refuse(key, "stands in no table that is known", f"{hint}.")
                raise UnreadableFileError(
                    f"{self.path}, line {line}: the table {key} is not known.", f"{hint}."
                )

    def table(self, name: str, *, optional: bool = False) -> Table | None:
        """The one table of that name; None where it is missing and may be."""
        content = self.content.get(name)
        if content is None and optional:
            return None
        if not isinstance(content, dict):
            raise UnreadableFileError(
                f"{self.path}: there is no table [{name}].", f"Add it under a line [{name}]."
            )
        return Table(path=self.path, name=name, number=0, content=content, lines=self.lines)

    def tables(self, name: str) -> list[Table]:
        """All tables of that name, at least one."""
        contents = self.content.get(name)
        if not isinstance(contents, list) or not all(isinstance(c, dict) for c in contents):
            raise UnreadableFileError(
                f"{self.path}: there is no [[{name}]].",
                f"Begin each with a line [[{name}]] in double brackets.",
            )
        return [
            Table(path=self.path, name=name, number=number, content=content, lines=self.lines)
            for number, content in enumerate(contents, start=1)
        ]


def read_toml(path: Path | str, what: str) -> TomlFile:
    """Read a TOML file.

    Parameters
    ----------
    what : str
        The file in words, for messages: "seal file".

    Raises
    ------
    UnreadableFileError
        It is missing, not text, or not TOML.
    """
    path = Path(path)
    return parse_toml(read_text(path, what), path, what)


def read_text(path: Path, what: str) -> str:
    """What stands in a text file; parameters and errors as for `read_toml`."""
    try:
        return path.read_bytes().decode("utf-8")
    except OSError as error:
        raise UnreadableFileError(
            f"The {what} {path} cannot be read: {error.strerror or error}.", "Check its name."
        ) from None
    except UnicodeDecodeError:
        raise UnreadableFileError(
            f"The {what} {path} is not a text file.", "Give the TOML file."
        ) from None


def parse_toml(text: str, path: Path, what: str) -> TomlFile:
    """The text of a TOML file; parameters and errors as for `read_toml`."""
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UnreadableFileError(
            f"The {what} {path} is not valid TOML: {error}.", "Correct that line."
        ) from None
    return TomlFile(path=path, content=content, lines=_line_numbers(text))


def _is_number(value: object) -> bool:
    if not isinstance(value, (int, float)) or isinstance(value, bool):
        return False
    return -_MOST < value < _MOST  # no comparison holds for nan


def _line_numbers(text: str) -> Lines:
    """Lines of (table, which of that name, key); an empty key is the table's own line."""
    lines: Lines = {}
    table, count = "", dict[str, int]()
    for number, line in enumerate(text.splitlines(), start=1):
        header, key = _HEADER.match(line), _KEY.match(line)
        if header:
            table = header.group(1)
            count[table] = count.get(table, 0) + 1
            lines[table, count[table], ""] = number
        elif key:
            lines.setdefault((table, count.get(table, 1), key.group(1)), number)
    return lines
