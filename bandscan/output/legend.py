"""The panel below the photo: what the marks mean, and the numbers."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from bandscan.output.drawing import (
    BLACK,
    BOLD,
    GREY,
    REGULAR,
    VERMILION,
    Colour,
    Dashes,
    Picture,
    dashed,
    draw_lines,
    fill,
    hatch,
    put_text,
    text_width,
)
from bandscan.output.wording import agreement_words, plus_minus
from bandscan.result import Measurement

_KEY_PX = 90.0  # width of a sample of line or fill
_MARGIN_PX = 30.0
_ROW = 1.5  # of the letter size
_LEAST_TEXT = 22.0  # room for the numbers beside the keys, of the letter size


@dataclass(frozen=True, slots=True, kw_only=True)
class Key:
    """One entry of the legend: a sample as drawn in the picture, and its meaning."""

    kind: str  # "line", "band", "hatch", "whisker", "cross" or "dots"
    colour: Colour
    text: str
    dashes: Dashes | None = None


def draw_legend(measurement: Measurement, width: int, keys: list[Key], size: int) -> Picture:
    """Draw the panel: headline, numbers, legend.

    Returns
    -------
    ndarray of uint8, shape (rows, width, 3)
    """
    widest_key = max((text_width(key.text, size) for key in keys), default=0)
    room = width - widest_key - _KEY_PX - 4.0 * _MARGIN_PX
    beside = room >= _LEAST_TEXT * size
    numbers = _number_lines(measurement, room if beside else width - 2.0 * _MARGIN_PX, size)
    row = _ROW * size
    rows = max(len(numbers), len(keys)) if beside else len(numbers) + len(keys)
    panel = np.full((round(rows * row + 1.5 * _MARGIN_PX), width, 3), 255, dtype=np.uint8)
    y = _MARGIN_PX / 2.0 + row / 2.0
    for index, (line, strong) in enumerate(numbers):
        weight = BOLD if strong else REGULAR
        put_text(panel, line, (_MARGIN_PX, y + index * row), size=size, weight=weight)
    left = width - widest_key - _KEY_PX - 2.0 * _MARGIN_PX if beside else _MARGIN_PX
    top = y if beside else y + len(numbers) * row
    for index, key in enumerate(keys):
        _draw_key(panel, key, (left, top + index * row), size)
    return panel


def _number_lines(measurement: Measurement, room: float, size: int) -> list[tuple[str, bool]]:
    """Lines of text that fit into `room` px, and whether each is in bold."""

    def wrapped(text: str) -> list[tuple[str, bool]]:
        return [(line, False) for line in wrap(text, room, size)]

    name = Path(measurement.file).name
    if measurement.refusal is not None:
        return [
            (f"{name}: not measured ({measurement.refusal.code})", True),
            *wrapped(measurement.refusal.message),
            *wrapped(measurement.refusal.remedy),
        ]
    lines = [(f"{name}: mm from the shaft end face", True)]
    for number, band in enumerate(measurement.bands, start=1):
        start, end = plus_minus(band.start.position_mm), plus_minus(band.end.position_mm)
        lines.append((f"band {number}:  {start}  to  {end}", True))
        by_hand = f"; {' and '.join(band.by_hand)} by hand" if band.by_hand else ""
        text = f"              width {plus_minus(band.width_mm)}, {band.looks}{by_hand}"
        lines.append((text, False))
    if not measurement.bands:
        lines.append(("no polished band was found", True))
    lines += wrapped("± holds the true edge in 95 of 100 cases")
    lines += wrapped(agreement_words(measurement) or "")
    for warning in measurement.warnings:
        lines += wrapped(f"! {warning.message}")
    return lines


def wrap(text: str, room: float, size: int) -> list[str]:
    """Lines of a text that are at most `room` px wide; none for no text."""
    lines: list[str] = []
    for word in text.split():
        longer = f"{lines[-1]} {word}" if lines else word
        if lines and text_width(longer, size) <= room:
            lines[-1] = longer
        else:
            lines.append(word)
    return lines


def _draw_key(panel: Picture, key: Key, at: tuple[float, float], size: int) -> None:
    x, y = at
    half = 0.45 * size
    line = np.array([[x, y], [x + _KEY_PX, y]])
    rise = np.array([0.0, half])
    upper, lower = line - rise, line + rise
    if key.kind == "line":
        parts = [line] if key.dashes is None else dashed(line, key.dashes)
        draw_lines(panel, parts, BLACK, 7, halo=False)
        draw_lines(panel, parts, key.colour, 5, halo=False)
    elif key.kind == "band":
        fill(panel, np.concatenate([upper, lower[::-1]]), key.colour, 0.5)
        draw_lines(panel, [upper, lower], VERMILION, 3, halo=False)
    elif key.kind == "whisker":
        caps = [np.stack([end - rise, end + rise]) for end in line]
        draw_lines(panel, [line, *caps], key.colour, 2, halo=False)
    elif key.kind == "hatch":
        hatch(panel, upper, lower, key.colour)
        draw_lines(panel, [upper, lower], GREY, 1, halo=False)
    else:
        if key.kind == "cross":
            fill(panel, np.concatenate([upper, lower[::-1]]), key.colour, 0.5)
            draw_lines(panel, [upper, lower], key.colour, 2, halo=False)
        for step in (0.2, 0.5, 0.8):
            centre = (round(x + step * _KEY_PX), round(y))
            if key.kind == "cross":
                cv2.drawMarker(panel, centre, BLACK, cv2.MARKER_TILTED_CROSS, 12, 2, cv2.LINE_AA)
            else:
                cv2.circle(panel, centre, 5, key.colour, -1, cv2.LINE_AA)
    put_text(panel, key.text, (x + _KEY_PX + _MARGIN_PX, y), size=size)
