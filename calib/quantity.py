"""A value with its uncertainty, and the arithmetic of the GUM.

References
----------
JCGM 100:2008 (GUM), clauses 5.1 (propagation) and G.4 (effective degrees of
freedom); ISO 13528 / ISO/IEC 17043 for the E_n number.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

INFINITE_DOF = math.inf

# Two-sided 95 % quantiles of Student's t for 1..30 degrees of freedom, then the
# terms of its expansion in 1/dof. Source: GUM (JCGM 100:2008) Table G.2, p = 95 %.
_T95 = (
    12.706, 4.303, 3.182, 2.776, 2.571, 2.447, 2.365, 2.306, 2.262, 2.228,
    2.201, 2.179, 2.160, 2.145, 2.131, 2.120, 2.110, 2.101, 2.093, 2.086,
    2.080, 2.074, 2.069, 2.064, 2.060, 2.056, 2.052, 2.048, 2.045, 2.042,
)  # fmt: skip
_Z95 = 1.959964


def coverage_factor_95(dof: float) -> float:
    """Coverage factor k for 95 % at `dof` effective degrees of freedom.

    Parameters
    ----------
    dof : float
        Effective degrees of freedom, at least 1; `math.inf` gives 1.96.

    Returns
    -------
    float
        Student's t for a two-sided 95 % interval.

    Notes
    -----
    Up to 30 degrees of freedom the table of the GUM is interpolated linearly in
    1/dof (exact at whole numbers, at most 0.06 high between 2 and 3); above it
    the first two terms of the expansion in 1/dof are used (Abramowitz & Stegun
    26.7.5), exact to 0.001.
    """
    if dof < 1.0:
        raise ValueError(f"degrees of freedom must be at least 1, got {dof}")
    if dof >= len(_T95):
        z = _Z95
        if math.isinf(dof):
            return z
        g1 = (z**3 + z) / 4.0
        g2 = (5.0 * z**5 + 16.0 * z**3 + 3.0 * z) / 96.0
        return z + g1 / dof + g2 / dof**2
    low = int(dof)
    t_low, t_high = _T95[low - 1], _T95[min(low, len(_T95) - 1)]
    if dof == low:
        return t_low
    share = (1.0 / low - 1.0 / dof) / (1.0 / low - 1.0 / (low + 1))
    return t_low + share * (t_high - t_low)


def effective_dof(contributions: Iterable[tuple[float, float]]) -> float:
    """Effective degrees of freedom of a sum of independent contributions.

    Parameters
    ----------
    contributions : iterable of (float, float)
        Pairs (contribution to the standard uncertainty, its degrees of freedom).

    Returns
    -------
    float
        The Welch-Satterthwaite value, `math.inf` where nothing limits it.

    References
    ----------
    JCGM 100:2008, equation (G.2b).
    """
    variance = 0.0
    weighted = 0.0
    for contribution, dof in contributions:
        variance += contribution**2
        if not math.isinf(dof):
            weighted += contribution**4 / dof
    if weighted == 0.0:
        return INFINITE_DOF
    return max(1.0, variance**2 / weighted)


def expanded_en(difference: float, expanded_a: float, expanded_b: float) -> float:
    """E_n number of two results: their difference over their joint expanded uncertainty.

    Parameters
    ----------
    difference : float
        First result minus second.
    expanded_a, expanded_b : float
        Expanded uncertainties (95 %) of the two, same unit.

    Returns
    -------
    float
        Agreement is satisfactory up to 1 in magnitude.

    References
    ----------
    ISO 13528; ISO/IEC 17043 (from memory).
    """
    return difference / math.hypot(expanded_a, expanded_b)


@dataclass(frozen=True, slots=True, kw_only=True)
class Estimate:
    """A measured value with its standard uncertainty and degrees of freedom."""

    value: float
    u: float
    dof: float = INFINITE_DOF

    @property
    def k(self) -> float:
        """Coverage factor for 95 %."""
        return coverage_factor_95(self.dof)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k u (95 %)."""
        return self.k * self.u
