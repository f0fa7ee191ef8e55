"""`bandscan card`: a card to print, true to scale, and its description."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import click

from bandscan.cli.numbers import Millimetres

if TYPE_CHECKING:
    from calib.board import Board

_FILE = click.Path(path_type=Path)
_PAPERS = ("a4", "letter")


@click.command()
@click.option(
    "--out",
    "sheet",
    type=_FILE,
    default=Path("card.pdf"),
    show_default=True,
    metavar="FILE",
    help="Sheet to write, .pdf or .svg; its description goes beside it as .toml.",
)
@click.option("--paper", type=click.Choice(_PAPERS), default="a4", show_default=True)
@click.option("--columns", type=click.IntRange(2, 100), default=16, show_default=True)
@click.option("--rows", type=click.IntRange(2, 100), default=4, show_default=True)
@click.option(
    "--square",
    type=Millimetres(2.0, 100.0),
    default=6.0,
    show_default=True,
    help="Side of a square; below 6 mm markers become too small at arm's length.",
)
@click.option(
    "--measured",
    type=Millimetres(1.0, 1000.0),
    help="What a 100 mm line on the print really measures: goes into the description; "
    "nothing is drawn anew.",
)
def card(
    sheet: Path, paper: str, columns: int, rows: int, square: float, measured: float | None
) -> None:
    """Write a card to print and lay beside the shaft, and its description (TOML).

    Print it at 100 %, measure its 100 mm lines with a calliper or a good rule, and
    record that with `--measured`: a printer that fits the page shrinks it by some per cent.
    """
    if sheet.suffix.lower() not in (".pdf", ".svg"):
        raise click.BadParameter("the sheet's name must end in .pdf or .svg", param_hint="--out")
    description = sheet.with_suffix(".toml")
    if measured is not None:
        _record(description, measured, _content(columns, rows, square))
        return
    from bandscan.output.card_sheet import draw_card_sheet
    from bandscan.output.files import make_folder, write_file

    board = _board(columns, rows, square)
    _check_size(board, paper)
    _keep_record(description)
    page = draw_card_sheet(board, paper=paper, file_format=sheet.suffix.lower()[1:])
    make_folder(sheet.parent)
    write_file(sheet, page)
    write_file(description, _content(columns, rows, square).encode())
    click.echo(f"Sheet:       {sheet} ({paper.upper() if paper == 'a4' else paper.title()})")
    click.echo(f"Description: {description}, for --card")
    click.echo("Print at 100 %, measure the 100 mm lines, and record what they measure:")
    click.echo(f"  bandscan card --out {sheet} --measured 99.6")


def _content(columns: int, rows: int, square_mm: float) -> str:
    """The description as TOML; markers fill the share of their squares that 4.4 of 6 mm is."""
    needed = columns * rows // 2
    size = next((size for size in (50, 100, 250, 1000) if size >= needed), 1000)
    return (
        '[board]\npattern = "charuco"\n'
        f"columns = {columns}\nrows = {rows}\nsquare_mm = {square_mm:g}\n"
        f"marker_mm = {round(square_mm * 4.4 / 6.0, 2):g}\n"
        f'dictionary = "DICT_4X4_{max(size, 100)}"\n'
    )


def _board(columns: int, rows: int, square_mm: float) -> Board:
    import tomllib

    from calib.board import parse_board

    return parse_board(tomllib.loads(_content(columns, rows, square_mm))["board"], name="the card")


def _check_size(board: Board, paper: str) -> None:
    from bandscan.output.card_sheet import largest_card_mm
    from calib.card_layout import lay_out_card

    size, room = lay_out_card(board).size_mm, largest_card_mm(paper)
    if size[0] > room[0] or size[1] > room[1]:
        raise click.UsageError(
            f"The card would measure {size[0]:.0f} x {size[1]:.0f} mm; on {paper} there is room "
            f"for {room[0]:.0f} x {room[1]:.0f} mm. Take fewer or smaller squares."
        )


def _keep_record(description: Path) -> None:
    """Refuse to write over what was measured on a print.

    Raises
    ------
    UnwritableFileError
    """
    from bandscan.output.files import UnwritableFileError

    if description.is_file() and "scale_check_mm" in description.read_text(errors="replace"):
        raise UnwritableFileError(
            f"{description} records what an earlier print measures.",
            "Name another sheet with --out, or remove that file if the print is gone.",
        )


def _record(description: Path, measured_mm: float, fresh: str) -> None:
    """Put the check into the description, which is begun where there is none.

    Raises
    ------
    UnreadableFileError
        The file there describes no board, or the length is beyond any printer's error.
    """
    import tomllib

    from bandscan.output.files import write_file
    from calib.board import parse_board, read_board
    from calib.card_layout import CHECK_MM

    if description.exists():
        read_board(description)
        text = description.read_text(encoding="utf-8")
    else:
        text = fresh
    line = f"scale_check_mm = [{CHECK_MM:.1f}, {measured_mm:g}]"
    text, found = re.subn(r"^scale_check_mm\s*=.*$", line, text, flags=re.MULTILINE)
    if not found:
        text = re.sub(r"^\[board\].*$", rf"\g<0>\n{line}", text, count=1, flags=re.MULTILINE)
    board = parse_board(tomllib.loads(text)["board"], name=f"{description} with --measured")
    write_file(description, text.encode())
    click.echo(
        f"{description}: the print has {100.0 * board.print_scale:.2f} % of its size; "
        f"a square measures {board.printed_square_mm:.3f} mm."
    )
