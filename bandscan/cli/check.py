"""`bandscan check`: what a photo is good for."""

from __future__ import annotations

from typing import Any

import click

from bandscan.cli.asking import (
    asking_options,
    json_option,
    options_from,
    photos_argument,
    verbose_option,
)


@click.command()
@photos_argument
@asking_options
@json_option
@verbose_option
@click.pass_context
def check(ctx: click.Context, /, **asked: Any) -> None:
    """Say what a photo is good for, without measuring bands.

    A line each on sharpness, light, scale and view, and the margin to expect; best run
    while the shaft still lies there.
    """
    from bandscan.cli.running import check_all

    options = options_from(asked)
    status = check_all(
        asked["photos"], options, json_path=asked["json_path"], verbose=asked["verbose"]
    )
    ctx.exit(status)
