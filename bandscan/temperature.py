"""Lengths at 20 degrees Celsius: the growth of the shaft against that of its length standard.

References
----------
ISO 1:2022, reference temperature 20 degrees Celsius (from memory); the model is that of
JCGM 100:2008 (GUM), H.1.2: x20 = x (1 - alpha (T_shaft - T_standard) - d_alpha (T_shaft - 20)).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

REFERENCE_C = 20.0
# Of steel per kelvin: 1020 steel; from 10.2 (stainless 440A, as rules are made of) to 12.3 (4140).
# Source: W. D. Callister, Fundamentals of Materials Science and Engineering, table B.6.
STEEL_PER_K = 11.7e-6
_DIFFERENCE_PER_K = 2e-6 / math.sqrt(3.0)  # two steels, limits of +/- 2e-6, rectangular
# How far a shaft and what it is measured with may differ: touched and lying side by side, or
# unknown. Assumptions, no published source.
_STATED_U_K = 2.0
_UNSTATED_U_K = 5.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Temperatures:
    """Of the shaft and of the rule, card or micrometer, when they were measured, Celsius.

    Parameters
    ----------
    shaft_c : float
    standard_c : float
    stated : bool
        Whether the user gave them.
    """

    shaft_c: float = REFERENCE_C
    standard_c: float = REFERENCE_C
    stated: bool = False

    @property
    def stretch(self) -> float:
        """Relative correction of a measured length to that at 20 degrees."""
        return -STEEL_PER_K * (self.shaft_c - self.standard_c)

    @property
    def inputs(self) -> tuple[tuple[str, float, str, float], ...]:
        """Name, standard uncertainty, unit and sensitivity of the stretch per unit."""
        u_k = _STATED_U_K if self.stated else _UNSTATED_U_K
        return (
            ("shaft warmer than the scale", u_k, "K", -STEEL_PER_K),
            (
                "coefficients of the two steels",
                _DIFFERENCE_PER_K,
                "1/K",
                -(self.shaft_c - REFERENCE_C),
            ),
        )

    @property
    def origin(self) -> str:
        """Where the figures come from."""
        known = "stated, u 2 K between shaft and scale" if self.stated else "not stated, u 5 K"
        return (
            f"temperatures {known} (assumption); steel 11.7e-6/K, two steels ±2e-6/K rectangular "
            "(Callister, table B.6); reference 20 °C (ISO 1)"
        )


NOT_STATED = Temperatures()
