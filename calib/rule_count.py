"""Give the marks of a row whole numbers, from a sure run outwards and over gaps."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray
from calib.rule_axis import Axis
from calib.rule_law import SpacingLaw, fit_law

BoolArray = NDArray[np.bool_]
IntArray = NDArray[np.int64]

SEED_MARKS = 6  # consecutive even steps that start the numbering
PEAK_SHARE = 0.25  # of the usual height of a mark's peak: weaker ones are noise or glare
_STEP_TOLERANCE = 0.2  # pitches; a peak this near to where a mark should be is that mark
_SMOOTHING = np.array([1.0, 4.0, 6.0, 4.0, 1.0]) / 16.0  # one sample, a twelfth of a pitch
_UNNUMBERED = -(10**6)
_MAX_ROUNDS = 40
_FIRST_REACH = 4  # marks looked for beyond the numbered ones
_MAX_GAP_SHARE = 1.2  # of the numbered length: a wider gap is not bridged
_ONE_SIDED = 6  # marks looked at on either side
_DENSITY = 0.6  # of them that must be there; chance gives 0.4


def number_marks(t: FloatArray, band: FloatArray, axis: Axis) -> SpacingLaw | None:
    """Number the marks of a row.

    Parameters
    ----------
    t, band : ndarray, shape (n,)
        Positions along the row and its profile, marks upwards.
    axis : Axis
        For the expected pitch.

    Returns
    -------
    SpacingLaw or None
        Where each number lies; None where no even run is found.
    """
    peaks = _peaks(t, band, axis.span)
    if len(peaks) < SEED_MARKS:
        return None
    step = np.diff(peaks) / axis.pitch((peaks[1:] + peaks[:-1]) / 2.0)
    first, last = _longest_run(np.abs(step - 1.0) < _STEP_TOLERANCE)
    if last - first < SEED_MARKS:
        return None
    number = np.full(len(peaks), _UNNUMBERED)
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
    at = at[smooth[at] > PEAK_SHARE * usual]
    left, mid, right = smooth[at - 1], smooth[at], smooth[at + 1]
    shift = 0.5 * (left - right) / (left - 2.0 * mid + right)
    return np.asarray(t[at] + shift * (t[1] - t[0]))


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
    reach = _FIRST_REACH
    for _ in range(_MAX_ROUNDS):
        known = number > _UNNUMBERED
        law = fit_law(number[known], peaks[known])
        span = int(np.ptp(number[known]))
        ahead = np.arange(number[known].min() - reach, number[known].max() + reach + 1)
        fresh = _assign(peaks, law, ahead)
        grown = int((fresh > _UNNUMBERED).sum()) - int(known.sum())
        number = fresh
        if grown <= 0:
            if reach >= _MAX_GAP_SHARE * span:
                break
            reach *= 2
        else:
            reach = max(_FIRST_REACH, span // 4)
    known = number > _UNNUMBERED
    return fit_law(number[known], peaks[known]) if known.sum() >= SEED_MARKS else None


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
    number = np.full(len(peaks), _UNNUMBERED)
    number[nearest[hit]] = ahead[hit]
    return number
