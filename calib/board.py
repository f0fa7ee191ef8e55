"""The printed board: its description in TOML, its geometry, and its corners in a photo."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray
from calib.errors import UnreadableFileError

IntArray = NDArray[np.int64]

PATTERNS = ("charuco", "chessboard")
_KEYS = {
    "charuco": ("columns", "rows", "square_mm", "marker_mm", "dictionary"),
    "chessboard": ("columns", "rows", "square_mm"),
}
_OPTIONAL_KEYS = ("scale_check_mm", "label")
_MOST_SQUARES = 100  # a side; more is a slip of the keyboard
_FEWEST = {"charuco": 2, "chessboard": 3}  # squares, inner corners: the least that fixes a plane
# A printer's "fit to page" gives 93-97 %, A4 on Letter 94 %; beyond this it was another unit.
_SCALE_LIMITS = (0.8, 1.25)


@dataclass(frozen=True, slots=True, kw_only=True)
class Board:
    """A flat printed board of squares.

    Parameters
    ----------
    pattern : {"charuco", "chessboard"}
    columns, rows : int
        Squares of a ChArUco board, inner corners of a chessboard.
    square_mm : float
        Side of a square as drawn.
    marker_mm : float
        Side of a marker as drawn; 0 for a chessboard.
    dictionary : str
        OpenCV's name of the marker dictionary; empty for a chessboard.
    print_scale : float
        Size of the print relative to the drawing.
    print_scale_checked : bool
        Whether it was measured on the print, or is taken on trust.
    """

    pattern: str
    columns: int
    rows: int
    square_mm: float
    marker_mm: float = 0.0
    dictionary: str = ""
    print_scale: float = 1.0
    print_scale_checked: bool = False

    @property
    def corner_columns(self) -> int:
        """Inner corners along the board's x."""
        return self.columns - 1 if self.pattern == "charuco" else self.columns

    @property
    def corner_rows(self) -> int:
        """Inner corners along the board's y."""
        return self.rows - 1 if self.pattern == "charuco" else self.rows

    @property
    def printed_square_mm(self) -> float:
        """Side of a square on the print."""
        return self.square_mm * self.print_scale

    @property
    def marker_margin(self) -> float:
        """Distance from a square's edge to its marker, in squares; 0.5 without markers."""
        if self.pattern == "chessboard":
            return 0.5
        return (1.0 - self.marker_mm / self.square_mm) / 2.0

    def corner_squares(self) -> FloatArray:
        """Inner corners in squares from the outer corner of the first square, shape (n, 2).

        Row by row, x running fastest, which is OpenCV's order of ChArUco ids.
        """
        y, x = np.mgrid[1 : self.corner_rows + 1, 1 : self.corner_columns + 1]
        return np.stack([x.ravel(), y.ravel()], axis=-1).astype(float)

    def corners_mm(self) -> FloatArray:
        """Inner corners on the print, z = 0, shape (n, 3), millimetres."""
        flat = self.corner_squares() * self.printed_square_mm
        return np.column_stack([flat, np.zeros(len(flat))])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BoardView:
    """The inner corners of a board as one photo shows them.

    Parameters
    ----------
    ids : ndarray of int, shape (n,)
        Index of each corner in `Board.corners_mm`, ascending.
    corners_px : ndarray, shape (n, 2)
        Where they lie in the stored pixel grid.
    object_mm : ndarray, shape (n, 3)
        Where they lie on the print.
    u_px : ndarray, shape (n,)
        Standard uncertainty of either coordinate.
    blur_px : ndarray, shape (n,)
        Width (10-90 %) of the edges at each corner.
    expected : int
        Corners that the whole board has.
    """

    ids: IntArray
    corners_px: FloatArray
    object_mm: FloatArray
    u_px: FloatArray
    blur_px: FloatArray
    expected: int

    def __post_init__(self) -> None:
        for name in ("ids", "corners_px", "object_mm", "u_px", "blur_px"):
            frozen = np.array(getattr(self, name))
            frozen.setflags(write=False)
            object.__setattr__(self, name, frozen)


