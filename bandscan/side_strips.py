"""Strips of the photo along both silhouettes of a shaft whose pose is known."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.sampling import sample_linear
from calib.camera import Camera, FloatArray


def side_strips(
    photo: Photo, camera: Camera, pose: ShaftPose, axial_mm: FloatArray, radial_mm: FloatArray
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Linear light beside each silhouette.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder.
    axial_mm : ndarray, shape (n,)
    radial_mm : ndarray, shape (m,)
        Distance outward from the surface, in the plane through the axis and the silhouette.

    Returns
    -------
    tuple of two ndarray, shape (m, n)
        NaN outside the photo.
    """
    half = pose.visible_half_angle_rad
    low, high = (
        sample_linear(photo, camera.project(_beside(pose, angle, axial_mm, radial_mm)))
        for angle in (-half, half)
    )
    return low, high


def pixel_mm(camera: Camera, pose: ShaftPose, axial_mm: float) -> float:
    """Length along the shaft that a pixel shows at its sides."""
    half = pose.visible_half_angle_rad
    ends = camera.project(pose.points(np.array([axial_mm - 0.5, axial_mm + 0.5]), half))
    return float(1.0 / np.linalg.norm(ends[1] - ends[0]))


def seen_lengths(
    photo: Photo, camera: Camera, pose: ShaftPose, axial_mm: FloatArray
) -> tuple[int, int]:
    """How many axial positions lie in the photo before the first that does not, on each side."""
    half = pose.visible_half_angle_rad
    size = np.array([photo.width_px, photo.height_px]) - 1.0
    points = [camera.project(pose.points(axial_mm, angle)) for angle in (-half, half)]
    inside = [((at >= 0.0) & (at <= size)).all(axis=-1) for at in points]
    low, high = (int(np.logical_and.accumulate(side).sum()) for side in inside)
    return low, high


def _beside(
    pose: ShaftPose, angle: float, axial_mm: FloatArray, radial_mm: FloatArray
) -> FloatArray:
    arm = np.cos(angle) * pose.facing + np.sin(angle) * np.cross(pose.direction, pose.facing)
    return np.asarray(
        pose.origin_mm
        + axial_mm[None, :, None] * pose.direction
        + (pose.radius_mm + radial_mm)[:, None, None] * arm
    )
