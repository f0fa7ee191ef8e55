"""Who made which band: the old seal's lips against the bands that were found.

Notes
-----
A seal at an unknown offset t from where its file puts it has its lips at x_i + t. For every
way of pairing lips with bands that keeps their order, t is found by least squares on the
middles of the bands, weighted by the covariance of bands and lips (JCGM 100:2008, 5.2, for
the covariance of the differences). The pairing with the least cost is kept: chi-squared of
the spacings, a fixed price for every pair fewer than could be, and the square of t over its
stated uncertainty, capped at the same price because seals are also fitted elsewhere than
stated. The seal the other way round than stated is tried too, at the same price.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.normal import chi_squared_above
from bandscan.seal import FACINGS, Seal
from bandscan.stack_up import LipPlace, from_near_face, lip_places
from calib.camera import FloatArray
from calib.propagation import common_value
from calib.quantity import Estimate

# A pair that misses by more than 3 standard deviations explains less than no pair.
_PRICE = 9.0
_AS_GOOD = 3.84  # 95 % quantile of chi-squared, 1 degree of freedom: not to be told apart
_SIGNIFICANT = 0.05

Pairing = tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """One way in which the old seal could have made the bands.

    Parameters
    ----------
    facing : {"end", "machine"}
    pairs : tuple of (int, int)
        Lip and band, both from 0.
    offset_mm : Estimate
        How far into the shaft from its stated place the seal sat; its uncertainty is that
        of bands and lips, without the mounting's.
    stated_u_mm : float
        Standard uncertainty of the mounting as stated.
    chi_squared, dof : float, int
        Misfit of the spacings; 0 degrees of freedom for a single pair.
    residuals_mm : tuple of float
        Band middle less lip, after the offset, per pair.
    cost : float
    """

    facing: str
    pairs: Pairing
    offset_mm: Estimate
    stated_u_mm: float
    chi_squared: float
    dof: int
    residuals_mm: tuple[float, ...]
    cost: float

    @property
    def spacing_probability(self) -> float | None:
        """How often chance alone would misfit as much; None for a single pair."""
        return chi_squared_above(self.chi_squared, self.dof) if self.dof else None

    @property
    def offset_ratio(self) -> float:
        """Offset over its standard uncertainty, the mounting's included."""
        u = math.hypot(self.offset_mm.u, self.stated_u_mm)
        return self.offset_mm.value / u if u > 0.0 else math.inf * (self.offset_mm.value or 1.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribution:
    """What the old seal explains, and what it does not.

    Parameters
    ----------
    best : Explanation or None
        None where there is no band.
    alternatives : tuple of Explanation
        As good as the best within what the figures can tell.
    widening_mm : tuple of Estimate
        Per pair of `best`: band width less what the file says the lip touches in service.
    findings : tuple of str
        In words, the surest first.
    bands : BandPlaces
        As found.
    lips : tuple of str
        Names, in the order of the file.
    """

    best: Explanation | None
    alternatives: tuple[Explanation, ...]
    widening_mm: tuple[Estimate, ...]
    findings: tuple[str, ...]
    bands: BandPlaces
    lips: tuple[str, ...]


def attribute_bands(bands: BandPlaces, seal: Seal) -> Attribution:
    """Which lip of an old seal made which band.

    Parameters
    ----------
    bands : BandPlaces
        As found.
    seal : Seal
        The old seal, at the place where it is said to have sat.
    """
    lips = tuple(lip.name for lip in seal.lips)
    if not bands.count:
        return Attribution(
            best=None,
            alternatives=(),
            widening_mm=(),
            findings=("No band was found, so there is nothing to attribute.",),
            bands=bands,
            lips=lips,
        )
    found = sorted(
        (
            replace(e, cost=e.cost + (0.0 if facing == seal.mounting.facing else _PRICE))
            for facing in FACINGS
            for e in _explanations(bands, _facing(seal, facing))
        ),
        key=lambda e: e.cost,
    )
    best = found[0]
    alternatives = tuple(e for e in found[1:] if e.cost - best.cost < _AS_GOOD)
    places = lip_places(_facing(seal, best.facing))
    widening = tuple(_widening(bands, places[lip], band) for lip, band in best.pairs)
    return Attribution(
        best=best,
        alternatives=alternatives,
        widening_mm=widening,
        findings=tuple(_findings(bands, seal, places, best, alternatives, widening)),
        bands=bands,
        lips=lips,
    )


def _facing(seal: Seal, facing: str) -> Seal:
    return replace(seal, mounting=replace(seal.mounting, facing=facing))


def _explanations(bands: BandPlaces, seal: Seal) -> Iterator[Explanation]:
    places = lip_places(seal)
    order = sorted(range(len(places)), key=lambda i: places[i].middle_mm.value)
    by_start = np.argsort(bands.edges_mm[:, 0]).tolist()
    most = min(len(order), len(by_start))
    for count in range(1, most + 1):
        for lips in itertools.combinations(order, count):
            for numbers in itertools.combinations(by_start, count):
                pairs = tuple(zip(lips, numbers, strict=True))
                yield _explanation(bands, seal, places, pairs, most - count)


def _explanation(
    bands: BandPlaces, seal: Seal, places: tuple[LipPlace, ...], pairs: Pairing, missing: int
) -> Explanation:
    """Generalised least squares for the offset of one pairing."""
    difference = np.array(
        [bands.edges_mm[band].mean() - sum(places[lip].contact_mm) / 2.0 for lip, band in pairs]
    )
    covariance = _middles_covariance(bands, [band for _, band in pairs])
    own = [from_near_face(seal, places[lip].lip).u ** 2 for lip, _ in pairs]
    common = common_value(difference, covariance + np.diag(np.maximum(own, 1e-12)))
    first = places[0]
    stated = math.sqrt(first.middle_mm.u**2 - from_near_face(seal, first.lip).u ** 2)
    explanation = Explanation(
        facing=seal.mounting.facing,
        pairs=pairs,
        offset_mm=Estimate(value=common.value, u=common.u),
        stated_u_mm=stated,
        chi_squared=common.chi_squared,
        dof=common.dof,
        residuals_mm=tuple(float(d) for d in difference - common.value),
        cost=0.0,
    )
    far = min(explanation.offset_ratio**2, _PRICE)
    return replace(explanation, cost=common.chi_squared + far + _PRICE * missing)


def _middles_covariance(bands: BandPlaces, numbers: list[int]) -> FloatArray:
    halves = np.zeros((len(numbers), 2 * bands.count))
    for row, number in enumerate(numbers):
        halves[row, 2 * number : 2 * number + 2] = 0.5
    return np.asarray(halves @ bands.normal_covariance_mm2() @ halves.T)


def _widening(bands: BandPlaces, place: LipPlace, band: int) -> Estimate:
    """Band width less the part of the shaft that the lip is said to touch."""
    start, end = bands.edges_mm[band]
    pick = np.zeros(2 * bands.count)
    pick[2 * band : 2 * band + 2] = (-1.0, 1.0)
    variance = float(pick @ bands.normal_covariance_mm2() @ pick)
    variance += (2.0 * place.half_width_u_mm) ** 2
    touched = place.contact_mm[1] - place.contact_mm[0]
    return Estimate(value=float(end - start) - touched, u=math.sqrt(variance))


def _findings(
    bands: BandPlaces,
    seal: Seal,
    places: tuple[LipPlace, ...],
    best: Explanation,
    alternatives: tuple[Explanation, ...],
    widening: tuple[Estimate, ...],
) -> Iterator[str]:
    yield from _on_offset(best)
    yield from _on_spacing(best, min(bands.count, len(places)))
    yield from _on_width(best, places, widening)
    if best.facing != seal.mounting.facing:
        yield "It fits better with the seal the other way round than the file says."
    paired_lips, paired_bands = ({pair[i] for pair in best.pairs} for i in (0, 1))
    for number in sorted(set(range(bands.count)) - paired_bands):
        yield (
            f"Band {number + 1} is not explained by this seal: another seal, or the same at "
            "another place."
        )
    for number in sorted(set(range(len(places))) - paired_lips):
        yield (
            f'Lip "{places[number].lip.name}" has no band: it may have run with little load, '
            "beyond what the photo shows, or in the band of another lip."
        )
    if alternatives:
        listed = "; ".join(_in_words(other, places) for other in alternatives)
        yield f"It cannot be told from what would explain the bands as well: {listed}."


def _in_words(explanation: Explanation, places: tuple[LipPlace, ...]) -> str:
    pairs = ", ".join(
        f'band {band + 1} by "{places[lip].lip.name}"' for lip, band in explanation.pairs
    )
    side = "outer face to the end" if explanation.facing == "end" else "inner face to the end"
    return f"{pairs} ({side}, offset {explanation.offset_mm.value:+.2f} mm)"


def _on_offset(best: Explanation) -> Iterator[str]:
    where = f"{best.offset_mm.value:+.2f} ± {best.offset_mm.expanded:.2f} mm"
    if abs(best.offset_ratio) <= 1.96:
        yield f"Offset {where} from the stated place: within the stated uncertainties."
    else:
        side = "further into the machine" if best.offset_mm.value > 0.0 else "nearer the shaft end"
        yield (
            f"Offset {where}, {abs(best.offset_ratio):.1f} standard uncertainties: the seal sat "
            f"{side} than stated (assembly offset, a shim, or an end face that was machined)."
        )


def _on_spacing(best: Explanation, possible: int) -> Iterator[str]:
    probability = best.spacing_probability
    if len(best.pairs) < possible:
        yield (
            f"No offset brings more than {len(best.pairs)} of {possible} possible pairs of lip and "
            "band within 3 standard uncertainties of each other: it points to another seal."
        )
    if probability is None:
        yield "One pair of lip and band: any offset fits it, so it cannot prove the seal."
    elif probability < _SIGNIFICANT:
        yield (
            f"The spacing of the bands does not fit the lips (by chance in {probability:.2%}): "
            "it points to another seal."
        )
    else:
        yield f"The spacing of the bands fits the lips (chance misfits more in {probability:.0%})."


def _on_width(
    best: Explanation, places: tuple[LipPlace, ...], widening: tuple[Estimate, ...]
) -> Iterator[str]:
    wide = [w.value > w.expanded for w in widening]
    narrow = [w.value < -w.expanded for w in widening]
    if all(wide):
        least = min(widening, key=lambda w: w.value)
        yield (
            f"Every paired band is wider than its lip's contact, by {least.value:.2f} ± "
            f"{least.expanded:.2f} mm or more: it points to end float, thermal growth or a seal "
            "out of square beyond what the file says, or to lips that wore wide."
        )
        return
    for (lip, band), w, is_wide, is_narrow in zip(best.pairs, widening, wide, narrow, strict=True):
        name = places[lip].lip.name
        if is_wide:
            yield (
                f'Band {band + 1} alone is {w.value:.2f} ± {w.expanded:.2f} mm wider than "{name}" '
                "touches: that lip wore wide, or ran in two places."
            )
        elif is_narrow:
            yield (
                f'Band {band + 1} is {-w.value:.2f} ± {w.expanded:.2f} mm narrower than "{name}" '
                "touches: the shaft moved less than stated, or the pairing is wrong."
            )
