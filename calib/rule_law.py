"""The law of an evenly divided straight line in a picture: position against mark number."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from calib.camera import FloatArray

_MARKS_FOR_PERSPECTIVE = 9  # below: a straight line through the numbers is all that is fixed
_MARKS_FOR_BEND = 24  # from here on the lens may add a smooth bend
_PASSES = 5
_FLOOR_PITCHES = 0.004  # scatter below this share of the pitch does not count as an outlier


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SpacingLaw:
    """t = (a + b x + c3 P3(x) + c4 P4(x)) / (1 + d x) with x = -1..1 over the marks.

    A straight line with equal divisions gives a, b, d (projective). The Legendre terms take
    up what an imperfect lens adds; they are used between the first and the last mark only,
    and continued as a straight line beyond.

    Parameters
    ----------
    first, last : int
        Range of the mark numbers of the fit.
    coefficients : ndarray, shape (5,)
        a, b, c3, c4 (px) and d.
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
        x = self._scaled(number)
        a, b, c3, c4, d = self.coefficients
        bend = c3 * _legendre(x, 3) + c4 * _legendre(x, 4)
        return np.asarray((a + b * x + bend) / (1.0 + d * x))

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
        columns += [_legendre(x, 3), _legendre(x, 4)]
    perspective = len(x) >= _MARKS_FOR_PERSPECTIVE
    basis = np.stack([*columns, -x * y] if perspective else columns, axis=-1)
    weight = np.ones(len(x))
    floor = _FLOOR_PITCHES * abs(np.ptp(y)) / max(1, last - first)
    solved = np.zeros(basis.shape[1])
    residual = np.zeros(len(x))
    for _ in range(_PASSES):
        root = np.sqrt(weight)
        solved = np.linalg.lstsq(basis * root[:, None], y * root, rcond=None)[0]
        residual = y - basis @ solved
        spread = max(1.48 * float(np.median(np.abs(residual))), floor)
        weight = 1.0 / (1.0 + (residual / (3.0 * spread)) ** 4)
    coefficients = np.zeros(5)
    coefficients[: len(columns)] = solved[: len(columns)]
    coefficients[4] = solved[-1] if perspective else 0.0
    rms = np.sqrt(np.sum(weight * residual**2) / max(1.0, weight.sum() - len(solved)))
    return SpacingLaw(
        first=first, last=last, coefficients=coefficients, residual=residual, rms_px=float(rms)
    )


def _legendre(x: FloatArray, degree: int) -> FloatArray:
    """Legendre polynomial of degree 3 or 4, with its tangent beyond -1..1."""
    inside = np.clip(x, -1.0, 1.0)
    if degree == 3:
        value = (5.0 * inside**3 - 3.0 * inside) / 2.0
        return np.asarray(value + 6.0 * (x - inside))
    value = (35.0 * inside**4 - 30.0 * inside**2 + 3.0) / 8.0
    return np.asarray(value + 10.0 * np.sign(inside) * (x - inside))
