"""What the graduations of a rule are apart: told from their long and short marks, or given.

Metric rules lengthen every 5th and 10th millimetre mark, and half-millimetre rules the whole
millimetres as well; inch rules halve again and again, each halving with shorter marks
(common practice of rule makers, no published source).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

INCH_MM = 25.4  # exact (international inch, 1959)

_SPREAD = (0.02, 0.03)  # of lengths that should be equal, as share of the short marks' length:
# drawing and blur; lengths that scatter more do not fit the division that is tried
_OUTLIER_SQUARED = 25.0  # five standard deviations: a worse mark counts no more than this
_CLASS_COST = 10.0  # each further length must explain more than this (2 ln n, n = 150)
_MARGIN = 15.0  # of the cost between two pitches: odds of 1 in 1800 (Gaussian)
_SHORT_MARKS_MM = (0.8, 5.5)  # length of the shortest marks: 1.5 to 4 is common practice
_MARKS_OF_A_LEVEL = 2  # a single one may have been misread, and leaves the period open
_NEAR = 3.0  # spreads: a mark of the length of its level
_TYPICAL_SHARE = 0.85  # of the marks must have the length of their level; scratches take some
_SMALLEST_STEP = 0.12  # of the short marks' length, from one length to the next: 0.3 mm


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Division:
    """A way to divide a rule: `levels[i]` is how important mark i of a period is.

    Where every level halves the one above (inches), the number of levels tells the pitch.
    """

    pitch_mm: float
    levels: NDArray[np.int64]
    halved: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Reading:
    """A division that fits: mark k has the importance levels[(k - phase) % period]."""

    division: Division
    phase: int
    spread: float
    centres: FloatArray

    @property
    def pitch_mm(self) -> float:
        """Distance between neighbouring marks."""
        return self.division.pitch_mm

    def levels(self, number: NDArray[np.int64]) -> NDArray[np.int64]:
        """Importance of marks."""
        return self.division.levels[(number - self.phase) % len(self.division.levels)]


def parse_pitch(text: str) -> float:
    """Read a graduation pitch.

    Parameters
    ----------
    text : str
        Millimetres ("1", "0.5", "0.5mm"), or a fraction of an inch ("1in/32", "1/32in").

    Returns
    -------
    float
        Pitch in mm.

    Raises
    ------
    ValueError
        If it is neither, or not between 0.1 mm and 100 mm.

    Examples
    --------
    >>> parse_pitch("0.5"), parse_pitch("1in/32")
    (0.5, 0.79375)
    """
    plain = text.strip().lower().replace(" ", "").replace('"', "in").replace("inch", "in")
    unit_mm = INCH_MM if "in" in plain else 1.0
    above, _, below = plain.replace("mm", "").replace("in", "").partition("/")
    try:
        value = float(above) / (float(below) if below else 1.0) * unit_mm
    except (ValueError, ZeroDivisionError):
        value = math.nan
    if not 0.1 <= value <= 100.0:
        message = f"{text!r} is no graduation pitch: give mm (1, 0.5) or a fraction (1in/32)."
        raise ValueError(message)
    return value


def _halvings(parts: int) -> NDArray[np.int64]:
    """How often each mark's number can be halved; the inch marks come out on top."""
    return np.array([(k & -k).bit_length() - 1 if k else parts.bit_length() - 1
                     for k in range(parts)])  # fmt: skip


def _metric(period: int, *important: int) -> NDArray[np.int64]:
    """One level up for each divisor that divides the mark's number."""
    return np.array([sum(k % step == 0 for step in important) for k in range(period)])


DIVISIONS = (
    Division(pitch_mm=1.0, levels=_metric(10, 5, 10)),
    Division(pitch_mm=1.0, levels=_metric(5, 5)),
    Division(pitch_mm=0.5, levels=_metric(20, 2, 10, 20)),
    Division(pitch_mm=0.5, levels=_metric(10, 2, 10)),
    Division(pitch_mm=INCH_MM / 16, levels=_halvings(16), halved=True),
    Division(pitch_mm=INCH_MM / 32, levels=_halvings(32), halved=True),
    Division(pitch_mm=INCH_MM / 64, levels=_halvings(64), halved=True),
)


