"""What the commands about seals write: JSON and side views."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from bandscan.output.side_view import SideView

STANDARD_OUTPUT = Path("-")


def tell_json(objects: Sequence[dict[str, Any]], path: Path | None) -> None:
    """Write JSON to a file or, for `-`, to standard output; nothing for None.

    Raises
    ------
    UnwritableFileError
    """
    if path is None:
        return
    from bandscan.output.files import write_file
    from bandscan.output.result_json import json_text

    text = json_text(objects)
    if path == STANDARD_OUTPUT:
        click.echo(text, nl=False)
    else:
        write_file(path, text.encode())


def write_side_view(view: SideView, start: Path) -> list[Path]:
    """Write a side view as `start`.svg and .png; the files.

    Raises
    ------
    UnwritableFileError
    """
    from bandscan.output.files import make_folder, write_file
    from bandscan.output.side_view import side_view_files

    make_folder(start.parent)
    written = []
    for suffix, data in side_view_files(view).items():
        path = start.with_name(f"{start.name}.{suffix}")
        write_file(path, data)
        written.append(path)
    return written
