"""Photo and side view of the report as drawings of a PDF, readable in black and white."""

from __future__ import annotations

import io
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from bandscan.report.photo_view import PhotoView
from bandscan.report.side_drawing import Bar, SideDrawing

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

PHOTO_LEGEND = (
    "On the photo: shaft end, thick line; chamfer's outer edge, dashed; polished bands, numbered, "
    "between two lines; lips of the new seal, grey areas; figures along the shaft are millimetres "
    "from its end."
)
_FONT = "DejaVu"

Point = tuple[float, float]


def photo_drawing(
    view: PhotoView, picture: bytes, *, most_width: float, most_height: float
) -> Flowable:
    """The part of interest of the photo with its lines.

    Parameters
    ----------
    picture : bytes
        The close view as a JPEG.
    most_width, most_height : float
        In points.
    """
    window = view.close
    scale = min(most_width / window.width, most_height / window.height)

    def place(x: float, y: float) -> Point:
        return (x - window.x) * scale, (window.y + window.height - y) * scale

    def paint(canvas: Any) -> None:
        from reportlab.lib.utils import ImageReader

        width, height = window.width * scale, window.height * scale
        canvas.drawImage(ImageReader(io.BytesIO(picture)), 0.0, 0.0, width, height)
        frame = canvas.beginPath()
        frame.rect(0.0, 0.0, width, height)
        canvas.clipPath(frame, stroke=0)
        for path in view.lips:
            _fill(canvas, path, place, grey=0.75, alpha=0.55)
        for band in view.bands:
            _fill(canvas, band.area, place, grey=1.0, alpha=0.25)
            for path in (band.start, band.end):
                _line(canvas, path, place, width=1.0)
        _line(canvas, view.chamfer, place, width=1.0, dash=(4.0, 2.5))
        _line(canvas, view.end, place, width=2.2)
        for tick in view.ticks:
            if tick.every > 1:
                _segment(canvas, place(tick.x1, tick.y1), place(tick.x2, tick.y2))
            if tick.numeral and tick.every == 10:
                _label(canvas, tick.numeral, place(tick.x2, tick.y2), size=6.0)
        for band in view.bands:
            _label(canvas, str(band.number), place(*band.label), size=8.0)

    return _drawing(window.width * scale, window.height * scale, paint)


def side_view(drawing: SideDrawing, most_width: float) -> Flowable:
    """The side view: shaft, bands and lips below it, seal above it."""
    scale = most_width / drawing.width

    def place(x: float, y: float) -> Point:
        return x * scale, (drawing.height - y) * scale

    def paint(canvas: Any) -> None:
        canvas.setFont(_FONT, 7.0)
        canvas.drawString(*place(drawing.low, 10.0), drawing.label[:70])
        canvas.setLineWidth(1.0)
        left = drawing.low if drawing.end is None else drawing.end
        top = place(drawing.chamfer, drawing.surface)
        start = place(left, drawing.surface + drawing.chamfer_drop)
        foot = place(left, drawing.surface + drawing.shaft_depth)
        right = place(drawing.high, drawing.surface)
        _poly(canvas, [foot, start, top, right])
        for bar in drawing.bands:
            low = place(bar.low, drawing.surface)
            high = place(bar.high, drawing.surface + drawing.band_depth)
            canvas.setFillGray(0.35)
            canvas.rect(low[0], high[1], high[0] - low[0], low[1] - high[1], stroke=0, fill=1)
        for shape in drawing.shapes:
            points = [place(*map(float, p.split(","))) for p in shape.points.split()]
            canvas.setFillGray(0.85 if shape.material == "rubber" else 0.6)
            _poly(canvas, points, closed=True, fill=True)
            if shape.spring is not None:
                x, y, radius = shape.spring
                canvas.circle(*place(x, y), radius * scale, stroke=1, fill=0)
        canvas.setFillGray(0.0)
        for bar in (*drawing.bands, *drawing.lips):
            _bar(canvas, bar, place)
        axis = place(drawing.low, drawing.axis), place(drawing.high, drawing.axis)
        canvas.line(*axis[0], *axis[1])
        for x, numeral in drawing.ticks:
            at = place(x, drawing.axis)
            canvas.line(at[0], at[1], at[0], at[1] - (4.0 if numeral else 2.0))
            if numeral:
                canvas.drawCentredString(at[0], at[1] - 11.0, numeral)
        canvas.drawString(axis[0][0], axis[0][1] - 20.0, "mm from the shaft end")

    return _drawing(most_width, drawing.height * scale, paint)


