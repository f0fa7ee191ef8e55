"""Follow a row of graduations mark by mark and measure each at full resolution."""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.lib.stride_tricks import sliding_window_view

from calib.camera import Camera, FloatArray
from calib.rule_axis import (
    BAND_PITCHES,
    DETREND,
    PROFILE_SAMPLES,
    SAMPLES_PER_PITCH,
    Axis,
    Light,
    Lines,
    axis_of,
    axis_through,
    patches,
    row_profile,
)
from calib.rule_count import PEAK_SHARE, SEED_MARKS, BoolArray, IntArray, number_marks
from calib.rule_law import SpacingLaw
from calib.rule_search import Row, robust_poly

_FULL_REACH_PITCHES = 28.0  # 11 mm at 1/64 in: the longest marks of the finest rule
_REACH_MARGIN_PITCHES = 3.0  # looked at beyond the longest mark
_BAND_REACH_PITCHES = 0.6  # of a mark to either side of the row, for its direction
_COARSE_STEP, _FINE_STEP = 0.4, 0.2  # pitches, along the marks
_HALF = 0.5  # of a mark's darkness: where it ends
_END_MARGIN = 0.15  # pitches left off at either end of a mark, where it fades
_SHORTEST_PITCHES = 0.6  # what is left must be this long to be measured
_BORDER_PX = 3.0
_STRAIGHTER = 0.5  # of the roots' scatter: tips that scatter less are the better guide
_SHORT_TIP_PITCHES = 1.0  # a tip this near to the line of the short marks' tips is one of them
_FEWEST_SHORT = 0.6  # of the marks; four in five are short on a rule of 1 mm
_UNHIDDEN_QUANTILE = 0.75  # of the short marks' lengths: that of one that is seen whole
_HIDING_MARKS = 9  # neighbours over which what hides the roots is smooth
_PASSES = 6  # of the position fit at most
_SETTLED_PX = 0.02  # it ends when hardly a mark moves farther
_PLAIN_SKEWNESS = 0.5  # of the profile: narrow lines have 1 or more, unresolved ones (a sine) 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """Graduations of one ruled edge, in order, index 0 to n - 1 without gaps.

    Parameters
    ----------
    middle_px, root_px, tip_px : ndarray, shape (n, 2)
        Middle and ends of each mark's line, stored pixels; NaN where not seen.
    position_px : ndarray, shape (n,)
        Where the marks' lines cross a common line along the rule (undistorted px).
    length : ndarray, shape (n,)
        Length of the marks in pitches, perspective taken out; NaN where not seen.
    pitch_px : float
        Mean pitch.
    polarity : int
        -1 for dark marks, +1 for bright ones.
    straight_px : float
        Scatter of the common ends (roots) about a straight line.
    """

    middle_px: FloatArray
    root_px: FloatArray
    tip_px: FloatArray
    position_px: FloatArray
    length: FloatArray
    pitch_px: float
    polarity: int
    straight_px: float

    @property
    def seen(self) -> BoolArray:
        """Which marks were measured."""
        return np.isfinite(self.position_px)

    def placed(self, source: IntArray, place: IntArray, every: int = 1) -> Marks:
        """Marks `source` at the indices `place` (from 0 on), all others not seen.

        With `every` the marks are those of a rule with pitches so many times as long.
        """

        def moved(old: FloatArray) -> FloatArray:
            new = np.full((int(place.max()) + 1, *old.shape[1:]), np.nan)
            new[place] = old[source]
            return new

        return Marks(
            middle_px=moved(self.middle_px),
            root_px=moved(self.root_px),
            tip_px=moved(self.tip_px),
            position_px=moved(self.position_px),
            length=moved(self.length) / every,
            pitch_px=self.pitch_px * every,
            polarity=self.polarity,
            straight_px=self.straight_px,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _FirstLook:
    """The row after its marks were numbered once: axis, reach of its marks, their contrast."""

    axis: Axis
    sign: int
    reach_pitches: float
    contrast: float


def follow_marks(light: Light, camera: Camera, row: Row) -> Marks | None:
    """Number and measure the graduations of a row.

    Parameters
    ----------
    light : Light
        Linear light of the picture.
    camera : Camera
        For the distortion.
    row : Row
        Where to look.

    Returns
    -------
    Marks or None
        None where no marks could be numbered.

    Notes
    -----
    Where lines and gaps look alike (blurred marks close together), both are tried: the long
    marks stand alone beyond the short ones, the gaps do not, so that the reading whose lengths
    differ more is the one of the marks.
    """
    axis = axis_of(camera, row)
    t, band = row_profile(light, axis)
    band = band[(t >= axis.span[0]) & (t <= axis.span[1])]
    if len(band) < SEED_MARKS * SAMPLES_PER_PITCH:
        return None
    lopsided = _skewness(band)
    first = 1 if lopsided > 0.0 else -1
    looks = [_first_look(light, axis, first)]
    if abs(lopsided) <= _PLAIN_SKEWNESS:
        looks.append(_first_look(light, axis, -first))
    good = [look for look in looks if look is not None]
    if not good:
        return None
    look = max(good, key=lambda look: look.contrast)
    law = number_marks(*_signed_profile(light, look.axis, look.sign), look.axis)
    if law is None:
        return None
    look = replace(look, axis=_turned(light, look.axis, law))
    return _measure(light, look, _across_row(look.axis, law, look.reach_pitches))


def _skewness(values: FloatArray) -> float:
    """Third moment about zero over that of the spread; outliers beyond 4 spreads cut off."""
    limit = 4.0 * float(np.sqrt(np.mean(values**2)))
    cut = np.clip(values, -limit, limit)
    return float(np.mean(cut**3) / (np.mean(cut**2) ** 1.5 + 1e-30))


def _first_look(light: Light, axis: Axis, sign: int) -> _FirstLook | None:
    """Number the marks, and move the axis to the middle of the short ones."""
    law = number_marks(*_signed_profile(light, axis, sign), axis)
    if law is None:
        return None
    axis = _turned(light, axis, law)
    lines = _across_row(axis, law, _FULL_REACH_PITCHES)
    ends = _ends(*_strength_along(light, axis, lines, sign, _COARSE_STEP))
    if ends is None:
        return None
    low, high, seen = ends
    short, long, longest = np.percentile((high - low)[seen], [20, 95, 100])
    index = np.arange(len(seen))
    root_is_low, root, _ = _common_end(index, low, high, seen)
    length = np.abs((high if root_is_low else low) - root)[seen]
    v = root + (0.5 if root_is_low else -0.5) * float(np.percentile(length, 25))
    points = (lines.centre + v[:, None] * lines.direction)[seen]
    t = law.position(index + law.first)[seen]
    reach = float(longest / np.median(lines.pitch)) + _REACH_MARGIN_PITCHES
    return _FirstLook(
        axis=axis_through(axis, t, points, lines.pitch[seen]),
        sign=sign,
        reach_pitches=min(reach, _FULL_REACH_PITCHES),
        contrast=float(long / short),
    )


def _turned(light: Light, axis: Axis, law: SpacingLaw) -> Axis:
    """The axis with the directions of the marks as they lie close to it."""
    short = _across_row(axis, law, _BAND_REACH_PITCHES)
    lines, clear = _refine(light, axis, short, np.ones(len(short.half), bool), 1)
    if clear.sum() < SEED_MARKS:
        return axis
    t = (lines.centre - axis.origin)[clear] @ axis.along
    direction = lines.direction[clear]
    skew = np.arctan2(-direction @ axis.along, direction @ axis.normal)
    return replace(axis, skew_poly=robust_poly(t, skew, 1), span=(float(t.min()), float(t.max())))


def _signed_profile(light: Light, axis: Axis, sign: int) -> tuple[FloatArray, FloatArray]:
    t, band = row_profile(light, axis)
    return t, sign * band


def _across_row(axis: Axis, law: SpacingLaw, reach_pitches: float) -> Lines:
    """Lines across the row at the numbered places, to both sides of it."""
    index = np.arange(law.first, law.last + 1)
    t = law.position(index)
    pitch = np.abs(law.pitch(index))
    half = np.full(len(t), reach_pitches * float(np.median(pitch)))
    return Lines(centre=axis.points(t), direction=axis.mark_directions(t), half=half, pitch=pitch)


def _measure(light: Light, look: _FirstLook, across: Lines) -> Marks | None:
    """Measure every numbered mark, and those between, in linear light."""
    axis, sign = look.axis, look.sign
    index, pitch = np.arange(len(across.pitch)), across.pitch
    strength, v = _strength_along(light, axis, across, sign, _FINE_STEP)
    ends = _ends(strength, v)
    if ends is None:
        return None
    low, high, seen = ends
    root_is_low, root, straight = _common_end(index, low, high, seen)
    bare = root
    part = _hidden_root(low, high, seen, pitch)
    if part is not None and part[3] < _STRAIGHTER * straight:
        root_is_low, root, bare, straight = part
    margin = _END_MARGIN * pitch
    tip = np.where(root_is_low, high, low)
    # Along the rule the pitch falls with the square of the distance, a length with the first
    # power: over the root of the pitch, equal marks have equal lengths.
    length = np.abs(tip - root) / np.sqrt(pitch * np.median(pitch))
    start, stop = np.minimum(bare, tip) + margin, np.maximum(bare, tip) - margin
    length[_outside(light, axis.stored(across.centre + tip[:, None] * across.direction))] = np.nan
    seen &= stop - start > _SHORTEST_PITCHES * pitch
    lines = Lines(
        centre=across.centre + ((start + stop) / 2.0)[:, None] * across.direction,
        direction=across.direction,
        half=np.maximum((stop - start) / 2.0, 0.1),
        pitch=pitch,
    )
    lines, clear = _refine(light, axis, lines, seen, _PASSES)
    seen &= clear
    if seen.sum() < SEED_MARKS:
        return None
    return _as_marks(axis, lines, seen, length, sign, float(straight), root_is_low=root_is_low)


def _outside(light: Light, points_px: FloatArray) -> BoolArray:
    """Points at the border of the picture or beyond: a mark that ends there may be longer."""
    half = light.half_size
    inside = np.abs(points_px - half) < half - _BORDER_PX
    return np.asarray(~inside.all(axis=-1))


def _strength_along(
    light: Light, axis: Axis, lines: Lines, sign: int, step: float
) -> tuple[FloatArray, FloatArray]:
    """Strength of marks (n, rows) and distances along them (rows,)."""
    middle = float(np.median(lines.pitch))
    reach = float(lines.half[0])
    w = np.linspace(-1.0, 1.0, 2 * int(np.ceil(reach / (step * middle))) + 1)
    v = w * reach
    patch = patches(light, axis, lines, w)
    band = np.abs(v) <= BAND_PITCHES * middle
    profile = np.nanmedian(patch[:, band].mean(axis=1), axis=0)
    shape = (profile + profile[::-1]) / 2.0
    if sign * shape[PROFILE_SAMPLES // 2] < 0.0:
        shape = -shape
    strength = np.nan_to_num(patch @ (shape / (shape @ shape + 1e-30)))
    return strength, v


def _ends(strength: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray] | None:
    """Where each mark fades to half on either side, and which marks are there at all."""
    count = len(v)
    centre = count // 2
    smooth = np.asarray(cv2.blur(strength, (3, 1), borderType=cv2.BORDER_REPLICATE), float)
    own = np.median(strength[:, centre - 1 : centre + 2], axis=1)
    usual = float(np.median(own))
    seen = own > PEAK_SHARE * usual
    if usual <= 0.0 or seen.sum() < SEED_MARKS:
        return None
    off = smooth < _HALF * np.where(seen, own, usual)[:, None]
    up = np.argmax(off[:, centre:], axis=1)
    up[~off[:, centre:].any(axis=1)] = count - centre - 1
    down = np.argmax(off[:, centre::-1], axis=1)
    down[~off[:, : centre + 1].any(axis=1)] = centre
    step = v[1] - v[0]
    high = _crossing(smooth, own, centre + up, -1) * step + v[0]
    low = _crossing(smooth, own, centre - down, 1) * step + v[0]
    return low, high, seen & (up > 0) & (down > 0)


def _crossing(smooth: FloatArray, own: FloatArray, outside: IntArray, inward: int) -> FloatArray:
    """Row number (with fraction) at which the strength passes half of the mark's own."""
    each = np.arange(len(own))
    inside = np.clip(outside + inward, 0, smooth.shape[1] - 1)
    a, b = smooth[each, outside], smooth[each, inside]
    share = np.clip((_HALF * own - a) / np.where(np.abs(b - a) > 1e-12, b - a, 1.0), 0.0, 1.0)
    return np.asarray(outside + inward * share)


