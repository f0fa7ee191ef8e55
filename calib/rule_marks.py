"""Follow a row of graduations mark by mark and measure each at full resolution.

Work is done in the undistorted picture (the plane z = 1 of the camera, scaled to pixels):
there a rule is straight and its marks follow a projective law. Grey values are sampled
from the stored picture, decoded to linear light, at the distorted positions.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera, FloatArray
from calib.light import linear_light
from calib.rule_law import SpacingLaw, fit_law
from calib.rule_search import Grey, Row, robust_poly

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

_SAMPLES_PER_PITCH = 12
_BAND_PITCHES = 0.4  # half height of the band that is read first; marks are longer than 2 pitches
_PEAK_SHARE = 0.25  # of the usual height of a mark's peak: weaker ones are noise or glare
_STEP_TOLERANCE = 0.2  # pitches; a peak this near to where a mark should be is that mark
_SEED_MARKS = 6  # consecutive even steps that start the numbering
_FULL_REACH_PITCHES = 28.0  # 11 mm at 1/64 in: the longest marks of the finest rule
_REACH_MARGIN_PITCHES = 3.0  # looked at beyond the longest mark
_COARSE_STEP, _FINE_STEP = 0.4, 0.2  # pitches, along the marks
_PROFILE_SAMPLES = 11  # across one mark, one pitch wide
_HALF = 0.5  # of a mark's darkness: where it ends
_PASSES = 2  # of the position fit; the first leaves below 0.02 px


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

    def take(self, chosen: slice) -> Marks:
        """A run of the marks, or every m-th of them."""
        step = chosen.step or 1
        return Marks(
            middle_px=self.middle_px[chosen],
            root_px=self.root_px[chosen],
            tip_px=self.tip_px[chosen],
            position_px=self.position_px[chosen],
            length=self.length[chosen] / step,
            pitch_px=self.pitch_px * step,
            polarity=self.polarity,
            straight_px=self.straight_px,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Axis:
    """The row in the undistorted picture; the polynomials take the distance t from the origin."""

    camera: Camera
    origin: FloatArray
    along: FloatArray
    normal: FloatArray
    span: tuple[float, float]
    pitch_poly: FloatArray
    skew_poly: FloatArray
    bend_poly: FloatArray

    def pitch(self, t: FloatArray) -> FloatArray:
        inside = np.clip(t, *self.span)
        return np.asarray(np.exp(np.polyval(self.pitch_poly, inside)))

    def points(self, t: FloatArray) -> FloatArray:
        """Points of the row's middle line, undistorted px."""
        inside = np.clip(t, *self.span)
        bend = np.polyval(self.bend_poly, inside)
        return np.asarray(self.origin + t[..., None] * self.along + bend[..., None] * self.normal)

    def mark_directions(self, t: FloatArray) -> FloatArray:
        """Unit vectors along the marks."""
        skew = np.polyval(self.skew_poly, np.clip(t, *self.span))[..., None]
        return np.asarray(np.cos(skew) * self.normal - np.sin(skew) * self.along)

    def stored(self, points: FloatArray) -> FloatArray:
        """Stored pixels of undistorted ones."""
        return to_stored(self.camera, points)


def to_plane(camera: Camera, points_px: FloatArray) -> FloatArray:
    """Undistorted pixels of stored ones, shape (..., 2)."""
    return np.asarray(
        camera.undistort(points_px) * (camera.fx_px, camera.fy_px) + (camera.cx_px, camera.cy_px)
    )


def to_stored(camera: Camera, points: FloatArray) -> FloatArray:
    """Stored pixels of undistorted ones, shape (..., 2)."""
    ideal = (points - (camera.cx_px, camera.cy_px)) / (camera.fx_px, camera.fy_px)
    return np.asarray(
        camera.distort(ideal) * (camera.fx_px, camera.fy_px) + (camera.cx_px, camera.cy_px)
    )


