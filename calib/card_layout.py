"""The printed card as rectangles and lines in millimetres, for whoever draws it."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import Board, marker_dictionary
from calib.camera import FloatArray

CHECK_MM = 100.0  # length of the check line
MARGIN_MM = 6.0  # of white paper round the squares and before the graduations
# Lengths of the millimetre, half-centimetre and centimetre marks; common practice on steel rules.
_MARK_MM = (2.2, 3.2, 4.2)
_BORDER_CELLS = 1  # black cells round a marker's bits, as OpenCV draws them


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CardLayout:
    """A card, x right and y down, millimetres from its upper left corner.

    Parameters
    ----------
    size_mm : (float, float)
        Of the card when cut out.
    black_mm : ndarray, shape (n, 4)
        Black rectangles: left, top, right, bottom.
    corners_mm : ndarray, shape (m, 2)
        Inner corners of the squares, in the order of `Board.corner_squares`.
    marks_mm : ndarray, shape (k, 3)
        Graduations: x, top, bottom; they end at the lower edge of the card.
    """

    size_mm: tuple[float, float]
    black_mm: FloatArray
    corners_mm: FloatArray
    marks_mm: FloatArray


def lay_out_card(board: Board) -> CardLayout:
    """Lay out a ChArUco card as drawn, before any printer has shrunk it.

    Raises
    ------
    ValueError
        For a chessboard, which has no markers.
    """
    if board.pattern != "charuco":
        raise ValueError("a card is a ChArUco board")
    side = board.square_mm
    cells = np.concatenate([_black_squares(board), _marker_cells(board)]) * side + MARGIN_MM
    length = max(board.columns * side, CHECK_MM)
    height = 2.0 * MARGIN_MM + board.rows * side + _MARK_MM[-1]
    x = np.arange(round(length) + 1.0)
    longest = np.where(x % 10 == 0, _MARK_MM[2], np.where(x % 5 == 0, _MARK_MM[1], _MARK_MM[0]))
    marks = np.column_stack([x + MARGIN_MM, height - longest, np.full(x.size, height)])
    return CardLayout(
        size_mm=(length + 2.0 * MARGIN_MM, height),
        black_mm=cells,
        corners_mm=board.corner_squares() * side + MARGIN_MM,
        marks_mm=marks,
    )


def _black_squares(board: Board) -> FloatArray:
    """Squares without a marker, in squares: OpenCV's pattern begins with a black one."""
    places = [
        (column, row)
        for row, column in itertools.product(range(board.rows), range(board.columns))
        if (row + column) % 2 == 0
    ]
    corner = np.array(places, dtype=float)
    return np.hstack([corner, corner + 1.0])


def _marker_cells(board: Board) -> FloatArray:
    """Black cells of the markers, in squares; neighbours in a row joined."""
    dictionary = marker_dictionary(board)
    layout = cv2.aruco.CharucoBoard(
        (board.columns, board.rows), 1.0, board.marker_mm / board.square_mm, dictionary
    )
    cells = dictionary.markerSize + 2 * _BORDER_CELLS
    rectangles = []
    for number, quad in enumerate(layout.getObjPoints()):
        corner = np.asarray(quad, dtype=float)[:, :2]
        (left, top), step = corner[0], (corner[2] - corner[0]) / cells
        drawn = dictionary.generateImageMarker(number, cells, borderBits=_BORDER_CELLS)
        rectangles += [
            (left + a * step[0], top + row * step[1], left + b * step[0], top + (row + 1) * step[1])
            for row, a, b in _runs(np.asarray(drawn) == 0)
        ]
    return np.array(rectangles)


def _runs(black: NDArray[np.bool_]) -> list[tuple[int, int, int]]:
    """Row, first column and the column beyond the last of every run of black cells."""
    found = []
    for row, line in enumerate(black):
        steps = np.flatnonzero(np.diff(np.concatenate([[0], line.astype(int), [0]])))
        found += [(row, int(a), int(b)) for a, b in steps.reshape(-1, 2)]
    return found
