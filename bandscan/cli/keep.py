"""`bandscan keep`: put results into the records."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bandscan.cli.records_options import Day, records_option, with_records

if TYPE_CHECKING:
    from bandscan.records.keep import Keeping, Kept
    from bandscan.records.store import Records

_FILE = click.Path(path_type=Path)


@click.command()
@click.argument("results", nargs=-1, required=True, type=_FILE, metavar="RESULT.json...")
@click.option("--shaft", required=True, metavar="NAME", help='Shaft: "MACHINE / POSITION".')
@click.option("--machine", metavar="NAME", help="Machine, if not in --shaft.")
@click.option("--note", "notes", multiple=True, metavar="TEXT", help="A note to remember.")
@click.option("--by", metavar="WHO", help="Who keeps it.  [default: login name]")
@click.option("--date", "taken", type=Day(), help="When the photo was taken, if it does not say.")
@click.option("--landing", type=_FILE, metavar="FILE", help="Landing (JSON) to keep with it.")
@click.option("--sheet", type=_FILE, metavar="FILE", help="Shaft sheet (JSON) to keep with it.")
@click.option("--move", is_flag=True, help="Kept under another shaft by mistake: move it here.")
@records_option
@click.pass_context
def keep(ctx: click.Context, /, **asked: Any) -> None:
    """Keep results in the records, under the name of the shaft.

    A small copy of the photo, who and when are kept with it. Exit status 0 means that
    everything is safely on disk. The same photo with the same settings is not kept
    twice; what is new about it (a note, a landing) is added.
    """
    keeping = _keeping(asked)

    def work(records: Records) -> int:
        click.echo(f"Records {records.path}")
        return max(_keep_file(records, path, keeping) for path in asked["results"])

    ctx.exit(with_records(asked["records_path"], work, create=True))


def _keeping(asked: dict[str, Any]) -> Keeping:
    from bandscan.records.document import SHEET_SCHEMA, local_time
    from bandscan.records.keep import Keeping, login_name, read_landings, read_objects
    from bandscan.records.names import ShaftName

    landing, sheet, taken = asked["landing"], asked["sheet"], asked["taken"]
    return Keeping(
        name=ShaftName.parse(asked["shaft"], machine=asked["machine"]),
        by=asked["by"] or login_name(),
        notes=asked["notes"],
        taken=None if taken is None else local_time(taken),
        landings=() if landing is None else read_landings(landing),
        sheets=() if sheet is None else tuple(read_objects(sheet, SHEET_SCHEMA)),
        move=asked["move"],
    )


def _keep_file(records: Records, path: Path, keeping: Keeping) -> int:
    """Keep what is in one file; the exit status, what went wrong has been told."""
    from bandscan.records.document import MEASUREMENT_SCHEMA
    from bandscan.records.errors import RecordsError
    from bandscan.records.keep import keep_measurement, read_objects
    from calib.errors import MeasureError

    try:
        measurements = read_objects(path, MEASUREMENT_SCHEMA)
    except MeasureError as error:
        click.echo(f"bandscan: {error}", err=True)
        return error.exit_status
    status = 0
    for measurement in measurements:
        try:
            click.echo(kept_words(keep_measurement(records, measurement, path, keeping), keeping))
        except RecordsError:
            raise  # the next one would meet the same
        except MeasureError as error:
            click.echo(f"bandscan: {error}", err=True)
            status = max(status, error.exit_status)
    return status


def kept_words(kept: Kept, keeping: Keeping) -> str:
    """What became of a result, in a line."""
    told = f"{kept.photo}: {kept.outcome.value}, {keeping.name}"
    return told if kept.pictured else f"{told} (without a picture: the photo was not found)"
