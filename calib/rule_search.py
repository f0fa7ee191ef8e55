"""Where in a picture lines stand in a regular row: the search for a rule's graduations.

At reduced scale, every small block with one clear gradient direction is asked whether the
grey values along that direction repeat. Blocks that agree in direction and period and lie
on one line are a row. Grain, grinding streaks and print repeat by chance here and there,
but not with one period along one line.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

Grey = NDArray[np.uint8] | NDArray[np.uint16]

_REDUCED_PIXELS = 3.2e6  # half scale from 5 MP, a third from 20 MP: marks stay > 2.5 px apart
_BLOCK_PX = 8  # reduced px; fits inside a row of short marks (2.4 mm at 10 px per mm, halved)
_BACKGROUND_PX = 41  # reduced px; box of the mean that is taken off, wider than any pitch
_MIN_COHERENCE = 0.45  # of the gradient directions in a block; noise alone gives about 0.15
_MAX_BLOCKS = 6000  # for the time; a rule across the frame fills some hundred blocks
_HALF_WINDOW_PX = 72  # reduced px; four periods of the coarsest pitch fit in a window
_PERIODS_PX = (2.4, 36.0)  # reduced px; from 0.5 mm at 10 px/mm to 1/16 in at 40 px/mm, halved
_MIN_CORRELATION = 0.4  # random texture reaches 0.2-0.4 in such a window
_FIRST_PEAK_SHARE = 0.8  # the first peak this near to the highest one is the period
_MIN_ROW_PERIODS = 8.0  # fewer repeats are not called a row
_MIN_ROW_BLOCKS = 8
_MAX_ROWS = 8
_MAX_TRIALS = 40
_LINE_SHARE = 0.3  # of the blocks that agree with one, that must lie on a common line
_MAX_REPEATING = 1200  # for the time (all pairs are compared)
_TURN_RAD = 0.15  # between blocks of a row: convergence of the marks and noise
_SLANT = 0.10  # sideways per px along: skew of the marks and noise of a block's direction
_STRETCH = 0.08  # of log period: noise of one block
_STRETCH_PER_PX = 4e-4  # of log period: foreshortening, 1.3 times over a whole rule


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Row:
    """A row of parallel lines, roughly located.

    Parameters
    ----------
    origin_px, along : ndarray, shape (2,)
        A point of the row, pixels of the full picture, and its unit direction.
    span_px : tuple of 2 floats
        Where the row was noticed, as distances from the origin.
    pitch_poly : ndarray, shape (2,)
        log(pitch in px) = polyval(pitch_poly, distance).
    skew_poly : ndarray, shape (2,)
        Angle (rad) from the row's normal to the lines, same argument.
    offset_poly : ndarray, shape (3,)
        Sideways bend of the row (px), same argument.
    blocks : int
        How many blocks agree.
    """

    origin_px: FloatArray
    along: FloatArray
    span_px: tuple[float, float]
    pitch_poly: FloatArray
    skew_poly: FloatArray
    offset_poly: FloatArray
    blocks: int

    @property
    def pitch_px(self) -> float:
        """Pitch in the middle of the span."""
        return float(np.exp(np.polyval(self.pitch_poly, sum(self.span_px) / 2.0)))

    @property
    def periods(self) -> float:
        """Length of the span in pitches."""
        return (self.span_px[1] - self.span_px[0]) / self.pitch_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Blocks:
    """Blocks whose grey values repeat; angle of the direction across their lines."""

    centre: FloatArray
    angle: FloatArray
    period: FloatArray
    quality: FloatArray

    def __len__(self) -> int:
        return len(self.quality)

    def take(self, chosen: NDArray[np.bool_] | NDArray[np.intp]) -> _Blocks:
        return _Blocks(
            centre=self.centre[chosen],
            angle=self.angle[chosen],
            period=self.period[chosen],
            quality=self.quality[chosen],
        )


def search_rows(grey: Grey, *, avoid: FloatArray | None = None) -> list[Row]:
    """Find rows of parallel, evenly spaced lines.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values.
    avoid : ndarray, shape (k, 2), optional
        Polygon (px) in which nothing is looked for.

    Returns
    -------
    list of Row
        Longest first; empty where there is none.
    """
    factor = max(1, int(np.ceil(np.sqrt(grey.size / _REDUCED_PIXELS))))
    small = _reduce(grey, factor)
    if min(small.shape) < 4 * _BLOCK_PX:
        return []
    centre, angle = _coherent_blocks(small, None if avoid is None else avoid / factor)
    blocks = _repeating_blocks(small, centre, angle)
    return [_enlarge(row, factor) for row in _rows_of(blocks)]


def _reduce(grey: Grey, factor: int) -> NDArray[np.uint8]:
    size = (grey.shape[1] // factor, grey.shape[0] // factor)
    cut = grey[: size[1] * factor, : size[0] * factor]
    small = cv2.resize(cut, size, interpolation=cv2.INTER_AREA) if factor > 1 else cut
    if small.dtype == np.uint16:
        small = cv2.convertScaleAbs(small, alpha=1.0 / 257.0)
    return np.asarray(small, dtype=np.uint8)


def _coherent_blocks(
    small: NDArray[np.uint8], avoid: FloatArray | None
) -> tuple[FloatArray, FloatArray]:
    """Centres (n, 2) and gradient angles (n,) of blocks with one clear gradient direction."""
    gx = cv2.Sobel(small, cv2.CV_16S, 1, 0)
    gy = cv2.Sobel(small, cv2.CV_16S, 0, 1)
    shape = (small.shape[1] // _BLOCK_PX, small.shape[0] // _BLOCK_PX)
    cut = np.s_[: shape[1] * _BLOCK_PX, : shape[0] * _BLOCK_PX]
    xx, yy, xy = (
        cv2.resize(
            cv2.multiply(a[cut], b[cut], dtype=cv2.CV_32F), shape, interpolation=cv2.INTER_AREA
        )
        for a, b in ((gx, gx), (gy, gy), (gx, gy))
    )
    energy = xx + yy
    coherence = np.hypot(xx - yy, 2.0 * xy) / (energy + 1e-6)
    good = (coherence > _MIN_COHERENCE) & (energy > np.percentile(energy, 20))
    if avoid is not None:
        mask = np.zeros(good.shape, np.uint8)
        corners = np.round(np.asarray(avoid, float) / _BLOCK_PX - 0.5).astype(np.int32)
        cv2.fillPoly(mask, [corners], 1)
        good &= mask == 0
    rows, columns = np.nonzero(good)
    step = max(1.0, len(rows) / _MAX_BLOCKS)
    keep = np.minimum(np.arange(0.0, len(rows), step).astype(int), len(rows) - 1)
    rows, columns = rows[keep], columns[keep]
    angle = 0.5 * np.arctan2(2.0 * xy[rows, columns], (xx - yy)[rows, columns])
    centre = np.stack([columns, rows], -1) * float(_BLOCK_PX) + (_BLOCK_PX - 1) / 2.0
    return centre, angle.astype(float)


def _repeating_blocks(small: NDArray[np.uint8], centre: FloatArray, angle: FloatArray) -> _Blocks:
    """Keep the blocks along whose gradient direction the grey values repeat."""
    flat = small.astype(np.float32)
    flat -= cv2.blur(flat, (_BACKGROUND_PX, _BACKGROUND_PX))
    profile = _profiles(flat, centre, angle)
    period, quality = _periods(profile)
    good = np.nonzero(quality >= _MIN_CORRELATION)[0]
    keep = good[np.arange(0.0, len(good), max(1.0, len(good) / _MAX_REPEATING)).astype(int)]
    return _Blocks(centre=centre, angle=angle, period=period, quality=quality).take(keep)


def _profiles(
    flat: NDArray[np.float32], centre: FloatArray, angle: FloatArray
) -> NDArray[np.float32]:
    """Mean of three neighbouring lines through each centre, shape (n, window)."""
    reach = np.arange(-_HALF_WINDOW_PX, _HALF_WINDOW_PX + 1, dtype=np.float32)
    along = np.stack([np.cos(angle), np.sin(angle)], -1).astype(np.float32)
    across = np.stack([-along[:, 1], along[:, 0]], -1)
    total = np.zeros((len(centre), len(reach)), np.float32)
    if not len(centre):
        return total
    for side in (-2.0, 0.0, 2.0):
        start = centre.astype(np.float32) + np.float32(side) * across
        x = start[:, :1] + reach * along[:, :1]
        y = start[:, 1:] + reach * along[:, 1:]
        total += cv2.remap(flat, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    limit = 3.0 * np.median(np.abs(total), axis=1, keepdims=True) + np.float32(1e-3)
    return np.asarray(np.clip(total, -limit, limit), np.float32)


def _periods(profile: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Shortest lag at which each profile repeats, and its correlation there."""
    count, window = profile.shape
    if count == 0:
        return np.zeros(0), np.zeros(0)
    centred = profile - profile.mean(axis=1, keepdims=True)
    top = int(_PERIODS_PX[1]) + 2
    lags = np.arange(top + 1)
    padded = cv2.getOptimalDFTSize(window + top)  # no lag that is used wraps round
    spectrum = np.fft.rfft(centred, n=padded, axis=1)
    acf = np.fft.irfft(np.abs(spectrum) ** 2, n=padded, axis=1)[:, : top + 1]
    acf = acf / (acf[:, :1] + 1e-9) * (window / (window - lags))
    inner = acf[:, 1:-1]
    peak = (inner >= acf[:, :-2]) & (inner > acf[:, 2:]) & (lags[1:-1] >= int(_PERIODS_PX[0]))
    height = np.where(peak, inner, -1.0)
    best = height.max(axis=1)
    first = np.argmax(height >= _FIRST_PEAK_SHARE * best[:, None], axis=1) + 1
    each = np.arange(count)
    left, mid, right = acf[each, first - 1], acf[each, first], acf[each, first + 1]
    bend = left - 2.0 * mid + right
    shift = np.where(bend < -1e-9, 0.5 * (left - right) / np.where(bend < -1e-9, bend, 1.0), 0.0)
    return first + np.clip(shift, -0.5, 0.5), np.where(best > 0.0, mid, 0.0)


