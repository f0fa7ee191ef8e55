"""The law of an evenly divided straight line in a picture: position against mark number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.camera import FloatArray

_MARKS_FOR_PERSPECTIVE = 9  # below: a straight line through the numbers is all that is fixed
_MARKS_FOR_BEND = 24  # from here on the lens may add a smooth bend
_PASSES = 5
_RIDGE = 1e-9  # keeps a fit to too few marks solvable
_FLOOR_PITCHES = 0.004  # scatter below this share of the pitch does not count as an outlier


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpacingLaw:
    """t = (a + b x + c3 P3(x) + c4 P4(x) + c5 P5(x)) / (1 + d x) with x = -1..1 over the marks.

    A straight line with equal divisions gives a, b, d (projective). The Legendre terms take
    up what an imperfect lens adds; they are used between the first and the last mark only,
    and continued as a straight line beyond.

    Parameters
    ----------
    first, last : int
        Range of the mark numbers of the fit.
    coefficients : ndarray, shape (6,)
        a, b, c3, c4, c5 (px) and d.
    residual : ndarray
        Of the marks of the fit, px.
    rms_px : float
        Of the residuals, outliers weighted down.
    """

    first: int
    last: int
    coefficients: FloatArray
    residual: FloatArray
    rms_px: float

    def position(self, number: ArrayLike) -> FloatArray:
        """Position in px of marks."""
        return _position(self._scaled(number), self.coefficients)

    def pitch(self, number: ArrayLike) -> FloatArray:
        """Distance in px from one mark to the next, around each number."""
        k = np.asarray(number, dtype=float)
        return self.position(k + 0.5) - self.position(k - 0.5)

    def _scaled(self, number: ArrayLike) -> FloatArray:
        middle, half = (self.first + self.last) / 2.0, max(1.0, (self.last - self.first) / 2.0)
        return np.asarray((np.asarray(number, dtype=float) - middle) / half)


def fit_law(number: NDArray[np.int64], position_px: FloatArray) -> SpacingLaw:
    """Fit the law to numbered marks; outliers lose weight.

    Parameters
    ----------
    number : ndarray of int, shape (n,)
        Mark numbers.
    position_px : ndarray, shape (n,)
        Positions along the undistorted line.

    Returns
    -------
    SpacingLaw
    """
    first, last = int(number.min()), int(number.max())
    x = np.asarray(number, dtype=float) - (first + last) / 2.0
    x /= max(1.0, (last - first) / 2.0)
    y = np.asarray(position_px, dtype=float)
    columns = [np.ones_like(x), x]
    if len(x) >= _MARKS_FOR_BEND:
        columns += list(_legendre(x).T)
    perspective = len(x) >= _MARKS_FOR_PERSPECTIVE
    middle, unit = float(y.mean()), max(float(np.ptp(y)), 1e-9)
    z = (y - middle) / unit
    basis = np.stack([*columns, -x * z] if perspective else columns, axis=-1)
    weight = np.ones(len(x))
    floor = _FLOOR_PITCHES / max(1, last - first)
    solved = np.zeros(basis.shape[1])
    residual = np.zeros(len(x))
    for _ in range(_PASSES):
        weighted = basis.T * weight
        solved = np.linalg.solve(weighted @ basis + _RIDGE * np.eye(basis.shape[1]), weighted @ z)
        residual = z - basis @ solved
        spread = max(1.48 * float(np.median(np.abs(residual))), floor)
        weight = 1.0 / (1.0 + (residual / (3.0 * spread)) ** 4)
    slope = float(solved[-1]) if perspective else 0.0
    coefficients = np.zeros(6)
    coefficients[: len(columns)] = solved[: len(columns)] * unit
    coefficients[:2] += middle * np.array([1.0, slope])
    coefficients[-1] = slope
    residual = y - _position(x, coefficients)
    rms = np.sqrt(np.sum(weight * residual**2) / max(1.0, weight.sum() - basis.shape[1]))
    return SpacingLaw(
        first=first, last=last, coefficients=coefficients, residual=residual, rms_px=float(rms)
    )


def _position(x: FloatArray, coefficients: FloatArray) -> FloatArray:
    a, b, *bend, d = coefficients
    return np.asarray((a + b * x + _legendre(x) @ bend) / (1.0 + d * x))


def _legendre(x: FloatArray) -> FloatArray:
    """Legendre polynomials of degree 3, 4, 5, shape (..., 3), with their tangents beyond -1..1."""
    u = np.clip(x, -1.0, 1.0)
    beyond, side = x - u, np.sign(u)
    third = (5.0 * u**3 - 3.0 * u) / 2.0 + 6.0 * beyond
    fourth = (35.0 * u**4 - 30.0 * u**2 + 3.0) / 8.0 + 10.0 * side * beyond
    fifth = (63.0 * u**5 - 70.0 * u**3 + 15.0 * u) / 8.0 + 15.0 * beyond
    return np.stack([third, fourth, fifth], axis=-1)
