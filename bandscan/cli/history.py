"""`bandscan history`: the bands of a shaft over the years."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bandscan.cli.asking import json_option
from bandscan.cli.records_options import records_option, with_records

if TYPE_CHECKING:
    from bandscan.records.history import ShaftWear


@click.command()
@click.argument("name", metavar="NAME")
@click.option(
    "--picture",
    type=click.Path(path_type=Path),
    metavar="FILE.png",
    help="Where the picture goes.  [default: NAME-history.png here]",
)
@records_option
@json_option
def history(
    name: str, picture: Path | None, records_path: Path | None, json_path: Path | None
) -> None:
    """Say how the bands of a shaft grew over the years, and draw it.

    NAME is "MACHINE / POSITION", or the position alone where only one machine has it.
    The growth of every band is that of a straight line through the inspections, with its
    margin; it says nothing about how long a seal will last.
    """
    from bandscan.cli.writing import STANDARD_OUTPUT, tell_json
    from bandscan.output.history_json import history_object
    from bandscan.output.records_text import history_text
    from bandscan.records.history import shaft_wear

    wear = with_records(records_path, lambda records: shaft_wear(records, name))
    written = _draw(wear, picture)
    tell_json([history_object(wear)], json_path)
    if json_path != STANDARD_OUTPUT:
        click.echo(history_text(wear, written))


def _draw(wear: ShaftWear, picture: Path | None) -> list[Path]:
    from bandscan.output.files import write_file
    from bandscan.output.history_picture import history_picture

    plain = re.sub(r"[^\w.-]+", "-", str(wear.name)).strip("-.")
    path = Path(f"{plain}-history.png") if picture is None else picture
    write_file(path, history_picture(wear))
    return [path]
