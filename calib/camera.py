"""A pinhole camera with Brown-Conrady distortion: points to rays and back.

Pixel coordinates are those of the stored file's grid, with the centre of the
first pixel at (0, 0). The camera frame has x to the right, y down and z
forward, its origin in the centre of projection.

References
----------
D. C. Brown, "Close-range camera calibration", Photogrammetric Engineering 37
(1971) 855-866: radial (k) and decentring (p) terms, in the order k1 k2 p1 p2 k3.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

PARAMETER_NAMES = ("fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3")
_DRAW_STEPS = 3  # of the simplified Newton's method: errors shrink at least tenfold at each
_UNDISTORT_STEPS = 12  # Newton steps; quadratic, 5 are enough for phone lenses
_UNDISTORTED, _MISSED = 1e-12, 1e-7  # of the focal length: far below a thousandth of a pixel


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """Intrinsics of a camera for one pixel grid.

    Parameters
    ----------
    width_px, height_px : int
        Size of the pixel grid.
    fx_px, fy_px, cx_px, cy_px : float
        Focal lengths and principal point, pixels.
    distortion : tuple of 5 floats
        k1, k2, p1, p2, k3 (dimensionless).
    """

    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    distortion: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)

    @property
    def parameters(self) -> FloatArray:
        """The nine parameters in the order of `PARAMETER_NAMES`, shape (9,)."""
        return np.array([self.fx_px, self.fy_px, self.cx_px, self.cy_px, *self.distortion])

    def shifted(self, change: ArrayLike) -> Camera:
        """The camera with `change`, shape (9,), added to its parameters."""
        fx, fy, cx, cy, k1, k2, p1, p2, k3 = (
            float(v) for v in self.parameters + np.asarray(change, dtype=float)
        )
        return replace(
            self, fx_px=fx, fy_px=fy, cx_px=cx, cy_px=cy, distortion=(k1, k2, p1, p2, k3)
        )

    def distort(self, normalised: ArrayLike) -> FloatArray:
        """Move ideal image points (x/z, y/z), shape (..., 2), to where the lens puts them."""
        points = np.asarray(normalised, dtype=float)
        return _brown_conrady(points, self.distortion)

    def undistort(self, points_px: ArrayLike) -> FloatArray:
        """Ideal image points (x/z, y/z) of pixels.

        Parameters
        ----------
        points_px : array_like, shape (..., 2)
            Pixel coordinates.

        Returns
        -------
        ndarray, shape (..., 2)
            Normalised coordinates without distortion; NaN where the distortion
            cannot be inverted (a point beyond the fold of the model).
        """
        pixels = np.asarray(points_px, dtype=float)
        target = (pixels - (self.cx_px, self.cy_px)) / (self.fx_px, self.fy_px)
        if not any(self.distortion):
            return target
        x_seen, y_seen = target[..., 0], target[..., 1]
        x, y = x_seen, y_seen
        with np.errstate(all="ignore"):
            for _ in range(_UNDISTORT_STEPS):
                x_off, y_off = _off(x, y, x_seen, y_seen, self.distortion)
                if not np.any(np.maximum(np.abs(x_off), np.abs(y_off)) > _UNDISTORTED):
                    break
                dxx, dxy, dyy = _slopes(x, y, self.distortion)
                determinant = dxx * dyy - dxy * dxy
                x = x - (dyy * x_off - dxy * y_off) / determinant
                y = y - (dxx * y_off - dxy * x_off) / determinant
            else:
                x_off, y_off = _off(x, y, x_seen, y_seen, self.distortion)
            missed = ~(np.maximum(np.abs(x_off), np.abs(y_off)) < _MISSED)
            folded = x * x_seen + y * y_seen < 0.0
        points = np.stack([x, y], axis=-1)
        points[missed | folded] = np.nan
        return points

    def undistort_draws(
        self, points_px: tuple[FloatArray, FloatArray], parameters: FloatArray, near: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Ideal image points for many cameras that differ little from this one.

        Parameters
        ----------
        points_px : (ndarray, ndarray), shape (n, k) each
            x and y of pixels as each camera has them.
        parameters : ndarray, shape (9, n)
            Of each camera, in the order of `PARAMETER_NAMES`.
        near : ndarray, shape (k, 2)
            Ideal points of this camera, from which the search begins.

        Returns
        -------
        x, y : ndarray, shape (n, k)
            Normalised coordinates without distortion.

        Notes
        -----
        Newton's method with the Jacobian of the start; the error shrinks by the difference of
        the Jacobians, some hundredths, at each step.
        """
        (x_px, y_px), (fx, fy, cx, cy, *coefficients) = points_px, parameters[:, :, None]
        x_seen, y_seen = (x_px - cx) / fx, (y_px - cy) / fy
        if not parameters[4:].any():
            return x_seen, y_seen
        inverse = np.linalg.inv(_brown_conrady_jacobian(near, self.distortion))
        x, y = near[:, 0], near[:, 1]
        for _ in range(_DRAW_STEPS):
            x_bent, y_bent = _bend(x, y, *coefficients)
            x_off, y_off = x_bent - x_seen, y_bent - y_seen
            x = x - (inverse[:, 0, 0] * x_off + inverse[:, 0, 1] * y_off)
            y = y - (inverse[:, 1, 0] * x_off + inverse[:, 1, 1] * y_off)
        return x, y

    def rays(self, points_px: ArrayLike) -> FloatArray:
        """Unit vectors from the centre of projection through pixels, shape (..., 3)."""
        ideal = self.undistort(points_px)
        directions = np.concatenate([ideal, np.ones((*ideal.shape[:-1], 1))], axis=-1)
        lengths = np.linalg.norm(directions, axis=-1, keepdims=True)
        return np.asarray(directions / lengths)

    def project(self, points_mm: ArrayLike) -> FloatArray:
        """Pixel coordinates of points in the camera frame.

        Parameters
        ----------
        points_mm : array_like, shape (..., 3)
            Points in front of the camera (z > 0); others give NaN.

        Returns
        -------
        ndarray, shape (..., 2)
        """
        points = np.asarray(points_mm, dtype=float)
        depth = np.where(points[..., 2:3] > 0.0, points[..., 2:3], np.nan)
        distorted = _brown_conrady(points[..., :2] / depth, self.distortion)
        return np.asarray(distorted * (self.fx_px, self.fy_px) + (self.cx_px, self.cy_px))

    def resized(self, width_px: int, height_px: int) -> Camera:
        """The same camera on a grid of another size (pixel centres at whole numbers)."""
        sx, sy = width_px / self.width_px, height_px / self.height_px
        return replace(
            self,
            width_px=width_px,
            height_px=height_px,
            fx_px=self.fx_px * sx,
            fy_px=self.fy_px * sy,
            cx_px=(self.cx_px + 0.5) * sx - 0.5,
            cy_px=(self.cy_px + 0.5) * sy - 0.5,
        )


