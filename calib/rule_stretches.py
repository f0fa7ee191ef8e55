"""Join the stretches of a row that glare or a covering part leaves, with the right count."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray
from calib.rule_law import fit_law
from calib.rule_marks import Marks
from calib.rule_pitch import Reading, phase_of, read_division

IntArray = NDArray[np.int64]

_NOWHERE = -(10**6)
_WIDE_GAP = 3  # marks missing in a row after which the count is checked
_SLIPS = np.arange(-3, 4)  # counts tried across a gap, against that of the extrapolation
_SURE_RATIO = 3.0  # of the scatter with the next best count to that with the best


def joined(marks: Marks) -> Marks:
    """The marks with their count put right across gaps.

    Each stretch is counted on from the longest one by its long and short marks, where these
    tell; else by the one count that keeps the spacing even. A stretch whose count is in doubt
    is taken as not seen.

    Parameters
    ----------
    marks : Marks
        As followed.

    Returns
    -------
    Marks
    """
    number = np.nonzero(marks.seen)[0]
    stretches = np.split(number, np.nonzero(np.diff(number) > _WIDE_GAP)[0] + 1)
    if len(stretches) < 2:
        return marks
    stretches.sort(key=len, reverse=True)
    place = np.full(len(marks.length), _NOWHERE)
    place[stretches[0]] = stretches[0]
    reading = read_division(_only(marks.length, stretches[0]))
    for stretch in stretches[1:]:
        slip = _slip(marks, reading, place, stretch)
        if slip is not None:
            place[stretch] = stretch + slip
    return _placed(marks, place)


def _only(length: FloatArray, stretch: IntArray) -> FloatArray:
    alone = np.full(len(length), np.nan)
    alone[stretch] = length[stretch]
    return alone


def _slip(marks: Marks, reading: Reading | None, place: IntArray, stretch: IntArray) -> int | None:
    """By how many the count of a stretch is wrong; None if that is in doubt."""
    known = np.nonzero(place != _NOWHERE)[0]
    both = np.concatenate([known, stretch])
    scatter = np.array([
        fit_law(np.concatenate([place[known], stretch + slip]), marks.position_px[both]).rms_px
        for slip in _SLIPS
    ])  # fmt: skip
    best = int(np.argmin(scatter))
    if reading is not None:
        phase = phase_of(reading, _only(marks.length, stretch))
        if phase is not None:
            period = len(reading.division.levels)
            fits = np.nonzero((reading.phase - phase - _SLIPS) % period == 0)[0]
            good = [i for i in fits if scatter[i] <= _SURE_RATIO * scatter[best]]
            return int(_SLIPS[good[0]]) if len(good) == 1 else None
    sure = scatter[best] * _SURE_RATIO < np.partition(scatter, 1)[1]
    return int(_SLIPS[best]) if sure else None


def _placed(marks: Marks, place: IntArray) -> Marks:
    """The marks at their places; those without one are not seen."""
    kept = np.nonzero(place != _NOWHERE)[0]
    if np.any(np.diff(place[kept]) <= 0):  # stretches that overlap: only those left in place
        kept = kept[place[kept] == kept]
    return marks.placed(kept, place[kept] - place[kept].min())
