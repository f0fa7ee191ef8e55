"""Propagation of distributions by a Monte Carlo method, beside the first-order budget.

References
----------
JCGM 101:2008, Supplement 1 to the GUM: clause 6.4 (sampling), 7 (method), 7.9 (adaptive number
of trials), 8 (validation of the first-order budget).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from calib.camera import FloatArray
from calib.quantity import Estimate

COVERAGE = 0.95
BLOCK = 10_000  # trials of one block of the adaptive method: JCGM 101, 7.9.4 b)
_SURE = 2.0  # standard deviations of a mean over blocks that must lie within the tolerance

Draw = Callable[[np.random.Generator, int], FloatArray]
Model = Callable[[FloatArray], FloatArray]


def normal(mean: float, u: float) -> Draw:
    """Gaussian input (JCGM 101, 6.4.7)."""
    return lambda rng, count: rng.normal(mean, u, count)


def rectangular(low: float, high: float) -> Draw:
    """Rectangular input between two limits (JCGM 101, 6.4.2)."""
    return lambda rng, count: rng.uniform(low, high, count)


def inexact_rectangular(low: float, high: float, slack: float) -> Draw:
    """Rectangular input whose limits are known to +/- `slack` (JCGM 101, 6.4.3)."""

    def draw(rng: np.random.Generator, count: int) -> FloatArray:
        start = low - slack + 2.0 * slack * rng.random(count)
        return np.asarray(start + (low + high - 2.0 * start) * rng.random(count))

    return draw


def arcsine(low: float, high: float) -> Draw:
    """U-shaped input, a sine wave of unknown phase between two limits (JCGM 101, 6.4.6)."""

    def draw(rng: np.random.Generator, count: int) -> FloatArray:
        swing = np.sin(2.0 * math.pi * rng.random(count))
        return np.asarray((low + high) / 2.0 + (high - low) / 2.0 * swing)

    return draw


def student(mean: float, u: float, dof: float) -> Draw:
    """Scaled and shifted t input; normal for infinite `dof` (JCGM 101, 6.4.9)."""
    if math.isinf(dof):
        return normal(mean, u)
    return lambda rng, count: mean + u * rng.standard_t(dof, count)


@dataclass(frozen=True, slots=True, kw_only=True)
class Spread:
    """What the draws of one output give.

    Parameters
    ----------
    mean, u : float
        Mean and standard deviation of the draws.
    low, high : float
        Ends of the probabilistically symmetric interval of 95 %.
    trials : int
        Draws in all.
    lost : int
        Of them, those for which the model has no value; they are left out.
    """

    mean: float
    u: float
    low: float
    high: float
    trials: int
    lost: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Validation:
    """The first-order interval against that of the draws.

    Parameters
    ----------
    low_mm, high_mm : float
        How far the ends of the two intervals lie apart, in the output's unit.
    tolerance : float
        Half a unit in the last significant digit of u.
    lost : int
        Draws for which the model has no value.
    """

    low_mm: float
    high_mm: float
    tolerance: float
    lost: int = 0

    @property
    def holds(self) -> bool:
        """Whether the first-order budget is validated (JCGM 101, 8.1.3)."""
        return not self.lost and max(self.low_mm, self.high_mm) <= self.tolerance


def tolerance_of(u: float, digits: int = 1) -> float:
    """Numerical tolerance: half a unit of the last of the significant `digits` of `u`.

    References
    ----------
    JCGM 101:2008, 7.9.2.

    Examples
    --------
    >>> tolerance_of(0.035, 2)
    0.0005
    >>> tolerance_of(0.2)
    0.05
    """
    if not 0.0 < u < math.inf:
        return 0.0
    mantissa = f"{u:.{digits - 1}e}"  # rounds 0.096 to 1e-1, as a person would write it
    exponent = int(mantissa.partition("e")[2]) - (digits - 1)
    return float(0.5 * 10.0**exponent)


def propagate(
    model: Model,
    inputs: Sequence[Draw],
    *,
    seed: int = 1,
    digits: int = 1,
    least: int = 2,
    most: int = 10,
) -> list[Spread]:
    """Propagate distributions through a model, as many trials as the tolerance asks for.

    Parameters
    ----------
    model : callable
        From draws, shape (inputs, trials), to outputs, shape (outputs, trials).
    inputs : sequence of Draw
    seed : int
        Of the generator, so that a result can be made again.
    digits : int
        Significant digits of u that count.
    least, most : int
        Blocks of `BLOCK` trials, at least 2.

    Returns
    -------
    list of Spread
        One an output.

    References
    ----------
    JCGM 101:2008, 7.9.4: blocks are added until twice the standard deviation of the mean over
    blocks of every figure is within a fifth of the tolerance (8.2: that the draws' own scatter
    stays out of the validation).
    """
    rng = np.random.default_rng(seed)
    blocks: list[FloatArray] = []
    figures: list[FloatArray] = []
    while len(blocks) < most:
        drawn = np.stack([draw(rng, BLOCK) for draw in inputs])
        outputs = np.atleast_2d(model(drawn))
        blocks.append(outputs)
        figures.append(_figures(outputs))
        if len(blocks) >= least and _settled(np.stack(figures), digits):
            break
    whole = np.concatenate(blocks, axis=1)
    lost = int((~np.isfinite(whole).all(axis=0)).sum())
    return [
        Spread(mean=float(mean), u=float(u), low=float(low), high=float(high),
               trials=whole.shape[1], lost=lost)
        for mean, u, low, high in _figures(whole).T
    ]  # fmt: skip


def shortest_interval(values: FloatArray, coverage: float = COVERAGE) -> tuple[float, float]:
    """Shortest interval that holds a share of the draws (JCGM 101, 7.7.4)."""
    ordered = np.sort(values)
    inside = round(coverage * ordered.size)
    width = ordered[inside:] - ordered[: ordered.size - inside]
    at = int(np.argmin(width))
    return float(ordered[at]), float(ordered[at + inside])


def validate(budget: Estimate, spread: Spread, digits: int = 1) -> Validation:
    """Compare the interval value +/- U of a first-order budget with that of the draws.

    References
    ----------
    JCGM 101:2008, 8.1.3. The draws' own scatter, two standard deviations of an end of the
    interval, is allowed for as well, since the number of trials is bounded.
    """
    scatter = _SURE * _END_SCATTER * spread.u / math.sqrt(spread.trials)
    return Validation(
        low_mm=abs(budget.value - budget.expanded - spread.low),
        high_mm=abs(budget.value + budget.expanded - spread.high),
        tolerance=tolerance_of(budget.u, digits) + scatter,
        lost=spread.lost,
    )


# Standard deviation of the 2.5 % quantile of n normal draws is sqrt(p (1 - p) / n) over the
# density there (Stuart & Ord, Kendall's Advanced Theory of Statistics 1, 10.10), here for u = 1.
_END_SCATTER = math.sqrt(0.025 * 0.975) / (math.exp(-0.5 * 1.959964**2) / math.sqrt(2.0 * math.pi))


def _figures(outputs: FloatArray) -> FloatArray:
    """Mean, standard deviation and ends of the interval of every output, shape (4, outputs)."""
    outputs = outputs[:, np.isfinite(outputs).all(axis=0)]
    tail = (1.0 - COVERAGE) / 2.0
    low, high = np.quantile(outputs, [tail, 1.0 - tail], axis=1)
    return np.stack([outputs.mean(axis=1), outputs.std(axis=1, ddof=1), low, high])


def _settled(figures: FloatArray, digits: int) -> bool:
    """Whether the blocks agree; `figures` of shape (blocks, 4, outputs)."""
    scatter = figures.std(axis=0, ddof=1) / math.sqrt(len(figures))
    wanted = [tolerance_of(float(u), digits) / 5.0 for u in figures[:, 1].mean(axis=0)]
    return bool((_SURE * scatter <= wanted).all())
