"""Lines, fills, hatches and text on a picture, with OpenCV alone: quick to load and to draw.

Points are (x, y) in pixels of the picture that is drawn on, arrays of shape (n, 2).
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

Picture = NDArray[np.uint8]
Colour = tuple[int, int, int]

# Palette for colour-blind readers: M. Okabe & K. Ito, "Color Universal Design" (2008).
# Blue, green, red, as OpenCV stores them.
BLACK: Colour = (0, 0, 0)
WHITE: Colour = (255, 255, 255)
ORANGE: Colour = (0, 159, 230)
SKY_BLUE: Colour = (233, 180, 86)
GREEN: Colour = (115, 158, 0)
YELLOW: Colour = (66, 228, 240)
BLUE: Colour = (178, 114, 0)
VERMILION: Colour = (0, 94, 213)
PURPLE: Colour = (167, 121, 204)
GREY: Colour = (110, 110, 110)

REGULAR, BOLD = 400, 700  # weights of the font
HALO_PX = 2  # width of the white rim that sets a line off from the metal
HATCH_STEP_PX = 9.0
_SUBPIXEL_BITS = 4

Dashes = tuple[float, ...]
DASHED: Dashes = (18.0, 10.0)
DOTTED: Dashes = (4.0, 8.0)
CHAIN: Dashes = (34.0, 8.0, 6.0, 8.0)  # long, gap, short, gap: a centre line (ISO 128)


@cache
def _font() -> cv2.FontFace:
    return cv2.FontFace("sans")


def load_font() -> None:
    """Load the font in the thread that will draw; it takes longer than the text of a picture."""
    text_width("0", 24)


@cache
def text_width(text: str, size: int, weight: int = REGULAR) -> int:
    """Width of a line of text, px."""
    _, _, width, _ = cv2.getTextSize((1, 1), text, (0, 0), _font(), size, weight)
    return int(width)


def put_text(
    picture: Picture,
    text: str,
    at: tuple[float, float],
    *,
    size: int,
    colour: Colour = BLACK,
    weight: int = REGULAR,
    anchor: str = "left",
) -> None:
    """Write a line of text whose middle height is at `at`; `anchor`: left, middle, right."""
    shift = {"left": 0.0, "middle": 0.5, "right": 1.0}[anchor]
    x = round(at[0] - shift * text_width(text, size, weight))
    cv2.putText(picture, text, (x, round(at[1] + 0.36 * size)), colour, _font(), size, weight)


def _fixed(points: FloatArray) -> NDArray[np.int32]:
    """Points in OpenCV's fixed-point form; those without a place are left out."""
    finite = points[np.isfinite(points).all(axis=1)]
    return np.round(np.clip(finite, -1e5, 1e5) * (1 << _SUBPIXEL_BITS)).astype(np.int32)


def draw_lines(
    picture: Picture, lines: list[FloatArray], colour: Colour, width: int, *, halo: bool = True
) -> None:
    """Draw open lines, with a white rim unless `halo` is off."""
    fixed = [_fixed(line) for line in lines if len(line) > 1]
    passes = [(WHITE, width + 2 * HALO_PX)] if halo else []
    for tone, thickness in [*passes, (colour, width)]:
        cv2.polylines(
            picture,
            fixed,
            isClosed=False,
            color=tone,
            thickness=thickness,
            lineType=cv2.LINE_AA,
            shift=_SUBPIXEL_BITS,
        )


def dashed(points: FloatArray, pattern: Dashes) -> list[FloatArray]:
    """Cut a line into the drawn parts of a pattern (drawn, gap, drawn, gap ... in px)."""
    points = points[np.isfinite(points).all(axis=1)]
    if len(points) < 2:
        return []
    steps = np.hypot(*np.diff(points, axis=0).T)
    along = np.concatenate([[0.0], np.cumsum(steps)])
    marks = np.cumsum(np.resize(pattern, 2 * int(along[-1] / sum(pattern) + 2) * len(pattern)))
    starts = np.concatenate([[0.0], marks[1::2]])
    parts = []
    for start, stop in zip(starts, marks[0::2], strict=False):
        if start >= along[-1]:
            break
        inner = along[(along > start) & (along < stop)]
        at = np.concatenate([[start], inner, [min(stop, along[-1])]])
        parts.append(np.column_stack([np.interp(at, along, points[:, axis]) for axis in (0, 1)]))
    return parts


def fill(picture: Picture, outline: FloatArray, colour: Colour, opacity: float) -> None:
    """Lay a see-through colour over the inside of a closed outline."""
    corners = _fixed(outline)
    if len(corners) < 3:
        return
    height, width = picture.shape[:2]
    x0, y0 = np.maximum(corners.min(axis=0) >> _SUBPIXEL_BITS, 0)
    x1, y1 = np.minimum((corners.max(axis=0) >> _SUBPIXEL_BITS) + 2, (width, height))
    if x0 >= x1 or y0 >= y1:
        return
    part = picture[y0:y1, x0:x1]
    painted = part.copy()
    moved = corners - np.array([x0, y0], dtype=np.int32) * (1 << _SUBPIXEL_BITS)
    cv2.fillPoly(painted, [moved.astype(np.int32)], colour, cv2.LINE_AA, _SUBPIXEL_BITS)
    cv2.addWeighted(painted, opacity, part, 1.0 - opacity, 0.0, dst=part)


def hatch(picture: Picture, one: FloatArray, other: FloatArray, colour: Colour) -> None:
    """Slanting strokes between two lines of equally many points."""
    span = float(np.nanmedian(np.hypot(*(other - one).T)))
    length = float(np.nansum(np.hypot(*np.diff(one, axis=0).T)))
    if not (span > 0.0 and length > 0.0):
        return
    lean = span / length  # strokes at 45 degrees
    begin = np.arange(-lean, 1.0, HATCH_STEP_PX / length)
    first = np.maximum(0.0, -begin / lean)  # part of the way across at which a stroke
    last = np.minimum(1.0, (1.0 - begin) / lean)  # comes in, and at which it leaves
    at = np.linspace(0.0, 1.0, len(one))

    def point(across: FloatArray) -> FloatArray:
        along = begin + across * lean
        near, far = (
            np.column_stack([np.interp(along, at, line[:, axis]) for axis in (0, 1)])
            for line in (one, other)
        )
        return near + across[:, None] * (far - near)

    strokes = np.stack([point(first), point(last)], axis=1)
    draw_lines(picture, list(strokes), colour, 1, halo=False)


def join_margins(start: tuple[float, float], end: tuple[float, float]) -> list[tuple[float, float]]:
    """The margins of two edges, (value, half width) each, as intervals that do not overlap.

    Examples
    --------
    >>> join_margins((10.0, 0.5), (12.0, 0.5))
    [(9.5, 10.5), (11.5, 12.5)]
    >>> join_margins((10.0, 1.5), (12.0, 1.5))
    [(8.5, 13.5)]
    """
    (low, low_half), (high, high_half) = start, end
    if low + low_half < high - high_half:
        return [(low - low_half, low + low_half), (high - high_half, high + high_half)]
    return [(low - low_half, high + high_half)]
