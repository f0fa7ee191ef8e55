"""What the report says of a lip and of all lips; `page/shift.js` says the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from bandscan.output.landing_words import clearance_words, odds_words
from bandscan.result import LandingLip

# Of every verdict: a mark that is read without colour, and the name of its style.
MARKS = {"fresh": "✓", "on band": "✗", "undecided": "?", "off land": "✗"}
STYLES = {"fresh": "fresh", "on band": "band", "undecided": "open", "off land": "off"}
_WORST_FIRST = ("off land", "on band", "undecided", "fresh")


@dataclass(frozen=True, slots=True, kw_only=True)
class LipWords:
    """One lip as the report shows it."""

    name: str
    verdict: str
    mark: str
    style: str
    clearance: str
    odds: str
    contact: str


def unbroken(text: str) -> str:
    r"""Keep a margin on one line with its sign.

    Examples
    --------
    >>> unbroken("12.43 ± 0.06")
    '12.43 ±\xa00.06'
    """
    return text.replace("± ", "±\N{NO-BREAK SPACE}")


def lip_words(lip: LandingLip) -> LipWords:
    """One lip in words."""
    low, high = lip.contact_mm
    return LipWords(
        name=lip.name,
        verdict=lip.verdict,
        mark=MARKS[lip.verdict],
        style=STYLES[lip.verdict],
        clearance=clearance_words(lip),
        odds=odds_words(lip.probability_on_band),
        contact=f"{low:.2f} to {high:.2f} mm",
    )


def shift_words(shift_mm: float) -> str:
    """Where the seal sits.

    Examples
    --------
    >>> shift_words(0.0), shift_words(-1.35), shift_words(0.4)
    ('as planned', '1.35 mm toward the shaft end', '0.40 mm further into the machine')
    """
    if shift_mm == 0.0:
        return "as planned"
    way = "toward the shaft end" if shift_mm < 0.0 else "further into the machine"
    return f"{abs(shift_mm):.2f} mm {way}"


def verdict_words(lips: Sequence[LandingLip]) -> str:
    """All lips in one sentence.

    Examples
    --------
    >>> fresh = LandingLip(name="main", contact_mm=(1.0, 2.0), u_mm=0.1, expanded_mm=0.2,
    ...     nearest_band=None, clearance_mm=None, probability_on_band=0.0, verdict="fresh")
    >>> verdict_words([fresh])
    'Every lip on fresh metal'
    """
    if all(lip.verdict == "fresh" for lip in lips):
        return "Every lip on fresh metal"
    return "; ".join(f"{lip.name}: {lip.verdict}" for lip in lips)


def worst_verdict(lips: Sequence[LandingLip]) -> str:
    """The verdict that decides about the seal."""
    verdicts = {lip.verdict for lip in lips}
    return next(verdict for verdict in _WORST_FIRST if verdict in verdicts)
