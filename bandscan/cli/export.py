"""`bandscan export`: records for a spreadsheet, a program, or another machine."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bandscan.cli.records_options import (
    progress_bar,
    records_option,
    search_from,
    search_options,
    with_records,
)


@click.command()
@click.argument("out", type=click.Path(path_type=Path), metavar="OUT")
@search_options
@records_option
def export(out: Path, records_path: Path | None, **asked: Any) -> None:
    """Write records to OUT: .csv a table of bands, .jsonl JSON lines, .zip everything.

    The zip also holds the small copies of the photos; `bandscan import` reads it on
    another machine. Folders of this machine are not in it.
    """
    from bandscan.records.export import export as write

    search, progress = search_from(asked), progress_bar("Exported")
    count = with_records(records_path, lambda records: write(records, out, search, progress))
    click.echo(f"Written {out}: {count} inspection{'' if count == 1 else 's'}")
