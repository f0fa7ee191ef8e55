"""`bandscan landing`: a result and one or more seal files in, verdicts and options out."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from bandscan.cli.asking import json_option, verbose_option

if TYPE_CHECKING:
    from bandscan.band_places import BandFile
    from bandscan.planning import Plan


@click.command()
@click.argument("measurement", type=click.Path(path_type=Path), metavar="MEASUREMENT.json")
@click.option(
    "--seal",
    "seals",
    multiple=True,
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="Seal file (TOML); several are compared side by side.",
)
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Draws a side view to scale of every seal there, as SVG and PNG.",
)
@json_option
@verbose_option
def landing(
    measurement: Path,
    seals: tuple[Path, ...],
    out: Path | None,
    json_path: Path | None,
    verbose: bool,  # noqa: FBT001 - click's way
) -> None:
    """Say where the lips of a new seal land, and what to do if not on fresh metal.

    For every lip: fresh, on band, undecided or off land, with clearance and odds; then
    the shifts that make every lip fresh, and the other ways out.

    It is advice: the seal maker's data and a qualified person decide.
    """
    from bandscan.band_places import read_bands
    from bandscan.cli.writing import tell_json
    from bandscan.output.landing_json import plan_object
    from bandscan.output.landing_text import plans_text
    from bandscan.planning import plan_seals
    from bandscan.seal import read_seal

    measured = read_bands(measurement)
    plans = plan_seals(measured, [(str(path), read_seal(path)) for path in seals])
    written = [] if out is None else _draw(plans, measured, out)
    tell_json([plan_object(plan) for plan in plans], json_path)
    if json_path != Path("-"):
        click.echo(plans_text(plans, stack_up=verbose))
        for path in written:
            click.echo(f"  Written {path}")


def _draw(plans: list[Plan], measured: BandFile, out: Path) -> list[Path]:
    """Side views of all candidates; equal names are numbered."""
    from bandscan.cli.writing import write_side_view
    from bandscan.output.side_view import SideView

    written: list[Path] = []
    stems: list[str] = []
    for plan in plans:
        stem = Path(plan.file).stem
        stems.append(stem)
        count = stems.count(stem)
        view = SideView(
            seal=plan.seal,
            places=plan.places,
            bands=measured.bands,
            landing=plan.landing,
            chamfer_mm=max(measured.seen_mm[0].value, 0.0),
        )
        name = f"{stem}-side" if count == 1 else f"{stem}-{count}-side"
        written += write_side_view(view, out / name)
    return written
