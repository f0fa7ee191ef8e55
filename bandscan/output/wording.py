"""Numbers and names as a fitter reads them; shared by the table and the pictures."""

from __future__ import annotations

import math

from bandscan.model import END_BY_HAND
from bandscan.result import Correction, Measurement, ScaleResult, ShaftResult
from calib.quantity import Estimate

CAUTION = (
    "Isolate the machine and lock it out before you touch the shaft; its edges can be razor-sharp. "
    "The seal maker's data and a qualified person decide whether the shaft may run again."
)

_END_WORDS = {
    "face rim": "rim of the end face",
    "chamfer outer edge": "outer edge of the chamfer",
    "outline": "outline of the shaft",
    END_BY_HAND: "mark that was set by hand",
}


def rounded(value: float, expanded: float) -> tuple[str, str]:
    """A value and its expanded uncertainty as text.

    Two significant digits of the uncertainty, the value to the same decimal place
    (JCGM 100:2008, 7.2.6).

    Examples
    --------
    >>> rounded(12.43161, 0.0634)
    ('12.432', '0.063')
    >>> rounded(45.0, 0.0996)
    ('45.00', '0.10')
    """
    if not (math.isfinite(expanded) and expanded > 0.0):
        return f"{value:.3f}", "?" if not math.isfinite(expanded) else "0"
    decimals = max(0, 1 - math.floor(math.log10(expanded)))
    if decimals > 0 and float(f"{expanded:.{decimals}f}") >= 10.0 ** (2 - decimals):
        decimals -= 1  # 0.0996 becomes 0.10, not 0.100
    return f"{value:.{decimals}f}", f"{expanded:.{decimals}f}"


def plus_minus(estimate: Estimate) -> str:
    """An estimate as "12.432 ± 0.063" with its expanded uncertainty.

    Examples
    --------
    >>> plus_minus(Estimate(value=12.43161, u=0.0324))
    '12.432 ± 0.064'
    """
    value, expanded = rounded(estimate.value, estimate.expanded)
    return f"{value} ± {expanded}"


def end_words(shaft: ShaftResult) -> str:
    """What the shaft end was read from, in words."""
    return _END_WORDS.get(shaft.end.what, shaft.end.what)


def scale_words(scale: ScaleResult) -> str:
    """A scale in a few words.

    Examples
    --------
    >>> scale_words(ScaleResult(kind="diameter", mm_per_px=0.05, relative_u=0.001))
    'the shaft diameter'
    """
    if scale.kind == "rule":
        pitch = "" if scale.pitch_mm is None else f" of {_pitch_words(scale.pitch_mm)}"
        return f"a rule, {scale.graduations} graduations{pitch}"
    if scale.kind == "card":
        squares = "" if scale.pitch_mm is None else f", squares of {scale.pitch_mm:g} mm"
        return f"a printed card{squares}"
    return "the shaft diameter"


def _pitch_words(pitch_mm: float) -> str:
    for parts in (16, 32, 64):
        if math.isclose(pitch_mm, 25.4 / parts, rel_tol=1e-6):
            return f"1/{parts} in"
    return f"{pitch_mm:g} mm"


def correction_words(correction: Correction) -> str:
    """What was set by hand, both values, who and why.

    Examples
    --------
    >>> correction_words(Correction(what="band 1 end", automatic_mm=Estimate(value=15.9, u=0.03),
    ...     corrected_mm=Estimate(value=16.2, u=0.1), by="A. Fitter", why="stain"))
    'band 1 end: 16.20 ± 0.20 mm set by hand, 15.900 ± 0.059 mm was found; A. Fitter: stain'
    """
    found = correction.automatic_mm
    was = "nothing was found" if found is None else f"{plus_minus(found)} mm was found"
    set_to = correction.corrected_mm
    now = "taken away by hand" if set_to is None else f"{plus_minus(set_to)} mm set by hand"
    who = ": ".join(part for part in (correction.by, correction.why) if part)
    return f"{correction.what}: {now}, {was}" + (f"; {who}" if who else "")


def agreement_words(measurement: Measurement) -> str | None:
    """Whether scale and diameter agree, in words; None where only one was used."""
    agreement = measurement.agreement
    if agreement is None:
        return None
    verdict = "agree" if agreement.agree else "DO NOT AGREE"
    return f"scale and diameter {verdict} (E_n {agreement.en:.1f}; up to 1 is agreement)"