def read_board(path: Path | str) -> Board:
    """Read the TOML description of a board or card.

    Raises
    ------
    UnreadableFileError
        The file is missing or no TOML, or a key is missing, unknown or impossible.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except OSError as error:
        raise UnreadableFileError(
            f"The board description {path} cannot be read: {error.strerror or error}.",
            "Give the TOML file that was printed with the board.",
        ) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise UnreadableFileError(
            f"The board description {path} is not valid TOML: {error}.",
            "Correct that line, or write the file anew.",
        ) from None
    table = content.get("board")
    if not isinstance(table, dict):
        raise UnreadableFileError(
            f"The board description {path} has no [board] table.",
            "Begin it with a line [board], then pattern, columns, rows and square_mm.",
        )
    return parse_board(table, name=str(path))


def parse_board(table: Mapping[str, Any], *, name: str = "board") -> Board:
    """Check the keys of a [board] table and build the board.

    Parameters
    ----------
    table : mapping
        Keys as in the TOML file.
    name : str
        What to call the table in a message.

    Raises
    ------
    UnreadableFileError
        Which key, what was wrong with it, and what it should be.
    """
    pattern = table.get("pattern")
    if pattern not in PATTERNS:
        raise _wrong(name, "pattern", pattern, 'Write "charuco" or "chessboard".')
    _check_keys(table, pattern, name)
    fewest = _FEWEST[pattern]
    board = Board(
        pattern=pattern,
        columns=_count(table, "columns", fewest, name),
        rows=_count(table, "rows", fewest, name),
        square_mm=_length(table, "square_mm", name),
        marker_mm=_length(table, "marker_mm", name) if pattern == "charuco" else 0.0,
        dictionary=_dictionary(table, name) if pattern == "charuco" else "",
        print_scale=_print_scale(table, name),
        print_scale_checked="scale_check_mm" in table,
    )
    if pattern == "charuco":
        _check_markers(board, name)
    return board


def marker_dictionary(board: Board) -> cv2.aruco.Dictionary:
    """OpenCV's marker dictionary of a ChArUco board."""
    return cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, board.dictionary))


def _wrong(name: str, key: str, value: object, remedy: str) -> UnreadableFileError:
    what = "is missing" if value is None else f"is {value!r}, which cannot be"
    return UnreadableFileError(f"In {name} the key {key} {what}.", remedy)


def _check_keys(table: Mapping[str, Any], pattern: str, name: str) -> None:
    known = ("pattern", *_KEYS[pattern], *_OPTIONAL_KEYS)
    unknown = [key for key in table if key not in known]
    if unknown:
        raise UnreadableFileError(
            f"In {name} the key {unknown[0]} is not known for a {pattern} board.",
            f"Remove it or correct its spelling; known are {', '.join(known)}.",
        )


def _count(table: Mapping[str, Any], key: str, fewest: int, name: str) -> int:
    value = table.get(key)
    whole = isinstance(value, int) and not isinstance(value, bool)
    if not whole or not fewest <= value <= _MOST_SQUARES:  # type: ignore[operator]
        remedy = f"Write a whole number from {fewest} to {_MOST_SQUARES}."
        raise _wrong(name, key, value, remedy)
    return int(value)  # type: ignore[arg-type]


def _is_length(value: object) -> bool:
    number = isinstance(value, int | float) and not isinstance(value, bool)
    return number and math.isfinite(value) and value > 0.0  # type: ignore[arg-type, operator]


def _length(table: Mapping[str, Any], key: str, name: str) -> float:
    value = table.get(key)
    if not _is_length(value):
        raise _wrong(name, key, value, "Write a length in mm, above 0.")
    return float(value)  # type: ignore[arg-type]


def _dictionary(table: Mapping[str, Any], name: str) -> str:
    value = table.get("dictionary")
    known = isinstance(value, str) and value.startswith("DICT_") and hasattr(cv2.aruco, value)
    if not known:
        raise _wrong(name, "dictionary", value, 'Write OpenCV\'s name, such as "DICT_4X4_100".')
    return str(value)


def _print_scale(table: Mapping[str, Any], name: str) -> float:
    check = table.get("scale_check_mm")
    if check is None:
        return 1.0
    remedy = "Write [nominal, measured], such as [100.0, 99.6], both in mm."
    if not isinstance(check, list) or len(check) != 2 or not all(map(_is_length, check)):
        raise _wrong(name, "scale_check_mm", check, remedy)
    scale = float(check[1]) / float(check[0])
    if not _SCALE_LIMITS[0] <= scale <= _SCALE_LIMITS[1]:
        raise _wrong(name, "scale_check_mm", check, remedy)
    return scale


def _check_markers(board: Board, name: str) -> None:
    if board.marker_mm >= board.square_mm:
        remedy = f"A marker lies inside its square of {board.square_mm:g} mm: write less."
        raise _wrong(name, "marker_mm", board.marker_mm, remedy)
    needed = board.columns * board.rows // 2
    size = len(marker_dictionary(board).bytesList)
    if needed > size:
        raise UnreadableFileError(
            f"In {name} a board of {board.columns} x {board.rows} squares needs {needed} markers, "
            f"but the dictionary {board.dictionary} has {size}.",
            "Correct columns, rows or dictionary.",
        )
