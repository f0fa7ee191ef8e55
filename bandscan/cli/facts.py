"""The options by which a shaft is described beside the photo."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import click

_ANGLE = click.FloatRange(0.0, 90.0, min_open=True, max_open=True)
_POSITIVE = click.FloatRange(min=0.0, min_open=True)
_NOT_NEGATIVE = click.FloatRange(min=0.0)

_OPTIONS = (
    click.option("--speed", "speed_rpm", type=_NOT_NEGATIVE, metavar="RPM",
                 help="Speed of the shaft, turns a minute."),
    click.option("--lip", "material", type=click.Choice(["elastomer", "ptfe"]),
                 help="Material of the sealing lip.  [default: elastomer]"),
    click.option("--hardness", "hardness_hrc", type=_POSITIVE, metavar="HRC", help="Rockwell C."),
    click.option("--case", "case_mm", type=_POSITIVE, metavar="MM",
                 help="Depth of the hard case."),
    click.option("--ra", "ra_um", type=_POSITIVE, metavar="UM", help="Roughness Ra, µm."),
    click.option("--rz", "rz_um", type=_POSITIVE, metavar="UM", help="Roughness Rz, µm."),
    click.option("--runout", "runout_mm", type=_NOT_NEGATIVE, metavar="MM",
                 help="Of the turning shaft, total indicator reading."),
    click.option("--offset", "offset_mm", type=_NOT_NEGATIVE, metavar="MM",
                 help="Of the shaft to the bore, total indicator reading."),
    click.option("--chamfer", "chamfer_small_mm", type=_POSITIVE, metavar="MM",
                 help="Small diameter of the lead-in chamfer."),
    click.option("--chamfer-angle", "chamfer_angle_deg", type=_ANGLE, metavar="DEG",
                 help="Its angle to the axis."),
    click.option("--lead", "lead_deg", type=float, metavar="DEG",
                 help="Lead angle, for instance from the thread test."),
    click.option("--dirty", is_flag=True, help="Dirt reaches the lip."),
)  # fmt: skip


def facts_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Give a command the options that describe a shaft, all but its size."""
    for option in reversed(_OPTIONS):
        command = option(command)
    return command
