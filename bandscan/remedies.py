"""What to do when a lip does not land on fresh metal: options, reasons and cautions.

None of it decides: the seal maker's data, local rules and a qualified person do.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.result import Landing, LandingShift
from bandscan.seal import Seal
from bandscan.shaft_limits import H11_STEPS_MM, h11_limits_mm, roughness_sets
from bandscan.stack_up import LipPlace
from calib.quantity import Estimate

SHIM_STEP_MM = 0.05  # to which shims and press-in depths are made; common practice
_MEASURING_PLACES = 3  # unworn places to measure the diameter at, before a sleeve is chosen


@dataclass(frozen=True, slots=True, kw_only=True)
class Remedy:
    """One option.

    Parameters
    ----------
    kind : {"leave", "shift", "flip", "other seal", "refinish", "sleeve"}
    what : str
        What to do, with numbers.
    reason : str
    cautions : tuple of str
    sources : tuple of str
        Published limits it rests on.
    """

    kind: str
    what: str
    reason: str
    cautions: tuple[str, ...] = ()
    sources: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """Another seal that lies ready, and how it would land."""

    label: str
    landing: Landing


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Situation:
    """All that the options depend on.

    Parameters
    ----------
    flipped : Landing
        The same seal turned round in the same seat.
    others : tuple of Candidate
    diameter_mm : Estimate or None
        As measured.
    """

    seal: Seal
    places: tuple[LipPlace, ...]
    bands: BandPlaces
    landing: Landing
    flipped: Landing
    others: tuple[Candidate, ...] = ()
    diameter_mm: Estimate | None = None


def all_fresh(landing: Landing) -> bool:
    """Whether every lip is on fresh metal."""
    return all(lip.verdict == "fresh" for lip in landing.lips)


def list_remedies(situation: Situation) -> tuple[Remedy, ...]:
    """The options, the least work first."""
    if all_fresh(situation.landing):
        return (_leave(),)
    options = [
        *_by_shift(situation),
        *_by_other_seal(situation.others),
        *_by_flip(situation),
        _by_refinishing(situation),
        _by_sleeve(situation),
    ]
    return tuple(options)


def _leave() -> Remedy:
    return Remedy(
        kind="leave",
        what="Fit the seal as planned.",
        reason="Each lip lands on fresh metal with at least 95 % probability.",
        cautions=(
            "Check the strip under each lip for nicks, burrs and lead before fitting, and for a "
            "band too faint for the photo, which no odds account for.",
            "Press in square and measure the depth again after pressing.",
        ),
    )


def _by_shift(situation: Situation) -> list[Remedy]:
    move = smallest_move(situation.landing.shift)
    if move is None:
        return []
    what = f"{move} (the smallest shift)"
    roomiest = _move(_at_bench(situation.landing.shift, "roomiest"))
    if roomiest != move:
        what += f", or {roomiest} (the most clearance)"
    return [
        Remedy(
            kind="shift",
            what=f"{what}.",
            reason="Each lip is then on fresh metal with at least 95 % probability.",
            cautions=(
                "The seal must still sit in the full length of its seat, and neither rub on the "
                "bearing nor cover an oil hole.",
                "A shim must be flat and as large as the seal's face, so that the seal stays "
                "square; a straight bore needs a tool with a stop.",
                "At the smallest shift up to 5 in 100 remain for a lip; a little further is safer.",
            ),
        )
    ]


def smallest_move(shift: LandingShift) -> str | None:
    """The smallest shift as what is done at the bench; None where there is none."""
    return None if shift.smallest_mm is None else _move(_at_bench(shift, "smallest"))


def _at_bench(shift: LandingShift, which: str) -> float:
    """A shift in steps that can be made, kept inside its window."""
    assert shift.smallest_mm is not None
    assert shift.roomiest_mm is not None
    exact = shift.smallest_mm if which == "smallest" else shift.roomiest_mm
    steps = exact / SHIM_STEP_MM
    away = math.copysign(math.ceil(abs(steps) - 1e-9), steps)  # 1e-9: a whole step stays one
    for whole in (away if which == "smallest" else round(steps), math.trunc(steps)):
        rounded = whole * SHIM_STEP_MM
        if any(low <= rounded <= high for low, high in shift.windows_mm):
            return rounded
    return exact


def _move(shift_mm: float) -> str:
    """A shift as what is done at the bench."""
    size = abs(shift_mm)
    if shift_mm < 0.0:
        return (
            f"move the seal {size:.2f} mm toward the shaft end: press it in {size:.2f} mm less, "
            f"or put a shim of {size:.2f} mm between it and the shoulder"
        )
    return f"move the seal {size:.2f} mm into the machine: press it in {size:.2f} mm deeper"


def _by_other_seal(others: Sequence[Candidate]) -> list[Remedy]:
    options = []
    for other in others:
        if all_fresh(other.landing):
            what = f'Fit "{other.label}" instead, as its file says.'
        elif (move := smallest_move(other.landing.shift)) is not None:
            what = f'Fit "{other.label}" instead and {move}.'
        else:
            continue
        options.append(
            Remedy(
                kind="other seal",
                what=what,
                reason="Each of its lips is then on fresh metal with at least 95 % probability.",
                cautions=(
                    "Width, lip material, pressure, speed and temperature must suit the machine; "
                    "ask the seal maker.",
                ),
            )
        )
    return options


def _by_flip(situation: Situation) -> list[Remedy]:
    if all_fresh(situation.flipped):
        what = "Turn the seal round in the same seat."
    elif (move := smallest_move(situation.flipped.shift)) is not None:
        what = f"Turn the seal round and {move}."
    else:
        return []
    return [
        Remedy(
            kind="flip",
            what=what,
            reason="Mirrored, each lip is on fresh metal with at least 95 % probability.",
            cautions=(
                "A spring-loaded lip seals toward its spring: turned round, it does not hold the "
                "oil. Only where the maker allows either way, as for keeping dirt out or letting "
                "grease escape.",
            ),
        )
    ]


def _by_refinishing(situation: Situation) -> Remedy:
    sets = roughness_sets(situation.seal.material)
    targets = "; ".join(f"{s.name} Ra {s.ra_um[0]:g} to {s.ra_um[1]:g} µm" for s in sets)
    shared = max(s.ra_um[0] for s in sets), min(s.ra_um[1] for s in sets)
    agreed = (
        f"All of them allow Ra {shared[0]:g} to {shared[1]:g} µm."
        if shared[0] <= shared[1]
        else "They have no value in common: take the seal maker's."
    )
    return Remedy(
        kind="refinish",
        what=(
            "Refinish the track round the shaft: plunge-grind it, or hold a strip of abrasive "
            f"cloth square to it while it turns. Published roughness: {targets}. {agreed}"
        ),
        reason=(
            "A polished track is smoother than the least roughness that lets the lip be oiled; "
            "a groove must be ground out."
        ),
        cautions=(
            "Never along the shaft or with traverse: any lead pumps oil out. Spark out fully, "
            "avoid whole-number ratios of wheel and work speed, then prove it with the thread "
            "test, both ways round.",
            f"{_tolerance_words(situation)} and within the hard case.",
            "If a fingernail catches in the track, polishing does not do: grind it out, build it "
            "up, or fit a sleeve (workshop rule; no published depth was found).",
            "Strip on a turning shaft catches clothes and fingers: no gloves, no cloth wound "
            "round the hand, goggles on, guard in place.",
        ),
        sources=tuple(f"{s.name}: {s.source}" for s in sets),
    )


def _tolerance_words(situation: Situation) -> str:
    nominal, diameter = situation.seal.shaft_mm, situation.diameter_mm
    if nominal > H11_STEPS_MM[-1]:
        return "Stay within the diameter tolerance of the drawing"
    low, high = h11_limits_mm(nominal)
    words = f"Stay within the diameter tolerance, h11: {low:.3f} to {high:.3f} mm"
    if diameter is None:
        return f"{words},"
    left = diameter.value - diameter.expanded - low
    may = f"at most {left:.2f} mm may come off it" if left > 0.0 else "nothing may come off it"
    return f"{words} (it measures {diameter.value:.3f} mm: {may}),"


def _by_sleeve(situation: Situation) -> Remedy:
    low, high = _sleeve_mm(situation)
    unworn = ", ".join(
        f"{place:.1f}" for place in unworn_places_mm(situation.bands, situation.seal)
    )
    where = f" (for instance {unworn} mm from the end)" if unworn else ""
    return Remedy(
        kind="sleeve",
        what=(
            f"Fit a thin repair sleeve that covers at least {max(low, 0.0):.1f} to {high:.1f} mm "
            "from the shaft end: every lip with its uncertainty, and whole bands, so that its "
            "edge does not stand over a track."
        ),
        reason="The lips then run on new metal, and a track below it does not matter.",
        cautions=(
            f"Measure the diameter at three unworn places{where} and take the mean; the sleeve "
            "is chosen by it.",
            "Set it by measure, not flush with the shaft end, unless these agree; not over "
            "keyways, splines or oil holes.",
            "It makes the shaft thicker by twice its wall: ask its maker, and the seal's, "
            "whether the same seal may run on it.",
            "Fill a deep groove first; clean and deburr; no heat unless the maker says so. The "
            "sleeve is thin and its edge is sharp.",
        ),
    )


def _sleeve_mm(situation: Situation) -> tuple[float, float]:
    """What a sleeve must cover: all lips, and all of each band that it reaches."""
    low = min(place.contact_mm[0] - place.middle_mm.expanded for place in situation.places)
    high = max(place.contact_mm[1] + place.middle_mm.expanded for place in situation.places)
    bands = situation.bands
    for index in np.argsort(bands.edges_mm[:, 0]):
        start, end = bands.edge(2 * index), bands.edge(2 * index + 1)
        if start.value - start.expanded <= high and end.value + end.expanded >= low:
            low = min(low, start.value - start.expanded)
            high = max(high, end.value + end.expanded)
    return low, high


def unworn_places_mm(bands: BandPlaces, seal: Seal) -> list[float]:
    """Middles of the longest strips of land without band or groove, from the shaft end on."""
    low, high = seal.mounting.land_mm
    if math.isinf(high):
        return []
    strips, free_from = [], low
    for start, end in sorted([*map(tuple, bands.edges_mm), *seal.mounting.grooves_mm]):
        strips.append((free_from, min(start, high)))
        free_from = max(free_from, end)
    strips.append((free_from, high))
    longest = sorted(strips, key=lambda strip: strip[0] - strip[1])[:_MEASURING_PLACES]
    return [float(a + b) / 2.0 for a, b in sorted(longest) if b > a]
