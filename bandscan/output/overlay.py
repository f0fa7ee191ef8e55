"""The result drawn on the photo, turned as the user sees it, with a legend below."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.curves import (
    CURVE_POINTS,
    arc_angles,
    axis_px,
    edge_px,
    end_face_px,
    ring_px,
    surface_px,
)
from bandscan.model import END_BY_HAND, Photo
from bandscan.output.drawing import (
    BLACK,
    BLUE,
    BOLD,
    CHAIN,
    DASHED,
    DOTTED,
    GREEN,
    ORANGE,
    PURPLE,
    SKY_BLUE,
    VERMILION,
    WHITE,
    Colour,
    Picture,
    dashed,
    draw_lines,
    fill,
    hatch,
    join_margins,
    put_text,
)
from bandscan.output.labels import Label, place_labels
from bandscan.output.legend import Key, draw_legend
from bandscan.output.wording import plus_minus, rounded
from bandscan.result import Band, EdgeResult, LandingLip, Measurement, ShaftResult
from calib.camera import Camera, FloatArray

LARGEST_PX = 2600  # long side of the picture; half of it on a screen is still legible
SMALLEST_PX = 1300  # below it lines and letters would hide the shaft
TEXT_SHARE = 0.0137  # letter size by the picture's width: 16 px when shown 1200 px wide
WHISKERS = (0.75, 0.0, -0.75)  # where round the arc the margin of a lip is drawn
WHISKER_CAP_RAD = math.radians(2.5)
EDGE_PX = 3  # width of a band edge
LEAST_HATCH_PX = 5.0  # a narrower margin cannot be hatched legibly
_TICKS = ((10, 26.0), (5, 18.0), (1, 11.0))  # every mm: length px
_LEAST_TICK_STEP_PX = 6.0
_LABEL_ROOM = 8.0  # that labels need beside the ruler, of the letter size
_NUMERALS = (5, 10, 20, 50)  # mm; the closest for which there is room


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Sheet:
    """The picture, and where the pixels of the stored grid lie on it."""

    picture: Picture
    photo: Photo
    camera: Camera
    shaft: ShaftResult
    scale: float

    @property
    def text_px(self) -> int:
        """Letter size."""
        return _text_px(self.picture)

    @property
    def is_in_front(self) -> bool:
        """Whether all of the land that was searched lies before the camera."""
        ends = self.surface(np.array([0.0, self.shaft.seen_to_mm]), 0.0)
        return bool(np.isfinite(ends).all())

    def at(self, points_px: FloatArray) -> FloatArray:
        """Points of the stored grid on the picture, same shape."""
        turned = turn_points(
            points_px, self.photo.orientation, self.photo.width_px, self.photo.height_px
        )
        return (turned + 0.5) * self.scale - 0.5

    def surface(self, axial_mm: float | FloatArray, angle_rad: float | FloatArray) -> FloatArray:
        """Surface points on the picture."""
        return self.at(surface_px(self.camera, self.shaft, axial_mm, angle_rad))


def draw_overlay(measurement: Measurement) -> Picture | None:
    """Draw what was measured on the photo.

    Parameters
    ----------
    measurement : Measurement
        One with a photo.

    Returns
    -------
    ndarray of uint8, shape (rows, columns, 3), or None
        None where there is no photo.
    """
    if measurement.photo is None:
        return None
    picture, scale = _upright(measurement.photo)
    keys: list[Key] = []
    _draw_scales(picture, measurement, scale, keys)
    if measurement.shaft is not None and measurement.lens is not None:
        sheet = _Sheet(
            picture=picture,
            photo=measurement.photo,
            camera=measurement.lens.camera,
            shaft=measurement.shaft,
            scale=scale,
        )
        if sheet.is_in_front:
            _draw_shaft(sheet, measurement, keys)
    return np.vstack([picture, draw_legend(measurement, picture.shape[1], keys, _text_px(picture))])


def _text_px(picture: Picture) -> int:
    return round(TEXT_SHARE * float(picture.shape[1]))


def turn_points(points_px: FloatArray, orientation: int, width: int, height: int) -> FloatArray:
    """Points of the stored grid on the grid turned as EXIF says (CIPA DC-008, tag 0112)."""
    x, y = points_px[..., 0], points_px[..., 1]
    right, bottom = width - 1 - x, height - 1 - y
    turned = {
        1: (x, y), 2: (right, y), 3: (right, bottom), 4: (x, bottom),
        5: (y, x), 6: (bottom, x), 7: (bottom, right), 8: (y, right),
    }[orientation]  # fmt: skip
    return np.stack(turned, axis=-1)


def turn_picture(grey: NDArray[np.uint8], orientation: int) -> NDArray[np.uint8]:
    """The stored grid turned as EXIF says."""
    if orientation >= 5:
        grey = grey.T
    if orientation in (2, 3, 6, 7):
        grey = grey[:, ::-1]
    if orientation in (3, 4, 7, 8):
        grey = grey[::-1]
    return np.ascontiguousarray(grey)


def picture_scale(width_px: int, height_px: int) -> float:
    """Size of the picture over that of the photo.

    A whole-number reduction, which OpenCV averages ten times as fast as another.
    """
    long_side = max(width_px, height_px)
    if long_side < SMALLEST_PX:
        return SMALLEST_PX / long_side
    return 1.0 / math.ceil(long_side / LARGEST_PX)


def _upright(photo: Photo) -> tuple[Picture, float]:
    """The photo at the size of the picture, three channels, and the scale to it."""
    scale = picture_scale(photo.width_px, photo.height_px)
    size = (round(photo.width_px * scale), round(photo.height_px * scale))
    way = cv2.INTER_AREA if scale < 1.0 else cv2.INTER_LINEAR
    small = cv2.resize(photo.grey, size, interpolation=way)
    if small.dtype == np.uint16:
        small = (small // 256).astype(np.uint8)
    upright = turn_picture(small, photo.orientation)  # type: ignore[arg-type]
    return cv2.cvtColor(upright, cv2.COLOR_GRAY2BGR), scale  # type: ignore[return-value]


def _draw_scales(picture: Picture, measurement: Measurement, scale: float, keys: list[Key]) -> None:
    photo = measurement.photo
    assert photo is not None
    for found in measurement.scales:
        points = found.graduations_px if found.kind == "rule" else found.corners_px
        if points is None:
            continue
        seen = points[np.isfinite(points).all(axis=1)]
        turned = turn_points(seen, photo.orientation, photo.width_px, photo.height_px)
        for x, y in np.round((turned + 0.5) * scale - 0.5).astype(int):
            cv2.circle(picture, (x, y), 5, WHITE, -1, cv2.LINE_AA)
            cv2.circle(picture, (x, y), 4, PURPLE, -1, cv2.LINE_AA)
        what = "graduations of the rule" if found.kind == "rule" else "corners of the card"
        keys.append(Key(kind="dots", colour=PURPLE, text=f"{what} as found ({len(seen)})"))


def _draw_shaft(sheet: _Sheet, measurement: Measurement, keys: list[Key]) -> None:
    outward, side = _free_side(sheet, measurement)
    _draw_axis(sheet, keys)
    bands = measurement.bands if measurement.refusal is None else ()
    lips = () if measurement.landing is None else measurement.landing.lips
    hatched = [_draw_band(sheet, band) for band in bands]
    for lip in lips:
        _draw_lip(sheet, lip)
    if bands:
        keys.extend(_band_keys(hatched=any(hatched)))
    if any(band.by_hand for band in bands):
        text = "band edge that was set by hand"
        keys.append(Key(kind="line", colour=VERMILION, dashes=DASHED, text=text))
    if lips:
        keys.append(Key(kind="cross", colour=GREEN, text="where a lip of the new seal would run"))
        keys.append(Key(kind="whisker", colour=BLACK, text="margin of a lip (95 %), to scale"))
    _draw_end(sheet, keys)
    ruler_px = _ruler_width(sheet)
    _draw_ruler_face(sheet, outward, side)
    place_labels(
        sheet.picture,
        _labels(sheet, measurement, side),
        outward=outward,
        clear_px=ruler_px + sheet.text_px,
        size=sheet.text_px,
    )
    _draw_ticks(sheet, outward, side)


def _free_side(sheet: _Sheet, measurement: Measurement) -> tuple[FloatArray, float]:
    """Unit vector in the picture to the side for ruler and labels; the sign of its angle.

    Away from the scale; the other side where there is no room before the border.
    """
    half = sheet.shaft.pose.visible_half_angle_rad
    middle = sheet.shaft.seen_to_mm / 2.0
    low, high = sheet.surface(middle, np.array([-half, half]))
    across = (high - low) / np.hypot(*(high - low))
    centre = (low + high) / 2.0
    size = np.array([sheet.picture.shape[1], sheet.picture.shape[0]], dtype=float)
    marks = [
        points[np.isfinite(points).all(axis=1)]
        for found in measurement.scales
        for points in (found.graduations_px, found.corners_px)
        if points is not None
    ]
    away = centre - sheet.at(np.concatenate(marks)).mean(axis=0) if marks else size / 2.0 - centre
    sign = 1.0 if across @ away >= 0.0 else -1.0
    room = {1.0: _room(high, across, size), -1.0: _room(low, -across, size)}
    needed = _ruler_width(sheet) + _LABEL_ROOM * sheet.text_px
    if room[sign] < needed and room[-sign] > room[sign]:
        sign = -sign
    return sign * across, sign


def _room(start: FloatArray, direction: FloatArray, size: FloatArray) -> float:
    """Distance from a point to the picture's border."""
    border = np.where(direction > 0.0, size, 0.0)
    with np.errstate(divide="ignore"):
        distances = np.where(np.abs(direction) > 1e-9, (border - start) / direction, np.inf)
    return float(distances.min())


