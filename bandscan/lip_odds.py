"""One lip against the old bands at any shift of the seal: clearance, odds and verdict.

Notes
-----
Verdicts are three-way with a guard band after ISO 14253-1: conformity (fresh metal) and
non-conformity (an old band, no land) are each stated only where their probability is at
least 95 %, the default of ISO 14253-1:2017; between them nothing is stated. With one band
edge near and normal errors that is a guard of 1.645 standard uncertainties.

The report page works with the same coefficients and the same formulas, in
`report/page/shift.js`; a test compares the two.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from bandscan.normal import both_below
from bandscan.result import LandingLip
from calib.quantity import Estimate

CONFORMANCE = 0.95  # probability that a verdict asks for; default of ISO 14253-1:2017


@dataclass(frozen=True, slots=True, kw_only=True)
class Room:
    """A lip in one strip of the shaft: distances to its two limits, in and as standard deviations.

    Both distances change by the shift, one up and the other down.
    """

    low_mm: float
    high_mm: float
    low_u_mm: float
    high_u_mm: float
    rho: float

    def probability(self, shift_mm: float = 0.0) -> float:
        """Probability that the whole contact lies inside the strip."""
        return both_below(
            (self.low_mm + shift_mm) / self.low_u_mm,
            (self.high_mm - shift_mm) / self.high_u_mm,
            self.rho,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class LipOdds:
    """All that decides about one lip.

    Parameters
    ----------
    contact_mm : (float, float)
        Interval of the shaft that the lip touches, unshifted.
    u_mm, expanded_mm : float
        Standard and expanded uncertainty of its place.
    gaps_mm : tuple of (Estimate, Estimate)
        For every band: from the contact's end to the band's start, and from the band's end to
        the contact's start, unshifted; negative where they overlap.
    free : tuple of Room
        The strips of land between the bands.
    between_bands : tuple of Room
        The same where land and photo end nowhere.
    on_land : tuple of Room
        The land as if it had no bands, between its grooves.
    without : tuple of (str, tuple of Room)
        What is no band and yet no fresh metal, one at a time: in words, and the strips that it
        leaves.
    """

    name: str
    contact_mm: tuple[float, float]
    u_mm: float
    expanded_mm: float
    gaps_mm: tuple[tuple[Estimate, Estimate], ...]
    free: tuple[Room, ...]
    between_bands: tuple[Room, ...]
    on_land: tuple[Room, ...]
    without: tuple[tuple[str, tuple[Room, ...]], ...] = ()

    def at(self, shift_mm: float) -> LandingLip:
        """The lip with the seal moved by `shift_mm`, positive into the shaft."""
        fresh = max(room.probability(shift_mm) for room in self.free)
        clear = _inside(self.between_bands, shift_mm)
        nearest, clearance = self._nearest(shift_mm)
        verdict = _verdict(fresh, 1.0 - clear, 1.0 - _inside(self.on_land, shift_mm))
        return LandingLip(
            name=self.name,
            contact_mm=(self.contact_mm[0] + shift_mm, self.contact_mm[1] + shift_mm),
            u_mm=self.u_mm,
            expanded_mm=self.expanded_mm,
            nearest_band=nearest,
            clearance_mm=clearance,
            probability_on_band=1.0 - clear,
            verdict=verdict,
            why=self._why(shift_mm) if verdict in ("undecided", "off land") else "",
        )

    def _why(self, shift_mm: float) -> str:
        """What other than a band keeps the lip from being fresh."""
        return "; ".join(
            words for words, rooms in self.without if _inside(rooms, shift_mm) < CONFORMANCE
        )

    def _nearest(self, shift_mm: float) -> tuple[int | None, Estimate | None]:
        """Number of the nearest band, from 1, and the least move that would part it from the lip.

        Negative where they overlap.
        """
        best: tuple[int | None, Estimate | None] = (None, None)
        for number, (before, after) in enumerate(self.gaps_mm, start=1):
            ahead = replace(before, value=before.value - shift_mm)
            behind = replace(after, value=after.value + shift_mm)
            gap = ahead if ahead.value >= behind.value else behind
            if best[1] is None or gap.value < best[1].value:
                best = number, gap
        return best


def _inside(rooms: tuple[Room, ...], shift_mm: float) -> float:
    """Probability that the whole contact lies inside one of the strips, whichever."""
    return min(1.0, sum(room.probability(shift_mm) for room in rooms))


def _verdict(fresh: float, on_band: float, off_land: float) -> str:
    """The verdict; `fresh` is the probability of lying inside one strip of fresh metal.

    One strip, not the sum over strips: a lip of which it is not known on which side of a
    narrow band it runs is not called fresh.
    """
    if math.isnan(fresh + on_band + off_land):
        raise ValueError("a probability is not a number")
    if off_land >= CONFORMANCE:
        return "off land"
    if on_band >= CONFORMANCE:
        return "on band"
    return "fresh" if fresh >= CONFORMANCE else "undecided"
