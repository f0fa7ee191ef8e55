"""Sub-pixel chessboard corners: two soft edges that cross, fitted in linear light.

Around each corner two strips are sampled along the directions of the board, one
along either edge and narrow enough to stay clear of the markers. The light in
them is modelled as a plane plus the product of two soft steps; the corner is where
the steps cross. The pattern is the same after half a turn about the corner, so blur,
sharpening and the tone curve move the two halves of an edge apart but not the corner.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray
from calib.light import linear_light

Float32Array = NDArray[np.float32]

# Samples along and across a strip. The first pass only centres the window; in the second
# they lie at most 1.0 and 1.2 px apart, so that no sharp edge falls between them.
_COARSE, _FINE = (25, 11), (49, 21)
_LONGEST_PX = 24.0  # half length of a strip; a phone lens bends a line by 0.01 px in it
_WIDEST_PX = 12.0  # half width of a strip; several times the blur of a usable photo
_NARROWEST_PX = 1.5  # half width below which no edge can be fitted
_LENGTH_SQUARES = 0.4  # half length of a strip, in squares: ends before the next corner
_MARGIN_USED = 0.9  # of the room between edge and marker
_STEPS = 12  # damped Gauss-Newton; 4 to 8 are typical
_SETTLED = 1e-4  # relative gain of the worst corner in a step; the corner then moves < 0.001 px
_START_BLUR_PX = 2.0
# Limits of the step's scale. A matched edge narrower than about two pixels (10-90 %) would
# weigh single pixels and follow their grid: the aliasing of a sharp, level board.
_SHARPEST_PX, _SOFTEST_PX = 0.8, 30.0
_TEN_NINETY = 2.197  # 10-90 % width of tanh(x / s) in units of s: 2 artanh(0.8)
_NOISE_AREA_PX2 = 4.0  # demosaicing and sampling spread noise over about 2 x 2 px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CornerFits:
    """Fitted corners, one row each.

    Parameters
    ----------
    px : ndarray, shape (n, 2)
    u_px : ndarray, shape (n,)
        Standard uncertainty from the scatter of the fit.
    blur_px : ndarray, shape (n,)
        10-90 % width of the edges.
    contrast : ndarray, shape (n,)
        Half the step, linear light 0..1; positive where the first quadrant (+x, +y
        of the board) is the brighter.
    explained : ndarray, shape (n,)
        Share of the variance in the strips that the model explains; NaN outside the frame.
    """

    px: FloatArray
    u_px: FloatArray
    blur_px: FloatArray
    contrast: FloatArray
    explained: FloatArray

    @staticmethod
    def unknown(count: int) -> CornerFits:
        """`count` corners of which nothing is known yet: all NaN."""
        empty = np.full(count, np.nan)
        pair = np.full((count, 2), np.nan)
        return CornerFits(px=pair, u_px=empty, blur_px=empty, contrast=empty, explained=empty)

    def replaced(self, rows: NDArray[np.intp], other: CornerFits) -> CornerFits:
        """A copy in which `other` stands at the given rows."""
        columns = {}
        for column in fields(self):
            columns[column.name] = getattr(self, column.name).copy()
            columns[column.name][rows] = getattr(other, column.name)
        return CornerFits(**columns)


def fit_corners(
    grey: NDArray[np.uint8] | NDArray[np.uint16],
    start_px: FloatArray,
    axes_px: FloatArray,
    margin: float,
) -> CornerFits:
    """Refine corners near their predicted places.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
        Stored (gamma-encoded) values.
    start_px : ndarray, shape (n, 2)
        Predictions, good to about the margin between a square's edge and its marker.
    axes_px : ndarray, shape (n, 2, 2)
        Pixels per square along the board's x (first row) and y.
    margin : float
        Room between a square's edge and its marker, in squares.
    """
    coarse = _Window.around(start_px, axes_px, margin, _COARSE)
    light = _sample(grey, coarse.pixels())
    model = _fit(coarse, light, _start(coarse, light))
    centred = start_px + coarse.to_pixels(model.centre())
    window = _Window.around(centred, axes_px, margin, _FINE)
    model = _fit(window, _sample(grey, window.pixels()), model.recentred())
    return CornerFits(
        px=centred + window.to_pixels(model.centre()),
        u_px=model.uncertainty_px(),
        blur_px=_TEN_NINETY * model.soft_px() * window.sine,
        contrast=model.parameters[:, 3],
        explained=model.explained,
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Window:
    """Sample positions x, y (n, samples) in pixels along the board's oblique unit axes."""

    middle: FloatArray
    units: FloatArray
    x: Float32Array
    y: Float32Array
    sine: FloatArray
    sample_area_px2: FloatArray

    @staticmethod
    def around(
        middle: FloatArray, axes_px: FloatArray, margin: float, samples: tuple[int, int]
    ) -> _Window:
        square = np.maximum(np.linalg.norm(axes_px, axis=-1), 1e-6)
        units = axes_px / square[..., None]
        sine = np.abs(units[:, 0, 0] * units[:, 1, 1] - units[:, 0, 1] * units[:, 1, 0])
        half_length = np.minimum(_LENGTH_SQUARES * square, _LONGEST_PX)
        half_width = np.clip(_MARGIN_USED * margin * square, _NARROWEST_PX, _WIDEST_PX)
        half_width = np.minimum(half_width, half_length)
        along, across = np.mgrid[-1.0 : 1.0 : samples[0] * 1j, -1.0 : 1.0 : samples[1] * 1j]
        along, across = along.ravel(), across.ravel()
        x = np.hstack([half_length[:, :1] * along, half_width[:, :1] * across])
        y = np.hstack([half_width[:, 1:] * across, half_length[:, 1:] * along])
        area = half_length * half_width[:, ::-1] * 4.0 / math.prod(samples)
        return _Window(
            middle=middle,
            units=units,
            x=x.astype(np.float32),
            y=y.astype(np.float32),
            sine=sine,
            sample_area_px2=area.mean(axis=-1) * sine,
        )

    def pixels(self) -> FloatArray:
        return np.asarray(
            self.middle[:, None, :]
            + self.x[..., None] * self.units[:, None, 0, :]
            + self.y[..., None] * self.units[:, None, 1, :]
        )

    def to_pixels(self, oblique: FloatArray) -> FloatArray:
        return np.asarray(np.einsum("na,nai->ni", oblique, self.units))


