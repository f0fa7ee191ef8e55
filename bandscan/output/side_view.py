"""A side view to scale: shaft, bands, the seal's cross-section, its lips and their clearances.

Axial distances are to scale and so are heights; the outline of the seal between its faces
is schematic. It reads without colour: bands are hatched, lips are solid.
"""

from __future__ import annotations

import io
import math
import textwrap
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from bandscan.band_places import BandPlaces
from bandscan.output.landing_words import clearance_words
from bandscan.output.seal_outline import CASE_WALL, Outline, seal_outlines
from bandscan.output.wording import plus_minus
from bandscan.result import Landing, LandingLip
from bandscan.seal import Seal
from bandscan.stack_up import LipPlace

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN = 4.6  # across a phone's screen, 390 px, the text is then 10 px high
DPI = 325  # of the PNG: 1495 px wide
TEXT_PT = 9.0
_ROW_IN = 0.21  # height of a row of text
_MARGIN_IN = 0.22
_SHAFT_IN = 0.42  # depth of shaft that is drawn below its surface
_BAND_DEPTH_IN = 0.10  # of the hatching that marks a band; a band itself is microns deep
_SPARE_MM = 1.5
_FAR = 2.0  # the shaft end is left out where it is this many picture contents away
_LINE_LETTERS = 56  # of a row of text across the picture

_INDENT = "     "
_VERDICT_MARKS = {"fresh": "✓", "on band": "✗", "undecided": "?", "off land": "✗"}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SideView:
    """What a side view shows.

    Parameters
    ----------
    seal : Seal
    places : tuple of LipPlace
        Of the seal's lips, in order.
    bands : BandPlaces
    landing : Landing or None
        None shows the seal alone, with the dimensions of its file.
    chamfer_mm : float
        Where the chamfer at the shaft end meets the land; 0 where none is known.
    """

    seal: Seal
    places: tuple[LipPlace, ...]
    bands: BandPlaces
    landing: Landing | None = None
    chamfer_mm: float = 0.0

    @property
    def seal_mm(self) -> tuple[float, float]:
        """Both faces of the seal, the one nearer the shaft end first."""
        near = self.seal.mounting.face_mm.value
        return near, near + self.seal.width_mm.value

    @property
    def span_mm(self) -> tuple[float, float]:
        """Axial range of the picture: bands, lips, seal and, where it is not far, the end."""
        ends = [*self.seal_mm, *self.bands.edges_mm.ravel()]
        ends += [end for place in self.places for end in place.contact_mm]
        low, high = min(ends), max(ends)
        if low < _FAR * (high - low):
            low = min(low, 0.0)
        return low - _SPARE_MM, high + _SPARE_MM

    @property
    def seal_height_mm(self) -> float:
        """From the shaft to the seat; as high as wide where the seat is not known."""
        if self.seal.seat_mm is None:
            return self.seal.width_mm.value
        return (self.seal.seat_mm - self.seal.shaft_mm) / 2.0


def side_view_files(view: SideView) -> dict[str, bytes]:
    """The side view as SVG and PNG.

    Returns
    -------
    dict
        Contents by suffix: "svg" and "png".
    """
    import matplotlib

    files = {}
    with matplotlib.rc_context({"svg.hashsalt": "bandscan", "font.size": TEXT_PT}):
        figure = draw_side_view(view)
        for suffix in ("svg", "png"):
            stream = io.BytesIO()
            metadata = {"Date": None} if suffix == "svg" else None
            figure.savefig(stream, format=suffix, dpi=DPI, metadata=metadata)
            files[suffix] = stream.getvalue()
    return files


def draw_side_view(view: SideView) -> Figure:
    """Draw the side view on a figure of its own."""
    from matplotlib.figure import Figure

    low, high = view.span_mm
    scale = (WIDTH_IN - 2.0 * _MARGIN_IN) / (high - low)  # inches per mm
    rows = [replace(row, lines=_wrapped(row.lines)) for row in _rows(view)]
    row_lines = sum(len(row.lines) + 1 for row in rows)
    below_in = _SHAFT_IN + _ROW_IN * (row_lines + 4.2)
    above_in = scale * view.seal_height_mm + _ROW_IN * 3.2
    figure = Figure(figsize=(WIDTH_IN, above_in + below_in))
    axes = figure.add_axes((_MARGIN_IN / WIDTH_IN, 0.0, 1.0 - 2.0 * _MARGIN_IN / WIDTH_IN, 1.0))
    axes.set_axis_off()
    axes.set_xlim(low, high)
    axes.set_ylim(-below_in / scale, above_in / scale)
    pen = _Pen(axes=axes, mm_per_in=1.0 / scale)
    _draw_shaft(pen, view)
    for outline in seal_outlines(view.seal, view.places, view.seal_height_mm):
        _draw_outline(pen, outline)
    _write(pen, low, pen.mm(above_in - 0.8 * _ROW_IN), view.seal.label, weight="bold")
    _write(pen, low, pen.mm(above_in - 1.8 * _ROW_IN), _section_words(view))
    _write_sides(pen, view)
    _draw_rows(pen, view, rows)
    return figure


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pen:
    """Axes in millimetres, and how many of them make an inch on paper."""

    axes: Axes
    mm_per_in: float

    def mm(self, inches: float) -> float:
        return inches * self.mm_per_in