def _bar(canvas: Any, bar: Bar, place: Callable[[float, float], Point]) -> None:
    """A bar between its ends, whiskers for its margins, its name above it."""
    low, high = place(bar.low, bar.y), place(bar.high, bar.y)
    canvas.setLineWidth(3.0)
    canvas.line(*low, *high)
    canvas.setLineWidth(0.7)
    first, last = place(bar.low - bar.margins[0], bar.y), place(bar.high + bar.margins[1], bar.y)
    canvas.line(*first, *last)
    for x, y in (first, last):
        canvas.line(x, y - 2.5, x, y + 2.5)
    canvas.drawString(first[0], low[1] + 4.0, bar.text[:40])


def _drawing(width: float, height: float, paint: Callable[[Any], None]) -> Flowable:
    from reportlab.platypus import Flowable

    class Drawing(Flowable):
        def wrap(self, *_: float) -> Point:
            return width, height + 6.0

        def draw(self) -> None:
            self.canv.saveState()
            paint(self.canv)
            self.canv.restoreState()

    return Drawing()


def _points(path: str, place: Callable[[float, float], Point]) -> list[Point]:
    """Points of an SVG path of straight lines, as `photo_view.path_of` writes it."""
    body = path.removeprefix("M").removesuffix("Z")
    pairs = (point.split(",") for point in body.split("L")) if body else ()
    return [place(float(x), float(y)) for x, y in pairs]


def _poly(canvas: Any, points: list[Point], *, closed: bool = False, fill: bool = False) -> None:
    if not points:
        return
    path = canvas.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    if closed:
        path.close()
    canvas.drawPath(path, stroke=1, fill=int(fill))


def _line(
    canvas: Any,
    path: str,
    place: Callable[[float, float], Point],
    *,
    width: float,
    dash: tuple[float, ...] = (),
) -> None:
    """A black line on a white one, seen on dark metal and on bright."""
    points = _points(path, place)
    for grey, wide, dashes in ((1.0, width + 1.4, ()), (0.0, width, dash)):
        canvas.setStrokeGray(grey)
        canvas.setLineWidth(wide)
        canvas.setDash(*dashes)
        _poly(canvas, points)
    canvas.setDash()


def _segment(canvas: Any, start: Point, end: Point) -> None:
    for grey, wide in ((1.0, 1.6), (0.0, 0.6)):
        canvas.setStrokeGray(grey)
        canvas.setLineWidth(wide)
        canvas.line(*start, *end)


def _fill(
    canvas: Any, path: str, place: Callable[[float, float], Point], *, grey: float, alpha: float
) -> None:
    canvas.saveState()
    canvas.setFillGray(grey, alpha)
    canvas.setStrokeGray(0.0)
    canvas.setLineWidth(0.5)
    _poly(canvas, _points(path, place), closed=True, fill=True)
    canvas.restoreState()


def _label(canvas: Any, text: str, at: Point, *, size: float) -> None:
    """Black letters on white."""
    canvas.saveState()
    canvas.setFont(_FONT, size)
    wide = canvas.stringWidth(text, _FONT, size)
    canvas.setFillGray(1.0, 0.85)
    canvas.rect(at[0] - wide / 2.0 - 1.0, at[1] - 1.0, wide + 2.0, size + 1.0, stroke=0, fill=1)
    canvas.setFillGray(0.0)
    canvas.drawCentredString(at[0], at[1] + 1.0, text)
    canvas.restoreState()
