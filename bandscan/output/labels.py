"""Labels in a row or column beside the shaft, in the shaft's order, so that no leaders cross."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from bandscan.output.drawing import (
    BOLD,
    REGULAR,
    WHITE,
    Colour,
    Picture,
    draw_lines,
    put_text,
    text_width,
)
from calib.camera import FloatArray

_LINE_HEIGHT = 1.3  # of the letter size
_PADDING = 0.4  # of the letter size
_GAP = 0.5  # between labels, of the letter size
_LEADER_PX = 3


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Label:
    """Lines of text, the first in bold, for a point on the shaft's outline."""

    lines: tuple[str, ...]
    colour: Colour
    point: FloatArray


def place_labels(
    picture: Picture, labels: list[Label], *, outward: FloatArray, clear_px: float, size: int
) -> None:
    """Draw the labels beside the shaft.

    Parameters
    ----------
    outward : ndarray, shape (2,)
        Unit vector square to the shaft, to the side on which the labels go.
    clear_px : float
        Room next to the outline that is kept for other things.
    size : int
        Letter size, px.
    """
    if not labels:
        return
    across = int(abs(outward[1]) > abs(outward[0]))  # the picture axis that leads away
    along = 1 - across
    labels = sorted(labels, key=lambda label: float(label.point[along]))
    boxes = np.array([_box_size(label, size) for label in labels])  # (n, 2): width, height
    room = np.array([picture.shape[1], picture.shape[0]], dtype=float)
    points = np.array([label.point for label in labels])
    middles = np.empty((len(labels), 2))
    gap = _GAP * size
    middles[:, along] = spread(points[:, along], boxes[:, along] + gap, float(room[along]))
    away = 1.0 if outward[across] > 0.0 else -1.0
    front = float((away * points[:, across]).max()) + clear_px
    middles[:, across] = away * (front + boxes[:, across] / 2.0)
    limit = room[across] - boxes[:, across] / 2.0
    middles[:, across] = np.clip(middles[:, across], boxes[:, across] / 2.0, limit)
    feet = middles.copy()
    feet[:, across] -= away * boxes[:, across] / 2.0
    for label, foot in zip(labels, feet, strict=True):
        draw_lines(picture, [np.stack([label.point, foot])], label.colour, _LEADER_PX)
    for label, middle, box in zip(labels, middles, boxes, strict=True):
        _draw_box(picture, label, middle - box / 2.0, middle + box / 2.0, size)


def spread(wanted: FloatArray, widths: FloatArray, room: float) -> FloatArray:
    """Middles nearest to the wanted ones at which intervals do not overlap, in order.

    Neighbours that overlap are joined and centred on the mean of what they want; all is
    then moved into 0..room as far as it fits.

    Examples
    --------
    >>> spread(np.array([10.0, 12.0, 90.0]), np.array([20.0, 20.0, 20.0]), 200.0).tolist()
    [10.0, 30.0, 90.0]
    """
    groups: list[tuple[float, float, int]] = []  # start, width, members
    offsets = widths / 2.0
    for want, width in zip(wanted, widths, strict=True):
        groups.append((_start(want - width / 2.0, width, room), float(width), 1))
        while len(groups) > 1 and groups[-2][0] + groups[-2][1] > groups[-1][0]:
            (start_a, width_a, n_a), (start_b, width_b, n_b) = groups[-2:]
            middle = (n_a * (start_a + width_a / 2.0) + n_b * (start_b + width_b / 2.0)) / (
                n_a + n_b
            )
            joined = width_a + width_b
            groups[-2:] = [(_start(middle - joined / 2.0, joined, room), joined, n_a + n_b)]
    middles, index = np.empty(len(widths)), 0
    for start, _, members in groups:
        for _ in range(members):
            middles[index] = start + offsets[index]
            start += widths[index]  # noqa: PLW2901 - walks through the group
            index += 1
    return middles


def _start(wanted: float, width: float, room: float) -> float:
    return float(np.clip(wanted, 0.0, max(room - width, 0.0)))


def _box_size(label: Label, size: int) -> tuple[float, float]:
    widths = [
        text_width(line, size, BOLD if index == 0 else REGULAR)
        for index, line in enumerate(label.lines)
    ]
    height = len(label.lines) * _LINE_HEIGHT * size
    return max(widths) + 2.0 * _PADDING * size, height + _PADDING * size


def _draw_box(picture: Picture, label: Label, low: FloatArray, high: FloatArray, size: int) -> None:
    corners = (round(low[0]), round(low[1])), (round(high[0]), round(high[1]))
    cv2.rectangle(picture, *corners, WHITE, -1)
    cv2.rectangle(picture, *corners, label.colour, _LEADER_PX)
    for index, line in enumerate(label.lines):
        y = low[1] + (0.5 * _PADDING + (index + 0.5) * _LINE_HEIGHT) * size
        weight = BOLD if index == 0 else REGULAR
        put_text(picture, line, (low[0] + _PADDING * size, y), size=size, weight=weight)
