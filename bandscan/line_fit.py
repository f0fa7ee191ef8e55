"""One straight line through the outline that profiles show, and where they leave it.

Profiles are read square to the outline, one for each stretch of its length. All share one line and
one blur; each has light of its own, and an edge of either sign or none.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandscan.silhouette_fit import Window
from calib.camera import FloatArray

_GRID = 0.25  # of the windows
_BLURS_PX = (0.6, 1.0, 1.6, 2.5)  # from sharp to well behind the focus
_TUKEY = 4.7  # usual tuning of the biweight
_OWN_SCATTER = 0.2  # samples by which profiles differ for reasons other than noise
_ROUNDS = 6
_UPPER = np.triu_indices(5)  # of the five coefficients of the model of a profile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineFit:
    """A fitted line: offset = middle + tilt x place, place from -1 to 1, in samples.

    Parameters
    ----------
    middle, tilt : float
    sigma : float
        Blur of the edge.
    u : float
        Standard uncertainty of `middle` from the scatter of the profiles.
    shift, noise : ndarray, shape (profiles,)
        Each profile's own edge against the line, and its noise.
    weight : ndarray, shape (profiles,)
        Share in the fit, 0 to 1; 0 for profiles that show no edge or another one.
    """

    middle: float
    tilt: float
    sigma: float
    u: float
    shift: FloatArray
    noise: FloatArray
    weight: FloatArray


def fit_line(
    profiles: FloatArray,
    place: FloatArray,
    window: Window,
    *,
    part: NDArray[np.bool_],
    tilt_u: float,
) -> LineFit | None:
    """Fit the outline shared by profiles.

    Parameters
    ----------
    profiles : ndarray, shape (profiles, samples of the window)
        Linear light across the outline, from the metal outward; NaN where not seen.
    place : ndarray, shape (profiles,)
        Where along the line each profile lies, -1 to 1.
    window : Window
        Reach of the profiles and of the search.
    part : ndarray of bool, shape (profiles,)
        Profiles that the line is fitted to; the others are compared with it.
    tilt_u : float
        Standard uncertainty of the guessed line's tilt, samples at the ends.

    Returns
    -------
    LineFit or None
        None where fewer than three profiles carry the outline.
    """
    seen = np.asarray(np.isfinite(profiles).all(axis=1))
    part = part & seen
    if part.sum() < 3:
        return None
    values = np.where(seen[:, None], profiles, 1.0)
    grid = window.edges_px
    cost = _costs(values, window)
    middle, tilt = 0.0, 0.0
    shift = noise = np.zeros(len(place))
    weight = part.astype(float)
    blur = 1
    for round_ in range(_ROUNDS):
        reach = (1.0 if round_ == 0 else 0.75) * float(grid[-1])
        total = np.einsum("p,psg->sg", weight, _aligned(cost, grid, tilt * place))
        blur = int(np.argmin(total.min(axis=1)))
        start = float(grid[int(np.argmin(total[blur]))])
        own = [
            _minimum(grid, cost[p, blur], start + tilt * place[p], reach) for p in range(len(place))
        ]
        edge, noise = (np.array(v) for v in zip(*own, strict=True))
        middle, tilt, weight = _robust_line(edge, noise, place, part, tilt_u)
        shift = edge - middle - tilt * place
    if (weight > 0.2).sum() < 3:
        return None
    rest = shift[weight > 0.2]
    scatter = 1.4826 * float(np.median(np.abs(rest - np.median(rest))))
    return LineFit(
        middle=middle,
        tilt=tilt,
        sigma=_BLURS_PX[blur],
        u=math.hypot(scatter, float(np.median(noise[weight > 0.2]))) / math.sqrt(rest.size),
        shift=shift,
        noise=noise,
        weight=weight,
    )


def _costs(values: FloatArray, window: Window) -> FloatArray:
    """Misfit of every profile for every blur and edge, over its least, shape (p, blurs, edges).

    Outside a straight line; inside it a parabola of its own, the step between them blurred by
    the lens. Residuals are relative to the light, so that dark metal counts as bright ground does.
    """
    offset, scale = window.offsets_px, window.inside_px
    weights = 1.0 / (np.maximum(values, 0.1 * np.median(values, axis=1, keepdims=True)) + 1e-4)
    relative = values * weights
    x = (offset - window.edges_px[:, None]) / scale
    blurs = np.asarray(_BLURS_PX)[:, None, None]
    inside = 0.5 * (1.0 - np.tanh(0.8 * scale * x / blurs))
    x = np.broadcast_to(x, inside.shape)
    design = np.stack([np.ones_like(x), x, inside, inside * x, inside * x * x])
    # Sums over the samples for all blurs and edges at once: one product of matrices each.
    square = design[_UPPER[0]] * design[_UPPER[1]]
    sums = np.tensordot(weights**2, square, axes=(1, 3))
    gram = np.empty((*sums.shape[:1], *sums.shape[2:], 5, 5))
    gram[..., _UPPER[0], _UPPER[1]] = gram[..., _UPPER[1], _UPPER[0]] = np.moveaxis(sums, 1, -1)
    gram += 1e-8 * np.eye(5)
    right = np.moveaxis(np.tensordot(weights * relative, design, axes=(1, 3)), 1, -1)
    solved = np.linalg.solve(gram, right[..., None])[..., 0]
    costs = (relative**2).sum(axis=1)[:, None, None] - (right * solved).sum(axis=-1)
    least = np.maximum(costs.min(axis=(1, 2), keepdims=True), 1e-9)
    free = values.shape[1] - 7  # five of the model, blur and edge
    lost: FloatArray = (np.maximum(costs, least) / least - 1.0) * free
    return lost


def _aligned(cost: FloatArray, grid: FloatArray, shift: FloatArray) -> FloatArray:
    """Costs of every profile moved along the grid, so that one line is one column."""
    steps = np.rint(shift / _GRID).astype(int)
    index = np.clip(np.arange(grid.size)[None, :] + steps[:, None], 0, grid.size - 1)
    limited = np.minimum(cost, _TUKEY**2 * 4.0)  # one profile never decides
    return np.asarray(
        np.take_along_axis(limited, index[:, None, :].repeat(cost.shape[1], axis=1), axis=2)
    )


def _minimum(grid: FloatArray, cost: FloatArray, near: float, reach: float) -> tuple[float, float]:
    """Edge with the least cost near a place, by a parabola, and its standard deviation."""
    inside = np.flatnonzero(np.abs(grid - near) <= reach)
    if inside.size < 3:
        return near, 99.0
    best = int(inside[np.argmin(cost[inside])])
    if best in (inside[0], inside[-1]):
        return float(grid[best]), 99.0
    left, middle, right = cost[best - 1 : best + 2]
    bend = left - 2.0 * middle + right
    if bend <= 1e-9:
        return float(grid[best]), 99.0
    return (
        float(grid[best] + 0.5 * (left - right) / bend * _GRID),
        float(_GRID * math.sqrt(2.0 / bend)),
    )


def _robust_line(
    edge: FloatArray,
    noise: FloatArray,
    place: FloatArray,
    seen: NDArray[np.bool_],
    tilt_u: float,
) -> tuple[float, float, FloatArray]:
    """Line through the profiles' own edges, and each one's weight (Tukey's biweight)."""
    base = seen / (noise**2 + _OWN_SCATTER**2)
    basis = np.stack([np.ones_like(place), place], axis=1)
    weight: FloatArray = np.ones_like(place)
    line: FloatArray = np.zeros(2)
    for _ in range(15):
        share = base * weight
        normal = (basis * share[:, None]).T @ basis + np.diag([1e-9, tilt_u**-2])
        line = np.asarray(np.linalg.solve(normal, basis.T @ (share * edge)))
        ratio = (edge - basis @ line) / np.hypot(noise, _OWN_SCATTER)
        telling = np.abs(ratio[seen & (noise < 2.0)])
        scale = max(1.0, 1.4826 * float(np.median(telling))) if telling.size else 1.0
        weight = np.clip(1.0 - (ratio / (_TUKEY * scale)) ** 2, 0.0, 1.0) ** 2
    return float(line[0]), float(line[1]), np.asarray(weight * seen * (noise < 2.0))
