"""The normal distribution in one and two dimensions."""

from __future__ import annotations

import math

import numpy as np

ONE_SIDED_95 = 1.644854  # quantile of the normal distribution for 95 %
TWO_SIDED_95 = 1.959964

NODES, WEIGHTS = np.polynomial.legendre.leggauss(64)
FAR = 9.0  # standard deviations beyond which nothing is left (1e-19)


def below(z: float) -> float:
    """Probability that a standard normal value is below `z`; infinite `z` is allowed."""
    return 0.5 * math.erfc(-z / math.sqrt(2.0))


def both_below(h: float, k: float, rho: float) -> float:
    """Probability that two standard normal values of correlation `rho` are below h and k.

    Notes
    -----
    P(h, k, rho) = P(h) P(k) + 1/(2 pi) times the integral from 0 to asin(rho) of
    exp(-(h^2 + k^2 - 2 h k sin t) / (2 cos^2 t)) dt, by Gauss-Legendre quadrature.

    References
    ----------
    Z. Drezner, G. O. Wesolowsky, On the computation of the bivariate normal integral,
    J. Statist. Comput. Simul. 35 (1990) 101-107.
    """
    if max(h, k) > FAR or min(h, k) < -FAR:  # one of them decides alone
        return below(min(h, k))
    if rho >= 1.0:
        return below(min(h, k))
    if rho <= -1.0:
        return max(0.0, below(h) + below(k) - 1.0)
    half = math.asin(rho) / 2.0
    angle = half * (1.0 + NODES)
    exponent = (h * h + k * k - 2.0 * h * k * np.sin(angle)) / (2.0 * np.cos(angle) ** 2)
    integral = half * float(WEIGHTS @ np.exp(-exponent))
    return min(1.0, max(0.0, below(h) * below(k) + integral / (2.0 * math.pi)))


def chi_squared_above(value: float, dof: int) -> float:
    """Probability that chi-squared with `dof` degrees of freedom exceeds `value`.

    Notes
    -----
    From the values for 1 and 2 degrees of freedom, by Q(n + 2) = Q(n) + f_(n + 2), where f is
    (x/2)^(n/2) exp(-x/2) / Gamma(n/2 + 1) (Abramowitz & Stegun 26.4.8).
    """
    if dof < 1:
        raise ValueError(f"degrees of freedom must be at least 1, got {dof}")
    half = max(value, 0.0) / 2.0
    n = 1 if dof % 2 else 2
    above = math.erfc(math.sqrt(half)) if n == 1 else math.exp(-half)
    while n < dof:
        above += half ** (n / 2.0) * math.exp(-half) / math.gamma(n / 2.0 + 1.0)
        n += 2
    return min(1.0, above)
