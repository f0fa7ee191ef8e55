"""`bandscan demo`: the whole job on a sample photo."""

from __future__ import annotations

import sysconfig
from pathlib import Path

import click

from bandscan.cli.asking import verbose_option

# An input shaft of a bucket elevator's gearbox at an invented grain terminal, rendered.
PHOTO = "elevator_01_rule_level.jpg"
SEAL = "elevator_01_seal.toml"
DIAMETER_MM = 34.99  # what the micrometer read in the scenario
OUT = Path("bandscan-demo")


@click.command()
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    default=OUT,
    show_default=True,
    metavar="DIR",
    help="Where pictures and results go.",
)
@verbose_option
@click.pass_context
def demo(ctx: click.Context, out: Path, verbose: bool) -> None:  # noqa: FBT001 - click's way
    """Measure a sample photo and say where the pictures are.

    The photo is rendered: an input shaft of a bucket-elevator gearbox beside a steel
    rule, and a new seal for it. Nothing about it is real.
    """
    from bandscan.cli.running import measure_all
    from bandscan.options import MeasureOptions

    samples = find_samples()
    told = f"A rendered sample: {samples / PHOTO}, micrometer reading {DIAMETER_MM} mm"
    click.echo(told, err=True)
    options = MeasureOptions(diameter_mm=DIAMETER_MM, seal_path=samples / SEAL)
    ctx.exit(measure_all([samples / PHOTO], options, out=out, verbose=verbose))


def find_samples() -> Path:
    """The folder of the sample photo: in the source tree, or where the wheel puts it.

    Raises
    ------
    UnreadableFileError
        If it is in neither.
    """
    from calib.errors import UnreadableFileError

    source = Path(__file__).resolve().parents[2] / "sample_images"
    installed = Path(sysconfig.get_path("data")) / "share" / "bandscan"
    for folder in (source, installed):
        if (folder / PHOTO).is_file():
            return folder
    raise UnreadableFileError(
        f"The sample photo {PHOTO} is neither in {source} nor in {installed}.",
        "Install bandscan again, or measure a photo of your own with bandscan measure.",
    )
