"""`bandscan seal`: write a seal file step by step, or check one and draw it."""

from __future__ import annotations

import json
from pathlib import Path

import click

from bandscan.cli.numbers import NOT_NEGATIVE, POSITIVE, Millimetres

EXAMPLE = """\
[seal]
label = "double lip 45x65x8"
shaft_mm = 45.0
width_mm = 8.0                # outer face to inner face
# width_u_mm = 0.12           # its standard uncertainty
# seat_mm = 65.0              # bore of the housing
# material = "elastomer"      # or "ptfe"
[[lip]]                       # once for every lip
name = "main"
kind = "sealing"              # or "auxiliary", "excluder"
from = "inner"                # the face it was measured from, or "outer"
distance_mm = [2.58, 2.61]    # that face to the lip, one reading or several
u_mm = 0.05                   # of the gauge; with several readings it may be left out
contact_mm = 0.3              # width that the lip touches
# contact_u_mm = 0.05
[mounting]
outer_face_mm = 6.0           # shaft end to the nearer seal face, one reading or several
u_mm = 0.15
# facing = "end"              # where the outer face looks, or "machine": turned round
# end_float_mm = 0.1          # axial play of the shaft, end to end (a limit)
# shift_mm = [-2.0, 3.0]      # room to move the seal; negative: toward the shaft end
# land_mm = [2.0, 38.0]       # where the shaft is ground for the seal
# land_u_mm = 0.1
# grooves_mm = [[24.0, 25.3]] # where no lip may run: ring grooves, keyways, oil holes
# [squareness]
# tilt_mm = 0.1               # across the seat (a limit)
# across_mm = 65.0            # if seat_mm is not given
# [thermal]
# length_mm = 250.0           # seal to the bearing that holds the shaft, into the machine
# shaft = "steel 1040"        # or a number, 1e-6 per kelvin
# housing = "grey iron"
# fitted_c = 20.0
# shaft_c = 80.0              # in service
# housing_c = 70.0
# u_k = 5.0                   # standard uncertainty of either temperature
"""

_HELP = f"""Write a seal file step by step, or check one and draw it.

A seal file looks like this, lengths in mm from the shaft end face; lines that begin
with # may be left out:

\b
{EXAMPLE}"""  # \b: click keeps the lines of that paragraph


@click.group(help=_HELP)
def seal() -> None:
    """Write a seal file step by step, or check one and draw it."""


@seal.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option(
    "--out",
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Where the drawing goes.  [default: beside the file]",
)
def check(file: Path, out: Path | None) -> None:
    """Check a seal file and draw the cross-section to scale with every dimension."""
    from bandscan.band_places import BandPlaces
    from bandscan.cli.writing import write_side_view
    from bandscan.output.landing_words import stack_up_lines
    from bandscan.output.side_view import SideView
    from bandscan.seal import read_seal
    from bandscan.stack_up import lip_places

    described = read_seal(file)
    places = lip_places(described)
    click.echo(f"{file}: {described.label}, {len(places)} lip{'s' if len(places) > 1 else ''}")
    for place in places:
        click.echo("\n".join(stack_up_lines(place)))
    for note in described.notes:
        click.echo(f"  Assumed: {note}")
    view = SideView(seal=described, places=places, bands=BandPlaces.of([]))
    folder = file.parent if out is None else out
    for path in write_side_view(view, folder / f"{file.stem}-seal"):
        click.echo(f"  Written {path}")


@seal.command()
@click.argument("file", type=click.Path(path_type=Path))
@click.option("--force", is_flag=True, help="Overwrite the file if it exists.")
def new(file: Path, force: bool) -> None:  # noqa: FBT001 - click's way
    """Ask for what a depth gauge measures, step by step, and write a seal file.

    Measure with the seal on the shaft or on a dummy of its size, so that the lips lie as
    in service. Several readings may be given, parted by blanks.
    """
    from bandscan.output.files import write_file
    from bandscan.seal import read_seal

    if file.exists() and not force:
        raise click.UsageError(f"{file} exists; give another name, or --force to overwrite it.")
    text = "\n".join([*_ask_seal(), *_ask_lips(), *_ask_mounting()]) + "\n"
    write_file(file, text.encode())
    described = read_seal(file)
    click.echo(f"Written {file}. Check it with: bandscan seal check {file}")
    for note in described.notes:
        click.echo(f"  Assumed: {note}")


