"""The side view to scale as shapes for an SVG, so that the page can slide the seal on it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from bandscan.output.seal_outline import seal_outlines
from bandscan.planning import Plan
from bandscan.report.source import Source
from bandscan.seal import Seal

WIDTH = 400.0  # units across: about the pixels of a phone, so that text has its usual size
_LEFT = _RIGHT = 14.0
_TOP = 22.0  # for the seal's name
_SHAFT = 34.0  # depth of shaft that is drawn below its surface
_BAND_DEPTH = 10.0
_ROW = 34.0  # a line of text, and a bar below it
_AXIS = 44.0
_MOST_HEIGHT = 150.0  # of the seal; a large seal is cut there
_SPARE_MM = 1.5
_FAR = 2.0  # the shaft end is left out where it is this many picture contents away
_STEPS_MM = (1, 2, 5, 10, 20, 50, 100)
_LEAST_STEP = 28.0  # between numerals


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A place on the axial scale with its margin at both ends.

    Parameters
    ----------
    low, high : float
    margins : (float, float)
    text : str
    y : float
        Of the middle of the bar.
    """

    low: float
    high: float
    margins: tuple[float, float]
    text: str
    y: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One part of the seal's cross-section."""

    points: str
    material: str
    spring: tuple[float, float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SideDrawing:
    """The side view; lengths in units of the drawing, `per_mm` of them to a millimetre."""

    width: float
    height: float
    per_mm: float
    surface: float
    end: float | None
    chamfer: float
    chamfer_drop: float
    broken: str
    bands: tuple[Bar, ...]
    lips: tuple[Bar, ...]
    shapes: tuple[Shape, ...]
    ticks: tuple[tuple[float, str], ...]
    axis: float
    label: str
    sides: tuple[str, str]
    seal: tuple[float, float]
    land: tuple[float, float] | None
    low: float
    high: float
    shaft_depth: float = _SHAFT
    band_depth: float = _BAND_DEPTH


def side_drawing(source: Source, plan: Plan) -> SideDrawing:
    """The side view of a planned seal."""
    seal, bands = plan.seal, source.measured.bands
    low_mm, high_mm = _span(plan, source)
    per_mm = (WIDTH - _LEFT - _RIGHT) / (high_mm - low_mm)

    def x(mm: float) -> float:
        return _LEFT + (mm - low_mm) * per_mm

    height_mm = _seal_height(seal)
    seal_height = min(height_mm * per_mm, _MOST_HEIGHT)
    surface = _TOP + seal_height + 6.0
    row = surface + _SHAFT + 26.0
    band_bars = []
    for index in range(bands.count):
        start, end = bands.edge(2 * index), bands.edge(2 * index + 1)
        band_bars.append(
            Bar(
                low=x(start.value), high=x(end.value),
                margins=(start.expanded * per_mm, end.expanded * per_mm),
                text=f"band {index + 1}", y=row,
            )
        )  # fmt: skip
        row += _ROW
    lip_bars = []
    for place in plan.places:
        margin = place.middle_mm.expanded * per_mm
        lip_bars.append(
            Bar(
                low=x(place.contact_mm[0]), high=x(place.contact_mm[1]),
                margins=(margin, margin), text=place.lip.name, y=row,
            )
        )  # fmt: skip
        row += _ROW
    chamfer_mm = max(source.measured.seen_mm[0].value, 0.0)
    shown = low_mm < 0.0
    face = seal.mounting.face_mm.value
    sides = ("air side", "machine side")
    return SideDrawing(
        width=WIDTH,
        height=row - 10.0 + _AXIS,
        per_mm=per_mm,
        surface=surface,
        end=x(0.0) if shown else None,
        chamfer=x(chamfer_mm) if shown else _LEFT,
        chamfer_drop=min(0.36 * chamfer_mm * per_mm, 0.5 * _SHAFT) if shown else 0.0,
        broken=_wave(x(0.0) if shown else _LEFT, WIDTH - _RIGHT, surface + _SHAFT),
        bands=tuple(band_bars),
        lips=tuple(lip_bars),
        shapes=_shapes(plan, x, surface, seal_height),
        ticks=_ticks(low_mm, high_mm, per_mm, x),
        axis=row - 10.0,
        label=seal.label,
        sides=sides if seal.mounting.facing == "end" else (sides[1], sides[0]),
        seal=(x(face), x(face + seal.width_mm.value)),
        land=_land(seal, low_mm, high_mm, x),
        low=_LEFT,
        high=WIDTH - _RIGHT,
    )


def _seal_height(seal: Seal) -> float:
    if seal.seat_mm is None:
        return seal.width_mm.value
    return (seal.seat_mm - seal.shaft_mm) / 2.0


def _span(plan: Plan, source: Source) -> tuple[float, float]:
    """Axial range: bands, the seal wherever there is room for it and, where not far, the end."""
    face = plan.seal.mounting.face_mm.value
    room = plan.seal.mounting.shift_mm
    ends = [face + min(room[0], 0.0), face + plan.seal.width_mm.value + max(room[1], 0.0)]
    ends += [float(edge) for edge in source.measured.bands.edges_mm.ravel()]
    ends += [end for place in plan.places for end in place.contact_mm]
    low, high = min(ends), max(ends)
    if low < _FAR * (high - low):
        low = min(low, 0.0)
    return low - _SPARE_MM, high + _SPARE_MM


def _shapes(
    plan: Plan, x: Callable[[float], float], surface: float, height: float
) -> tuple[Shape, ...]:
    real = _seal_height(plan.seal)
    shapes = []
    for outline in seal_outlines(plan.seal, plan.places, real):
        points = " ".join(
            f"{x(mm):.2f},{surface - above / real * height:.2f}" for mm, above in outline.points_mm
        )
        spring = None
        if outline.spring_mm is not None:
            mm, above, radius = outline.spring_mm
            spring = (x(mm), surface - above / real * height, radius / real * height)
        shapes.append(Shape(points=points, material=outline.material, spring=spring))
    return tuple(shapes)


def _wave(start: float, end: float, y: float) -> str:
    """A wavy line: here the drawing stops and the shaft does not."""
    count = 24
    points = [
        f"{start + (end - start) * i / count:.1f},{y + 2.5 * math.sin(2.0 * math.pi * i / 6.0):.1f}"
        for i in range(count + 1)
    ]
    return "L".join(reversed(points))


def _ticks(
    low_mm: float, high_mm: float, per_mm: float, x: Callable[[float], float]
) -> tuple[tuple[float, str], ...]:
    step = next((s for s in _STEPS_MM if s * per_mm >= _LEAST_STEP), _STEPS_MM[-1])
    marks = range(math.ceil(max(low_mm, 0.0)), int(high_mm) + 1)
    return tuple((x(mark), str(mark) if mark % step == 0 else "") for mark in marks)


def _land(
    seal: Seal, low_mm: float, high_mm: float, x: Callable[[float], float]
) -> tuple[float, float] | None:
    start, end = seal.mounting.land_mm
    if math.isinf(end):
        return None
    return x(max(start, low_mm)), x(min(end, high_mm))
