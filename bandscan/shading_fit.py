"""Sub-pixel place of a cylinder's silhouette, whatever shades the metal shows beside it.

Next to its outline metal mirrors the ground behind it, lamps and walls, and no one curve describes
that. Only two things are sure: the ground goes on evenly, but for its grain, up to the outline; and
beyond it the light follows some other curve, which is smooth but for the step at the outline. The
metal is therefore taken as a random curve (a step and an integrated Wiener process from the
outline inward), blurred by the photo, upon a straight ground with grain; each place of the outline
has its marginal likelihood, in which roughness, grain and blur are free. Where metal fades into a
ground as bright as itself the outline shows as the place where the ground stops being even.

Source: C. E. Rasmussen and C. K. I. Williams, Gaussian Processes for Machine Learning, MIT Press
2006, sections 2.2, 2.7 (a ground whose level and slope are free) and 5.4 (marginal likelihood).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np

from bandscan.silhouette_fit import Prior, SilhouetteFit, sums_along_lines
from calib.camera import FloatArray

INSIDE_PX = 5.0  # of the profile beside the line near the outline
OUTSIDE_PX = 12.0
SPACING_PX = 1.0
SEARCH_PX = (-3.0, 6.0)  # places at which the outline is tried; the line lies rather inside it
_STEP_PX = 0.125  # of these, and of the fine grid on which curves are blurred
_BLURS_PX = (0.7, 0.85, 1.0, 1.2, 1.45, 1.7, 2.0, 2.4)
_GRAIN_PX = 1.2  # over which grain of the ground is alike: that of a photo's blur
_WHITE = 1.0  # variance of the noise of single pixels, to that of grain
_FROM_PX = 4.0  # the line outwards there is ground, from which its grain is estimated
_STEP_VARIANCE = 1.0  # of the step at the outline, to that of the curve at 5 px
_ROUGH = (1e2, 1e3, 1e4, 1e5, 1e6)  # variance of the curve at 5 px, to that of the grain
_GRAINS = (1.0, 3.0, 10.0)  # grain next to the outline, in variance, to that further out
_FREE = 1e5  # variance of level and slope of the ground
_INDEPENDENT = 2.0  # segments: along a shaft its shades are alike, and mislead alike
_CAP = 25.0  # a segment that disagrees by more than 7 standard deviations is not believed
_AGREE, _AGREE_PX = 4.5, 1.0  # three standard deviations; another edge is further off
_FINALISTS = 6  # settings of roughness, grain and blur with which the line is tilted
_TILTS_PX = np.arange(-3.0, 3.01, 0.125)  # ends of the line against its middle
_BOWS = np.arange(-2.0, 2.01, 1.0)  # middle against the ends, in standard uncertainties of it
_LEAST_SIGMA = 1e-5  # of linear light, which is 0 to 1
_FINE = 8

OFFSETS_PX = np.arange(-INSIDE_PX, OUTSIDE_PX + 0.5 * SPACING_PX, SPACING_PX)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShadingFit(SilhouetteFit):
    """A silhouette beside a line, fitted with its shading free.

    Parameters
    ----------
    tilt_u_px : float
        Standard uncertainty of the tilt.
    """

    tilt_u_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Models:
    """Covariances of a profile for each blur and place, in the basis that makes them diagonal.

    Parameters
    ----------
    places_px : ndarray, shape (places,)
    whiten : ndarray, shape (blurs, places, samples, samples)
        Takes a profile to independent coordinates.
    spread : ndarray, shape (blurs, places, samples)
        Variance of each of these from the metal's curve, that from grain being 1.
    """

    places_px: FloatArray
    whiten: FloatArray
    spread: FloatArray


@cache
def _models() -> _Models:
    margin = 4.0 * _BLURS_PX[-1]
    fine = np.arange(
        -INSIDE_PX - SEARCH_PX[1] - margin, OUTSIDE_PX - SEARCH_PX[0] + margin, _STEP_PX
    )
    places = np.arange(SEARCH_PX[0], SEARCH_PX[1] + 0.5 * _STEP_PX, _STEP_PX)
    metal = np.clip(0.5 - fine / _STEP_PX, 0.0, 1.0)  # share of a fine sample that is metal
    depth = np.maximum(-fine, 0.0) / INSIDE_PX
    low, high = np.minimum.outer(depth, depth), np.maximum.outer(depth, depth)
    curve = low * low * (3.0 * high - low) / 2.0 + 0.3 * np.multiply.outer(depth, depth)
    curve = (curve + _STEP_VARIANCE) * np.multiply.outer(metal, metal)
    apart = np.subtract.outer(OFFSETS_PX, OFFSETS_PX)
    grain = np.exp(-0.5 * (apart / _GRAIN_PX) ** 2) + _WHITE * np.eye(OFFSETS_PX.size)
    straight = np.stack([np.ones(OFFSETS_PX.size), OFFSETS_PX / 10.0])
    root = np.linalg.inv(np.linalg.cholesky(grain + _FREE * straight.T @ straight))
    whiten, spread = [], []
    index = np.rint((OFFSETS_PX - places[:, None] - fine[0]) / _STEP_PX).astype(int)
    first, last = index.min(), index.max() + 1
    away = np.abs(fine - fine[first:last, None])
    for blur in _BLURS_PX:
        taps = np.where(away < 4.0 * blur + _STEP_PX, np.exp(-0.5 * (away / blur) ** 2), 0.0)
        taps /= taps.sum(axis=1, keepdims=True)
        soft = taps @ curve @ taps.T
        covariance = soft[index[:, :, None] - first, index[:, None, :] - first]
        values, vectors = np.linalg.eigh(root @ covariance @ root.T)
        whiten.append(np.swapaxes(vectors, 1, 2) @ root)
        spread.append(np.maximum(values, 0.0))
    return _Models(places_px=places, whiten=np.stack(whiten), spread=np.stack(spread))


def fit_shading(
    profiles: FloatArray, prior: Prior, most_blur_px: float = math.inf
) -> ShadingFit | None:
    """Fit the silhouette to all segments at once.

    Parameters
    ----------
    profiles : ndarray, shape (samples at `OFFSETS_PX`, segments)
        Mean profiles of segments, linear light; NaN where one is not whole.
    prior : Prior
    most_blur_px : float
        No softer edge is believed; a reflection is soft where the outline is sharp.

    Returns
    -------
    ShadingFit or None
        None where no segment is whole.
    """
    whole = np.isfinite(profiles).all(axis=0)
    if not whole.any():
        return None
    models = _models()
    scaled = profiles[:, whole] / _grain(profiles[:, whole])
    blurs = [b for b in _BLURS_PX if b <= max(most_blur_px, _BLURS_PX[0])]
    costs = _costs(scaled, models, len(blurs))  # settings, places, segments
    drop = np.minimum(costs - costs.min(axis=(0, 1)), _CAP)
    totals = drop.sum(axis=2).min(axis=1)
    finalists = np.argsort(totals)[:_FINALISTS]
    t = np.linspace(-1.0, 1.0, whole.size)[whole] if whole.size > 1 else np.zeros(1)
    line = _common_line(drop[finalists], t, models.places_px, prior)
    offset, tilt, bow, u_px, tilt_u_px, setting = line
    place = offset + tilt * t + bow * (1.0 - t * t)
    near = np.abs(models.places_px[:, None] - place) <= _AGREE_PX
    agree = np.zeros(whole.size, dtype=bool)
    agree[whole] = np.where(near, drop[finalists[setting]], _CAP).min(axis=0) < _AGREE
    return ShadingFit(
        offset_px=offset,
        tilt_px=tilt,
        bow_px=bow,
        u_px=u_px,
        tilt_u_px=tilt_u_px,
        blur_px=blurs[int(finalists[setting]) % len(blurs)],
        agree=agree,
    )


def _grain(profiles: FloatArray) -> FloatArray:
    """Standard deviation of the ground of each segment about a straight line."""
    ground = OFFSETS_PX >= _FROM_PX
    line = np.linalg.qr(np.vander(OFFSETS_PX[ground], 2))[0]
    left = profiles[ground] - line @ (line.T @ profiles[ground])
    own = (left**2).sum(axis=0) / (ground.sum() - 2)
    return np.asarray(np.sqrt(0.5 * own + 0.5 * np.median(own)) + _LEAST_SIGMA)


def _costs(scaled: FloatArray, models: _Models, blurs: int) -> FloatArray:
    """Minus the log likelihood, shape (settings, places, segments); blurs vary fastest."""
    samples = len(scaled)
    shape = (blurs, models.places_px.size, samples, scaled.shape[1])
    squares = (models.whiten[:blurs].reshape(-1, samples) @ scaled).reshape(shape) ** 2
    spread = models.spread[:blurs]
    costs = []
    for rough in _ROUGH:
        for grain in _GRAINS:
            variance = rough * spread + grain
            norm = np.log(variance).sum(axis=-1) - 2.0 * math.log(grain)  # ground free in 2 ways
            fit = np.matmul(1.0 / variance[:, :, None, :], squares)[:, :, 0, :]
            costs.append(0.5 * (fit + norm[..., None]))
    return np.concatenate(costs)


def _common_line(
    drop: FloatArray, t: FloatArray, places: FloatArray, prior: Prior
) -> tuple[float, float, float, float, float, int]:
    """Offset, tilt, bow, standard uncertainties of the first two, and the setting that won."""
    weight = min(1.0, _INDEPENDENT / len(t))
    tilt, bow = (g.ravel() for g in np.meshgrid(_TILTS_PX, prior.bow_u_px * _BOWS, indexing="ij"))
    if len(t) < 4:
        tilt, bow = np.zeros(1), np.zeros(1)
    shift = np.rint((tilt[:, None] * t + bow[:, None] * (1.0 - t * t)) / _STEP_PX).astype(int)
    total = np.stack([sums_along_lines(one, shift) for one in drop])
    total *= weight
    known = ((tilt - prior.tilt_px) / prior.tilt_u_px) ** 2 + (bow / prior.bow_u_px) ** 2
    total += 0.5 * known[:, None]
    setting, shape, _ = np.unravel_index(int(total.argmin()), total.shape)
    offset, u_px = _mean_and_spread(places, total.min(axis=(0, 1)))
    by_tilt = total.min(axis=(0, 2)).reshape(-1, len(_BOWS)).min(axis=1) if tilt.size > 1 else None
    mean_tilt, tilt_u_px = (
        (float(tilt[shape]), prior.tilt_u_px)
        if by_tilt is None
        else _mean_and_spread(_TILTS_PX, by_tilt)
    )
    return offset, mean_tilt, float(bow[shape]), u_px, tilt_u_px, int(setting)


def _mean_and_spread(x: FloatArray, cost: FloatArray) -> tuple[float, float]:
    """Mean and standard deviation of a variable whose minus log likelihood is given on a grid."""
    nearest = np.clip(np.repeat(np.arange(x.size), _FINE), 1, x.size - 2)
    fine = np.linspace(x[0], x[-1], nearest.size)
    away = (fine - x[nearest]) / (x[1] - x[0])
    before, here, after = cost[nearest - 1], cost[nearest], cost[nearest + 1]
    smooth = here + 0.5 * (after - before) * away + 0.5 * (before - 2.0 * here + after) * away**2
    weight = np.exp(smooth.min() - smooth)
    weight /= weight.sum()
    mean = float(weight @ fine)
    return mean, math.sqrt(float(weight @ (fine - mean) ** 2))