def _ask_seal() -> list[str]:
    from bandscan.seal import MATERIALS, nominal_width_u_mm

    label = click.prompt("Name of the seal, such as its size", type=str)
    shaft = click.prompt("Shaft diameter, mm", type=POSITIVE)
    width = click.prompt("Width, outer face to inner face, mm", value_proc=_readings)
    lines = ["[seal]", f"label = {_quoted(label)}", f"shaft_mm = {shaft!r}", f"width_mm = {width}"]
    catalogue = "Is that the catalogue's width rather than a measured one?"
    if "[" not in width and click.confirm(catalogue):
        width_u = nominal_width_u_mm(float(width))
        lines.append(f"width_u_mm = {width_u:.3f}  # a maker's tolerance, rectangular")
    seat = click.prompt("Bore diameter, mm (0: not known)", type=Millimetres(), default=0.0)
    if seat > 0.0:
        lines.append(f"seat_mm = {seat!r}")
    material = click.prompt(
        "Material of the sealing lip", type=click.Choice(MATERIALS), default=MATERIALS[0]
    )
    return [*lines, f"material = {_quoted(material)}"]


def _ask_lips() -> list[str]:
    from bandscan.seal import CALLIPER_DEPTH_U_MM, FACES, LIP_KINDS

    lines: list[str] = []
    for number in range(1, click.prompt("How many lips", type=click.IntRange(1, 9)) + 1):
        click.echo(f"Lip {number}")
        kind = click.prompt("  Kind", type=click.Choice(LIP_KINDS), default=LIP_KINDS[0])
        name = click.prompt("  Name", type=str, default=f"{kind} {number}")
        face = click.prompt("  Nearer face: outer is the air side", type=click.Choice(FACES))
        distance = click.prompt("  That face to the lip's edge, mm", value_proc=_readings)
        u = click.prompt(
            "  Standard uncertainty of the gauge, mm", type=NOT_NEGATIVE,
            default=CALLIPER_DEPTH_U_MM,
        )  # fmt: skip
        contact = click.prompt("  Width that it touches, mm", value_proc=_readings, default="0.3")
        lines += [
            "", "[[lip]]", f"name = {_quoted(name)}", f"kind = {_quoted(kind)}",
            f"from = {_quoted(face)}", f"distance_mm = {distance}", f"u_mm = {u!r}",
            f"contact_mm = {contact}",
        ]  # fmt: skip
    return lines


def _ask_mounting() -> list[str]:
    click.echo("Mounting; all positions in mm from the shaft end face")
    face = click.prompt("  Shaft end face to the seal's nearer face, mm", value_proc=_readings)
    u = click.prompt("  Its standard uncertainty, mm", type=NOT_NEGATIVE, default=0.15)
    turned = click.confirm("  Does the outer face look away from the shaft end?", default=False)
    end_float = click.prompt("  End float of the shaft, mm", type=NOT_NEGATIVE, default=0.0)
    shift = [
        -click.prompt("  Room toward the shaft end, mm", type=NOT_NEGATIVE, default=0.0),
        click.prompt("  Room into the machine, mm", type=NOT_NEGATIVE, default=0.0),
    ]
    land = [
        click.prompt(f"  Ground land {end}, mm", type=Millimetres()) for end in ("begins", "ends")
    ]
    return [
        "", "[mounting]", f"outer_face_mm = {face}", f"u_mm = {u!r}",
        f"facing = {_quoted('machine' if turned else 'end')}", f"end_float_mm = {end_float!r}",
        f"shift_mm = {shift!r}", f"land_mm = {land!r}",
    ]  # fmt: skip


def _readings(text: str) -> str:
    """One number or several as TOML, or a complaint that asks again."""
    try:
        numbers = [float(part) for part in text.replace(";", " ").split()]
    except ValueError:
        raise click.BadParameter("write numbers with a point, parted by blanks") from None
    if not numbers:
        raise click.BadParameter("write a number")
    return repr(numbers[0]) if len(numbers) == 1 else repr(numbers)


def _quoted(text: str) -> str:
    """A basic string of TOML; JSON's escapes are a part of TOML's."""
    return json.dumps(text, ensure_ascii=False)
