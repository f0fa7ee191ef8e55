"""Contact sheets: pages of small pictures, each with the photo's name and what became of it."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from bandscan.output.drawing import (
    BLUE,
    BOLD,
    GREY,
    ORANGE,
    VERMILION,
    Colour,
    Picture,
    put_text,
    text_width,
)

COLUMNS, ROWS = 4, 6
PAGE_PX = (1654, 2339)  # A4 at 200 dots an inch
_MARGIN_PX, _GAP_PX = 40, 16
_HEAD_PX, _TEXT_PX = 60, 64  # title of a page; two lines below a picture
_LETTER_PX = 20
_PAPER, _EMPTY = 255, 225

# What became of a photo: a sign that is told without colour, and a colour.
MARKS: dict[str, tuple[str, Colour]] = {
    "measured": ("OK", BLUE),
    "undecided": ("?", ORANGE),
    "refused": ("X", VERMILION),
    "fault": ("!", VERMILION),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Tile:
    """One photo on a contact sheet.

    Parameters
    ----------
    name : str
    outcome : str
        A key of `MARKS`.
    words : str
        What became of it, short.
    pictures : tuple of Path
        The first that can be read is shown.
    """

    name: str
    outcome: str
    words: str
    pictures: tuple[Path, ...]


def contact_sheets(title: str, tiles: Sequence[Tile]) -> Iterator[Picture]:
    """Draw the pages."""
    each = COLUMNS * ROWS
    pages = -(-len(tiles) // each)
    for page in range(pages):
        head = f"{title}, page {page + 1} of {pages}"
        yield _page(head, tiles[page * each : (page + 1) * each])


def _page(head: str, tiles: Sequence[Tile]) -> Picture:
    width, height = PAGE_PX
    page = np.full((height, width, 3), _PAPER, dtype=np.uint8)
    put_text(page, _fitting(head, width - 2 * _MARGIN_PX, 28, BOLD),
             (_MARGIN_PX, _MARGIN_PX + 14), size=28, weight=BOLD)  # fmt: skip
    cell_w = (width - 2 * _MARGIN_PX + _GAP_PX) // COLUMNS
    cell_h = (height - 2 * _MARGIN_PX - _HEAD_PX + _GAP_PX) // ROWS
    for number, tile in enumerate(tiles):
        row, column = divmod(number, COLUMNS)
        left = _MARGIN_PX + column * cell_w
        top = _MARGIN_PX + _HEAD_PX + row * cell_h
        _draw(page[top : top + cell_h - _GAP_PX, left : left + cell_w - _GAP_PX], tile)
    return page


def _draw(cell: Picture, tile: Tile) -> None:
    height, width = cell.shape[0] - _TEXT_PX, cell.shape[1]
    frame = cell[:height]
    frame[:] = _EMPTY
    picture = _thumbnail(tile.pictures, width, height)
    if picture is None:
        put_text(cell, "no picture", (width / 2, height / 2), size=_LETTER_PX, colour=GREY,
                 anchor="middle")  # fmt: skip
    else:
        top, left = (height - picture.shape[0]) // 2, (width - picture.shape[1]) // 2
        frame[top : top + picture.shape[0], left : left + picture.shape[1]] = picture
    sign, colour = MARKS[tile.outcome]
    cv2.rectangle(cell, (0, 0), (width - 1, height - 1), colour, 3)
    name = _fitting(tile.name, width, _LETTER_PX, BOLD)
    put_text(cell, name, (0, height + 18), size=_LETTER_PX, weight=BOLD)
    words = _fitting(f"{sign}  {tile.words}", width, _LETTER_PX)
    put_text(cell, words, (0, height + 46), size=_LETTER_PX)


def _thumbnail(paths: Sequence[Path], width: int, height: int) -> Picture | None:
    for path in paths:
        picture = None
        with contextlib.suppress(cv2.error):  # OpenCV raises where a picture is too large
            picture = cv2.imread(str(path), cv2.IMREAD_REDUCED_COLOR_2)
        if picture is not None:
            scale = min(width / picture.shape[1], height / picture.shape[0])
            size = [max(1, int(side * scale)) for side in picture.shape[1::-1]]
            return np.asarray(cv2.resize(picture, size, interpolation=cv2.INTER_AREA), np.uint8)
    return None


def _fitting(text: str, width: int, size: int, weight: int = 400) -> str:
    """The text, or as much of its beginning as the width has room for."""
    if text_width(text, size, weight) <= width:
        return text
    while text and text_width(f"{text}...", size, weight) > width:
        text = text[:-1]
    return f"{text}..."
