"""Where the points of a flat board lie in a photo: a homography, then one lens term each way.

This needs no lens: it serves to predict corners and to tell the odd ones out. The
two radial terms about the middle of the picture leave about a third of a pixel of a
phone's distortion.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike

from calib.camera import FloatArray

_STEPS = 12  # Gauss-Newton with reweighting; settles in 5 to 8
_RADIAL_PRIOR = 0.2  # standard deviation of the radial terms at the picture's corner
_TUKEY = 4.685  # tuning constant of the biweight for 95 % efficiency (Holland & Welsch 1977)
_MAD_TO_SIGMA = 1.4826  # of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PlaneMap:
    """A map from board coordinates to pixels.

    Parameters
    ----------
    homography : ndarray, shape (3, 3)
    radial : (float, float)
        Terms of r^2 and r^4, r in half diagonals from the middle of the picture.
    centre_px : (float, float)
    half_diagonal_px : float
    """

    homography: FloatArray
    radial: tuple[float, float]
    centre_px: tuple[float, float]
    half_diagonal_px: float

    def __call__(self, board_points: ArrayLike) -> FloatArray:
        """Pixels of board points, shape (..., 2) both."""
        points = np.asarray(board_points, dtype=float)
        mapped = np.concatenate([points, np.ones((*points.shape[:-1], 1))], -1) @ self.homography.T
        offset = mapped[..., :2] / mapped[..., 2:] - self.centre_px
        r2 = np.sum(offset**2, axis=-1, keepdims=True) / self.half_diagonal_px**2
        bent = offset * (1.0 + r2 * (self.radial[0] + r2 * self.radial[1]))
        return np.asarray(bent + self.centre_px)

    def axes(self, board_points: ArrayLike, step: float = 0.25) -> FloatArray:
        """Pixels per board unit along x and y, shape (..., 2 axes, 2)."""
        points = np.asarray(board_points, dtype=float)
        along = [
            (self(points + shift) - self(points - shift)) / (2.0 * step)
            for shift in (np.array([step, 0.0]), np.array([0.0, step]))
        ]
        return np.stack(along, axis=-2)

    def rescaled(self, factor: float, width_px: int, height_px: int) -> PlaneMap:
        """The same map onto a copy `factor` times as large (pixel centres at whole numbers)."""
        shift = 0.5 * factor - 0.5
        scaling = np.array([[factor, 0.0, shift], [0.0, factor, shift], [0.0, 0.0, 1.0]])
        empty = plain_map(scaling @ self.homography, width_px, height_px)
        return replace(empty, radial=self.radial)


def plain_map(homography: FloatArray, width_px: int, height_px: int) -> PlaneMap:
    """A map without lens terms onto a picture of the given size."""
    return PlaneMap(
        homography=homography / homography[2, 2],
        radial=(0.0, 0.0),
        centre_px=((width_px - 1) / 2.0, (height_px - 1) / 2.0),
        half_diagonal_px=float(np.hypot(width_px, height_px)) / 2.0,
    )


def robust_scale(residuals: FloatArray) -> float:
    """Standard deviation of one coordinate from the median of |residual|, shape (n, 2)."""
    return float(_MAD_TO_SIGMA * np.median(np.abs(residuals)))


def fit_plane_map(
    board_points: FloatArray, pixels: FloatArray, start: PlaneMap, *, floor_px: float
) -> PlaneMap:
    """Fit a map to matched points, points far from it counting for nothing.

    Parameters
    ----------
    board_points, pixels : ndarray, shape (n, 2)
        At least 4 matched points.
    start : PlaneMap
        Where to begin, within a few pixels for most of the points.
    floor_px : float
        Residuals below this are taken as noise, whatever their spread.

    References
    ----------
    Biweight: P. W. Holland, R. E. Welsch, Communications in Statistics A6 (1977) 813-827.
    """
    current = start
    for _ in range(_STEPS):
        residual = pixels - current(board_points)
        scale = max(robust_scale(residual), floor_px)
        ratio = np.clip(np.linalg.norm(residual, axis=-1) / (_TUKEY * scale), 0.0, 1.0)
        weight = np.repeat(1.0 - ratio**2, 2)  # root of the biweight
        jacobian = _jacobian(board_points, current)
        prior = np.zeros((2, 10))
        prior[[0, 1], [8, 9]] = scale / _RADIAL_PRIOR
        left = np.vstack([jacobian * weight[:, None], prior])
        right = np.concatenate([residual.ravel() * weight, -prior[:, 8:] @ current.radial])
        norms = np.linalg.norm(left, axis=0)
        change = np.linalg.lstsq(left / norms, right, rcond=1e-10)[0] / norms
        current = _shifted(current, change)
        if np.max(np.abs(jacobian @ change)) < 1e-3:  # pixels
            break
    return current


def start_map(
    board_points: FloatArray, pixels: FloatArray, width_px: int, height_px: int
) -> tuple[PlaneMap, int] | None:
    """A homography that most of the points agree on, and how many do; None if there is none."""
    if len(board_points) < 4:
        return None
    tolerance_px = 0.006 * max(width_px, height_px)  # room for the lens's distortion
    cv2.setRNGSeed(0)  # the same photo always gives the same answer
    homography, inliers = cv2.findHomography(board_points, pixels, cv2.RANSAC, tolerance_px)
    if homography is None or abs(homography[2, 2]) < 1e-12:
        return None
    started = plain_map(np.asarray(homography, dtype=float), width_px, height_px)
    return started, int(np.count_nonzero(inliers))


def _shifted(current: PlaneMap, change: FloatArray) -> PlaneMap:
    homography = current.homography.ravel().copy()
    homography[:8] += change[:8]
    radial = (current.radial[0] + float(change[8]), current.radial[1] + float(change[9]))
    return replace(current, homography=homography.reshape(3, 3), radial=radial)


def _jacobian(board_points: FloatArray, current: PlaneMap) -> FloatArray:
    """Derivatives of the pixels by 8 homography entries and 2 radial terms, (2n, 10)."""
    n = len(board_points)
    ones = np.concatenate([board_points, np.ones((n, 1))], axis=-1)
    mapped = ones @ current.homography.T
    ideal = mapped[:, :2] / mapped[:, 2:]
    by_entry = np.zeros((n, 2, 8))
    by_entry[:, 0, 0:3] = by_entry[:, 1, 3:6] = ones / mapped[:, 2:]
    by_entry[:, :, 6:8] = -ideal[:, :, None] * (board_points / mapped[:, 2:])[:, None, :]
    offset = ideal - current.centre_px
    r2 = np.sum(offset**2, axis=-1) / current.half_diagonal_px**2
    k1, k2 = current.radial
    bend = (1.0 + r2 * (k1 + r2 * k2))[:, None, None] * np.eye(2)
    slope = 2.0 * (k1 + 2.0 * k2 * r2) / current.half_diagonal_px**2
    bend += slope[:, None, None] * offset[:, :, None] * offset[:, None, :]
    by_radial = np.stack([offset * r2[:, None], offset * r2[:, None] ** 2], axis=-1)
    return np.concatenate([bend @ by_entry, by_radial], axis=-1).reshape(2 * n, 10)
