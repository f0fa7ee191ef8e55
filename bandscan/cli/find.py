"""`bandscan find`: search the records."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bandscan.cli.asking import json_option
from bandscan.cli.records_options import (
    records_option,
    search_from,
    search_options,
    with_records,
)


@click.command()
@search_options
@click.option(
    "--limit", type=click.IntRange(min=1), default=50, show_default=True, help="How many to print."
)
@records_option
@json_option
def find(limit: int, records_path: Path | None, json_path: Path | None, **asked: Any) -> None:
    """Search the records by machine, shaft, date, note, who and verdict; latest first.

    Without an option it lists everything that was kept.
    """
    from bandscan.cli.writing import STANDARD_OUTPUT, tell_json
    from bandscan.output.records_text import found_object, found_text
    from bandscan.records.find import Found
    from bandscan.records.find import find as search_for
    from bandscan.records.store import Records

    def work(records: Records) -> tuple[list[Found], int, Path]:
        most = -1 if json_path is not None else limit
        return *search_for(records, search_from(asked), limit=most), records.path

    found, count, path = with_records(records_path, work)
    tell_json([found_object(found)], json_path)
    if json_path != STANDARD_OUTPUT:
        click.echo(found_text(found[:limit], count, path))