def _sample(grey: NDArray[np.uint8] | NDArray[np.uint16], pixels: FloatArray) -> Float32Array:
    """Linear light at sub-pixel places (bilinear), NaN outside the frame."""
    height, width = grey.shape
    x, y = pixels[..., 0], pixels[..., 1]
    inside = (x >= 0.0) & (y >= 0.0) & (x <= width - 1) & (y <= height - 1)
    x, y = np.where(inside, x, 0.0), np.where(inside, y, 0.0)
    col = np.minimum(x.astype(np.intp), width - 2)
    row = np.minimum(y.astype(np.intp), height - 2)
    fx, fy = (x - col).astype(np.float32), (y - row).astype(np.float32)
    index = row * width + col
    flat = grey.ravel()
    upper = linear_light(flat[index]) * (1.0 - fx) + linear_light(flat[index + 1]) * fx
    below = index + width
    lower = linear_light(flat[below]) * (1.0 - fx) + linear_light(flat[below + 1]) * fx
    return np.where(inside, upper * (1.0 - fy) + lower * fy, np.float32(np.nan))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Model:
    """Parameters (n, 10): plane c gx gy, step b, then offset, slope, log scale of each edge."""

    parameters: FloatArray
    normal: FloatArray
    variance: FloatArray
    explained: FloatArray
    window: _Window

    def centre(self) -> FloatArray:
        """Where the two edges cross, oblique pixels, shape (n, 2)."""
        d1, q1, d2, q2 = self.parameters[:, [4, 5, 7, 8]].T
        x = (d1 + q1 * d2) / (1.0 - q1 * q2)
        return np.stack([x, d2 + q2 * x], axis=-1)

    def recentred(self) -> FloatArray:
        """The parameters seen from the fitted corner."""
        moved = self.parameters.copy()
        moved[:, [4, 7]] = 0.0
        return moved

    def soft_px(self) -> FloatArray:
        """Mean scale of the two steps, oblique pixels."""
        return np.asarray(np.exp(self.parameters[:, [6, 9]]).mean(axis=-1))

    def uncertainty_px(self) -> FloatArray:
        scaled = np.sqrt(np.einsum("nii->ni", self.normal) + 1e-12)
        unit = self.normal / (scaled[:, :, None] * scaled[:, None, :])
        inverse = np.linalg.inv(unit + 1e-9 * np.eye(unit.shape[-1]))
        offsets = np.einsum("nii->ni", inverse)[:, [4, 7]] / scaled[:, [4, 7]] ** 2
        correlated = np.maximum(1.0, _NOISE_AREA_PX2 / self.window.sample_area_px2)
        return np.asarray(np.sqrt(offsets.mean(axis=-1) * self.variance * correlated))