def follow_marks(grey: Grey, camera: Camera, row: Row) -> list[Marks]:
    """Number and measure the graduations of a row.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values.
    camera : Camera
        For the distortion.
    row : Row
        Where to look.

    Returns
    -------
    list of Marks
        One reading, or two (dark, bright) where the polarity is not plain; empty where no
        marks could be numbered.
    """
    axis = _axis_of(camera, row)
    _, band = _row_profile(grey, axis)
    if len(band) < _SEED_MARKS * _SAMPLES_PER_PITCH:
        return []
    lopsided = float(np.mean(band**3) / (np.mean(band**2) ** 1.5 + 1e-12))
    signs = (1, -1) if lopsided > 0.0 else (-1, 1)
    found = []
    for sign in signs:
        marks = _read(grey, axis, sign)
        if marks is not None:
            found.append(marks)
        if found and abs(lopsided) > _PLAIN_SKEWNESS:
            break
    return found


_PLAIN_SKEWNESS = 0.5  # narrow lines have 1 or more, a sine (unresolved lines) 0


def _axis_of(camera: Camera, row: Row) -> _Axis:
    s = np.linspace(*row.span_px, 13)
    normal = np.array([-row.along[1], row.along[0]])
    offset = np.polyval(row.offset_poly, s)
    stored = row.origin_px + s[:, None] * row.along + offset[:, None] * normal
    plane = to_plane(camera, stored)
    middle = plane.mean(axis=0)
    along = np.linalg.svd(plane - middle)[2][0]
    along = along * np.sign(along @ row.along)
    normal = np.array([-along[1], along[0]])
    t = (plane - middle) @ along
    pitch = np.exp(np.polyval(row.pitch_poly, s)) * np.gradient(t, s)
    turned = np.arctan2(row.along[1], row.along[0]) - np.arctan2(along[1], along[0])
    skew = np.polyval(row.skew_poly, s) + turned
    return _Axis(
        camera=camera,
        origin=middle,
        along=along,
        normal=normal,
        span=(float(t[0]), float(t[-1])),
        pitch_poly=np.polyfit(t, np.log(pitch), 1),
        skew_poly=np.polyfit(t, (skew + np.pi / 2) % np.pi - np.pi / 2, 1),
        bend_poly=np.polyfit(t, (plane - middle) @ normal, 2),
    )


def _read(grey: Grey, axis: _Axis, sign: int) -> Marks | None:
    """Number the marks, move the row to the middle of the short ones, and do it again."""
    law = _number(*_signed_profile(grey, axis, sign), axis)
    if law is None:
        return None
    lines = _across_row(axis, law, _FULL_REACH_PITCHES)
    strength, v = _strength_along(grey, axis, lines, sign, _COARSE_STEP)
    ends = _ends(strength, v)
    if ends is None:
        return None
    low, high, seen = ends
    longest = float((high - low)[seen].max() / np.median(lines.pitch))
    axis = _recentred(axis, law, *ends)
    law = _number(*_signed_profile(grey, axis, sign), axis)
    if law is None:
        return None
    across = _across_row(axis, law, min(longest + _REACH_MARGIN_PITCHES, _FULL_REACH_PITCHES))
    return _measure(grey, axis, across, sign)


def _signed_profile(grey: Grey, axis: _Axis, sign: int) -> tuple[FloatArray, FloatArray]:
    t, band = _row_profile(grey, axis)
    return t, sign * band


