"""Steps between neighbouring stretches of an unrolled surface, in units of ground metal's own.

Each boundary between columns is described by a vector: the step of log brightness in every row,
and of texture in groups of rows. The ordinary variation of these vectors is estimated robustly and
whitened away, and two boundaries are compared by how well the step at one is the opposite of the
step at the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from bandscan.model import Strip
from bandscan.ripple import columns_of
from calib.camera import FloatArray

WINDOW_MM = 0.4  # averaged on either side of an edge: less than the narrowest band
GAP_MM = 0.1  # left out at the edge itself, which is soft
PAIR_CAP = 6.0  # robust limits in standard deviations: one row never decides
_STEP_CAP = 8.0
_TEXTURE_WINDOW_MM = 0.6
_TEXTURE_GROUP = 4  # rows whose texture is averaged
_SHRINKAGE = 0.2  # share of the identity in the correlation of the steps
_USUAL_SHARE = 0.7  # of the columns taken to be ordinary ground metal
_LOCAL_MM = 6.0  # half range over which the ordinary variation is levelled
_LOBES = (1.5, 3.0, 5.0)  # of light and dark over the rows; what a room shows, common practice


def step_vectors(
    logs: FloatArray, strip: Strip, px_per_mm: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Steps of brightness and texture at every boundary, shape (features, columns + 1)."""
    ripple = np.abs(logs[:, 2:] - logs[:, :-2])
    floor = np.quantile(ripple, 0.25, axis=1, keepdims=True) + 1e-4
    texture = np.zeros_like(logs)
    texture[:, 1:-1] = ripple
    texture = np.log(texture + floor)
    texture = texture.reshape(-1, _TEXTURE_GROUP, texture.shape[1]).mean(axis=1)
    gap = columns_of(GAP_MM, px_per_mm, 1)
    steps = np.concatenate(
        [
            _window_steps(logs, columns_of(WINDOW_MM, px_per_mm, 3), gap),
            _window_steps(texture, columns_of(_TEXTURE_WINDOW_MM, px_per_mm, 4), gap),
        ]
    )
    reach = columns_of(_TEXTURE_WINDOW_MM, px_per_mm, 4) + gap
    hidden = np.cumsum(np.append(0, ~np.isfinite(strip.values).all(axis=0)))
    usable = np.zeros(steps.shape[1], dtype=bool)
    usable[reach:-reach] = hidden[2 * reach :] == hidden[: -2 * reach]
    return steps, usable


def _window_steps(values: FloatArray, window: int, gap: int) -> FloatArray:
    """Mean of the window right of each boundary minus that left of it; 0 near the ends."""
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    at = np.arange(window + gap, values.shape[1] - window - gap + 1)
    steps = np.zeros_like(total)
    right = total[:, at + gap + window] - total[:, at + gap]
    left = total[:, at - gap] - total[:, at - gap - window]
    steps[:, at] = (right - left) / window
    return steps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Whitening:
    """Scales and decorrelates steps so that those of ordinary ground metal have unit variance.

    Parameters
    ----------
    spread : ndarray, shape (features,)
        By which steps are divided, and then capped.
    inverse : ndarray, shape (features, features)
        By which they are multiplied then.
    """

    spread: FloatArray
    inverse: FloatArray

    @classmethod
    def of(cls, steps: FloatArray, usable: NDArray[np.bool_]) -> Whitening:
        """From the boundaries that look like ordinary ground metal; `steps` as `apply` takes."""
        spread = 1.4826 * np.median(np.abs(steps[:, usable]), axis=1) + 1e-9
        scaled = np.clip(steps / spread[:, None], -_STEP_CAP, _STEP_CAP)
        energy = np.minimum(scaled**2, PAIR_CAP).mean(axis=0)
        inverse = np.eye(len(spread))
        for _ in range(2):
            usual = usable & (energy <= np.quantile(energy[usable], _USUAL_SHARE))
            sample = np.clip(scaled[:, usual], -4.0, 4.0)
            covariance = sample @ sample.T / sample.shape[1]
            scale = np.sqrt(np.diag(covariance)) + 1e-9
            correlation = (1.0 - _SHRINKAGE) * covariance / np.outer(scale, scale)
            correlation += _SHRINKAGE * np.eye(len(scale))
            inverse = np.linalg.inv(np.linalg.cholesky(correlation)) / scale
            energy = np.minimum((inverse @ scaled) ** 2, 9.0).mean(axis=0)
        return cls(spread=spread, inverse=inverse / math.sqrt(float(np.median(energy[usable]))))

    def apply(self, steps: FloatArray) -> FloatArray:
        """Whitened steps, shape (features, columns + 1)."""
        capped = np.clip(steps / self.spread[:, None], -_STEP_CAP, _STEP_CAP)
        return np.asarray(self.inverse @ capped)

    def energy_per_contrast(self, rows: int) -> float:
        """Mean square of the whitened step of a band whose rms contrast is 1.

        The band is brighter and darker in some lobes over the rows; its calm is not counted.
        """
        turn = 2.0 * math.pi * np.arange(rows) / rows
        steps = np.zeros((len(self.spread), 2 * len(_LOBES)))
        steps[:rows] = np.stack(
            [math.sqrt(2.0) * wave(lobes * turn) for lobes in _LOBES for wave in (np.sin, np.cos)],
            axis=1,
        )
        return float(((self.inverse @ (steps / self.spread[:, None])) ** 2).mean())


