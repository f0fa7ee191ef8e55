"""Bands that lie so near to each other that a search takes them for one.

What tells a band from the metal beside it, row by row, is its signature. Every column is compared
with it: 0 is ground metal, 1 is band. Where the likeness drops to that of ground metal inside what
was taken for one band, two bands lie side by side.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

_BESIDE_MM = (0.1, 0.9)  # from an edge, where the metal beside it is looked at
_AROUND_MM = (0.5, 6.0)  # from an edge, where the likeness of ground metal is looked at
_SMOOTH_MM = 0.25
_LEAST_GAP_MM = 0.25
_CAP = 6.0  # robust limit of a signature, in usual steps
_HALF = 0.5  # half-way from metal to band
_PLAIN = 3.0  # standard deviations of ground metal that the likeness must drop


def parts(
    logs: FloatArray,
    interval: tuple[int, int],
    px_per_mm: float,
    least_width_mm: float,
    land: NDArray[np.bool_],
) -> list[tuple[int, int]]:
    """The bands in an interval that was taken for one.

    Parameters
    ----------
    logs : ndarray, shape (rows, columns)
        Logarithm of the light, in units of each row's usual steps.
    interval : (int, int)
        First column and the one after the last.
    px_per_mm : float
    least_width_mm : float
        Of a band.
    land : ndarray of bool, shape (columns,)
        Columns that show the land: a chamfer beside a band is not the ground metal around it.

    Returns
    -------
    list of (int, int)
        The interval itself where it is one band.
    """
    gap = _gap(logs, interval, px_per_mm, least_width_mm, land)
    if gap is None:
        return [interval]
    pieces = ((interval[0], gap[0]), (gap[1], interval[1]))
    return [
        part for piece in pieces for part in parts(logs, piece, px_per_mm, least_width_mm, land)
    ]


def _gap(
    logs: FloatArray,
    interval: tuple[int, int],
    px_per_mm: float,
    least_width_mm: float,
    land: NDArray[np.bool_],
) -> tuple[int, int] | None:
    """The stretch inside that is like the metal beside."""
    start, end = interval
    least = math.ceil(least_width_mm * px_per_mm)
    if end - start < 2 * least + 1:
        return None
    near, far = (max(1, round(mm * px_per_mm)) for mm in _BESIDE_MM)
    beside = [logs[:, max(0, start - far) : start - near], logs[:, end + near : end + far]]
    if not all(side.size for side in beside):
        return None
    metal = 0.5 * (beside[0].mean(axis=1) + beside[1].mean(axis=1))
    signature = np.clip(np.median(logs[:, start + near : end - near], axis=1) - metal, -_CAP, _CAP)
    taps = max(1, round(_SMOOTH_MM * px_per_mm))
    likeness = (logs - metal[:, None]).T @ signature / (signature @ signature + 1e-9)
    likeness = np.convolve(likeness, np.full(taps, 1.0 / taps), "same")
    near, far = (round(mm * px_per_mm) for mm in _AROUND_MM)
    places = np.r_[max(0, start - far) : max(0, start - near), end + near : end + far]
    places = places[places < likeness.size]
    around = likeness[places[land[places]]]
    inside = likeness[start + least : end - least]
    if not around.size:
        return None
    ground, band = float(np.median(around)), float(np.median(inside))
    spread = 1.4826 * float(np.median(np.abs(around - ground)))
    low = inside < ground + _HALF * (band - ground)
    least_gap = math.ceil(_LEAST_GAP_MM * px_per_mm)
    if band - inside.min() < _PLAIN * spread or _longest(low) < least_gap:
        return None
    first, last = _trough(inside, least_gap)
    return start + least + first, start + least + last


def _longest(low: NDArray[np.bool_]) -> int:
    """Length of the longest run."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], low.astype(np.int8), [0]])))
    return int(np.max(edges[1::2] - edges[::2], initial=0))


def _trough(likeness: FloatArray, least: int) -> tuple[int, int]:
    """First and last-but-one of the stretch whose mean parts it best from all the rest.

    Least squares of two levels, so that a streak within does not end it.
    """
    sums = np.concatenate([[0.0], np.cumsum(likeness - likeness.mean())])
    lengths = np.arange(sums.size)[None, :] - np.arange(sums.size)[:, None]
    rest = np.maximum(likeness.size - lengths, 1)
    drop = np.maximum(sums[:, None] - sums[None, :], 0.0)
    gain = np.where(lengths >= least, drop**2 / (np.maximum(lengths, 1) * rest), 0.0)
    first, last = np.unravel_index(int(np.argmax(gain)), gain.shape)
    return int(first), int(last)
