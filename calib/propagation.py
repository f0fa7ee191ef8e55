"""First-order propagation of correlated inputs, and the common value of several results.

References
----------
JCGM 100:2008 (GUM), 5.1.3 (sensitivities as differences over one standard uncertainty), 5.2.2
(correlated inputs).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from calib.camera import FloatArray

Inputs = TypeVar("Inputs")

_NEGLIGIBLE = 1e-9  # variance of a mode, of a covariance scaled to ones


def covariance_modes(covariance: FloatArray) -> list[FloatArray]:
    """Independent changes that add up to a covariance (its eigenvectors, scaled).

    Parameters
    ----------
    covariance : ndarray, shape (n, n)

    Returns
    -------
    list of ndarray, each of shape (n,)
        One standard deviation of each; no more than n.
    """
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    return [
        np.asarray(scale * vectors[:, i] * math.sqrt(value))
        for i, value in enumerate(values)
        if value > _NEGLIGIBLE
    ]


def first_order(
    model: Callable[[Inputs], FloatArray], best: Inputs, changed: Sequence[tuple[Inputs, Inputs]]
) -> tuple[FloatArray, FloatArray]:
    """Best values of a model, and how far each independent standard deviation moves them.

    Parameters
    ----------
    model : callable
        From inputs to outputs, shape (m,).
    best : Inputs
    changed : sequence of (Inputs, Inputs)
        The inputs with one independent standard deviation less, and more.

    Returns
    -------
    values : ndarray, shape (m,)
    moves : ndarray, shape (len(changed), m)
        ``moves.T @ moves`` is the covariance of the outputs.

    References
    ----------
    JCGM 100:2008 (GUM), 5.1.3, note 2: half the difference of the two.
    """
    values = np.asarray(model(best))
    moves = [0.5 * (np.asarray(model(more)) - np.asarray(model(less))) for less, more in changed]
    return values, np.stack(moves) if moves else np.zeros((0, values.size))


@dataclass(frozen=True, slots=True, kw_only=True)
class CommonValue:
    """The value that several correlated results have in common.

    Parameters
    ----------
    value, u : float
        Generalised least squares.
    chi_squared : float
        Misfit of the results to it.
    dof : int
        Number of results less one.
    """

    value: float
    u: float
    chi_squared: float
    dof: int

    @property
    def birge_ratio(self) -> float:
        """Root of chi-squared over its degrees of freedom; about 1 where the results agree.

        References
        ----------
        R. T. Birge, The calculation of errors by the method of least squares, Phys. Rev. 40
        (1932) 207-227.
        """
        return math.sqrt(self.chi_squared / self.dof) if self.dof else 0.0


def common_value(values: FloatArray, covariance: FloatArray) -> CommonValue:
    """Generalised least squares for one value behind several.

    Parameters
    ----------
    values : ndarray, shape (n,)
    covariance : ndarray, shape (n, n)
        Regular.
    """
    weights = np.linalg.inv(covariance)
    total = float(weights.sum())
    value = float(weights.sum(axis=0) @ values) / total
    rest = values - value
    return CommonValue(
        value=value,
        u=1.0 / math.sqrt(total),
        chi_squared=float(rest @ weights @ rest),
        dof=len(values) - 1,
    )