def read_division(length: FloatArray) -> Reading | None:
    """Tell the division of a rule from the lengths of its marks.

    Parameters
    ----------
    length : ndarray, shape (n,)
        Lengths of consecutive marks, in pitches; NaN where not seen.

    Returns
    -------
    Reading or None
        None where no division fits clearly better than those of another pitch.

    Notes
    -----
    Each division at each phase sorts the marks into lengths; the cost is the squared scatter
    within them (capped for outliers), plus a fixed cost for each length (as in Schwarz's
    criterion, Ann. Stat. 6 (1978) 461). Lengths must rise with importance.
    """
    number = np.nonzero(np.isfinite(length))[0]
    value = length[number]
    if len(value) < 2:
        return None
    short = float(np.percentile(value, 25))
    trials = []
    for division in DIVISIONS:
        if not _SHORT_MARKS_MM[0] < short * division.pitch_mm < _SHORT_MARKS_MM[1]:
            continue
        for phase in range(len(division.levels)):
            level = division.levels[(number - phase) % len(division.levels)]
            centres = _centres(value, level, int(division.levels.max()) + 1)
            if centres is not None and np.all(np.diff(centres) > _SMALLEST_STEP * short):
                trials.append((division, phase, centres, np.abs(value - centres[level])))
    if not trials:
        return None
    tightest = min(float(np.median(off)) for *_, off in trials)
    spread = short * float(np.clip(1.48 * tightest / short, *_SPREAD))
    costs = np.array([_cost(off / spread) + _CLASS_COST * len(c) for _, _, c, off in trials])
    even = _cost((value - np.median(value)) / spread) + _CLASS_COST
    best = int(np.argmin(costs))
    chosen, phase, centres, off = trials[best]
    level = chosen.levels[(number - phase) % len(chosen.levels)]
    if not _typical(off < _NEAR * spread, level):
        return None
    uneven = float(off[level == level.max()].max())
    if chosen.halved and uneven > _OUTLIER_SQUARED**0.5 * spread:
        return None  # the longest marks are not alike: they may be two levels of a finer rule
    rivals = [c for c, t in zip(costs, trials, strict=True) if t[0].pitch_mm != chosen.pitch_mm]
    if min([even, *rivals]) < costs[best] + _MARGIN:
        return None
    return Reading(division=chosen, phase=phase, spread=spread, centres=centres)


def _typical(near: NDArray[np.bool_], level: NDArray[np.int64]) -> bool:
    """Whether nearly all marks, most of each level and two at least have its length."""
    count, typical = np.bincount(level), np.bincount(level, near)
    most = bool(np.all(2.0 * typical > count)) and typical.min() >= _MARKS_OF_A_LEVEL
    return bool(most and near.mean() >= _TYPICAL_SHARE)


def phase_of(reading: Reading, length: FloatArray) -> int | None:
    """The phase that a stretch of marks alone shows, for the division and lengths of a reading.

    Parameters
    ----------
    reading : Reading
        From another stretch of the same edge.
    length : ndarray, shape (n,)
        Lengths of consecutive marks, in pitches; NaN where not of the stretch.

    Returns
    -------
    int or None
        None where no phase fits clearly better than all others.
    """
    number = np.nonzero(np.isfinite(length))[0]
    levels = reading.division.levels
    cost = np.array([
        _cost((length[number] - reading.centres[levels[(number - phase) % len(levels)]])
              / reading.spread)
        for phase in range(len(levels))
    ])  # fmt: skip
    best = int(np.argmin(cost))
    return best if cost[best] + _MARGIN < np.partition(cost, 1)[1] else None


def _centres(value: FloatArray, level: NDArray[np.int64], count: int) -> FloatArray | None:
    """Median of each level; None where one is too rare, or the second shorter than the first."""
    shortest, second = value[level == 0], value[level == 1]
    if not (len(shortest) and len(second)) or second.mean() <= shortest.mean():
        return None
    groups = [shortest, second, *(value[level == i] for i in range(2, count))]
    if min(map(len, groups)) < _MARKS_OF_A_LEVEL:
        return None
    return np.array([np.median(group) for group in groups])


def _cost(deviation: FloatArray) -> float:
    return float(np.minimum(deviation**2, _OUTLIER_SQUARED).sum())
