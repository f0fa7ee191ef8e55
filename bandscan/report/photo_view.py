"""The photo with lines to lie on it: encoded anew, so that pixels alone remain of the file."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.curves import arc_angles, axis_px, end_face_px, ring_px, surface_px
from bandscan.output.overlay import turn_points
from bandscan.report.source import Geometry, Picture, Source
from bandscan.result import EdgeResult, LandingLip
from calib.camera import FloatArray
from calib.quantity import Estimate

LONG_SIDE_PX = 1600  # of the whole photo, and of the part that is shown close up
JPEG_QUALITY = 72
_BEYOND_MM = (3.0, 5.0)  # shown of the shaft before its end and past the last band or lip
_MOST_ZOOM = 6.0
_AROUND = 1.22  # of the part of interest, so that ticks beside the shaft are in it
_TICK_PX = {50: 24.0, 10: 24.0, 5: 16.0, 1: 10.0}  # length by every how many mm; shown close up
_FORESHORTENED = 0.94  # of the visible half angle: where the ruler's ticks stand


@dataclass(frozen=True, slots=True, kw_only=True)
class Image:
    """A JPEG as a data address, and where it lies in the picture's units."""

    x: float
    y: float
    width: float
    height: float
    address: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BandLines:
    """One band on the photo: paths and the place of its number."""

    number: int
    area: str
    start: str
    end: str
    margins: tuple[str, ...]
    by_hand: tuple[str, ...]
    label: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tick:
    """A mark of the ruler along the shaft."""

    x1: float
    y1: float
    x2: float
    y2: float
    every: int
    numeral: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoView:
    """The photo and all that is drawn on it; paths are those of SVG.

    Parameters
    ----------
    width, height : float
        Of the picture, in its own units.
    scale : float
        Of these units to pixels of the upright photo.
    zoom : (float, float, float)
        Factor and displacement that show the part of interest.
    """

    width: float
    height: float
    scale: float
    orientation: int
    whole: Image
    close: Image
    zoom: tuple[float, float, float]
    bands: tuple[BandLines, ...] = ()
    lips: tuple[str, ...] = ()
    end: str = ""
    chamfer: str = ""
    axis: str = ""
    marks: tuple[tuple[float, float], ...] = ()
    ticks: tuple[Tick, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sheet:
    """How surface points come onto the picture."""

    geometry: Geometry
    orientation: int
    scale: float

    def at(self, points_px: FloatArray) -> FloatArray:
        camera = self.geometry.camera
        turned = turn_points(points_px, self.orientation, camera.width_px, camera.height_px)
        return np.asarray((turned + 0.5) * self.scale)

    def surface(self, axial_mm: float | FloatArray, angle_rad: float | FloatArray) -> FloatArray:
        shaft = self.geometry.shaft
        return self.at(surface_px(self.geometry.camera, shaft, axial_mm, angle_rad))


def photo_view(source: Source, lips: Sequence[LandingLip]) -> PhotoView | None:
    """The photo with its lines; None where there is no photo.

    Parameters
    ----------
    lips : sequence of LandingLip
        As planned.
    """
    picture = source.picture
    if picture is None:
        return None
    rows, columns = picture.pixels.shape[:2]
    shown = min(1.0, LONG_SIDE_PX / max(rows, columns))
    width, height = columns * shown, rows * shown
    sheet = None
    if source.geometry is not None:
        camera = source.geometry.camera
        grid = camera.width_px if picture.orientation < 5 else camera.height_px
        sheet = _Sheet(
            geometry=source.geometry, orientation=picture.orientation, scale=width / grid
        )
    window = (0.0, 0.0, width, height)
    if sheet is not None:
        window = _window(sheet, _last_mm(source, lips), width, height)
    factor = width / window[2]
    view = PhotoView(
        width=width,
        height=height,
        scale=shown if sheet is None else sheet.scale,
        orientation=picture.orientation,
        whole=_image(picture, (0.0, 0.0, width, height), shown),
        close=_image(picture, window, shown),
        zoom=(factor, -window[0] * factor, -window[1] * factor),
    )
    return view if sheet is None else _with_lines(view, sheet, source, lips)


def _last_mm(source: Source, lips: Sequence[LandingLip]) -> float:
    """How far into the shaft something is drawn."""
    ends = [0.0, *source.measured.bands.edges_mm.ravel()]
    for lip in lips:
        shift = 0.0 if source.seal is None else max(source.seal.mounting.shift_mm[1], 0.0)
        ends.append(lip.contact_mm[1] + shift)
    return float(max(ends))


def _window(
    sheet: _Sheet, last_mm: float, width: float, height: float
) -> tuple[float, float, float, float]:
    """The part of interest as x, y, width, height, of the picture's own shape."""
    shaft = sheet.geometry.shaft
    half = shaft.pose.visible_half_angle_rad
    until = min(last_mm + _BEYOND_MM[1], shaft.seen_to_mm)
    axial, angle = np.meshgrid(np.array([-_BEYOND_MM[0], until]), np.linspace(-half, half, 5))
    corners = sheet.surface(axial, angle).reshape(-1, 2)
    corners = corners[np.isfinite(corners).all(axis=1)]
    if not len(corners):
        return 0.0, 0.0, width, height
    low, high = corners.min(axis=0), corners.max(axis=0)
    middle, size = (low + high) / 2.0, high - low
    share = _AROUND * max(size[0] / width, size[1] / height)
    share = float(np.clip(share, 1.0 / _MOST_ZOOM, 1.0))
    w, h = share * width, share * height
    x = float(np.clip(middle[0] - w / 2.0, 0.0, width - w))
    y = float(np.clip(middle[1] - h / 2.0, 0.0, height - h))
    return x, y, w, h


def _image(picture: Picture, window: tuple[float, float, float, float], shown: float) -> Image:
    """A part of the picture as a JPEG, at most `LONG_SIDE_PX` long, never enlarged."""
    x, y, w, h = (value / shown for value in window)
    left, top = int(x), int(y)
    right = min(int(np.ceil(x + w)), picture.pixels.shape[1])
    bottom = min(int(np.ceil(y + h)), picture.pixels.shape[0])
    part = picture.pixels[top:bottom, left:right]
    return Image(
        x=left * shown,
        y=top * shown,
        width=(right - left) * shown,
        height=(bottom - top) * shown,
        address=f"data:image/jpeg;base64,{base64.b64encode(jpeg(part)).decode()}",
    )


def jpeg(pixels: NDArray[np.uint8], long_side_px: int = LONG_SIDE_PX) -> bytes:
    """Pixels as a JPEG of at most that size; nothing of the camera's file is in it."""
    scale = long_side_px / max(pixels.shape[:2])
    small: Any = np.ascontiguousarray(pixels)
    if scale < 1.0:
        size = [max(1, round(side * scale)) for side in pixels.shape[1::-1]]
        small = cv2.resize(small, size, interpolation=cv2.INTER_AREA)
    _, data = cv2.imencode(".jpg", small, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes()


def _with_lines(
    view: PhotoView, sheet: _Sheet, source: Source, lips: Sequence[LandingLip]
) -> PhotoView:
    camera, shaft = sheet.geometry.camera, sheet.geometry.shaft
    chamfer = shaft.end.chamfer_mm
    return PhotoView(
        width=view.width,
        height=view.height,
        scale=view.scale,
        orientation=view.orientation,
        whole=view.whole,
        close=view.close,
        zoom=view.zoom,
        bands=tuple(
            _band(sheet, number, band)
            for number, band in enumerate(source.content["bands"], start=1)
        ),
        lips=tuple(_ring(sheet, lip.contact_mm) for lip in lips),
        end=path_of(sheet.at(end_face_px(camera, shaft))),
        chamfer="" if chamfer is None else path_of(sheet.at(ring_px(camera, shaft, chamfer.value))),
        axis=path_of(sheet.at(axis_px(camera, shaft))),
        marks=_marks(sheet, source.content),
        ticks=_ticks(sheet, source.content, view.zoom[0]),
    )


def path_of(points: FloatArray, *, closed: bool = False) -> str:
    """Points as the path of an SVG; those without a place are left out."""
    seen = points[np.isfinite(points).all(axis=1)]
    if len(seen) < 2:
        return ""
    return "M" + "L".join(f"{x:.1f},{y:.1f}" for x, y in seen) + ("Z" if closed else "")


def _ring(sheet: _Sheet, contact_mm: tuple[float, float]) -> str:
    angles = arc_angles(sheet.geometry.shaft.arc_rad)
    low, high = (sheet.surface(x, angles) for x in contact_mm)
    return path_of(np.concatenate([low, high[::-1]]), closed=True)


def _band(sheet: _Sheet, number: int, band: Mapping[str, Any]) -> BandLines:
    low, high = np.radians(band["arc_deg"])
    angles = arc_angles((float(low), float(high)))

    def curve(side: str, offset_mm: float = 0.0) -> FloatArray:
        edge = EdgeResult(
            position_mm=Estimate(value=float(band[f"{side}_mm"]["value"]), u=0.0),
            wobble_mm=tuple(band.get(f"{side}_wobble_mm") or (0.0, 0.0)),
        )
        return sheet.surface(edge.along(angles, (float(low), float(high))) + offset_mm, angles)

    def margin(side: str) -> str:
        reach = float(band[f"{side}_mm"]["U"])
        lines = [curve(side, -reach), curve(side, reach)[::-1]]
        return path_of(np.concatenate(lines), closed=True)

    start, end = curve("start"), curve("end")
    top = min((start[0] + end[0]) / 2.0, (start[-1] + end[-1]) / 2.0, key=lambda p: float(p[1]))
    return BandLines(
        number=number,
        area=path_of(np.concatenate([start, end[::-1]]), closed=True),
        start=path_of(start),
        end=path_of(end),
        margins=(margin("start"), margin("end")),
        by_hand=tuple(band.get("by_hand") or ()),
        label=(float(top[0]), float(top[1])),
    )


def _marks(sheet: _Sheet, content: Mapping[str, Any]) -> tuple[tuple[float, float], ...]:
    """Graduations of the rule and corners of the card."""
    found = [
        point
        for scale in content.get("scales") or ()
        for key in ("graduations_px", "corners_px")
        for point in scale.get(key) or ()
        if point is not None
    ]
    if not found:
        return ()
    return tuple((float(x), float(y)) for x, y in sheet.at(np.array(found, dtype=float)))


def _ticks(sheet: _Sheet, content: Mapping[str, Any], zoom: float) -> tuple[Tick, ...]:
    """Millimetres along the side of the shaft that lies away from the scale."""
    shaft = sheet.geometry.shaft
    half = _FORESHORTENED * shaft.pose.visible_half_angle_rad
    middle = shaft.seen_to_mm / 2.0
    ends = sheet.surface(middle, np.array([-half, half]))
    marks = _marks(sheet, content)
    away = np.array(marks).mean(axis=0) if marks else np.array([np.inf, np.inf])
    side = 1.0
    if marks:
        distances = np.hypot(*(ends - away).T)
        side = -1.0 if distances[0] > distances[1] else 1.0
    across = side * (ends[1] - ends[0]) / np.hypot(*(ends[1] - ends[0]))
    ticks = []
    for mm in range(int(shaft.seen_to_mm) + 1):
        every = next(step for step in _TICK_PX if mm % step == 0)
        foot = sheet.surface(float(mm), side * half)
        if np.isfinite(foot).all():
            tip = foot + across * _TICK_PX[every] * 2.0 / zoom
            ticks.append(
                Tick(
                    x1=float(foot[0]), y1=float(foot[1]), x2=float(tip[0]), y2=float(tip[1]),
                    every=every, numeral=str(mm) if every >= 5 else "",
                )
            )  # fmt: skip
    return tuple(ticks)