def _draw_axis(sheet: _Sheet, keys: list[Key]) -> None:
    line = sheet.at(axis_px(sheet.camera, sheet.shaft))
    draw_lines(sheet.picture, dashed(line, CHAIN), BLACK, 2)
    keys.append(Key(kind="line", colour=BLACK, dashes=CHAIN, text="axis of the shaft"))


def _draw_band(sheet: _Sheet, band: Band) -> bool:
    """Draw a band; whether its margins are wide enough to be hatched."""

    def curve(edge: EdgeResult, offset_mm: float = 0.0) -> FloatArray:
        return sheet.at(edge_px(sheet.camera, sheet.shaft, band, edge, offset_mm))

    start, end = curve(band.start), curve(band.end)
    hatched = _draw_margins(sheet, band, curve)
    fill(sheet.picture, np.concatenate([start, end[::-1]]), ORANGE, 0.35)
    half = sheet.shaft.pose.visible_half_angle_rad
    for edge, line in ((band.start, start), (band.end, end)):
        for beyond in (arc_angles((-half, band.arc_rad[0])), arc_angles((band.arc_rad[1], half))):
            hidden = sheet.surface(edge.along(beyond, band.arc_rad), beyond)
            draw_lines(sheet.picture, dashed(hidden, DOTTED), VERMILION, 2, halo=False)
        parts = dashed(line, DASHED) if edge.by_hand else [line]
        draw_lines(sheet.picture, parts, VERMILION, EDGE_PX, halo=not hatched)
    return hatched