def _rows_of(blocks: _Blocks) -> list[Row]:
    """Rows, each taking its blocks away from the next; those with most blocks first."""
    friends = _agreeing(blocks)
    free = np.ones(len(blocks), bool)
    count = friends.sum(axis=1)
    rows: list[Row] = []
    for _ in range(_MAX_TRIALS):
        if not free.any() or (count * free).max() < _MIN_ROW_BLOCKS:
            break
        seed = int(np.argmax(count * free))
        members = _straightened(blocks, friends[seed] & free, seed) & free
        members[seed] = True
        spent = members
        if members.sum() < _LINE_SHARE * count[seed]:  # a cloud, not a line
            spent = friends[seed] & free | members
        free &= ~spent
        count = count - friends[:, spent].sum(axis=1)
        if members.sum() >= _MIN_ROW_BLOCKS:
            row = _fit_row(blocks.take(members))
            if row.periods >= _MIN_ROW_PERIODS:
                rows.append(row)
    return sorted(rows, key=lambda row: -row.blocks)[:_MAX_ROWS]


def _agreeing(blocks: _Blocks) -> NDArray[np.bool_]:
    """Whether block j lies on a line through block i and shares direction and period, (n, n)."""
    centre, angle = blocks.centre.astype(np.float32), blocks.angle.astype(np.float32)
    stretch = np.log(blocks.period).astype(np.float32)
    cos, sin = np.cos(angle)[:, None], np.sin(angle)[:, None]
    dx, dy = centre[:, 0] - centre[:, :1], centre[:, 1] - centre[:, 1:]
    reach = np.abs(dx * cos + dy * sin)
    cos2, sin2 = np.cos(2.0 * angle), np.sin(2.0 * angle)
    parallel = np.outer(cos2, cos2) + np.outer(sin2, sin2) > np.cos(2.0 * _TURN_RAD)
    aligned = np.abs(dy * cos - dx * sin) < _BLOCK_PX / 2 + _SLANT * reach
    alike = np.abs(stretch - stretch[:, None]) < _STRETCH + _STRETCH_PER_PX * reach
    return np.asarray(parallel & aligned & alike)


