"""`bandscan measure`: photos in, band positions out."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from bandscan.cli.asking import (
    asking_options,
    json_option,
    options_from,
    photos_argument,
    verbose_option,
)
from bandscan.cli.correcting import correcting_options, corrections_from


@click.command()
@photos_argument
@asking_options
@click.option(
    "--seal",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Seal file (TOML): draws the lips of a new seal as well.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where pictures and results go.  [default: PHOTO-bandscan/ beside the photo]",
)
@correcting_options
@json_option
@verbose_option
@click.pass_context
def measure(ctx: click.Context, /, **asked: Any) -> None:
    """Measure where old lip seals have polished the shaft.

    Prints each polished band's start and end in mm from the shaft end with its margin,
    and writes a picture with the bands drawn on the photo. A scale in the picture or
    --diameter is needed; with both, both are used and compared.

    Where you disagree with an edge, set it: --band 12.4:15.9. The result keeps both
    values, and who changed it and why.

    Isolate the machine and lock it out before you touch the shaft. Mind solvent fumes
    and skin when cleaning; shaft and seal edges can be razor-sharp.
    """
    from bandscan.cli.running import measure_all

    options = replace(
        options_from(asked, seal_path=asked["seal"]), corrections=corrections_from(asked)
    )
    status = measure_all(
        asked["photos"],
        options,
        out=asked["out"],
        json_path=asked["json_path"],
        verbose=asked["verbose"],
    )
    ctx.exit(status)
