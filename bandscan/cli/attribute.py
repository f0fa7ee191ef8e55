"""`bandscan attribute`: which lip of the old seal made which band."""

from __future__ import annotations

from pathlib import Path

import click

from bandscan.cli.asking import json_option


@click.command()
@click.argument("measurement", type=click.Path(path_type=Path), metavar="MEASUREMENT.json")
@click.option(
    "--seal",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Seal file (TOML) of the old seal, at the place where it sat.",
)
@json_option
def attribute(measurement: Path, seal: Path, json_path: Path | None) -> None:
    """Say which lip of the old seal made which band, and what does not fit.

    Finds the offset of the old seal that best explains the bands, and says whether the
    mismatch is within the stated uncertainties or points to something else.
    """
    from bandscan.attribution import attribute_bands
    from bandscan.band_places import read_bands
    from bandscan.cli.writing import STANDARD_OUTPUT, tell_json
    from bandscan.output.landing_json import attribution_object
    from bandscan.output.landing_text import attribution_text
    from bandscan.seal import check_fit, read_seal

    measured, old = read_bands(measurement), read_seal(seal)
    if measured.diameter_mm is not None:
        check_fit(old, measured.diameter_mm)
    found = attribute_bands(measured.bands, old)
    tell_json([attribution_object(str(seal), found)], json_path)
    if json_path != STANDARD_OUTPUT:
        click.echo(attribution_text(old.label, found))