def _straightened(blocks: _Blocks, members: NDArray[np.bool_], seed: int) -> NDArray[np.bool_]:
    """Blocks on the best line through the first choice, whose period changes evenly."""
    angle = blocks.angle[seed]
    along = np.array([np.cos(angle), np.sin(angle)])
    delta = blocks.centre - blocks.centre[seed]
    s, d = delta @ along, delta @ np.array([-along[1], along[0]])
    parallel = np.cos(2.0 * (blocks.angle - angle)) > np.cos(2.5 * _TURN_RAD)
    stretch = np.log(blocks.period / blocks.period[seed])
    for limit in (0.75 * _BLOCK_PX, 0.5 * _BLOCK_PX):
        if members.sum() < _MIN_ROW_BLOCKS:
            break
        line = robust_poly(s[members], d[members], 1)
        pitch = robust_poly(s[members], stretch[members], 1)
        members = parallel & (np.abs(d - np.polyval(line, s)) < limit)
        members &= np.abs(stretch - np.polyval(pitch, s)) < 0.75 * _STRETCH
    return members


def robust_poly(x: FloatArray, y: FloatArray, degree: int) -> FloatArray:
    """Polynomial through most of the points; outliers lose weight (Huber, three passes)."""
    scale = max(float(np.abs(x).max()), 1e-9)
    weight = np.ones(len(x))
    basis = np.vander(x / scale, degree + 1)
    coefficients: FloatArray = np.zeros(degree + 1)
    for _ in range(4):
        root = np.sqrt(weight)
        solved = np.linalg.lstsq(basis * root[:, None], y * root, rcond=None)[0]
        coefficients = np.asarray(solved, dtype=float)
        off = np.abs(y - basis @ coefficients)
        spread = 1.5 * float(np.median(off)) + 1e-9
        weight = np.minimum(1.0, spread / np.maximum(off, 1e-12))
    return np.asarray(coefficients / scale ** np.arange(degree, -1, -1))