def _draw_margins(
    sheet: _Sheet, band: Band, curve: Callable[[EdgeResult, float], FloatArray]
) -> bool:
    """Hatch the margins of both edges, to scale; False where they are too thin for it."""
    at = [(edge.position_mm.value, edge.position_mm.expanded) for edge in (band.start, band.end)]
    outer, inner = curve(band.start, -at[0][1]), curve(band.start, at[0][1])
    if not float(np.nanmax(np.hypot(*(outer - inner).T))) >= LEAST_HATCH_PX:
        return False
    for low, high in join_margins(at[0], at[1]):
        near = curve(band.start, low - at[0][0])
        far = curve(band.end, high - at[1][0])
        fill(sheet.picture, np.concatenate([near, far[::-1]]), WHITE, 0.6)
        hatch(sheet.picture, near, far, BLACK)
        draw_lines(sheet.picture, [near, far], BLACK, 1, halo=False)
    return True


def _band_keys(*, hatched: bool) -> list[Key]:
    band = Key(kind="band", colour=ORANGE, text="polished band (solid where it was seen)")
    if hatched:
        return [band, Key(kind="hatch", colour=BLACK, text="margin of an edge (95 %), to scale")]
    text = "band edge; its margin (95 %) is thinner than this line"
    return [band, Key(kind="line", colour=VERMILION, text=text)]


