"""Sections of README.md that studies write themselves, each between two comments."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

HERE = Path(__file__).parent
README = HERE / "README.md"
FIGURES = HERE / "figures"
_TITLE = "# Studies\n\nWhat follows is written by the programs beside this file.\n"


def put(name: str, text: str) -> None:
    """Replace a section of README.md, or add it at the end."""
    begin, end = f"<!-- {name}: begin -->", f"<!-- {name}: end -->"
    section = f"{begin}\n{text.strip()}\n{end}"
    old = README.read_text(encoding="utf-8") if README.exists() else _TITLE
    if begin in old:
        before, rest = old.split(begin, 1)
        new = before + section + rest.split(end, 1)[1]
    else:
        new = old.rstrip() + "\n\n" + section + "\n"
    README.write_text(new, encoding="utf-8")


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """A Markdown table; every column but the first is of numbers."""
    lines = ["| " + " | ".join(head) + " |"]
    lines.append("| --- |" + " ---: |" * (len(head) - 1))
    lines += ["| " + " | ".join(row) + " |" for row in rows]
    return "\n".join(lines)
