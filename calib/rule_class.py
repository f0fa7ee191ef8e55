"""How far the graduations of a rule may be off: limits of its class."""

from __future__ import annotations

import math

RULE_CLASSES = ("I", "II", "III")
# a and b of MPE = a + b L, L in metres rounded up: directive 2014/32/EU, annex X (MI-008),
# chapter I, table 1, between two marks that do not follow each other.
_EU_LIMITS_MM = {"I": (0.1, 0.1), "II": (0.3, 0.2), "III": (0.6, 0.4)}
# A rule whose class is not stated is taken for steel: JIS B 7516:2005, grade 1.
_STEEL_MM = (0.10, 0.05, 500.0)  # and so much more for each length begun


def most_error_mm(rule_class: str | None, length_mm: float) -> float:
    """Maximum permissible error of the distance of two marks.

    Parameters
    ----------
    rule_class : {"I", "II", "III"} or None
        EU class of length measures, written on the rule; None for a steel rule without one.
    length_mm : float
        Distance of the marks.

    Returns
    -------
    float

    Raises
    ------
    ValueError
        No such class.
    """
    if rule_class is None:
        first, further, length = _STEEL_MM
        return first + further * max(1, math.ceil(length_mm / length))
    if rule_class not in _EU_LIMITS_MM:
        raise ValueError(f"rule_class must be one of {RULE_CLASSES}, got {rule_class!r}")
    a, b = _EU_LIMITS_MM[rule_class]
    return a + b * max(1, math.ceil(length_mm / 1000.0))


def relative_u(rule_class: str | None, length_mm: float) -> float:
    """Relative standard uncertainty of a rule over the part of it that is seen.

    The limit over that length is taken as the half-width of a rectangular distribution
    (JCGM 100:2008, 4.3.7).
    """
    return most_error_mm(rule_class, length_mm) / math.sqrt(3.0) / length_mm


def origin(rule_class: str | None, length_mm: float) -> str:
    """Where that comes from, for a budget."""
    limit = most_error_mm(rule_class, length_mm)
    named = f"class {rule_class}, 2014/32/EU MI-008" if rule_class else "JIS B 7516, grade 1"
    return f"±{limit:.2f} mm ({named}), rectangular, over the {length_mm:.0f} mm that were read"
