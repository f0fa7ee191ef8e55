"""How the bands of one shaft grew from inspection to inspection.

Bands are matched by where they lie; through the edges and the width of each a straight line in
time is laid, weighted by what each photo is worth.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from calib.quantity import Estimate

YEAR_S = 365.2425 * 86_400.0  # mean year of the Gregorian calendar
_SAME_TIME_YEARS = 1.0 / 365.0  # photos of one day show one state


@dataclass(frozen=True, slots=True, kw_only=True)
class Sighting:
    """One band in one inspection.

    Parameters
    ----------
    inspection : int
        Index of the inspection.
    band : int
        Number of the band in it, from 1.
    at : datetime
        When.
    start_mm, end_mm, width_mm : Estimate
        From the shaft end face.
    """

    inspection: int
    band: int
    at: datetime
    start_mm: Estimate
    end_mm: Estimate
    width_mm: Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """A straight line y = a + b (t - middle), weighted.

    Parameters
    ----------
    middle : float
        Weighted mean of the abscissae; there a and b do not depend on each other.
    value : float
        a.
    slope : float
        b.
    value_u, slope_u : float
        Standard uncertainties by the stated ones of the points alone.
    chi_squared : float
        Of the residuals over the stated uncertainties.
    dof : int
        Number of points less 2.
    """

    middle: float
    value: float
    slope: float
    value_u: float
    slope_u: float
    chi_squared: float
    dof: int

    @property
    def birge_ratio(self) -> float:
        """How many times the points scatter more than stated; 1 where two points leave none."""
        return math.sqrt(self.chi_squared / self.dof) if self.dof else 1.0

    @property
    def growth(self) -> Estimate:
        """The slope, its uncertainty widened where the points scatter more than stated."""
        return self._widened(self.slope, self.slope_u)

    def at(self, t: float) -> Estimate:
        """The line's height, with an uncertainty that grows away from the middle."""
        u = math.hypot(self.value_u, self.slope_u * (t - self.middle))
        return self._widened(self.value + self.slope * (t - self.middle), u)

    def _widened(self, value: float, u: float) -> Estimate:
        return Estimate(value=value, u=u * max(1.0, self.birge_ratio))


@dataclass(frozen=True, slots=True, kw_only=True)
class Track:
    """One band through the inspections.

    Parameters
    ----------
    sightings : tuple of Sighting
        Oldest first.
    since : datetime
        Zero of the lines' time: the first inspection with a band.
    start, end, width : Line or None
        Position and width, mm, over time in years; None with fewer than two days.
    """

    sightings: tuple[Sighting, ...]
    since: datetime
    start: Line | None
    end: Line | None
    width: Line | None


def years_between(first: datetime, then: datetime) -> float:
    """Time from `first` to `then`, years."""
    return (then - first).total_seconds() / YEAR_S


def follow_bands(inspections: Sequence[Sequence[Sighting]]) -> tuple[Track, ...]:
    """Match the bands of all inspections and fit their growth.

    Parameters
    ----------
    inspections : sequence of sequences of Sighting
        The bands of every inspection, oldest inspection first.

    Returns
    -------
    tuple of Track
        By the place where they were seen last.

    Notes
    -----
    Two sightings are of one band where their intervals overlap, each widened by the
    expanded uncertainties of the edges that face each other; the pair with the most
    overlap is joined first. A band is compared with where it was seen last.
    """
    chains: list[list[Sighting]] = []
    for sightings in inspections:
        pairs = [
            (overlap_mm(chain[-1], seen), c, s)
            for c, chain in enumerate(chains)
            for s, seen in enumerate(sightings)
        ]
        joined_chains: set[int] = set()
        joined: set[int] = set()
        for overlap, c, s in sorted(pairs, key=lambda pair: (-pair[0], pair[1], pair[2])):
            if overlap > 0.0 and c not in joined_chains and s not in joined:
                chains[c].append(sightings[s])
                joined_chains.add(c)
                joined.add(s)
        chains += [[seen] for s, seen in enumerate(sightings) if s not in joined]
    if not chains:
        return ()
    first = min(chain[0].at for chain in chains)
    tracks = [_track(chain, first) for chain in chains]
    return tuple(sorted(tracks, key=lambda track: track.sightings[-1].start_mm.value))


def time_after(since: datetime, years: float) -> datetime:
    """The time that is `years` after `since`."""
    return since + timedelta(seconds=years * YEAR_S)


def overlap_mm(one: Sighting, other: Sighting) -> float:
    """Length that two bands share, widened by the uncertainties; negative: a gap."""
    low, high = (one, other) if one.start_mm.value <= other.start_mm.value else (other, one)
    shared = min(low.end_mm.value, high.end_mm.value) - high.start_mm.value
    return shared + math.hypot(low.end_mm.expanded, high.start_mm.expanded)


def _track(chain: Sequence[Sighting], first: datetime) -> Track:
    years = [years_between(first, seen.at) for seen in chain]
    enough = max(years) - min(years) > _SAME_TIME_YEARS

    def line(values: Sequence[Estimate]) -> Line | None:
        return fit_line(years, values) if enough else None

    return Track(
        sightings=tuple(chain),
        since=first,
        start=line([seen.start_mm for seen in chain]),
        end=line([seen.end_mm for seen in chain]),
        width=line([seen.width_mm for seen in chain]),
    )


def fit_line(t: Sequence[float], values: Sequence[Estimate]) -> Line:
    """Weighted straight line through points of known uncertainty.

    Parameters
    ----------
    t : sequence of float
        Two different ones at least.
    values : sequence of Estimate
        Of the same length. An uncertainty of 0 counts as the smallest other one.

    Raises
    ------
    ValueError
        If the points fix no line.

    Notes
    -----
    Weights are 1/u². Parameters and their uncertainties are the usual weighted ones; where
    the residuals are larger than stated (chi²/dof beyond 1) they are widened by the root of
    it. Errors that photos share, such as one micrometer's, are taken as independent: they
    hardly turn the line, so its slope is stated too uncertain rather than too sure.

    References
    ----------
    JCGM 100:2008, H.3 (the line; here with weights). R. T. Birge, Phys. Rev. 40 (1932) 207
    (the ratio) and the Review of Particle Physics, Introduction, "Unconstrained averaging"
    (widening by it where it is beyond 1); both from memory.

    Examples
    --------
    >>> line = fit_line([0.0, 1.0, 2.0], [Estimate(value=v, u=0.1) for v in (1.0, 1.5, 2.0)])
    >>> round(line.slope, 3), round(line.slope_u, 4)
    (0.5, 0.0707)
    """
    x = np.asarray(t, dtype=float)
    y = np.array([value.value for value in values])
    u = np.array([value.u for value in values])
    if x.shape != y.shape or x.size < 2 or np.ptp(x) == 0.0:
        raise ValueError("two points apart are needed for a line")
    known = u[u > 0.0]
    weights = np.where(u > 0.0, u, known.min() if known.size else 1.0) ** -2.0
    middle = float(np.average(x, weights=weights))
    spread = float(np.sum(weights * (x - middle) ** 2))
    value = float(np.average(y, weights=weights))
    slope = float(np.sum(weights * (x - middle) * (y - value))) / spread
    residuals = y - value - slope * (x - middle)
    return Line(
        middle=middle,
        value=value,
        slope=slope,
        value_u=float(np.sum(weights)) ** -0.5,
        slope_u=spread**-0.5,
        chi_squared=float(np.sum(weights * residuals**2)),
        dof=x.size - 2,
    )
