"""Sub-pixel position of a ring-shaped edge on the unrolled surface.

All rows share one edge x(angle) = x0 + c (cos angle - mean) + s (sin angle - mean), an erf
step of one width; each row has a level and a step height of its own, of either sign. The
shared parameters are found by Gauss-Newton with the rows' own ones projected out (variable
projection: Golub & Pereyra, SIAM J. Numer. Anal. 10 (1973) 413-432).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from bandscan.model import Strip
from calib.camera import FloatArray

# Rows brighter than this on either side are clipped: their edge lies where the sensor gave up.
CLIPPED_LEVEL = 0.95
WOBBLE_PRIOR_MM = 0.1  # runout of a worn band about the turn; common practice, no published source
TEN_TO_NINETY = 2.563  # 10-90 % width of an erf step over its standard deviation
_MIN_SIGMA_COLUMNS = 0.45  # an edge is never sharper than the pixel's own aperture
# Neighbouring rows see the same streaks, so that this many count as one against the prior.
_ROWS_PER_STREAK = 6.0
# The half-contrast point of a row lies within the soft edge wherever the reflection puts it:
# rows differ by this share of the 10-90 % width even without noise (see DEVELOPERS.md).
ROW_SHIFT_SHARE = 0.1
_STEPS = 12
_MOST_PLACES = 200  # at which the streaks' effect is tried; they overlap by then
# By how much the streaks' scatter differs between photos of one shaft that differ by noise alone,
# relative: which rows carry the edge changes (rendered photos). Its degrees of freedom: GUM (G.3).
_SCATTER_DOUBT = 0.2
_FEWEST_ROWS = 4  # of a strip that must carry the edge
_TELLING = 3.0  # standard deviations of a row's own noise
_OWN_PLACES_MM = np.arange(-0.5, 0.501, 0.025)  # about the edge, at which a row's own is sought
_OWN_SIGMA_MM = 0.12  # of a row's own edge at most
_OWN_SHARE = 0.8  # of a row's changes that a step of its own must explain
_OWN_ERROR_MM = 0.05  # of a row's own place, from streaks
_FEWEST_OWN = 6
_TUKEY = 4.7  # usual tuning of the biweight: 95 % efficient on normal noise


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StepFit:
    """A fitted edge.

    Parameters
    ----------
    position_mm : float
        Mean of the edge over the arc asked for.
    u_mm, dof : float
        Standard uncertainty from noise and streaks, and its degrees of freedom.
    unseen_u_mm : float
        Standard uncertainty because the rows that carry the edge leave its wobble open.
    sigma_mm : float
        Standard deviation of the erf step (blur of the picture included).
    wobble_mm : (float, float)
        c and s of the edge about the turn.
    height : ndarray, shape (rows,)
        Step height of each row in linear light, right minus left.
    significance : ndarray, shape (rows,)
        Step height over its own noise.
    tone_mm : float
        How far the position moves per unit of error in the exponent of the tone curve.
    ragged : float
        Scatter of the rows' own edges about the common one, over its width; NaN where too few
        rows show an edge of their own.
    """

    position_mm: float
    u_mm: float
    dof: float
    unseen_u_mm: float
    sigma_mm: float
    wobble_mm: tuple[float, float]
    height: FloatArray
    significance: FloatArray
    tone_mm: float
    ragged: float

    @property
    def telling_rows(self) -> int:
        """Rows whose step stands out of their own noise."""
        return int((np.abs(self.significance) > _TELLING).sum())


def fit_step(
    strip: Strip,
    guess_mm: float,
    *,
    left_mm: float,
    right_mm: float,
    arc_rad: tuple[float, float],
    ordinary: NDArray[np.bool_],
) -> StepFit | None:
    """Fit one ring-shaped edge.

    Parameters
    ----------
    strip : Strip
    guess_mm : float
        Where the edge was found by the search, to within some tenths of a mm.
    left_mm, right_mm : float
        How far the metal on either side may be used.
    arc_rad : (float, float)
        Arc over which the position is averaged.
    ordinary : ndarray of bool, shape (columns,)
        Columns of undisturbed ground metal, from which the effect of its streaks on
        the position is read.

    Returns
    -------
    StepFit or None
        None where no row carries the edge or it runs out of its window.
    """
    step_mm = float(strip.axial_mm[1] - strip.axial_mm[0])
    low = int(np.searchsorted(strip.axial_mm, guess_mm - left_mm))
    high = int(np.searchsorted(strip.axial_mm, guess_mm + right_mm))
    if high - low < 6:
        return None
    values = np.asarray(strip.values[:, low:high], dtype=float)
    seen = np.isfinite(values).all(axis=1)
    values = np.where(seen[:, None], values, 0.0)
    model = _Model(strip.axial_mm[low:high], strip.angle_rad, arc_rad, step_mm)
    state = np.array([guess_mm, 0.0, 0.0, math.log(max(0.08, 1.2 * step_mm))])
    weights = _first_weights(values, seen, model.axial < guess_mm)
    row_weight = seen.astype(float)
    for index in range(_STEPS):
        rows = model.solve_rows(state, values, weights)
        change, row_error, row_noise = model.improve(state, rows, weights, row_weight)
        state = state + np.clip(change, -0.1, 0.1)
        state[3] = max(state[3], math.log(_MIN_SIGMA_COLUMNS * step_mm))
        if abs(state[0] - guess_mm) > min(left_mm, right_mm):
            return None
        if index >= 3:
            weights = _weights(rows.residual, seen, model.axial < state[0])
            shift = ROW_SHIFT_SHARE * TEN_TO_NINETY * math.exp(state[3])
            row_weight = seen * _row_weights(row_error, row_noise, shift) * ~_clipped(rows)
        if np.count_nonzero(row_weight) < _FEWEST_ROWS:
            return None
        if index > 5 and abs(change[0]) < 1e-4:
            break
    rows = model.solve_rows(state, values, weights)
    kernel, normal = model.kernel(rows, weights, row_weight)
    u_mm, dof = _streak_uncertainty(kernel, weights, normal, strip, ordinary)
    noise = np.sqrt(1.0 / np.maximum(weights.min(axis=1), 1e-12))
    significance = np.where(seen, rows.height / noise, 0.0)
    return StepFit(
        position_mm=float(state[0]),
        u_mm=u_mm,
        dof=dof,
        unseen_u_mm=_unseen_uncertainty(normal),
        sigma_mm=float(math.exp(state[3])),
        wobble_mm=(float(state[1]), float(state[2])),
        height=rows.height,
        significance=significance,
        tone_mm=_tone_lean_mm(rows, row_weight * significance**2, float(math.exp(state[3]))),
        ragged=_raggedness(model, state, values),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Rows:
    """Level, step height and residuals of every row for given shared parameters."""

    level: FloatArray
    height: FloatArray
    residual: FloatArray
    slope: FloatArray  # d model / d position of the row, own parameters projected out
    stretch: FloatArray  # d model / d log sigma, likewise


class _Model:
    """The shared edge over a window of columns."""

    def __init__(
        self, axial: FloatArray, angle: FloatArray, arc: tuple[float, float], step_mm: float
    ) -> None:
        self.axial = axial
        self.step_mm = step_mm
        span = arc[1] - arc[0]
        cos_mean = (math.sin(arc[1]) - math.sin(arc[0])) / span
        sin_mean = (math.cos(arc[0]) - math.cos(arc[1])) / span
        self.basis = np.stack(
            [np.ones_like(angle), np.cos(angle) - cos_mean, np.sin(angle) - sin_mean], axis=1
        )

    def solve_rows(self, state: FloatArray, values: FloatArray, weights: FloatArray) -> _Rows:
        """Weighted straight-line fit of every row on the step's shape, in closed form."""
        sigma = math.exp(state[3])
        offset = (self.axial[None, :] - (self.basis @ state[:3])[:, None]) / sigma
        shape = _normal_cdf(offset)
        bell = np.exp(-0.5 * offset**2) / (sigma * math.sqrt(2.0 * math.pi))
        project = _Projector(shape, weights)
        level, height = project.fit(values)
        residual = values - level[:, None] - height[:, None] * shape
        slope = project.remove(-height[:, None] * bell)
        stretch = project.remove(-height[:, None] * bell * offset * sigma)
        return _Rows(level=level, height=height, residual=residual, slope=slope, stretch=stretch)

    def improve(
        self,
        state: FloatArray,
        rows: _Rows,
        weights: FloatArray,
        row_weight: FloatArray,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Gauss-Newton change of the shared parameters; each row's own position error."""
        normal, right, information, pull = self._normal(rows, weights, row_weight)
        prior = _prior()
        right = right - prior @ (state * [0.0, 1.0, 1.0, 0.0])
        change = np.asarray(
            np.linalg.solve(normal + prior + 1e-9 * np.eye(4), right), dtype=np.float64
        )
        return change, pull / (information + 1e-12), 1.0 / np.sqrt(information + 1e-12)

    def _normal(
        self, rows: _Rows, weights: FloatArray, row_weight: FloatArray
    ) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
        weighted_slope = weights * rows.slope
        information = np.einsum("ij,ij->i", weighted_slope, rows.slope)
        pull = np.einsum("ij,ij->i", weighted_slope, rows.residual)
        cross = np.einsum("ij,ij->i", weighted_slope, rows.stretch)
        weighted_stretch = weights * rows.stretch
        own = np.einsum("ij,ij->i", weighted_stretch, rows.stretch)
        pull_stretch = np.einsum("ij,ij->i", weighted_stretch, rows.residual)
        normal = np.zeros((4, 4))
        normal[:3, :3] = (self.basis * (row_weight * information)[:, None]).T @ self.basis
        normal[:3, 3] = normal[3, :3] = self.basis.T @ (row_weight * cross)
        normal[3, 3] = (row_weight * own).sum()
        right = np.append(self.basis.T @ (row_weight * pull), (row_weight * pull_stretch).sum())
        return normal, right, information, pull

    def kernel(
        self, rows: _Rows, weights: FloatArray, row_weight: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """How each pixel's value moves the position, shape (rows, columns); the normal matrix."""
        normal, *_ = self._normal(rows, weights, row_weight)
        prior = _prior()
        gain = np.linalg.inv(normal + prior + 1e-9 * np.eye(4))[0]
        along = (self.basis @ gain[:3])[:, None] * rows.slope + gain[3] * rows.stretch
        return row_weight[:, None] * weights * along, normal + prior


class _Projector:
    """Weighted least squares on (1, shape) for every row at once."""

    def __init__(self, shape: FloatArray, weights: FloatArray) -> None:
        self.shape, self.weights = shape, weights
        self.total = weights.sum(axis=1) + 1e-12
        self.mean_shape = (weights * shape).sum(axis=1) / self.total
        self.centred = shape - self.mean_shape[:, None]
        self.variance = (weights * self.centred**2).sum(axis=1) + 1e-12

    def fit(self, values: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Level left of the step and step height of every row."""
        mean = (self.weights * values).sum(axis=1) / self.total
        height = (self.weights * self.centred * values).sum(axis=1) / self.variance
        return mean - height * self.mean_shape, height

    def remove(self, values: FloatArray) -> FloatArray:
        """What is left of `values` beyond a level and a step."""
        level, height = self.fit(values)
        return np.asarray(values - level[:, None] - height[:, None] * self.shape)


def _raggedness(model: _Model, state: FloatArray, values: FloatArray) -> float:
    """Scatter of the places where each row alone shows a step, over the width of the edge."""
    sigma = math.exp(state[3])
    places = (model.basis @ state[:3])[:, None] + _OWN_PLACES_MM  # rows, places
    shape = _normal_cdf((model.axial - places[:, :, None]) / min(sigma, _OWN_SIGMA_MM))
    shape -= shape.mean(axis=2, keepdims=True)
    centred = values - values.mean(axis=1, keepdims=True)
    explained = np.einsum("rpc,rc->rp", shape, centred) ** 2 / ((shape**2).sum(axis=2) + 1e-12)
    share = explained.max(axis=1) / ((centred**2).sum(axis=1) + 1e-12)
    own = _OWN_PLACES_MM[explained.argmax(axis=1)][share > _OWN_SHARE]
    if own.size < _FEWEST_OWN:
        return math.nan
    scatter_mm = 1.4826 * float(np.median(np.abs(own - np.median(own))))
    return scatter_mm / math.hypot(sigma, _OWN_ERROR_MM)


def _prior() -> FloatArray:
    wobble = _ROWS_PER_STREAK / WOBBLE_PRIOR_MM**2
    return np.diag([0.0, wobble, wobble, 1.0])


def _normal_cdf(x: FloatArray) -> FloatArray:
    """Standard normal distribution function, to 1e-7 (Abramowitz & Stegun 26.2.17)."""
    t = 1.0 / (1.0 + 0.2316419 * np.abs(x))
    poly = t * (
        0.319381530 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429)))
    )
    tail = np.exp(-0.5 * x * x) / math.sqrt(2.0 * math.pi) * poly
    return np.where(x >= 0.0, 1.0 - tail, tail)


def _weights(residual: FloatArray, seen: NDArray[np.bool_], left: NDArray[np.bool_]) -> FloatArray:
    """Inverse variance of each row on each side, shape (rows, columns), none far above usual."""
    noise = np.empty_like(residual)
    for side in (left, ~left):
        if side.any():
            spread = np.sqrt((residual[:, side] ** 2).mean(axis=1))
            usual = np.median(spread[seen]) if seen.any() else 1.0
            noise[:, side] = np.hypot(spread, 0.3 * usual + 1e-4)[:, None]
    return np.asarray(1.0 / noise**2)


def _first_weights(
    values: FloatArray, seen: NDArray[np.bool_], left: NDArray[np.bool_]
) -> FloatArray:
    centred = values.copy()
    for side in (left, ~left):
        if side.any():
            centred[:, side] -= np.median(values[:, side], axis=1, keepdims=True)
    return _weights(centred, seen, left)


def _row_weights(error: FloatArray, noise: FloatArray, shift_mm: float) -> FloatArray:
    """Weights of rows: even beyond `shift_mm`, less where a row's edge lies elsewhere (Tukey)."""
    total = np.hypot(noise, shift_mm)
    ratio = error / total
    scale = max(1.0, 1.4826 * float(np.median(np.abs(ratio))))
    robust = np.clip(1.0 - (ratio / (_TUKEY * scale)) ** 2, 0.0, 1.0) ** 2
    return np.asarray(robust * (noise / total) ** 2)


def _tone_lean_mm(rows: _Rows, weight: FloatArray, sigma_mm: float) -> float:
    """How far an error of 1 in the exponent of the tone curve moves the half-contrast point.

    Notes
    -----
    With light read as L^(1 + e), the step from L1 by h has its half-contrast point where the
    light is h^2 e / 8 L above the middle L of the step (second order), which is
    sqrt(2 pi) sigma h e / 8 L further along an erf edge (own derivation).
    """
    middle = np.maximum(rows.level + 0.5 * rows.height, 1e-3)
    contrast = np.clip(rows.height / middle, -2.0, 2.0)
    mean = float(weight @ contrast) / max(float(weight.sum()), 1e-12)
    return math.sqrt(2.0 * math.pi) * sigma_mm * mean / 8.0


def _clipped(rows: _Rows) -> NDArray[np.bool_]:
    return np.asarray(np.maximum(rows.level, rows.level + rows.height) > CLIPPED_LEVEL)


def _streak_uncertainty(
    kernel: FloatArray,
    weights: FloatArray,
    normal: FloatArray,
    strip: Strip,
    ordinary: NDArray[np.bool_],
) -> tuple[float, float]:
    """Scatter of the position that the ground metal's own streaks and the noise would give.

    The estimator's kernel is laid over undisturbed metal elsewhere on the strip, where any
    answer but zero is error, with all correlations of real streaks between rows and columns.
    Where the metal at the edge is calmer than that (inside a polished band), in that proportion.
    """
    width = kernel.shape[1]
    usable = sliding_window_view(ordinary, width).all(axis=1)
    starts = np.flatnonzero(usable)
    formal = math.sqrt(np.linalg.inv(normal)[0, 0])
    if starts.size < 2 * width:
        return 2.0 * formal, 4.0  # streaks correlate rows: the formal value is too small
    starts = starts[:: max(1, starts.size // _MOST_PLACES)]
    values = np.nan_to_num(np.asarray(strip.values, dtype=float))
    windows = sliding_window_view(values, width, axis=1)[:, starts]
    windows = windows - windows.mean(axis=2, keepdims=True)
    usual = np.sqrt((windows**2).mean(axis=(1, 2)))[:, None] + 1e-12
    calm = np.minimum(1.0, 1.0 / (np.sqrt(weights) * usual))
    answers = np.einsum("rc,rsc->s", kernel * calm, windows)
    places = max(3.0, usable.sum() / width)
    return _clipped_scatter(answers), 1.0 / (1.0 / places + 2.0 * _SCATTER_DOUBT**2)


def _clipped_scatter(answers: FloatArray) -> float:
    """Standard deviation, values beyond three of them (a groove, a stain) drawn in.

    The median deviation alone would need almost three times as many values for the same
    certainty (efficiency 37 %: P. J. Huber, Robust Statistics (1981), 5.1).
    """
    away = answers - np.median(answers)
    limit = 3.0 * 1.4826 * float(np.median(np.abs(away)))
    return float(np.sqrt((np.clip(away, -limit, limit) ** 2).mean()))


def _unseen_uncertainty(normal: FloatArray) -> float:
    """Share of the position's uncertainty that comes from the wobble's being open."""
    information = normal / _ROWS_PER_STREAK
    with_wobble = np.linalg.inv(information[:3, :3])[0, 0]
    return math.sqrt(max(0.0, with_wobble - 1.0 / information[0, 0]))


__all__ = ["TEN_TO_NINETY", "StepFit", "fit_step"]