def _brown_conrady(points: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    return np.stack(_bend(points[..., 0], points[..., 1], *coefficients), axis=-1)


def _bend(
    x: FloatArray, y: FloatArray, *coefficients: float | FloatArray
) -> tuple[FloatArray, FloatArray]:
    """The model of Brown and Conrady; the coefficients may be arrays that fit the points'."""
    k1, k2, p1, p2, k3 = coefficients
    xy, r2 = x * y, x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    return (
        np.asarray(x * radial + 2.0 * p1 * xy + p2 * (r2 + 2.0 * x * x)),
        np.asarray(y * radial + p1 * (r2 + 2.0 * y * y) + 2.0 * p2 * xy),
    )


def _off(
    x: FloatArray,
    y: FloatArray,
    x_seen: FloatArray,
    y_seen: FloatArray,
    coefficients: tuple[float, ...],
) -> tuple[FloatArray, FloatArray]:
    """By how much points, bent by the lens, miss where they are seen."""
    x_bent, y_bent = _bend(x, y, *coefficients)
    return x_bent - x_seen, y_bent - y_seen


def _slopes(
    x: FloatArray, y: FloatArray, coefficients: tuple[float, ...]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Derivatives of the bent coordinates: of x by x, of x by y (and y by x), of y by y."""
    k1, k2, p1, p2, k3 = coefficients
    r2 = x * x + y * y
    radial = 1.0 + r2 * (k1 + r2 * (k2 + r2 * k3))
    slope = 2.0 * (k1 + r2 * (2.0 * k2 + 3.0 * k3 * r2))  # d radial / d r2, doubled
    dxx = radial + slope * x * x + 2.0 * p1 * y + 6.0 * p2 * x
    dxy = slope * x * y + 2.0 * p1 * x + 2.0 * p2 * y
    dyy = radial + slope * y * y + 6.0 * p1 * y + 2.0 * p2 * x
    return dxx, dxy, dyy


def _brown_conrady_jacobian(points: FloatArray, coefficients: tuple[float, ...]) -> FloatArray:
    dxx, dxy, dyy = _slopes(points[..., 0], points[..., 1], coefficients)
    return np.stack([np.stack([dxx, dxy], -1), np.stack([dxy, dyy], -1)], -2)