@dataclass(frozen=True, slots=True, kw_only=True)
class _Row:
    """Text, and under it a bar on the axial scale.

    Parameters
    ----------
    bar_mm : (float, float)
    margins_mm : (float, float)
        Expanded uncertainty of the bar's two ends.
    gap_mm : (float, float) or None
        A distance that is dimensioned beside the bar.
    kind : {"band", "lip", "land", "face"}
    """

    lines: tuple[str, ...]
    bar_mm: tuple[float, float]
    margins_mm: tuple[float, float]
    kind: str
    gap_mm: tuple[float, float] | None = None


def _rows(view: SideView) -> list[_Row]:
    rows = [_band_row(view.bands, index) for index in range(view.bands.count)]
    if view.landing is not None:
        pairs = zip(view.places, view.landing.lips, strict=True)
        rows += [_landing_row(place, lip, view.bands) for place, lip in pairs]
    else:
        rows += [_face_row(view), *(_lip_row(place, view) for place in view.places)]
        rows.append(_text_row(_service_lines(view.seal)))
    low, high = view.seal.mounting.land_mm
    if not math.isinf(high):
        text = f"ground land: {low:g} to {high:g} mm"
        rows.append(_Row(lines=(text,), bar_mm=(low, high), margins_mm=(0.0, 0.0), kind="land"))
    for low, high in view.seal.mounting.grooves_mm:
        text = f"groove, no lip may run there: {low:g} to {high:g} mm"
        rows.append(_Row(lines=(text,), bar_mm=(low, high), margins_mm=(0.0, 0.0), kind="face"))
    return rows


def _text_row(lines: tuple[str, ...]) -> _Row:
    return _Row(lines=lines, bar_mm=(0.0, 0.0), margins_mm=(0.0, 0.0), kind="land")


def _section_words(view: SideView) -> str:
    """Diameters of the cross-section; they are not dimensioned in the drawing itself."""
    seal = view.seal
    if seal.seat_mm is None:
        return f"shaft {seal.shaft_mm:g} mm; bore not given, height not to scale"
    return f"shaft {seal.shaft_mm:g} mm, bore {seal.seat_mm:g} mm"


def _service_lines(seal: Seal) -> tuple[str, ...]:
    """What the file says of room and of service, which no bar shows."""
    mounting = seal.mounting
    low, high = mounting.shift_mm
    lines = [
        f"end float {mounting.end_float_mm:g} mm; room to move {low:+g} to {high:+g} mm",
    ]
    if seal.squareness is not None:
        tilt = seal.squareness
        lines.append(f"out of square by {tilt.tilt_mm:g} mm across {tilt.across_mm:g} mm")
    if seal.thermal is not None:
        lines.append(f"thermal travel {plus_minus(seal.thermal.travel_mm)} mm into the machine")
    return tuple(lines)


def _wrapped(lines: tuple[str, ...]) -> tuple[str, ...]:
    return tuple(
        part
        for line in lines
        for part in textwrap.wrap(line, _LINE_LETTERS, subsequent_indent=_INDENT)
    )


def _band_row(bands: BandPlaces, index: int) -> _Row:
    start, end = bands.edge(2 * index), bands.edge(2 * index + 1)
    return _Row(
        lines=(f"band {index + 1}: {plus_minus(start)} to {plus_minus(end)} mm",),
        bar_mm=(start.value, end.value),
        margins_mm=(start.expanded, end.expanded),
        kind="band",
    )


def _landing_row(place: LipPlace, lip: LandingLip, bands: BandPlaces) -> _Row:
    low, high = lip.contact_mm
    margin = place.middle_mm.expanded
    lines = [
        f"{_VERDICT_MARKS[lip.verdict]} {lip.name}: {lip.verdict.upper()}; "
        f"touches {low:.2f} to {high:.2f} ± {margin:.2f} mm"
    ]
    gap = None
    if lip.clearance_mm is not None and lip.nearest_band is not None:
        lines.append(f"{_INDENT}{clearance_words(lip)}")
        start, end = bands.edges_mm[lip.nearest_band - 1]
        before = float(start) - high
        gap = (high, float(start)) if before >= low - float(end) else (float(end), low)
        gap = (min(gap), max(gap))  # of an overlap: what the lip reaches into the band
    if lip.why:
        lines.append(f"{_INDENT}{lip.why}")
    return _Row(
        lines=tuple(lines), bar_mm=(low, high), margins_mm=(margin, margin), kind="lip", gap_mm=gap
    )


