"""A cylinder in front of a camera: silhouettes to axis, pixel to surface and back.

All vectors are in the camera frame (origin at the centre of projection, mm).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike

from calib.camera import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShaftPose:
    """Where the shaft's cylinder lies.

    Parameters
    ----------
    origin_mm : ndarray, shape (3,)
        Point of the axis that has axial position 0.
    direction : ndarray, shape (3,)
        Unit vector along the axis, from the end face into the shaft.
    radius_mm : float
        Radius of the seal land.
    """

    origin_mm: FloatArray
    direction: FloatArray
    radius_mm: float

    @property
    def facing(self) -> FloatArray:
        """Unit vector square to the axis toward the camera: angle 0 on the surface."""
        toward = -self.origin_mm + (self.origin_mm @ self.direction) * self.direction
        return np.asarray(toward / np.linalg.norm(toward))

    def with_zero_at(self, axial_mm: float) -> ShaftPose:
        """The same cylinder with its zero moved to `axial_mm` of the present scale."""
        return replace(self, origin_mm=self.origin_mm + axial_mm * self.direction)

    def with_radius(self, radius_mm: float) -> ShaftPose:
        """A cylinder of another radius about the same axis."""
        return replace(self, radius_mm=radius_mm)

    def points(self, axial_mm: ArrayLike, angle_rad: ArrayLike) -> FloatArray:
        """Surface points in the camera frame.

        Parameters
        ----------
        axial_mm, angle_rad : array_like, broadcastable to a common shape (...)
            Axial position and angle about the axis (0 faces the camera).

        Returns
        -------
        ndarray, shape (..., 3)
        """
        axial, angle = np.broadcast_arrays(
            np.asarray(axial_mm, dtype=float), np.asarray(angle_rad, dtype=float)
        )
        facing = self.facing
        across = np.cross(self.direction, facing)
        return np.asarray(
            self.origin_mm
            + axial[..., None] * self.direction
            + self.radius_mm
            * (np.cos(angle)[..., None] * facing + np.sin(angle)[..., None] * across)
        )

    def locate(self, rays: ArrayLike, *, far: bool = False) -> tuple[FloatArray, FloatArray]:
        """Where rays from the camera first meet the surface.

        Parameters
        ----------
        rays : array_like, shape (..., 3)
            Directions from the centre of projection.
        far : bool
            Where they leave it on the far side instead: the far rim of an end face that is seen.

        Returns
        -------
        axial_mm, angle_rad : ndarray, shape (...)
            NaN where a ray misses the cylinder.
        """
        directions = np.asarray(rays, dtype=float)
        along = directions @ self.direction
        across = directions - along[..., None] * self.direction
        foot = self.origin_mm - (self.origin_mm @ self.direction) * self.direction
        a = np.einsum("...i,...i->...", across, across)
        b = across @ foot
        c = foot @ foot - self.radius_mm**2
        with np.errstate(invalid="ignore", divide="ignore"):
            root = np.sqrt(b * b - a * c)
            distance = (b + root if far else b - root) / a
        hit = distance[..., None] * directions
        axial = distance * along - self.origin_mm @ self.direction
        facing = self.facing
        sideways = np.cross(self.direction, facing)
        radial = hit - foot
        angle = np.arctan2(radial @ sideways, radial @ facing)
        return axial, np.asarray(angle)

    def axial_beside(self, rays: ArrayLike) -> FloatArray:
        """Axial position at which each ray passes nearest to the axis, shape (...).

        Exact for rays that graze the surface; others hit the surface somewhat nearer to the camera.
        """
        directions = np.asarray(rays, dtype=float)
        along = directions @ self.direction
        reach = directions @ self.origin_mm
        start = self.origin_mm @ self.direction
        return np.asarray((along * reach - start) / (1.0 - along**2))

    @property
    def visible_half_angle_rad(self) -> float:
        """Largest angle at which the surface is seen: the silhouette."""
        foot = self.origin_mm - (self.origin_mm @ self.direction) * self.direction
        return float(np.arccos(self.radius_mm / np.linalg.norm(foot)))


def plane_of_rays(rays: FloatArray) -> FloatArray:
    """Unit normal, either way, of the plane through the camera's centre nearest to rays.

    Parameters
    ----------
    rays : ndarray, shape (n, 3)
        Directions; those that are not finite are left out.

    Notes
    -----
    Least squares: the right singular vector of the least singular value (Golub & Van Loan, Matrix
    Computations, 5.3), which the triangle of a QR decomposition shares.
    """
    triangle = np.linalg.qr(rays[np.isfinite(rays).all(axis=1)], mode="r")
    return np.asarray(np.linalg.svd(triangle)[2][-1])


def pose_from_silhouettes(inward_a: ArrayLike, inward_b: ArrayLike, radius_mm: float) -> ShaftPose:
    """Axis of a cylinder of known radius from its two silhouette planes.

    Parameters
    ----------
    inward_a, inward_b : array_like, shape (3,)
        Unit normals of the planes through the centre of projection that touch the
        cylinder, each pointing to the side on which the axis lies.
    radius_mm : float
        Radius of the cylinder.

    Returns
    -------
    ShaftPose
        Zero at the foot of the perpendicular from the camera; the direction is that of
        ``cross(inward_a, inward_b)``.

    Raises
    ------
    ValueError
        If the planes are parallel.

    Notes
    -----
    Each plane is at distance R from the axis: n_a . p = n_b . p = R for every point p
    of the axis, so its direction is n_a x n_b and its foot p0 solves three linear
    equations (own derivation).
    """
    a, b = np.asarray(inward_a, dtype=float), np.asarray(inward_b, dtype=float)
    direction = np.cross(a, b)
    length = np.linalg.norm(direction)
    if length < 1e-9:
        raise ValueError("the silhouette planes are parallel")
    direction = direction / length
    foot = np.linalg.solve(np.stack([a, b, direction]), [radius_mm, radius_mm, 0.0])
    return ShaftPose(origin_mm=foot, direction=direction, radius_mm=radius_mm)


def silhouette_normals(pose: ShaftPose) -> tuple[FloatArray, FloatArray]:
    """Inward unit normals of the two silhouette planes; the inverse of `pose_from_silhouettes`.

    Returns
    -------
    (ndarray, ndarray), each of shape (3,)
        The planes at the angles -h and +h, with h the visible half angle.
    """
    half = pose.visible_half_angle_rad
    facing = pose.facing
    across = np.cross(pose.direction, facing)
    low = -(np.cos(half) * facing - np.sin(half) * across)
    high = -(np.cos(half) * facing + np.sin(half) * across)
    return low, high
