"""Why diameter and scale disagree: each usual cause is tried on what the photo shows.

A cause changes one input. Those with a set value (a diameter typed in inches, a print at 97 %)
are tried as they are, and what disagreement they leave counts against them; those with a free
value (a height) get the value that removes the disagreement, and an unlikely value counts
against them. Both are squared deviations in standard uncertainties, so causes can be ranked.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from bandscan.chain import Chain
from calib.camera import Camera
from calib.lens import LensCalibration
from calib.rule_pitch import INCH_MM
from calib.scale import ScalePlane

# How far off these usually are when they are wrong; common practice, no published source.
_USUAL_HEIGHT_MM = 4.0  # a rule on its case, a card curled or on a block
_USUAL_PRINT, _USUAL_DIAMETER = 0.03, 0.01
_COMMON_PRINTS = (0.97, 0.94)  # "fit to page" of A4 (margins), A4 on Letter (279.4 / 297)
_PRINT_SPREAD = 0.005
_MICROMETER_TURN_MM = 0.5  # a metric micrometer's thimble: one turn is easily missed
_PITCHES_MM = (0.5, 1.0, INCH_MM / 16.0, INCH_MM / 32.0, INCH_MM / 64.0)
# Added to a cause's cost where there is a reason against it, and for causes without a pattern.
_UNUSUAL, _AGAINST = 1.0, 6.0
_AS_GOOD = 2.0  # causes whose cost is within this of the least are named as equally likely
_MOST_NAMED = 3
_BAD_FIT = 2.0  # misfit of a scale with a lens file over that with the lens estimated


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One possible cause.

    Parameters
    ----------
    kind : {"height", "print", "pitch", "diameter", "lens"}
    what : str
        A clause with the value that the photo implies.
    remedy : str
    cost : float
        Squared deviations in standard uncertainties; less is likelier.
    """

    kind: str
    what: str
    remedy: str
    cost: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Contradiction:
    """A diameter and a scale that disagree.

    Parameters
    ----------
    chain : Chain
        With both.
    en_of : callable
        E_n of a chain: Chain -> float.
    kind : {"rule", "card"}
        Of the scale.
    print_checked, pitch_given : bool
        Whether the print was measured; whether the user stated the rule's pitch.
    lens : LensCalibration
        In use.
    estimated : LensCalibration
        What EXIF and the scale's straightness say of the lens.
    pitch_mm : float or None
    """

    chain: Chain
    en_of: Callable[[Chain], float]
    kind: str
    print_checked: bool
    pitch_given: bool
    lens: LensCalibration
    estimated: LensCalibration
    pitch_mm: float | None


def likely_causes(case: Contradiction) -> list[Cause]:
    """The likeliest cause and those about as likely, the likeliest first."""
    causes = [*_of_height(case), *_of_diameter(case), *_of_lens(case)]
    causes += _of_print(case) if case.kind == "card" else _of_pitch(case)
    causes.sort(key=lambda cause: cause.cost)
    best: dict[str, Cause] = {}
    for cause in causes:
        best.setdefault(cause.kind, cause)
    near = [cause for cause in best.values() if cause.cost <= causes[0].cost + _AS_GOOD]
    return near[:_MOST_NAMED]


def _left(case: Contradiction, chain: Chain) -> float:
    """Cost of the disagreement that a changed chain leaves: E_n of 1 is two u."""
    return (2.0 * case.en_of(chain)) ** 2


def _of_height(case: Contradiction) -> Iterator[Cause]:
    height = case.chain.height_of_scale(
        replace(case.chain, height_mm=None, scale_weight=0.0).pose()
    )
    assert height is not None
    stated = case.chain.height_mm
    if stated is None:
        yield Cause(
            kind="height",
            what=f"the {case.kind} lies {height:+.1f} mm from the level of the axis",
            remedy="If it does, say so with --scale-height.",
            cost=_left(case, case.chain),
        )
        return
    off = height - stated
    word = "higher" if off > 0.0 else "lower"
    yield Cause(
        kind="height",
        what=f"the {case.kind} lies {abs(off):.1f} mm {word} than stated, at {height:+.1f} mm "
        "from the level of the axis",
        remedy=f"Measure how high the {case.kind}'s surface lies above the axis.",
        cost=(off / _USUAL_HEIGHT_MM) ** 2,
    )


