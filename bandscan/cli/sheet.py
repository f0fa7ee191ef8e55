"""`bandscan sheet`: what is known of a shaft against published limits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bandscan.cli.asking import json_option

_ANGLE = click.FloatRange(0.0, 90.0, min_open=True, max_open=True)
_POSITIVE = click.FloatRange(min=0.0, min_open=True)


@click.command()
@click.option("--nominal", "nominal_mm", type=_POSITIVE, required=True, metavar="MM",
              help="Nominal size of the shaft at the seal land.")  # fmt: skip
@click.option("--diameter", "diameter_mm", type=_POSITIVE, metavar="MM", help="As measured.")
@click.option("--diameter-u", "diameter_u_mm", type=click.FloatRange(min=0.0), default=0.01,
              show_default=True, metavar="MM", help="Its standard uncertainty.")  # fmt: skip
@click.option("--speed", "speed_rpm", type=click.FloatRange(min=0.0), metavar="RPM",
              help="Speed of the shaft, turns a minute.")  # fmt: skip
@click.option("--lip", "material", type=click.Choice(["elastomer", "ptfe"]), default="elastomer",
              show_default=True, help="Material of the sealing lip.")  # fmt: skip
@click.option("--hardness", "hardness_hrc", type=_POSITIVE, metavar="HRC", help="Rockwell C.")
@click.option("--case", "case_mm", type=_POSITIVE, metavar="MM", help="Depth of the hard case.")
@click.option("--ra", "ra_um", type=_POSITIVE, metavar="UM", help="Roughness Ra, µm.")
@click.option("--rz", "rz_um", type=_POSITIVE, metavar="UM", help="Roughness Rz, µm.")
@click.option("--runout", "runout_mm", type=click.FloatRange(min=0.0), metavar="MM",
              help="Of the turning shaft, total indicator reading.")  # fmt: skip
@click.option("--offset", "offset_mm", type=click.FloatRange(min=0.0), metavar="MM",
              help="Of the shaft to the bore, total indicator reading.")  # fmt: skip
@click.option("--chamfer", "chamfer_small_mm", type=_POSITIVE, metavar="MM",
              help="Small diameter of the lead-in chamfer.")  # fmt: skip
@click.option("--chamfer-angle", "chamfer_angle_deg", type=_ANGLE,
              metavar="DEG", help="Its angle to the axis.")  # fmt: skip
@click.option("--lead", "lead_deg", type=float, metavar="DEG",
              help="Lead angle, for instance from the thread test.")  # fmt: skip
@click.option("--dirty", is_flag=True, help="Dirt reaches the lip.")
@json_option
def sheet(json_path: Path | None, **known: Any) -> None:
    """Check a shaft against published limits, each with its source.

    Everything but the nominal size may be left out; the limits are printed all the same.
    """
    from bandscan.cli.writing import STANDARD_OUTPUT, tell_json
    from bandscan.output.landing_json import sheet_object
    from bandscan.output.landing_text import sheet_text
    from bandscan.shaft_sheet import ShaftFacts, make_sheet

    try:
        made = make_sheet(ShaftFacts(**known))
    except ValueError as error:
        raise click.UsageError(f"{error}; the published tables end there.") from None
    tell_json([sheet_object(made)], json_path)
    if json_path != STANDARD_OUTPUT:
        click.echo(sheet_text(made))