def level(whitened: FloatArray, usable: NDArray[np.bool_], px_per_mm: float) -> FloatArray:
    """Divide by the ordinary variation nearby, which differs along a shaft (light, rust)."""
    energy = np.where(usable, np.minimum(whitened**2, 9.0).mean(axis=0), np.nan)
    overall = np.nanmedian(energy)
    stride = max(1, int(px_per_mm / 4.0))
    half = int(_LOCAL_MM * px_per_mm / stride)
    sparse = np.pad(energy[::stride], half, constant_values=overall)
    sparse = np.where(np.isfinite(sparse), sparse, overall)
    local = np.median(sliding_window_view(sparse, 2 * half + 1), axis=1)
    here = np.interp(np.arange(energy.size), np.arange(local.size) * stride, local)
    return np.asarray(whitened / np.sqrt(np.maximum(here, 0.5 * overall)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs:
    """Every interval: rows are widths from `first` columns on, columns are starts.

    Parameters
    ----------
    scores, likeness : ndarray, shape (widths, columns + 1)
    middle, spread : ndarray, shape (widths,)
        Of what chance pairs of steps share, from which scores are counted.
    """

    scores: FloatArray
    likeness: FloatArray
    first: int
    middle: FloatArray
    spread: FloatArray

    def least_energy(self, width: int, score: float, score_by_likeness: float) -> float:
        """Mean square of the whitened steps of a band so many columns wide that is just found.

        Its score, and that times likeness, must reach as much. Chance adds 1 to the energy of its
        edges, against which they are alike.
        """
        row = min(max(width - self.first, 0), len(self.middle) - 1)
        middle, spread = float(self.middle[row]), float(self.spread[row])
        factor = score_by_likeness * spread  # (m - middle) m = factor (m + 1)
        by_merit = 0.5 * (middle + factor + math.sqrt((middle + factor) ** 2 + 4.0 * factor))
        return max(by_merit, middle + score * spread)


def pair_scores(
    whitened: FloatArray,
    usable: NDArray[np.bool_],
    px_per_mm: float,
    widths_mm: tuple[float, float],
) -> Pairs:
    """Score of every interval between two widths.

    Parameters
    ----------
    whitened : ndarray, shape (features, boundaries)
    usable : ndarray of bool, shape (boundaries,)
    px_per_mm : float
    widths_mm : (float, float)
        Least and greatest.
    """
    capped = np.where(usable, np.clip(whitened, -PAIR_CAP, PAIR_CAP), 0.0).astype(np.float32)
    size = capped.shape[1]
    first = columns_of(widths_mm[0], px_per_mm, 4)
    last = min(columns_of(widths_mm[1], px_per_mm, 8), size - 2)
    mirrored = np.zeros((last - first + 1, size))
    for row, width in enumerate(range(first, last + 1)):
        pairs = np.einsum("ij,ij->j", capped[:, :-width], capped[:, width:])
        mirrored[row, : size - width] = -pairs / capped.shape[0]
    energy = np.einsum("ij,ij->j", capped, capped) / capped.shape[0]
    root = np.sqrt(energy)
    scores = np.zeros_like(mirrored)
    likeness = np.zeros_like(mirrored)
    middles, spreads = np.zeros(len(mirrored)), np.full(len(mirrored), np.inf)
    for row, width in enumerate(range(first, last + 1)):
        here = mirrored[row, : size - width]
        both = usable[: size - width] & usable[width:]
        if not both.any():
            continue
        sample = here[both][::2]  # neighbours are alike
        middles[row] = middle = np.median(sample)
        spreads[row] = spread = 1.4826 * np.median(np.abs(sample - middle)) + 1e-9
        scores[row, : size - width] = np.where(both, (here - middle) / spread, 0.0)
        product = root[: size - width] * root[width:] + 1e-9
        likeness[row, : size - width] = np.where(both, here / product, 0.0)
    return Pairs(scores=scores, likeness=likeness, first=first, middle=middles, spread=spreads)