def _of_diameter(case: Contradiction) -> Iterator[Cause]:
    stated = case.chain.diameter_mm
    assert stated is not None

    def cause(diameter_mm: float, why: str, against: float) -> Cause:
        changed = replace(case.chain, diameter_mm=diameter_mm)
        return Cause(
            kind="diameter",
            what=f"the diameter is {diameter_mm:.2f} mm, not {stated:.2f} mm{why}",
            remedy="Measure the diameter again at the seal land.",
            cost=against + _left(case, changed),
        )

    yield cause(stated * INCH_MM, " (it was given in inches)", 0.0)
    yield cause(2.0 * stated, " (the radius was given)", 0.0)
    yield cause(stated / 2.0, " (it was doubled)", _UNUSUAL)
    for turn in (-_MICROMETER_TURN_MM, _MICROMETER_TURN_MM):
        yield cause(stated + turn, " (one turn of the micrometer's thimble)", _UNUSUAL)
    for swapped in _swapped_digits(stated):
        yield cause(swapped, " (two digits swapped)", _UNUSUAL)
    by_scale = case.chain.radius_by_scale()
    if by_scale is not None:
        off = 2.0 * by_scale / stated - 1.0
        against = _UNUSUAL + (off / _USUAL_DIAMETER) ** 2
        yield cause(2.0 * by_scale, "", against)


def _swapped_digits(value: float) -> Iterator[float]:
    """The value with two neighbouring digits before the point exchanged.

    Examples
    --------
    >>> list(_swapped_digits(34.99))
    [43.99]
    """
    whole, _, rest = f"{value:.3f}".partition(".")
    for i in range(len(whole) - 1):
        swapped = whole[:i] + whole[i + 1] + whole[i] + whole[i + 2 :]
        if swapped != whole and swapped[0] != "0":
            yield float(f"{swapped}.{rest}")


def _of_print(case: Contradiction) -> Iterator[Cause]:
    against = _AGAINST if case.print_checked else 0.0

    def cause(ratio: float, cost: float) -> Cause:
        percent = 100.0 * ratio
        return Cause(
            kind="print",
            what=f"the card was printed at {percent:.1f} % of what its description says",
            remedy="Measure the card's 100 mm line and record it with bandscan card --measured "
            f"(about {percent:.1f} is expected).",
            cost=against + cost,
        )

    ratio = _scale_ratio(case.chain)
    if ratio is None:
        for common in _COMMON_PRINTS:
            yield cause(common, _left(case, _scaled(case.chain, common)))
        return
    for common in _COMMON_PRINTS:
        yield cause(ratio, ((ratio - common) / _PRINT_SPREAD) ** 2)
    yield cause(ratio, _UNUSUAL + ((ratio - 1.0) / _USUAL_PRINT) ** 2)


def _of_pitch(case: Contradiction) -> Iterator[Cause]:
    if case.pitch_mm is None:
        return
    against = 0.0 if case.pitch_given else _AGAINST
    for pitch in _PITCHES_MM:
        if abs(pitch / case.pitch_mm - 1.0) < 1e-3:
            continue
        yield Cause(
            kind="pitch",
            what=f"the rule's graduations are {pitch:.4g} mm apart, not {case.pitch_mm:.4g} mm",
            remedy="Read the pitch off the rule and give it with --pitch.",
            cost=against + _left(case, _scaled(case.chain, pitch / case.pitch_mm)),
        )


def _of_lens(case: Contradiction) -> Iterator[Cause]:
    """A lens file bends what is straight on the scale, where the estimated lens does not."""
    if case.lens.source != "file" or case.chain.plane is None:
        return
    ours = case.chain.plane(case.lens.camera)
    other = case.chain.plane(case.estimated.camera)
    floor = float(max(other.misfit, other.readings))
    if ours.misfit < _BAD_FIT * floor:
        return
    excess = math.sqrt(ours.misfit / floor)
    yield Cause(
        kind="lens",
        what=f"the lens file is of another camera, zoom or focus: with it the {case.kind}'s marks "
        f"lie {excess:.1f} times as far off their places as with a lens estimated from the photo",
        remedy="Give the lens file of this camera, or none.",
        cost=0.0,
    )


def _scaled(chain: Chain, ratio: float) -> Chain:
    """The chain with its scale `ratio` times as large as described."""
    plane = chain.plane
    assert plane is not None

    def scaled(camera: Camera) -> ScalePlane:
        return plane(camera).resized(ratio)

    return replace(chain, plane=scaled)


def _scale_ratio(chain: Chain) -> float | None:
    """How large the scale is against its description, were all else right; None without height."""
    at_one, beyond = chain.radius_by_scale(), _scaled(chain, 1.01).radius_by_scale()
    wanted = chain.radius_by_diameter()
    if at_one is None or beyond is None or wanted is None:
        return None
    return 1.0 + 0.01 * (wanted - at_one) / (beyond - at_one)  # the radius is linear in it
