"""`bandscan import`: add what another machine exported."""

from __future__ import annotations

from pathlib import Path

import click

from bandscan.cli.records_options import progress_bar, records_option, with_records


@click.command("import")
@click.argument("file", type=click.Path(path_type=Path), metavar="FILE.zip")
@records_option
def import_(file: Path, records_path: Path | None) -> None:
    """Add what `bandscan export OUT.zip` wrote on another machine.

    Nothing is kept twice: what is here already gets the notes and landings that are new.
    """
    from bandscan.records.importing import import_zip
    from bandscan.records.put import Outcome

    progress = progress_bar("Imported")
    imported = with_records(
        records_path, lambda records: import_zip(records, file, progress), create=True
    )
    told = [f"{imported.counts[outcome]} {outcome.value}" for outcome in Outcome]
    click.echo(f"{file}: {', '.join(told)}")
    for name in imported.elsewhere:
        click.echo(f"bandscan: {name} stays where it is kept here.", err=True)