def _recentred(
    axis: _Axis, law: SpacingLaw, low: FloatArray, high: FloatArray, seen: BoolArray
) -> _Axis:
    """The axis through the middle of the short marks."""
    index = np.arange(law.first, law.last + 1)
    t = law.position(index)
    root_is_low, root, _ = _common_end(index, low, high, seen)
    length = np.abs((high if root_is_low else low) - root)[seen]
    short = float(np.percentile(length, 25))
    v = root + (0.5 if root_is_low else -0.5) * short
    points = (axis.points(t) + v[:, None] * axis.mark_directions(t))[seen]
    middle = points.mean(axis=0)
    along = np.linalg.svd(points - middle)[2][0]
    along = along * np.sign(along @ axis.along)
    normal = np.array([-along[1], along[0]])
    new_t = (points - middle) @ along
    turned = float(np.arctan2(axis.along[1], axis.along[0]) - np.arctan2(along[1], along[0]))
    skew = np.polyval(axis.skew_poly, np.clip(t[seen], *axis.span)) + turned
    return _Axis(
        camera=axis.camera,
        origin=middle,
        along=along,
        normal=normal,
        span=(float(new_t.min()), float(new_t.max())),
        pitch_poly=robust_poly(new_t, np.log(np.abs(law.pitch(index[seen]))), 2),
        skew_poly=robust_poly(new_t, skew, 1),
        bend_poly=robust_poly(new_t, (points - middle) @ normal, 2),
    )


def _row_profile(grey: Grey, axis: _Axis) -> tuple[FloatArray, FloatArray]:
    """Positions along the row, and linear light there less its mean over a pitch."""
    reach = float(np.hypot(*grey.shape))
    middle = float(np.exp(np.polyval(axis.pitch_poly, sum(axis.span) / 2.0)))
    t = np.arange(-reach, reach, middle / _SAMPLES_PER_PITCH)
    centre = axis.points(t)
    inside = _inside(grey, axis.stored(centre), 1.0)
    t, centre = t[inside], centre[inside]
    v = np.linspace(-_BAND_PITCHES, _BAND_PITCHES, 5)[:, None, None] * middle
    stored = axis.stored(centre + v * axis.mark_directions(t))
    values = _sample(grey, stored[..., 0], stored[..., 1])
    profile = values.mean(axis=0)
    if len(profile) <= _SAMPLES_PER_PITCH:
        return t, np.zeros_like(profile)
    return t, profile - _running_mean(profile, _SAMPLES_PER_PITCH)


def _inside(grey: Grey, points_px: FloatArray, margin: float) -> BoolArray:
    x, y = points_px[..., 0], points_px[..., 1]
    with np.errstate(invalid="ignore"):
        right, bottom = grey.shape[1] - 1 - margin, grey.shape[0] - 1 - margin
        return np.asarray((x >= margin) & (y >= margin) & (x <= right) & (y <= bottom))