def _evaluate(parameters: FloatArray, window: _Window) -> tuple[Float32Array, Float32Array]:
    """The model's light (n, samples) and its derivatives (n, 10, samples)."""
    columns = parameters.astype(np.float32).T[..., None]
    c, gx, gy, b, d1, q1, log1, d2, q2, log2 = columns
    x, y = window.x, window.y
    scale1, scale2 = np.exp(-log1), np.exp(-log2)
    z1, z2 = (x - d1 - q1 * y) * scale1, (y - d2 - q2 * x) * scale2
    step1, step2 = np.tanh(z1), np.tanh(z2)
    jacobian = np.empty((len(x), 10, x.shape[-1]), dtype=np.float32)
    jacobian[:, 0], jacobian[:, 1], jacobian[:, 2] = 1.0, x, y
    jacobian[:, 3] = step1 * step2
    jacobian[:, 4] = (step1**2 - 1.0) * step2 * (b * scale1)
    jacobian[:, 5] = jacobian[:, 4] * y
    jacobian[:, 6] = jacobian[:, 4] * z1 / scale1
    jacobian[:, 7] = (step2**2 - 1.0) * step1 * (b * scale2)
    jacobian[:, 8] = jacobian[:, 7] * x
    jacobian[:, 9] = jacobian[:, 7] * z2 / scale2
    light = c + gx * x + gy * y + b * jacobian[:, 3]
    return light, jacobian


def _start(window: _Window, light: Float32Array) -> FloatArray:
    light = np.nan_to_num(light)
    parameters = np.zeros((len(light), 10))
    parameters[:, 0] = light.mean(axis=-1)
    sign = np.sign(window.x * window.y)
    parameters[:, 3] = (sign * (light - light.mean(axis=-1, keepdims=True))).mean(axis=-1)
    parameters[:, [6, 9]] = np.log(_START_BLUR_PX)
    return parameters


def _normal(jacobian: Float32Array) -> FloatArray:
    return np.asarray(jacobian @ jacobian.transpose(0, 2, 1), dtype=float)


def _step(jacobian: Float32Array, residual: Float32Array, damping: FloatArray) -> FloatArray:
    normal = _normal(jacobian)
    gradient = np.asarray(jacobian @ residual[..., None], dtype=float)
    diagonal = np.einsum("nii->ni", normal) + 1e-9
    normal += (damping[:, None] * diagonal)[:, :, None] * np.eye(10)
    return np.asarray(np.linalg.solve(normal, gradient)[..., 0])


def _fit(window: _Window, sampled: Float32Array, start: FloatArray) -> _Model:
    """Damped Gauss-Newton on all corners at once."""
    outside = np.asarray(np.isnan(sampled).any(axis=-1))
    light = np.where(outside[:, None], np.float32(0.0), sampled)
    parameters = start.copy()
    damping = np.full(len(light), 1e-3)
    model, jacobian = _evaluate(parameters, window)
    residual = light - model
    cost = np.sum(residual**2, axis=-1)
    limit = np.log([_SHARPEST_PX, _SOFTEST_PX])
    for _ in range(_STEPS):
        trial = parameters + _step(jacobian, residual, damping)
        trial[:, [6, 9]] = np.clip(trial[:, [6, 9]], *limit)
        trial_model, trial_jacobian = _evaluate(trial, window)
        trial_residual = light - trial_model
        trial_cost = np.sum(trial_residual**2, axis=-1)
        better = np.less(trial_cost, cost)
        gain = np.max((cost - trial_cost)[better] / cost[better], initial=0.0)
        parameters[better], jacobian[better] = trial[better], trial_jacobian[better]
        residual[better], cost[better] = trial_residual[better], trial_cost[better]
        damping = np.where(better, damping / 5.0, damping * 5.0)
        if gain < _SETTLED:
            break
    spread = np.sum((light - light.mean(axis=-1, keepdims=True)) ** 2, axis=-1)
    explained = 1.0 - cost / np.maximum(spread, 1e-12)
    return _Model(
        parameters=parameters,
        normal=_normal(jacobian),
        variance=cost / (light.shape[-1] - parameters.shape[-1]),
        explained=np.where(outside, np.nan, explained),
        window=window,
    )
