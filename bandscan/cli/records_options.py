"""The options that the commands about records share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from bandscan.records.find import Search
    from bandscan.records.rescue import Rescued
    from bandscan.records.store import Records

_T = TypeVar("_T")

records_option = click.option(
    "--records",
    "records_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Records file.  [default: by the system's convention; bandscan find says where]",
)


class Day(click.ParamType):  # type: ignore[type-arg]
    """A date, or a date and time, as ISO 8601."""

    name = "DATE"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> str:
        """The text, or a usage error."""
        from bandscan.records.document import local_time

        if local_time(value) is None:
            self.fail(f"{value!r} is no date; write it as 2026-05-04.", param, ctx)
        return str(value)


_SEARCH = (
    click.option("--machine", default="", metavar="TEXT", help="A part of the machine's name."),
    click.option("--shaft", default="", metavar="TEXT", help="A part of the shaft's name."),
    click.option("--since", type=Day(), help="Inspected on that day or later."),
    click.option("--until", type=Day(), help="Inspected on that day or earlier."),
    click.option("--note", default="", metavar="TEXT", help="A part of a note."),
    click.option("--by", default="", metavar="WHO", help="A part of the name of who kept it."),
    click.option(
        "--verdict",
        type=click.Choice(["fresh", "on band", "undecided", "off land"]),
        help="Of a lip in a landing that was kept.",
    ),
)


def search_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options of a search."""
    for option in reversed(_SEARCH):
        command = option(command)
    return command


def search_from(asked: dict[str, Any]) -> Search:
    """The search that was asked for."""
    from bandscan.records.find import Search

    return Search(**asked)


def with_records(path: Path | None, work: Callable[[Records], _T], *, create: bool = False) -> _T:
    """Work with the records file; a rescue of a damaged one is told."""
    from bandscan.records.rescue import use_records

    return use_records(path, work, create=create, tell=tell_rescue)


def tell_rescue(rescued: Rescued) -> None:
    """Say what was damaged, what was saved, and where the rest lies."""
    told = [f"{rescued.reason} What could be read was put into a new file:"]
    told.append(f"{rescued.saved} inspections and {rescued.pictures} pictures saved")
    if rescued.in_part:
        told.append(f"(of {rescued.in_part} the band positions only)")
    told.append(f"and {rescued.lost} lost;" if rescued.lost else "and none known to be lost;")
    told.append(f"the damaged file is kept as {rescued.damaged}")
    click.echo(f"bandscan: {' '.join(told)}", err=True)


def progress_bar(what: str) -> Callable[[int, int], None]:
    """Tell how far a long work is, on standard error, a line each tenth part."""
    last = [0]

    def tell(done: int, of: int) -> None:
        tenth = 10 * done // max(of, 1)
        if of >= _MANY and tenth > last[0]:
            last[0] = tenth
            click.echo(f"{what} {done} of {of}", err=True)

    return tell


_MANY = 200  # below that it is over before one looks up
