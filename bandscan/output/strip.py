"""The surface unwrapped, with the light along the shaft below: to see why a band was found."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import cv2
import numpy as np

from bandscan.model import Strip
from bandscan.output.drawing import (
    BLACK,
    BLUE,
    BOLD,
    DASHED,
    GREEN,
    GREY,
    ORANGE,
    SKY_BLUE,
    VERMILION,
    Colour,
    Picture,
    dashed,
    draw_lines,
    fill,
    hatch,
    join_margins,
    put_text,
    text_width,
)
from bandscan.output.labels import spread
from bandscan.result import Band, Measurement
from calib.camera import FloatArray

WIDTH_PX = 1800
TEXT_PX = 24  # 16 px when the picture is shown 1200 px wide
_LEFT_PX, _RIGHT_PX = 150, 40
_TOP_PX, _GAP_PX, _BOTTOM_PX = 100, 40, 90
_SURFACE_PX, _TRACE_PX = 420, 130  # height of the surface, and of each trace
_TRACES = 3  # parts of the arc; a band may be darker in one and brighter in another
_DISPLAY_GAMMA = 1.0 / 2.2
_UNSEEN = 0.5  # grey of what is not seen, of white
_LEAST_HATCH_PX = 3.0
_TICK_STEPS_MM = (1, 2, 5, 10, 20, 50)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """The picture and its scales: mm across, degrees down."""

    picture: Picture
    low_mm: float
    high_mm: float
    low_rad: float
    high_rad: float

    def x(self, axial_mm: float | FloatArray) -> FloatArray:
        """Columns of axial positions."""
        share = (np.asarray(axial_mm) - self.low_mm) / (self.high_mm - self.low_mm)
        return np.asarray(_LEFT_PX + share * (WIDTH_PX - _LEFT_PX - _RIGHT_PX))

    def y(self, angle_rad: float | FloatArray) -> FloatArray:
        """Rows of angles."""
        share = (np.asarray(angle_rad) - self.low_rad) / (self.high_rad - self.low_rad)
        return np.asarray(_TOP_PX + share * _SURFACE_PX)

    @property
    def traces_top(self) -> int:
        """First row of the traces."""
        return _TOP_PX + _SURFACE_PX + _GAP_PX

    @property
    def traces_bottom(self) -> int:
        """Row below the traces."""
        return self.traces_top + _TRACES * _TRACE_PX


def draw_strip(measurement: Measurement) -> Picture | None:
    """Draw the unwrapped surface with its light traces.

    Parameters
    ----------
    measurement : Measurement
        One with a strip.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3), or None
        None where there is no strip.
    """
    strip = measurement.strip
    if strip is None:
        return None
    rows = _TOP_PX + _SURFACE_PX + _GAP_PX + _TRACES * _TRACE_PX + _BOTTOM_PX
    frame = _Frame(
        picture=np.full((rows, WIDTH_PX, 3), 255, dtype=np.uint8),
        low_mm=float(strip.axial_mm[0]),
        high_mm=float(strip.axial_mm[-1]),
        low_rad=float(strip.angle_rad[0]),
        high_rad=float(strip.angle_rad[-1]),
    )
    _draw_surface(frame, strip)
    _draw_marks(frame, measurement)
    _draw_traces(frame, strip, measurement)
    _draw_scales(frame)
    return frame.picture


def _draw_surface(frame: _Frame, strip: Strip) -> None:
    seen = np.isfinite(strip.values)
    sample = strip.values[::2, ::4]
    sample = sample[np.isfinite(sample)]
    white = float(np.quantile(sample, 0.99)) if sample.size else 1.0
    shown = np.where(seen, strip.values, 0.0) / max(white, 1e-6)
    tones = np.clip(shown, 0.0, 1.0) ** _DISPLAY_GAMMA
    tones[~seen] = _UNSEEN
    size = (WIDTH_PX - _LEFT_PX - _RIGHT_PX, _SURFACE_PX)
    grey = cv2.resize((tones * 255.0).astype(np.uint8), size, interpolation=cv2.INTER_AREA)
    place = frame.picture[_TOP_PX : _TOP_PX + _SURFACE_PX, _LEFT_PX : WIDTH_PX - _RIGHT_PX]
    place[:] = grey[..., None]


def _draw_traces(frame: _Frame, strip: Strip, measurement: Measurement) -> None:
    """Mean light of each part of the arc, each over its own median."""
    arc = measurement.shaft.arc_rad if measurement.shaft else (frame.low_rad, frame.high_rad)
    bounds = np.linspace(arc[0], arc[1], _TRACES + 1)
    columns = frame.x(strip.axial_mm)
    for index, (low, high) in enumerate(itertools.pairwise(bounds)):
        rows = strip.values[(strip.angle_rad >= low) & (strip.angle_rad <= high)]
        seen = np.isfinite(rows)
        count = seen.sum(axis=0)
        total = np.where(seen, rows, 0.0).sum(axis=0)
        light = np.where(count > 0, total / np.maximum(count, 1), np.nan)
        known = light[np.isfinite(light) & (strip.axial_mm >= 0.0)]
        base = frame.traces_top + (index + 1) * _TRACE_PX
        if known.size:
            darkest, brightest = np.quantile(known, [0.01, 0.99])
            share = (light - darkest) / max(float(brightest - darkest), 1e-9)
            height = base - 10.0 - np.clip(share, -0.05, 1.05) * (_TRACE_PX - 24.0)
            draw_lines(frame.picture, [np.column_stack([columns, height])], BLACK, 2, halo=False)
        name = f"{np.degrees(low):.0f}° to {np.degrees(high):.0f}°"
        middle = base - _TRACE_PX / 2.0
        put_text(frame.picture, name, (_LEFT_PX - 12, middle), size=20, anchor="right")


def _draw_marks(frame: _Frame, measurement: Measurement) -> None:
    shaft = measurement.shaft
    bands = measurement.bands if measurement.refusal is None else ()
    lips = measurement.landing.lips if measurement.landing is not None else ()
    above: list[tuple[float, str]] = []
    if shaft is not None:
        _draw_ring(frame, 0.0, SKY_BLUE)
        above.append((float(frame.x(0.0)), "shaft end"))
        if shaft.end.chamfer_mm is not None:
            _draw_ring(frame, shaft.end.chamfer_mm.value, BLUE)
    for lip in lips:
        low, high = frame.x(np.array(lip.contact_mm))
        _fill_columns(frame, (low, high), _TOP_PX, GREEN, 0.5)
    for number, band in enumerate(bands, start=1):
        _draw_band(frame, band)
        middle = (band.start.position_mm.value + band.end.position_mm.value) / 2.0
        above.append((float(frame.x(middle)), f"band {number}"))
    _put_names(frame, above, _TOP_PX - 20.0)
    below = [(float(frame.x(sum(lip.contact_mm) / 2.0)), f"{lip.name} lip") for lip in lips]
    _put_names(frame, below, _TOP_PX + _SURFACE_PX + _GAP_PX / 2.0)


def _put_names(frame: _Frame, names: list[tuple[float, str]], row: float) -> None:
    """Names in a row, each as near to its place as the others allow."""
    names = sorted(names)
    widths = np.array([text_width(name, TEXT_PX, BOLD) + 0.6 * TEXT_PX for _, name in names])
    places = spread(np.array([x for x, _ in names]), widths, float(WIDTH_PX))
    for (_, name), x in zip(names, places, strict=True):
        put_text(frame.picture, name, (x, row), size=TEXT_PX, weight=BOLD, anchor="middle")


def _fill_columns(
    frame: _Frame, span: tuple[float, float], top: float, colour: Colour, opacity: float
) -> None:
    low, high = span
    bottom = float(frame.traces_bottom)
    corners = np.array([[low, top], [high, top], [high, bottom], [low, bottom]], dtype=float)
    fill(frame.picture, corners, colour, opacity)


def _draw_ring(frame: _Frame, axial_mm: float, colour: Colour) -> None:
    if frame.low_mm <= axial_mm <= frame.high_mm:
        x = float(frame.x(axial_mm))
        line = np.array([[x, _TOP_PX], [x, frame.traces_bottom]], dtype=float)
        draw_lines(frame.picture, dashed(line, DASHED), colour, 3)


def _draw_band(frame: _Frame, band: Band) -> None:
    angles = np.linspace(band.arc_rad[0], band.arc_rad[1], 41)
    for edge in (band.start, band.end):
        curve = np.column_stack([frame.x(edge.along(angles, band.arc_rad)), frame.y(angles)])
        parts = dashed(curve, DASHED) if edge.by_hand else [curve]
        draw_lines(frame.picture, parts, VERMILION, 3)
    at = [(edge.position_mm.value, edge.position_mm.expanded) for edge in (band.start, band.end)]
    for low, high in join_margins(at[0], at[1]):
        near, far = _column(frame, low), _column(frame, high)
        if far[0, 0] - near[0, 0] >= _LEAST_HATCH_PX:
            hatch(frame.picture, near, far, GREY)
            draw_lines(frame.picture, [near, far], GREY, 1, halo=False)
    start, end = (_column(frame, value) for value, _ in at)
    _fill_columns(frame, (start[0, 0], end[0, 0]), frame.traces_top, ORANGE, 0.35)
    draw_lines(frame.picture, [start, end], VERMILION, 2, halo=False)


def _column(frame: _Frame, axial_mm: float) -> FloatArray:
    """A line down across the traces, shape (2, 2)."""
    x = float(frame.x(axial_mm))
    return np.array([[x, frame.traces_top], [x, frame.traces_bottom]], dtype=float)


def _draw_scales(frame: _Frame) -> None:
    """Frames, ticks and names of the axes."""
    left, right = float(_LEFT_PX), float(WIDTH_PX - _RIGHT_PX)
    for top, bottom in ((_TOP_PX, _TOP_PX + _SURFACE_PX), (frame.traces_top, frame.traces_bottom)):
        corners = (_LEFT_PX, top), (WIDTH_PX - _RIGHT_PX, bottom)
        cv2.rectangle(frame.picture, *corners, GREY, 1)
    per_mm = (right - left) / (frame.high_mm - frame.low_mm)
    step = next((s for s in _TICK_STEPS_MM if s * per_mm >= 2.5 * TEXT_PX), _TICK_STEPS_MM[-1])
    first = int(np.ceil(frame.low_mm / step)) * step
    base = float(frame.traces_bottom)
    for mark in range(first, int(frame.high_mm) + 1, step):
        x = float(frame.x(float(mark)))
        tick = np.array([[x, base], [x, base + 10.0]])
        draw_lines(frame.picture, [tick], BLACK, 2, halo=False)
        put_text(frame.picture, str(mark), (x, base + 28.0), size=TEXT_PX, anchor="middle")
    name = "mm from the shaft end face, along the shaft; hatched: margin of an edge (95 %)"
    middle = ((left + right) / 2.0, base + 66.0)
    put_text(frame.picture, name, middle, size=TEXT_PX, anchor="middle")
    for degrees in range(-90, 91, 30):
        angle = float(np.radians(degrees))
        if frame.low_rad <= angle <= frame.high_rad:
            row = float(np.clip(frame.y(angle), _TOP_PX + TEXT_PX / 2, _TOP_PX + _SURFACE_PX))
            at = (left - 12.0, row)
            put_text(frame.picture, f"{degrees}°", at, size=TEXT_PX, anchor="right")
    title = "The surface unwrapped; 0° faces the camera. Below: light in three parts of the arc."
    put_text(frame.picture, title, (left, 30.0), size=TEXT_PX, weight=BOLD)