def _common_end(
    index: IntArray, low: FloatArray, high: FloatArray, seen: BoolArray
) -> tuple[bool, FloatArray, float]:
    """The side on which all marks end on one line, that line, and the scatter about it."""
    x = np.asarray(index - index.mean(), dtype=float)
    lines, scatter = [], []
    for end in (low, high):
        line = np.polyval(robust_poly(x[seen], end[seen], 2), x)
        lines.append(line)
        scatter.append(1.48 * float(np.median(np.abs(end - line)[seen])))
    spread = [np.abs(end - line)[seen].mean() for end, line in zip((low, high), lines, strict=True)]
    root_is_low = bool(spread[0] <= spread[1])
    side = 0 if root_is_low else 1
    return root_is_low, lines[side], scatter[side]


def _hidden_root(
    low: FloatArray, high: FloatArray, seen: BoolArray, pitch: FloatArray
) -> tuple[bool, FloatArray, FloatArray, float] | None:
    """Root of a rule whose edge is hidden in part: a shaft's shoulder may stand before it.

    The tips of the short marks lie on a line too. Gives the side of the roots, where they would
    be, how far they are bare, and the scatter of the short tips about their line; None where no
    such line is seen.
    """
    best = None
    index = np.arange(len(pitch), dtype=float) - len(pitch) / 2.0
    root_pitch, middle = np.sqrt(pitch), float(np.median(pitch))
    for root_is_low, root, tip in ((True, low, high), (False, high, low)):
        short = seen
        line = np.zeros(len(pitch))
        for _ in range(4):
            line = np.asarray(np.polyval(robust_poly(index[short], tip[short], 2), index), float)
            short = seen & (np.abs(tip - line) < _SHORT_TIP_PITCHES * middle)
            if short.sum() < max(_FEWEST_SHORT * seen.sum(), SEED_MARKS):
                break
        else:
            scatter = 1.48 * float(np.median(np.abs(tip - line)[short]))
            if best is None or scatter < best[3]:
                whole = np.quantile((np.abs(tip - root) / root_pitch)[short], _UNHIDDEN_QUANTILE)
                way = 1.0 if root_is_low else -1.0
                whole_root = line - way * whole * root_pitch
                padded = np.pad(root, _HIDING_MARKS // 2, mode="edge")
                smooth = np.median(sliding_window_view(padded, _HIDING_MARKS), axis=1)
                bare = np.asarray(way * np.maximum(way * whole_root, way * smooth))
                best = root_is_low, whole_root, bare, scatter
    return best


def _refine(
    light: Light, axis: Axis, lines: Lines, seen: BoolArray, passes: int
) -> tuple[Lines, BoolArray]:
    """Shift and turn each line until the mean shape of a mark fits best (least squares)."""
    clear = seen
    for _ in range(passes):
        rows = int(np.clip(2.0 * np.median(lines.half), 9, 60))
        w = np.linspace(-1.0, 1.0, rows)
        patch = patches(light, axis, lines, w)
        mean = np.nanmedian(patch[seen].mean(axis=1), axis=0)
        shape = (mean + mean[::-1]) / 2.0
        slope = np.gradient(shape, 1.0 / (PROFILE_SAMPLES - 1)) @ DETREND
        strength = (patch @ shape).mean(axis=1) / (shape @ shape)
        own = strength[:, None] * (slope @ slope)
        shift = -(patch @ slope) / np.where(np.abs(own) > 1e-30, own, np.inf)
        shift = np.clip(shift, -0.3, 0.3) * lines.pitch[:, None]
        offset, turn = _line_through(w, shift)
        clear = np.isfinite(offset) & (strength > PEAK_SHARE * np.nanmedian(strength[seen]))
        offset, turn = np.nan_to_num(offset), np.nan_to_num(turn)
        direction = lines.direction + (turn / lines.half)[:, None] * axis.along
        lines = Lines(
            centre=lines.centre + offset[:, None] * axis.along,
            direction=direction / np.linalg.norm(direction, axis=1, keepdims=True),
            half=lines.half,
            pitch=lines.pitch,
        )
        if np.percentile(np.abs(offset[clear & seen]), 95) < _SETTLED_PX:
            break
    return lines, clear


def _line_through(w: FloatArray, shift: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Offset and slope of shift against w for each mark, rows that stick out weighted down."""
    weight = np.ones_like(shift)
    offset = turn = np.zeros(len(shift))
    for _ in range(3):
        s0, s1, s2 = (weight * w**power for power in (0, 1, 2))
        a, b, c = s0.sum(1), s1.sum(1), s2.sum(1)
        y, z = (weight * shift).sum(1), (weight * w * shift).sum(1)
        determinant = a * c - b * b
        offset, turn = (c * y - b * z) / determinant, (a * z - b * y) / determinant
        off = np.abs(shift - offset[:, None] - turn[:, None] * w)
        limit = 2.0 * np.median(off, axis=1, keepdims=True) + 1e-9
        weight = np.minimum(1.0, limit / np.maximum(off, 1e-12))
    return offset, turn


def _as_marks(
    axis: Axis,
    lines: Lines,
    seen: BoolArray,
    length: FloatArray,
    sign: int,
    straight: float,
    *,
    root_is_low: bool,
) -> Marks:
    """Ends in stored pixels, and positions on the common line through the shortest marks."""
    side = 1.0 if root_is_low else -1.0
    reach = side * lines.half[:, None] * lines.direction
    ends = [np.where(seen[:, None], lines.centre + k * reach, np.nan) for k in (-1.0, 0.0, 1.0)]
    root, middle, tip = (axis.stored(end) for end in ends)
    relative = lines.centre - axis.origin
    t, v = relative @ axis.along, relative @ axis.normal
    lean = (lines.direction @ axis.along) / (lines.direction @ axis.normal)
    trend = robust_poly(t[seen] / 1e3, lean[seen], 1)
    common = np.polyval(robust_poly(t[seen], v[seen], 1), t)
    position = t + np.polyval(trend, t / 1e3) * (common - v)
    return Marks(
        middle_px=middle,
        root_px=root,
        tip_px=tip,
        position_px=np.where(seen, position, np.nan),
        length=np.where(seen, length, np.nan),
        pitch_px=float(np.median(lines.pitch)),
        polarity=sign,
        straight_px=straight,
    )