def _face_row(view: SideView) -> _Row:
    near, _ = view.seal_mm
    face = view.seal.mounting.face_mm
    width = view.seal.width_mm.value
    side = "outer" if view.seal.mounting.facing == "end" else "inner"
    return _Row(
        lines=(f"{width:g} mm wide, {side} face {plus_minus(face)} mm from the end",),
        bar_mm=(near, near + width),
        margins_mm=(face.expanded, face.expanded),
        kind="face",
        gap_mm=(0.0, near),
    )


def _lip_row(place: LipPlace, view: SideView) -> _Row:
    """A lip with the dimension that its file gives: from its face to its middle."""
    lip = place.lip
    near = "outer" if view.seal.mounting.facing == "end" else "inner"
    face = view.seal_mm[0 if lip.face == near else 1]
    margin = place.middle_mm.expanded
    return _Row(
        lines=(
            f"{lip.name} ({lip.kind}): {plus_minus(lip.distance_mm)} mm from the {lip.face} face,",
            f"{_INDENT}contact {lip.contact_mm.value:g} mm; {plus_minus(place.middle_mm)} mm "
            "from the shaft end",
        ),
        bar_mm=place.contact_mm,
        margins_mm=(margin, margin),
        kind="lip",
        gap_mm=(min(face, place.middle_mm.value), max(face, place.middle_mm.value)),
    )


def _draw_shaft(pen: _Pen, view: SideView) -> None:
    """The upper part of the shaft, broken off below, with its chamfer and bands."""
    from matplotlib.patches import Polygon, Rectangle

    low, high = view.span_mm
    depth = pen.mm(_SHAFT_IN)
    drop = min(0.36 * view.chamfer_mm, 0.5 * depth)  # 20 degrees, as usual at a shaft end
    shown = low < 0.0
    start = 0.0 if shown else low
    broken = _break_line(high, start, -depth, pen.mm(0.04))
    edge = [(0.0, -depth), (0.0, -drop), (view.chamfer_mm, 0.0), (high, 0.0)]
    if not shown:
        edge = [(low, 0.0), (high, 0.0)]
    outline = [*edge, *broken]
    pen.axes.add_patch(Polygon(outline, closed=True, facecolor="0.93", edgecolor="none"))
    pen.axes.plot(*zip(*broken, strict=True), color="0.4", linewidth=0.6)
    pen.axes.plot(*zip(*edge, strict=True), color="black", linewidth=1.2)
    for start, end in view.seal.mounting.grooves_mm:
        if low < start and end < high:
            sunk = [(start, 0.0), (start, -0.3 * depth), (end, -0.3 * depth), (end, 0.0)]
            pen.axes.add_patch(Polygon(sunk, closed=True, facecolor="white", edgecolor="white"))
            pen.axes.plot(*zip(*sunk, strict=True), color="black", linewidth=1.2)
    for number, (start, end) in enumerate(view.bands.edges_mm, start=1):
        pen.axes.add_patch(
            Rectangle(
                (start, -pen.mm(_BAND_DEPTH_IN)), end - start, pen.mm(_BAND_DEPTH_IN),
                facecolor="0.75", edgecolor="black", linewidth=0.8, hatch="/////",
            )
        )  # fmt: skip
        y = -pen.mm(_BAND_DEPTH_IN + 0.13)
        _write(pen, (start + end) / 2.0, y, str(number), ha="center", weight="bold")


def _break_line(start: float, end: float, y: float, height: float) -> list[tuple[float, float]]:
    """A wavy line: here the drawing stops and the shaft does not."""
    count = 24
    return [
        (start + (end - start) * i / count, y + height * math.sin(2.0 * math.pi * i / 6.0))
        for i in range(count + 1)
    ]


def _write_sides(pen: _Pen, view: SideView) -> None:
    """Name the two sides of the seal beside it."""
    names = ("air side", "machine side")
    left, right = names if view.seal.mounting.facing == "end" else names[::-1]
    near, far = view.seal_mm
    height, gap = 0.75 * view.seal_height_mm, pen.mm(0.06)
    _write(pen, near - gap, height, left, ha="right")
    _write(pen, far - CASE_WALL * view.seal_height_mm - gap, height, right, ha="right")


def _draw_outline(pen: _Pen, outline: Outline) -> None:
    from matplotlib.patches import Circle, Polygon

    style = {
        "case": {"facecolor": "white", "hatch": "\\\\\\\\\\", "linewidth": 1.0},
        "rubber": {"facecolor": "0.55", "hatch": "", "linewidth": 0.8},
    }[outline.material]
    points = list(outline.points_mm)
    pen.axes.add_patch(Polygon(points, closed=True, edgecolor="black", **style))
    if outline.spring_mm is not None:
        x, y, radius = outline.spring_mm
        pen.axes.add_patch(Circle((x, y), radius, facecolor="white", edgecolor="black"))


