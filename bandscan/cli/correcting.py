"""The options by which a person corrects what was found."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bandscan.cli.numbers import Millimetres
from bandscan.options import DEFAULT_HAND_U_MM, Corrections

if TYPE_CHECKING:
    from bandscan.options import BandByHand


class _Pair(click.ParamType):  # type: ignore[type-arg]
    """Two numbers with a sign between them."""

    def __init__(self, name: str, sign: str) -> None:
        self.name, self.sign = name, sign

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        """The two numbers, or a usage error."""
        try:
            first, second = (float(part) for part in str(value).split(self.sign))
        except ValueError:
            self.fail(f"{value!r} is not like {self.name}.", param, ctx)
        return first, second


class _Band(_Pair):
    """A band as START:END."""

    def convert(  # type: ignore[override]
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> BandByHand:
        """The band, or a usage error."""
        from bandscan.corrections import checked_band

        try:
            return checked_band(*super().convert(value, param, ctx))
        except ValueError as error:
            self.fail(f"{error}.", param, ctx)


_OPTIONS = (
    click.option(
        "--band",
        "bands",
        type=_Band("START:END", ":"),
        multiple=True,
        help="A band as you see it, mm from the shaft end; takes the place of what was found "
        "there. Repeat it for more bands.",
    ),
    click.option(
        "--no-band",
        "no_bands",
        type=Millimetres(0.0),
        multiple=True,
        help="What was found at that place, mm from the shaft end, is no band.",
    ),
    click.option(
        "--end-at",
        type=_Pair("X,Y", ","),
        help="Pixel of the stored file at which the near edge of the end face lies.",
    ),
    click.option(
        "--hand-u",
        type=Millimetres(1e-6, 10.0),
        help="Standard uncertainty of what you set, the photo's own not counted.  "
        f"[default: {DEFAULT_HAND_U_MM:g}]",
    ),
    click.option("--by", metavar="NAME", help="Who corrects; kept in the result."),
    click.option("--why", metavar="TEXT", help="Why; kept in the result."),
    click.option(
        "--corrections",
        "corrections_path",
        type=click.Path(path_type=Path),
        metavar="FILE",
        help="Corrections as the report page saves them, in place of the options above.",
    ),
)


def correcting_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options by which a person corrects what was found."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def corrections_from(asked: dict[str, Any]) -> Corrections | None:
    """What was set by hand, or None; a usage error where it does not go together.

    Raises
    ------
    UnreadableFileError
        The corrections file cannot be used.
    """
    places = asked["bands"] or asked["no_bands"] or asked["end_at"]
    told = asked["by"] or asked["why"] or asked["hand_u"]
    path: Path | None = asked["corrections_path"]
    if (places or path) and len(asked["photos"]) > 1:
        raise click.UsageError("Corrections are for one photo; give one.")
    if path is not None:
        if places or told:
            raise click.UsageError("Give either --corrections or what you correct, not both.")
        from bandscan.corrections import read_corrections

        return read_corrections(path)
    if not places:
        if told:
            raise click.UsageError(
                "--by, --why and --hand-u go with --band, --no-band or --end-at."
            )
        return None
    return Corrections(
        bands=asked["bands"],
        no_bands_mm=asked["no_bands"],
        end_px=asked["end_at"],
        hand_u_mm=asked["hand_u"] or DEFAULT_HAND_U_MM,
        by=asked["by"],
        why=asked["why"],
        when=datetime.now().astimezone().isoformat(timespec="seconds"),
    )
