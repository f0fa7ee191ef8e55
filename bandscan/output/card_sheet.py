"""The sheet on which a card is printed, true to scale: PDF or SVG."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from calib.board import Board
from calib.card_layout import CHECK_MM, MARGIN_MM, CardLayout, lay_out_card

if TYPE_CHECKING:
    from matplotlib.axes import Axes

PAPERS_MM = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}  # ISO 216; ANSI Y14.1 size A
FORMATS = ("pdf", "svg")
_INCH_MM = 25.4
_POINT_MM = _INCH_MM / 72.0  # ISO 32000-1, 8.3.2.3: default user space unit 1/72 inch
_TOP_MM, _GAP_MM = 25.0, 18.0  # above the card, and from one thing to the next
_APART_MM = 8.0  # between the two check lines
_EDGE_MM = 12.0  # that no printer's margin reaches
_HAIR_MM, _MARK_MM = 0.1, 0.15  # widths of lines


def largest_card_mm(paper: str) -> tuple[float, float]:
    """Longest and highest card that fits a sheet."""
    width, height = PAPERS_MM[paper]
    return width - 2.0 * _EDGE_MM, height - _TOP_MM - _GAP_MM - _APART_MM - CHECK_MM - _EDGE_MM


def draw_card_sheet(board: Board, *, paper: str, file_format: str) -> bytes:
    """Draw a card and its check lines on a sheet.

    Parameters
    ----------
    board : Board
        A ChArUco board.
    paper : {"a4", "letter"}
    file_format : {"pdf", "svg"}

    Returns
    -------
    bytes
        One page of the size of the paper.
    """
    import matplotlib as mpl
    from matplotlib.figure import Figure

    width, height = PAPERS_MM[paper]
    figure = Figure(figsize=(width / _INCH_MM, height / _INCH_MM))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set(xlim=(0.0, width), ylim=(height, 0.0))
    axes.set_axis_off()
    card = lay_out_card(board)
    left = (width - card.size_mm[0]) / 2.0
    _draw_card(axes, card, left, _TOP_MM)
    below = _TOP_MM + card.size_mm[1] + _GAP_MM
    _draw_check_lines(axes, left + MARGIN_MM, below)
    _write_instructions(axes, board, left + MARGIN_MM + 12.0, below + 12.0)
    date = {"pdf": "CreationDate", "svg": "Date"}[file_format]
    page = io.BytesIO()
    with mpl.rc_context({"svg.hashsalt": "card", "pdf.fonttype": 42}):
        figure.savefig(page, format=file_format, metadata={date: None})
    return page.getvalue()


def _points(width_mm: float) -> float:
    return width_mm / _POINT_MM


def _draw_card(axes: Axes, card: CardLayout, left: float, top: float) -> None:
    from matplotlib.collections import LineCollection, PolyCollection

    shift = np.array([left, top])
    boxes = card.black_mm + np.tile(shift, 2)
    corners = boxes[:, [[0, 1], [2, 1], [2, 3], [0, 3]]]
    axes.add_collection(PolyCollection(list(corners), facecolors="black", linewidths=0.0))
    marks = card.marks_mm + np.array([left, top, top])
    lines = [[(x, a), (x, b)] for x, a, b in marks]
    axes.add_collection(LineCollection(lines, colors="black", linewidths=_points(_MARK_MM)))
    for number, (x, upper, _) in enumerate(marks):
        if number % 10 == 0:
            axes.text(x, upper - 0.5, str(number), ha="center", va="bottom", fontsize=6)
    width, height = card.size_mm
    frame = shift + np.array([[0, 0], [width, 0], [width, height], [0, height], [0, 0]])
    axes.plot(*frame.T, color="0.6", linewidth=_points(_HAIR_MM))


def _draw_check_lines(axes: Axes, left: float, top: float) -> None:
    """A line of 100 mm either way: printers may stretch one direction alone."""
    words = f"{CHECK_MM:.0f} mm"
    middle, upper = CHECK_MM / 2.0, top + _APART_MM
    line: dict[str, Any] = {
        "color": "black",
        "linewidth": _points(_MARK_MM),
        "solid_capstyle": "butt",
    }
    axes.plot((left, left + CHECK_MM), (top, top), **line)
    axes.plot((left, left), (upper, upper + CHECK_MM), **line)
    for along in (0.0, CHECK_MM):
        axes.plot((left + along, left + along), (top - 2.0, top + 2.0), **line)
        axes.plot((left - 2.0, left + 2.0), (upper + along, upper + along), **line)
    axes.text(left + middle, top - 1.0, words, ha="center", va="bottom", fontsize=8)
    axes.text(left - 1.5, upper + middle, words, ha="right", va="center", fontsize=8, rotation=90)


def _write_instructions(axes: Axes, board: Board, left: float, top: float) -> None:
    lines = (
        f"Card of {board.columns} x {board.rows} squares of {board.square_mm:g} mm, "
        f"{board.dictionary}",
        '1. Print at 100 % ("actual size"), not "fit to page", on matt paper.',
        "2. Measure both 100 mm lines, middle of end mark to middle of end mark.",
        "    If they differ from each other by more than 0.2 mm, use another printer.",
        "3. Write down what they measure:  bandscan card --measured 99.6",
        "4. Cut along the grey frame and glue the card flat to a stiff strip.",
        "5. Lay it beside the shaft and along it, flat, at a known height.",
    )
    for number, line in enumerate(lines):
        axes.text(left, top + 6.0 * number, line, va="top", fontsize=9)
