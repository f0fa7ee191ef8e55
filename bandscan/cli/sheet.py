"""`bandscan sheet`: what is known of a shaft against published limits."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import click

from bandscan.cli.asking import json_option
from bandscan.cli.facts import facts_options
from bandscan.cli.numbers import NOT_NEGATIVE, POSITIVE


@click.command()
@click.option("--nominal", "nominal_mm", type=POSITIVE, required=True, metavar="MM",
              help="Nominal size of the shaft at the seal land.")  # fmt: skip
@click.option("--diameter", "diameter_mm", type=POSITIVE, metavar="MM", help="As measured.")
@click.option("--diameter-u", "diameter_u_mm", type=NOT_NEGATIVE, default=0.01,
              show_default=True, metavar="MM", help="Its standard uncertainty.")  # fmt: skip
@facts_options
@json_option
def sheet(json_path: Path | None, **known: Any) -> None:
    """Check a shaft against published limits, each with its source.

    Everything but the nominal size may be left out; the limits are printed all the same.
    """
    from bandscan.cli.writing import STANDARD_OUTPUT, tell_json
    from bandscan.output.landing_json import sheet_object
    from bandscan.output.landing_text import sheet_text
    from bandscan.shaft_sheet import ShaftFacts, make_sheet

    given = {name: value for name, value in known.items() if value is not None}
    try:
        made = make_sheet(ShaftFacts(**given))
    except ValueError as error:
        raise click.UsageError(f"{error}; the published tables end there.") from None
    tell_json([sheet_object(made)], json_path)
    if json_path != STANDARD_OUTPUT:
        click.echo(sheet_text(made))