def _draw_lip(sheet: _Sheet, lip: LandingLip) -> None:
    angles = arc_angles(sheet.shaft.arc_rad)
    low, high = (sheet.surface(x, angles) for x in lip.contact_mm)
    fill(sheet.picture, np.concatenate([low, high[::-1]]), GREEN, 0.5)
    draw_lines(sheet.picture, [low, high], GREEN, 2)
    middle = (low + high) / 2.0
    for x, y in np.round(middle[:: CURVE_POINTS // 8]).astype(int):
        cv2.drawMarker(sheet.picture, (x, y), BLACK, cv2.MARKER_TILTED_CROSS, 12, 2, cv2.LINE_AA)
    for share in WHISKERS:
        _draw_whisker(sheet, lip, sheet.shaft.arc_rad[0] * share)


def _draw_whisker(sheet: _Sheet, lip: LandingLip, angle: float) -> None:
    """The margin of a lip along the surface, with a cap at either end."""
    reach = lip.contact_mm[0] - lip.expanded_mm, lip.contact_mm[1] + lip.expanded_mm
    line = sheet.surface(np.linspace(*reach, 2), np.full(2, angle))
    caps = [sheet.surface(x, angle + WHISKER_CAP_RAD * np.array([-1.0, 1.0])) for x in reach]
    draw_lines(sheet.picture, [line, *caps], BLACK, 2)


def _ruler_width(sheet: _Sheet) -> float:
    return _TICKS[0][1] + 1.4 * sheet.text_px


def _draw_ruler_face(sheet: _Sheet, outward: FloatArray, side: float) -> None:
    """A white strip along the outline, on which ticks and numerals can be read."""
    line = _outline(sheet, side, np.linspace(0.0, sheet.shaft.seen_to_mm, CURVE_POINTS))
    face = np.concatenate([line, line[::-1] + _ruler_width(sheet) * outward])
    fill(sheet.picture, face, WHITE, 0.8)


def _outline(sheet: _Sheet, side: float, axial_mm: FloatArray) -> FloatArray:
    return sheet.surface(axial_mm, side * sheet.shaft.pose.visible_half_angle_rad)


def _draw_ticks(sheet: _Sheet, outward: FloatArray, side: float) -> None:
    """Millimetres from the end face along the shaft's outline."""
    marks = np.arange(0, int(sheet.shaft.seen_to_mm) + 1)
    feet = _outline(sheet, side, marks.astype(float))
    step_px = float(np.nanmin(np.hypot(*np.diff(feet, axis=0).T))) if len(marks) > 1 else 0.0
    draw_lines(sheet.picture, [feet], BLACK, 2, halo=False)
    for every, length in _TICKS:
        if every * step_px >= _LEAST_TICK_STEP_PX:
            chosen = feet[marks % every == 0]
            ticks = list(np.stack([chosen, chosen + length * outward], axis=1))
            draw_lines(sheet.picture, ticks, BLACK, 3 if every == 10 else 2, halo=False)
    roomy = [every for every in _NUMERALS if every * step_px > 2.5 * sheet.text_px]
    reach = _TICKS[0][1] + 0.7 * sheet.text_px
    for mark, foot in zip(marks, feet, strict=True):
        if mark % (roomy or [_NUMERALS[-1]])[0] == 0:
            x, y = foot + reach * outward
            put_text(
                sheet.picture, str(mark), (x, y), size=sheet.text_px, weight=BOLD, anchor="middle"
            )


def _draw_end(sheet: _Sheet, keys: list[Key]) -> None:
    chamfer = sheet.shaft.end.chamfer_mm
    if chamfer is not None:
        ring = sheet.at(ring_px(sheet.camera, sheet.shaft, chamfer.value))
        draw_lines(sheet.picture, dashed(ring, DASHED), BLUE, 3)
        text = "outer edge of the chamfer (not the zero)"
        keys.append(Key(kind="line", colour=BLUE, dashes=DASHED, text=text))
    rim = sheet.at(end_face_px(sheet.camera, sheet.shaft))
    draw_lines(sheet.picture, [rim], SKY_BLUE, 5)
    text = "shaft end face: distances begin here"
    if _end_by_hand(sheet):
        text += "; set by hand"
    keys.append(Key(kind="line", colour=SKY_BLUE, text=text))


def _end_by_hand(sheet: _Sheet) -> bool:
    return sheet.shaft.end.what == END_BY_HAND


def _labels(sheet: _Sheet, measurement: Measurement, side: float) -> list[Label]:
    def label(lines: tuple[str, ...], colour: Colour, axial_mm: float) -> Label:
        return Label(lines=lines, colour=colour, point=_outline(sheet, side, np.array(axial_mm)))

    end = ("shaft end", "0 mm", "by hand") if _end_by_hand(sheet) else ("shaft end", "0 mm")
    labels = [label(end, SKY_BLUE, 0.0)]
    chamfer = sheet.shaft.end.chamfer_mm
    if chamfer is not None:
        lines = ("chamfer edge", f"{plus_minus(chamfer)} mm")
        labels.append(label(lines, BLUE, chamfer.value))
    bands = measurement.bands if measurement.refusal is None else ()
    for number, band in enumerate(bands, start=1):
        middle = (band.start.position_mm.value + band.end.position_mm.value) / 2.0
        by_hand = (f"{' and '.join(band.by_hand)} by hand",) if band.by_hand else ()
        labels.append(label((f"band {number}", *_span_lines(band), *by_hand), VERMILION, middle))
    for lip in measurement.landing.lips if measurement.landing is not None else ():
        low, margin = rounded(lip.contact_mm[0], lip.expanded_mm)
        high, _ = rounded(lip.contact_mm[1], lip.expanded_mm)
        text = (f"{lip.name} lip", lip.verdict, f"{low} to {high}", f"± {margin} mm")
        labels.append(label(text, GREEN, sum(lip.contact_mm) / 2.0))
    return labels


def _span_lines(band: Band) -> tuple[str, ...]:
    start, start_margin = rounded(band.start.position_mm.value, band.start.position_mm.expanded)
    end, end_margin = rounded(band.end.position_mm.value, band.end.position_mm.expanded)
    if start_margin == end_margin:
        return (f"{start} to {end}", f"± {start_margin} mm")
    return (f"{start} ± {start_margin}", f"to {end} ± {end_margin} mm")
