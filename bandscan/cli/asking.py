"""The options that `measure` and `check` share, checked at the door."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

from bandscan.cli.numbers import FiniteRange, Millimetres
from bandscan.options import (
    DEFAULT_DIAMETER_U_MM,
    DEFAULT_HEIGHT_U_MM,
    END_SIDES,
    SCALE_KINDS,
    MeasureOptions,
)
from bandscan.temperature import NOT_STATED, Temperatures
from calib.rule_class import RULE_CLASSES

# ISO 6194-1 has lip seals for shafts of 6 to 500 mm (from memory); with room on both sides.
MIN_DIAMETER_MM, MAX_DIAMETER_MM = 4.0, 1000.0
INCH_MM = 25.4

_FILE = click.Path(path_type=Path)


class Diameter(Millimetres):
    """A shaft diameter; what looks like inches is pointed out."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The diameter in mm, or a usage error."""
        number = Millimetres().convert(value, param, ctx)
        if 0.0 < number < self.low <= number * INCH_MM:
            self.fail(
                f"{number:g} mm is too thin for a lip seal; if that is inches, "
                f"give {number * INCH_MM:.3f}.",
                param,
                ctx,
            )
        return super().convert(value, param, ctx)


class Pitch(click.ParamType):  # type: ignore[type-arg]
    """A graduation pitch: millimetres, or parts of an inch such as 1in/32."""

    name = "MM"

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The pitch in mm, or a usage error."""
        from calib.rule_pitch import parse_pitch

        try:
            return parse_pitch(str(value))
        except ValueError as error:
            self.fail(str(error), param, ctx)


_OPTIONS = (
    click.option(
        "--diameter",
        type=Diameter(MIN_DIAMETER_MM, MAX_DIAMETER_MM),
        help="Shaft diameter at the seal land, as measured with a micrometer.",
    ),
    click.option(
        "--diameter-u",
        type=Millimetres(1e-6, 10.0),
        default=DEFAULT_DIAMETER_U_MM,
        show_default=True,
        help="Standard uncertainty of the diameter.",
    ),
    click.option("--lens", type=_FILE, metavar="FILE", help="Lens file; else estimated from EXIF."),
    click.option(
        "--scale",
        type=click.Choice(SCALE_KINDS),
        default="auto",
        show_default=True,
        help="What lies beside the shaft; none: the diameter alone.",
    ),
    click.option(
        "--pitch", type=Pitch(), help="Graduation pitch of the rule, also 1in/32; else found."
    ),
    click.option(
        "--rule-class",
        type=click.Choice(RULE_CLASSES),
        help="EU class written on the rule; without it a steel rule is assumed (JIS B 7516).",
    ),
    click.option("--card", type=_FILE, metavar="FILE", help="Description (TOML) of the card."),
    click.option(
        "--scale-height",
        type=Millimetres(-1000.0, 1000.0),
        help="Height of the scale's surface above the shaft axis, toward the camera.",
    ),
    click.option(
        "--scale-height-u",
        type=Millimetres(1e-6, 100.0),
        default=DEFAULT_HEIGHT_U_MM,
        show_default=True,
        help="Standard uncertainty of that height.",
    ),
    click.option(
        "--end",
        type=click.Choice(END_SIDES),
        default="auto",
        show_default=True,
        help="Side of the picture on which the shaft end lies.",
    ),
    click.option(
        "--temperature",
        type=FiniteRange(-60.0, 200.0),
        metavar="C",
        help="Of the shaft when it was measured, Celsius; positions are those at 20.",
    ),
    click.option(
        "--scale-temperature",
        type=FiniteRange(-60.0, 200.0),
        metavar="C",
        help="Of rule, card and micrometer.  [default: that of the shaft]",
    ),
)


def asking_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that say what is beside the shaft and what is known."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command


def options_from(asked: dict[str, Any], seal_path: Path | None = None) -> MeasureOptions:
    """The options as one value, or a usage error where they contradict each other."""
    if asked["scale"] == "none" and asked["diameter"] is None:
        raise click.UsageError("With --scale none the shaft diameter is needed: --diameter MM.")
    if asked["scale"] == "card" and asked["card"] is None:
        raise click.UsageError("With --scale card its description is needed: --card FILE.")
    return MeasureOptions(
        diameter_mm=asked["diameter"],
        diameter_u_mm=asked["diameter_u"],
        lens_path=asked["lens"],
        scale=asked["scale"],
        pitch_mm=asked["pitch"],
        rule_class=asked["rule_class"],
        card_path=asked["card"],
        scale_height_mm=asked["scale_height"],
        scale_height_u_mm=asked["scale_height_u"],
        end_side=asked["end"],
        temperatures=_temperatures(asked["temperature"], asked["scale_temperature"]),
        seal_path=seal_path,
    )


def _temperatures(shaft_c: float | None, scale_c: float | None) -> Temperatures:
    if shaft_c is None and scale_c is None:
        return NOT_STATED
    if shaft_c is None:
        raise click.UsageError("With --scale-temperature the shaft's is needed: --temperature C.")
    standard_c = shaft_c if scale_c is None else scale_c
    return Temperatures(shaft_c=shaft_c, standard_c=standard_c, stated=True)


def verbose_option(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command `-v`; the group reads it from the context when something fails."""

    def remember(ctx: click.Context, _: click.Parameter, value: bool) -> bool:  # noqa: FBT001
        ctx.meta["verbose"] = value
        return value

    return click.option(
        "-v", "--verbose", is_flag=True, callback=remember, help="Say more: budget, tracebacks."
    )(command)


photos_argument = click.argument("photos", nargs=-1, required=True, type=_FILE, metavar="PHOTO...")
json_option = click.option(
    "--json", "json_path", type=_FILE, metavar="FILE", help="Result as JSON; - is standard output."
)
