"""The landing of a seal in words."""

from __future__ import annotations

import math
from collections.abc import Sequence

from bandscan.output.wording import plus_minus
from bandscan.result import Landing, LandingLip, LandingShift
from bandscan.stack_up import LipPlace
from calib.quantity import Estimate


def clearance_words(lip: LandingLip) -> str:
    """Distance of a lip to its nearest band.

    Examples
    --------
    >>> clear = Estimate(value=-0.451, u=0.1)
    >>> clearance_words(LandingLip(name="main", contact_mm=(1.0, 2.0), u_mm=0.1,
    ...     expanded_mm=0.2, nearest_band=2, clearance_mm=clear,
    ...     probability_on_band=1.0, verdict="on band"))
    'overlaps band 2: 0.45 ± 0.20 mm of shift would part them'
    """
    clear = lip.clearance_mm
    if clear is None:
        return "no band was found"
    if clear.value >= 0.0:
        return f"{plus_minus(clear)} mm clear of band {lip.nearest_band}"
    turned = Estimate(value=-clear.value, u=clear.u, dof=clear.dof)
    return f"overlaps band {lip.nearest_band}: {plus_minus(turned)} mm of shift would part them"


def odds_words(probability: float) -> str:
    """A probability as a fitter says it.

    Examples
    --------
    >>> odds_words(0.0046), odds_words(0.123), odds_words(0.9996)
    ('less than 1 in 100', '12 in 100', 'more than 99 in 100')
    """
    if probability < 0.01:
        return "less than 1 in 100"
    if probability > 0.99:
        return "more than 99 in 100"
    return f"{round(100.0 * probability)} in 100"


def lip_lines(lips: Sequence[LandingLip]) -> list[str]:
    """Two lines for each lip."""
    lines = []
    for lip in lips:
        low, high = lip.contact_mm
        where = f"touches {low:.2f} to {high:.2f} mm (u {lip.u_mm:.2f})"
        odds = f"odds of a band under it {odds_words(lip.probability_on_band)}"
        lines.append(f"  {lip.name:<12}{lip.verdict.upper():<11}{where}; {odds}")
        lines.append(f"  {'':<23}{clearance_words(lip)}")
        if lip.why:
            lines.append(f"  {'':<23}{lip.why}")
    return lines


def shift_lines(landing: Landing) -> list[str]:
    """The room to move, a line each; rounded so that no rounded value leaves its window."""
    shift = landing.shift
    if shift.smallest_mm is None or shift.roomiest_mm is None:
        return [f"  No shift makes every lip fresh: {shift.why_none}."]
    windows = ", ".join(
        f"{_hundredths_in(low, low, high):+.2f} to {_hundredths_in(high, low, high):+.2f}"
        for low, high in shift.windows_mm
    )
    smallest, roomiest = (shift_in_hundredths(shift, w) for w in ("smallest", "roomiest"))
    return [
        f"  Every lip is fresh with a shift of {windows} mm (negative: toward the shaft end).",
        f"  Smallest {smallest:+.2f} mm; most clearance at {roomiest:+.2f} mm.",
    ]


def shift_in_hundredths(shift: LandingShift, which: str) -> float:
    """The "smallest" or "roomiest" shift, mm, rounded so that it stays in its window."""
    at = shift.smallest_mm if which == "smallest" else shift.roomiest_mm
    assert at is not None
    return next(
        _hundredths_in(at, low, high) for low, high in shift.windows_mm if low <= at <= high
    )


def _hundredths_in(value: float, low: float, high: float) -> float:
    """A shift in hundredths of a millimetre, rounded so that it stays in its window."""
    least, most = math.ceil(100.0 * low - 1e-6), math.floor(100.0 * high + 1e-6)
    return min(max(round(100.0 * value), least), most) / 100.0 + 0.0


def stack_up_lines(place: LipPlace) -> list[str]:
    """What adds up to the place of one lip: limits that are swept, and standard uncertainties."""
    lines = [f"  {place.lip.name}: middle {plus_minus(place.middle_mm)} mm from the shaft end"]
    for part in place.parts:
        said = []
        if part.low_mm or part.high_mm:
            said.append(f"sweeps {part.low_mm:+.3f} to {part.high_mm:+.3f} mm (limit)")
        if part.u_mm:
            said.append(f"u {part.u_mm:.3f} mm")
        lines.append(f"    {part.source:<32}{', '.join(said) or 'exact'}")
    half = place.lip.contact_mm.value / 2.0
    lines.append(
        f"    {'half the contact width':<32}{half:.3f} mm, u {place.half_width_u_mm:.3f} mm"
    )
    return lines