def _fit_row(members: _Blocks) -> Row:
    middle = np.median(members.centre, axis=0)
    angle = float(np.angle(np.exp(2j * members.angle).sum()) / 2.0)
    along = np.array([np.cos(angle), np.sin(angle)])
    for _ in range(2):
        normal = np.array([-along[1], along[0]])
        s, d = (members.centre - middle) @ along, (members.centre - middle) @ normal
        slope = robust_poly(s, d, 1)[0]
        along = (along + slope * normal) / np.hypot(1.0, slope)
    normal = np.array([-along[1], along[0]])
    s, d = (members.centre - middle) @ along, (members.centre - middle) @ normal
    turn = (members.angle - np.arctan2(along[1], along[0]) + np.pi / 2) % np.pi - np.pi / 2
    return Row(
        origin_px=middle,
        along=along,
        span_px=(float(s.min()), float(s.max())),
        pitch_poly=robust_poly(s, np.log(members.period), 1),
        skew_poly=robust_poly(s, turn, 1),
        offset_poly=robust_poly(s, d, 2),
        blocks=len(members),
    )


def _enlarge(row: Row, factor: int) -> Row:
    """The same row in pixels of the full picture."""
    pitch_poly = row.pitch_poly / (factor, 1.0) + (0.0, np.log(factor))
    return Row(
        origin_px=(row.origin_px + 0.5) * factor - 0.5,
        along=row.along,
        span_px=(row.span_px[0] * factor, row.span_px[1] * factor),
        pitch_poly=pitch_poly,
        skew_poly=row.skew_poly / (factor, 1.0),
        offset_poly=row.offset_poly / (factor, 1.0, 1.0 / factor),
        blocks=row.blocks,
    )
