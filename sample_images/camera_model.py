"""Pinhole camera with Brown-Conrady distortion, written for the renderer alone.

Nothing here is shared with the measuring packages: the sample photos are an independent
check of them. Pixel coordinates: centre of the first pixel is (0, 0), points are (x, y).

References
----------
D. C. Brown, "Decentering distortion of lenses", Photogrammetric Engineering 32 (1966), 444-462.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

NEWTON_ROUNDS = 8  # quadratic convergence: four are enough for |k1| < 0.1
CONVERGED = 1e-8  # of the focal length: 3e-5 px


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """Intrinsics of the stored pixel grid and what the phone says of itself.

    Attributes
    ----------
    fx_px, fy_px, cx_px, cy_px : float
        Focal lengths and principal point in pixels.
    k1, k2, p1, p2, k3 : float
        Radial and decentring coefficients in normalised coordinates.
    focal_mm, focal_35mm, f_number : float
        Real focal length, its 35 mm equivalent and the aperture ratio.
    """

    model: str
    width_px: int
    height_px: int
    fx_px: float
    fy_px: float
    cx_px: float
    cy_px: float
    k1: float
    k2: float
    p1: float
    p2: float
    k3: float
    focal_mm: float
    focal_35mm: int
    f_number: float

    def scaled(self, factor: float) -> Lens:
        """Return the lens of the same picture stored at another size (pixel edges kept)."""
        values = {name: getattr(self, name) for name in self.__slots__}
        values["width_px"] = round(self.width_px * factor)
        values["height_px"] = round(self.height_px * factor)
        values["fx_px"] = self.fx_px * factor
        values["fy_px"] = self.fy_px * factor
        values["cx_px"] = (self.cx_px + 0.5) * factor - 0.5
        values["cy_px"] = (self.cy_px + 0.5) * factor - 0.5
        return Lens(**values)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """World to camera: ``rotation @ p_world + translation_mm`` (x right, y down, z ahead)."""

    rotation: Array
    translation_mm: Array

    @property
    def centre_mm(self) -> Array:
        """Return the camera centre in the world, shape (3,)."""
        return -self.rotation.T @ self.translation_mm


def rotation_about(axis: int, angle_deg: float) -> Array:
    """Return the 3x3 rotation by `angle_deg` about coordinate axis 0, 1 or 2."""
    c, s = np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))
    i, j = [(1, 2), (2, 0), (0, 1)][axis]
    out = np.eye(3)
    out[i, i] = out[j, j] = c
    out[i, j], out[j, i] = -s, s
    return out


def pose_looking_at(
    aim_mm: tuple[float, float, float],
    *,
    distance_mm: float,
    turn_deg: float,
    tilt_x_deg: float,
    tilt_y_deg: float,
) -> Pose:
    """Return the pose of a camera that sees `aim_mm` in the middle of an ideal picture.

    Parameters
    ----------
    aim_mm : tuple of float
        World point on the optical axis.
    distance_mm : float
        Distance of the camera centre from it.
    turn_deg : float
        World x runs in the picture in this direction, counter-clockwise from the right.
    tilt_x_deg, tilt_y_deg : float
        Rotations about the picture's horizontal and vertical axis, away from looking straight down.
    """
    straight_down = np.diag([1.0, -1.0, -1.0])
    rotation = (
        rotation_about(0, tilt_x_deg)
        @ rotation_about(1, tilt_y_deg)
        @ straight_down
        @ rotation_about(2, turn_deg)
    )
    centre = np.asarray(aim_mm) - distance_mm * rotation[2]
    return Pose(rotation=rotation, translation_mm=-rotation @ centre)


def distort(lens: Lens, x: Array, y: Array) -> tuple[Array, Array]:
    """Return distorted normalised coordinates of ideal ones (same shape)."""
    r2 = x * x + y * y
    radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
    xd = x * radial + 2.0 * lens.p1 * x * y + lens.p2 * (r2 + 2.0 * x * x)
    yd = y * radial + lens.p1 * (r2 + 2.0 * y * y) + 2.0 * lens.p2 * x * y
    return xd, yd


def ideal_of_distorted(lens: Lens, xd: Array, yd: Array) -> tuple[Array, Array]:
    """Invert `distort` by Newton's method on its 2x2 Jacobian."""
    x, y = xd.copy(), yd.copy()
    for _ in range(NEWTON_ROUNDS):
        r2 = x * x + y * y
        radial = 1.0 + r2 * (lens.k1 + r2 * (lens.k2 + r2 * lens.k3))
        slope = lens.k1 + r2 * (2.0 * lens.k2 + 3.0 * lens.k3 * r2)  # d radial / d r2
        fx, fy = distort(lens, x, y)
        a = radial + 2.0 * x * x * slope + 2.0 * lens.p1 * y + 6.0 * lens.p2 * x
        d = radial + 2.0 * y * y * slope + 6.0 * lens.p1 * y + 2.0 * lens.p2 * x
        b = 2.0 * x * y * slope + 2.0 * lens.p1 * x + 2.0 * lens.p2 * y
        det = a * d - b * b
        ex, ey = fx - xd, fy - yd
        x = x - (d * ex - b * ey) / det
        y = y - (a * ey - b * ex) / det
        if max(np.abs(ex).max(), np.abs(ey).max()) < CONVERGED:
            break
    return x, y


def project(lens: Lens, pose: Pose, points_mm: Array) -> Array:
    """Return pixel positions, shape (n, 2), of world points, shape (n, 3)."""
    cam = np.asarray(points_mm, dtype=float).reshape(-1, 3) @ pose.rotation.T + pose.translation_mm
    xd, yd = distort(lens, cam[:, 0] / cam[:, 2], cam[:, 1] / cam[:, 2])
    return np.stack([lens.fx_px * xd + lens.cx_px, lens.fy_px * yd + lens.cy_px], axis=1)


def ideal_grid(lens: Lens) -> tuple[Array, Array]:
    """Return ideal normalised (x, y) of every stored pixel, each of shape (height, width)."""
    u, v = np.meshgrid(
        np.arange(lens.width_px, dtype=float), np.arange(lens.height_px, dtype=float)
    )
    return ideal_of_distorted(lens, (u - lens.cx_px) / lens.fx_px, (v - lens.cy_px) / lens.fy_px)