def _sample(grey: Grey, x: FloatArray, y: FloatArray) -> NDArray[np.float32]:
    """Linear light at points, shape of x; NaN outside the picture."""
    right, bottom = grey.shape[1] - 1, grey.shape[0] - 1
    inside = (x >= 0) & (y >= 0) & (x <= right) & (y <= bottom)
    if not inside.any():
        return np.full(x.shape, np.nan, np.float32)
    left, top = int(max(0.0, np.nanmin(x))), int(max(0.0, np.nanmin(y)))
    crop = grey[top : int(min(bottom, np.nanmax(y))) + 2, left : int(min(right, np.nanmax(x))) + 2]
    light = linear_light(np.ascontiguousarray(crop))
    parts = x.shape[1] // _REMAP_WIDTH + 1
    values = np.concatenate(
        [
            cv2.remap(light, px, py, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            for px, py in zip(
                np.array_split((x - left).astype(np.float32), parts, axis=1),
                np.array_split((y - top).astype(np.float32), parts, axis=1),
                strict=True,
            )
        ],
        axis=1,
    )
    values[~inside] = np.nan
    return values


_REMAP_WIDTH = 30_000  # OpenCV's remap takes at most 32767 columns


def _running_mean(values: FloatArray, width: int) -> FloatArray:
    """Mean over one pitch, centred; `width` is even, so the ends count half."""
    kernel = np.full(width + 1, 1.0 / width)
    kernel[[0, -1]] *= 0.5
    padded = np.pad(values, width // 2, mode="reflect")
    return np.convolve(padded, kernel, mode="valid")


def _number(t: FloatArray, band: FloatArray, axis: _Axis) -> SpacingLaw | None:
    """Give the peaks of a row whole numbers; None where no even run is found."""
    peaks = _peaks(t, band, axis.span)
    if len(peaks) < _SEED_MARKS:
        return None
    step = np.diff(peaks) / axis.pitch((peaks[1:] + peaks[:-1]) / 2.0)
    first, last = _longest_run(np.abs(step - 1.0) < _STEP_TOLERANCE)
    if last - first < _SEED_MARKS:
        return None
    number = np.full(len(peaks), -(10**6))
    number[first : last + 1] = np.arange(last - first + 1)
    return _grow(peaks, number)


def _peaks(t: FloatArray, band: FloatArray, span: tuple[float, float]) -> FloatArray:
    smooth = np.convolve(band, _SMOOTHING, mode="same")
    top = (smooth[1:-1] > smooth[:-2]) & (smooth[1:-1] >= smooth[2:]) & (smooth[1:-1] > 0.0)
    at = np.nonzero(top)[0] + 1
    within = at[(t[at] >= span[0]) & (t[at] <= span[1])]
    if not len(within):
        return np.zeros(0)
    usual = float(np.percentile(smooth[within], 70))
    at = at[smooth[at] > _PEAK_SHARE * usual]
    left, mid, right = smooth[at - 1], smooth[at], smooth[at + 1]
    shift = 0.5 * (left - right) / (left - 2.0 * mid + right)
    return np.asarray(t[at] + shift * (t[1] - t[0]))


_SMOOTHING = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0  # one sample, a twelfth of a pitch


def _longest_run(good: BoolArray) -> tuple[int, int]:
    """Start and end of the longest run of true values."""
    edges = np.diff(np.concatenate([[0], good.astype(int), [0]]))
    starts, ends = np.nonzero(edges == 1)[0], np.nonzero(edges == -1)[0]
    if not len(starts):
        return 0, 0
    best = int(np.argmax(ends - starts))
    return int(starts[best]), int(ends[best])


def _grow(peaks: FloatArray, number: IntArray) -> SpacingLaw | None:
    """Extend the numbering outwards from a sure run, refitting as it grows."""
    law = None
    reach = 4
    for _ in range(_MAX_GROWTH):
        known = number > -(10**6)
        law = fit_law(number[known], peaks[known])
        span = int(np.ptp(number[known]))
        ahead = np.arange(number[known].min() - reach, number[known].max() + reach + 1)
        fresh = _assign(peaks, law, ahead)
        grown = int((fresh > -(10**6)).sum()) - int(known.sum())
        number = fresh
        if grown <= 0:
            if reach >= _MAX_GAP_SHARE * span:
                break
            reach *= 2
        else:
            reach = max(4, span // 4)
    known = number > -(10**6)
    return fit_law(number[known], peaks[known]) if known.sum() >= _SEED_MARKS else None


_MAX_GROWTH = 40
_MAX_GAP_SHARE = 0.6  # of the numbered length: a wider gap is not bridged
_ONE_SIDED = 6  # marks looked at on either side
_DENSITY = 0.6  # of them that must be there; chance gives 0.4


def _assign(peaks: FloatArray, law: SpacingLaw, ahead: IntArray) -> IntArray:
    """Numbers of the peaks that lie where marks should be, in stretches that are well filled."""
    expected = law.position(ahead)
    nearest = np.clip(np.searchsorted(peaks, expected), 1, len(peaks) - 1)
    nearest -= expected - peaks[nearest - 1] < peaks[nearest] - expected
    error = np.abs(peaks[nearest] - expected) / np.abs(law.pitch(ahead))
    hit = error < _STEP_TOLERANCE
    total = np.concatenate([[0], np.cumsum(hit)])
    here = np.arange(len(hit))
    before = total[here + 1] - total[np.maximum(here + 1 - _ONE_SIDED, 0)]
    after = total[np.minimum(here + _ONE_SIDED, len(hit))] - total[here]
    hit &= np.maximum(before, after) >= _DENSITY * _ONE_SIDED
    number = np.full(len(peaks), -(10**6))
    number[nearest[hit]] = ahead[hit]
    return number


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Marks as straight lines in the undistorted picture: centre, direction, half length."""

    centre: FloatArray
    direction: FloatArray
    half: FloatArray
    pitch: FloatArray


def _measure(grey: Grey, axis: _Axis, across: _Lines, sign: int) -> Marks | None:
    """Measure every numbered mark, and those between, in linear light."""
    index, pitch = np.arange(len(across.pitch)), across.pitch
    strength, v = _strength_along(grey, axis, across, sign, _FINE_STEP)
    ends = _ends(strength, v)
    if ends is None:
        return None
    low, high, seen = ends
    root_is_low, root, straight = _common_end(index, low, high, seen)
    margin = _END_MARGIN * pitch
    tip = np.where(root_is_low, high, low)
    # Along the rule the pitch falls with the square of the distance, a length with the first
    # power: over the root of the pitch, equal marks have equal lengths.
    length = np.abs(tip - root) / np.sqrt(pitch * np.median(pitch))
    start, stop = np.minimum(root, tip) + margin, np.maximum(root, tip) - margin
    seen &= stop - start > _SHORTEST_PITCHES * pitch
    lines = _Lines(
        centre=across.centre + ((start + stop) / 2.0)[:, None] * across.direction,
        direction=across.direction,
        half=np.maximum((stop - start) / 2.0, 0.1),
        pitch=pitch,
    )
    lines, clear = _refine(grey, axis, lines, seen)
    seen &= clear
    if seen.sum() < _SEED_MARKS:
        return None
    return _as_marks(axis, lines, seen, length, sign, float(straight), root_is_low=root_is_low)


_END_MARGIN = 0.15  # pitches left off at either end of a mark, where it fades
_SHORTEST_PITCHES = 0.6


def _across_row(axis: _Axis, law: SpacingLaw, reach_pitches: float) -> _Lines:
    """Lines across the row at the numbered places, to both sides of it."""
    index = np.arange(law.first, law.last + 1)
    t = law.position(index)
    pitch = np.abs(law.pitch(index))
    half = np.full(len(t), reach_pitches * float(np.median(pitch)))
    return _Lines(
        centre=axis.points(t), direction=axis.mark_directions(t), half=half, pitch=pitch
    )


def _patches(grey: Grey, axis: _Axis, lines: _Lines, w: FloatArray) -> FloatArray:
    """Linear light about lines, less mean and slope across them: (n, rows, samples).

    The rows lie at w = -1..1 along the lines. The distortion is worked out at three rows
    and two columns and interpolated between, which is exact to 0.01 px over a mark.
    """
    nodes_w, nodes_m = np.array([-1.0, 0.0, 1.0]), np.array([-0.5, 0.5])
    nodes = (
        lines.centre[:, None, None]
        + (nodes_w * lines.half[:, None])[:, :, None, None] * lines.direction[:, None, None]
        + (nodes_m * lines.pitch[:, None])[:, None, :, None] * axis.along
    )
    along = np.stack([w * (w - 1.0) / 2.0, 1.0 - w * w, w * (w + 1.0) / 2.0], -1)
    across = np.stack([0.5 - _ACROSS, 0.5 + _ACROSS], -1)
    weights = np.einsum("ri,mj->rmij", along, across).reshape(len(w) * len(_ACROSS), 6)
    stored = axis.stored(nodes).reshape(len(lines.centre), 6, 2).transpose(2, 0, 1)
    points = stored.astype(np.float32) @ weights.T.astype(np.float32)
    values = _sample(grey, points[0], points[1])
    return values.reshape(len(lines.centre), len(w), len(_ACROSS)) @ _DETREND


def _strength_along(
    grey: Grey, axis: _Axis, lines: _Lines, sign: int, step: float
) -> tuple[FloatArray, FloatArray]:
    """Strength of marks (n, rows) and distances along them (rows,)."""
    middle = float(np.median(lines.pitch))
    reach = float(lines.half[0])
    w = np.linspace(-1.0, 1.0, 2 * int(np.ceil(reach / (step * middle))) + 1)
    v = w * reach
    patch = _patches(grey, axis, lines, w)
    band = np.abs(v) <= _BAND_PITCHES * middle
    profile = np.nanmedian(patch[:, band].mean(axis=1), axis=0)
    shape = (profile + profile[::-1]) / 2.0
    if sign * shape[_PROFILE_SAMPLES // 2] < 0.0:
        shape = -shape
    strength = np.nan_to_num(patch @ (shape / (shape @ shape + 1e-30)))
    return strength, v


def _detrending(samples: int) -> FloatArray:
    """Matrix that takes mean and slope off rows of samples."""
    basis = np.vander(np.linspace(-1.0, 1.0, samples), 2)
    return np.asarray(np.eye(samples) - basis @ np.linalg.pinv(basis))





_ACROSS = np.linspace(-0.5, 0.5, _PROFILE_SAMPLES)
_DETREND = _detrending(_PROFILE_SAMPLES).astype(np.float32)


def _ends(strength: FloatArray, v: FloatArray) -> tuple[FloatArray, FloatArray, BoolArray] | None:
    """Where each mark fades to half on either side, and which marks are there at all."""
    count = len(v)
    centre = count // 2
    smooth = cv2.blur(strength, (3, 1), borderType=cv2.BORDER_REPLICATE)
    own = np.median(strength[:, centre - 1 : centre + 2], axis=1)
    usual = float(np.median(own))
    seen = own > _PEAK_SHARE * usual
    if usual <= 0.0 or seen.sum() < _SEED_MARKS:
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
    lines, scatter = [], []
    for end in (low, high):
        poly = robust_poly(index[seen] - float(index.mean()), end[seen], 2)
        line = np.polyval(poly, index - float(index.mean()))
        lines.append(line)
        scatter.append(1.48 * float(np.median(np.abs(end - line)[seen])))
    spread = [np.abs(end - line)[seen].mean() for end, line in zip((low, high), lines, strict=True)]
    root_is_low = bool(spread[0] <= spread[1])
    side = 0 if root_is_low else 1
    return root_is_low, lines[side], scatter[side]


def _refine(
    grey: Grey, axis: _Axis, lines: _Lines, seen: BoolArray
) -> tuple[_Lines, BoolArray]:
    """Shift and turn each line until the mean shape of a mark fits best (least squares)."""
    clear = seen
    for _ in range(_PASSES):
        rows = int(np.clip(2.0 * np.median(lines.half), 9, 60))
        w = np.linspace(-1.0, 1.0, rows)
        patch = _patches(grey, axis, lines, w)
        mean = np.nanmedian(patch[seen].mean(axis=1), axis=0)
        shape = (mean + mean[::-1]) / 2.0
        slope = np.gradient(shape, 1.0 / (_PROFILE_SAMPLES - 1)) @ _DETREND
        strength = (patch @ shape).mean(axis=1) / (shape @ shape)
        own = strength[:, None] * (slope @ slope)
        shift = -(patch @ slope) / np.where(np.abs(own) > 1e-30, own, np.inf)
        shift = np.clip(shift, -0.3, 0.3) * lines.pitch[:, None]
        offset, turn = _line_through(w, shift)
        clear = np.isfinite(offset) & (strength > _PEAK_SHARE * np.nanmedian(strength[seen]))
        offset, turn = np.nan_to_num(offset), np.nan_to_num(turn)
        direction = lines.direction + (turn / lines.half)[:, None] * axis.along
        lines = _Lines(
            centre=lines.centre + offset[:, None] * axis.along,
            direction=direction / np.linalg.norm(direction, axis=1, keepdims=True),
            half=lines.half,
            pitch=lines.pitch,
        )
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
    axis: _Axis,
    lines: _Lines,
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