def _draw_rows(pen: _Pen, view: SideView, rows: list[_Row]) -> None:
    """The rows below the shaft, with band edges carried down through them."""
    low, high = view.span_mm
    row_mm = pen.mm(_ROW_IN)
    top = -pen.mm(_SHAFT_IN) - 0.8 * row_mm
    y = top
    for row in rows:
        for line in row.lines:
            y -= row_mm
            _write(pen, low, y + 0.25 * row_mm, line)
        y -= row_mm
        _draw_bar(pen, view, row, y + 0.45 * row_mm)
    _draw_axis(pen, view, y - 0.6 * row_mm)
    for edge in view.bands.edges_mm.ravel():
        pen.axes.plot([edge, edge], [0.0, y], color="0.45", linewidth=0.5, linestyle=(0, (2, 2)))
    pen.axes.plot([low, high], [top + 0.35 * row_mm] * 2, color="0.8", linewidth=0.5)


def _draw_bar(pen: _Pen, view: SideView, row: _Row, y: float) -> None:
    from matplotlib.patches import Rectangle

    low, high = view.span_mm
    half = pen.mm(0.035)
    start, end = max(row.bar_mm[0], low), min(row.bar_mm[1], high)
    if start >= end:  # a land that the picture does not reach
        return
    style = {
        "band": {"facecolor": "0.75", "hatch": "/////"},
        "lip": {"facecolor": "black"},
        "land": {"facecolor": "white"},
        "face": {"facecolor": "white", "hatch": "\\\\\\\\\\"},
    }[row.kind]
    pen.axes.add_patch(
        Rectangle((start, y - half), end - start, 2.0 * half, edgecolor="black", linewidth=0.7,
                  **style)  # type: ignore[arg-type]
    )  # fmt: skip
    for at, margin, inside in ((start, row.margins_mm[0], 1), (end, row.margins_mm[1], -1)):
        if margin > 0.0:
            reach = (at - margin, at if row.kind == "lip" else at + margin)
            reach = reach if inside > 0 else (2.0 * at - reach[1], 2.0 * at - reach[0])
            pen.axes.plot(reach, [y, y], color="black", linewidth=0.9)
            for cap in reach:
                if cap != at:
                    pen.axes.plot([cap, cap], [y - half, y + half], color="black", linewidth=0.9)
    if row.gap_mm is not None and row.gap_mm[1] > row.gap_mm[0]:
        _draw_dimension(pen, (max(row.gap_mm[0], low), row.gap_mm[1]), y - pen.mm(0.075))


def _draw_dimension(pen: _Pen, gap_mm: tuple[float, float], y: float) -> None:
    """A dimension line; its arrows stand outside where there is no room between."""
    start, end = gap_mm
    reach = pen.mm(0.16)
    if end - start > reach:
        arrows = [((start, end), "<|-|>")]
    else:
        arrows = [((start, start - reach), "<|-"), ((end, end + reach), "<|-")]
    for (tip, tail), style in arrows:
        pen.axes.annotate(
            "",
            xy=(tail, y),
            xytext=(tip, y),
            arrowprops={
                "arrowstyle": style, "shrinkA": 0, "shrinkB": 0, "linewidth": 0.8,
                "mutation_scale": 6, "color": "black",
            },
        )  # fmt: skip
    for at in gap_mm:
        ends = [y - pen.mm(0.03), y + pen.mm(0.06)]
        pen.axes.plot([at, at], ends, color="black", linewidth=0.6)


def _draw_axis(pen: _Pen, view: SideView, y: float) -> None:
    """Millimetres from the shaft end."""
    low, high = view.span_mm
    first = max(low, 0.0)
    pen.axes.plot([first, high], [y, y], color="black", linewidth=0.8)
    step = next(s for s in (1, 2, 5, 10, 20, 50, 100) if pen.mm(0.3) <= s or s == 100)
    for mark in range(math.ceil(first), int(high) + 1):
        labelled = mark % step == 0
        length = pen.mm(0.07 if labelled else 0.035)
        pen.axes.plot([mark, mark], [y, y - length], color="black", linewidth=0.7)
        if labelled:
            _write(pen, mark, y - pen.mm(0.17), str(mark), ha="center")
    _write(pen, first, y - pen.mm(0.36), "mm from the shaft end face; whiskers hold 95 in 100")


def _write(
    pen: _Pen, x: float, y: float, text: str, *, ha: str = "left", weight: str = "normal"
) -> None:
    pen.axes.text(x, y, text, ha=ha, va="center", fontsize=TEXT_PT, weight=weight)
