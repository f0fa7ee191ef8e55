"""The options by which a shaft is described beside the photo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

from bandscan.cli.numbers import NOT_NEGATIVE, POSITIVE, FiniteRange

_ANGLE = FiniteRange(0.0, 90.0, min_open=True, max_open=True)

_OPTIONS = (
    click.option("--speed", "speed_rpm", type=NOT_NEGATIVE, metavar="RPM",
                 help="Speed of the shaft, turns a minute."),
    click.option("--lip", "material", type=click.Choice(["elastomer", "ptfe"]),
                 help="Material of the sealing lip.  [default: elastomer]"),
    click.option("--hardness", "hardness_hrc", type=POSITIVE, metavar="HRC", help="Rockwell C."),
    click.option("--case", "case_mm", type=POSITIVE, metavar="MM",
                 help="Depth of the hard case."),
    click.option("--ra", "ra_um", type=POSITIVE, metavar="UM", help="Roughness Ra, µm."),
    click.option("--rz", "rz_um", type=POSITIVE, metavar="UM", help="Roughness Rz, µm."),
    click.option("--runout", "runout_mm", type=NOT_NEGATIVE, metavar="MM",
                 help="Of the turning shaft, total indicator reading."),
    click.option("--offset", "offset_mm", type=NOT_NEGATIVE, metavar="MM",
                 help="Of the shaft to the bore, total indicator reading."),
    click.option("--chamfer", "chamfer_small_mm", type=POSITIVE, metavar="MM",
                 help="Small diameter of the lead-in chamfer."),
    click.option("--chamfer-angle", "chamfer_angle_deg", type=_ANGLE, metavar="DEG",
                 help="Its angle to the axis."),
    click.option("--lead", "lead_deg", type=FiniteRange(-90.0, 90.0), metavar="DEG",
                 help="Lead angle, for instance from the thread test."),
    click.option("--dirty", is_flag=True, help="Dirt reaches the lip."),
)  # fmt: skip


def facts_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that describe a shaft, all but its size."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
