"""How far the part of constant diameter goes on into the shaft."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandscan import silhouette_fit
from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.sampling import sample_linear
from bandscan.silhouette_fit import Window
from calib.camera import Camera, FloatArray

_WINDOW = Window(inside_px=8.0, outside_px=8.0, degree=2, search_px=(-5.0, 5.0))
# Sides known to a few tenths of a pixel are carried on over several times their length.
_NEAR_PX = 2.5
_ENDS_AFTER = 3  # segments in a row that show the cylinder's outline on neither side
# A shaft first seen in part only is followed so far; beyond, what is known must do: streaks inside
# the outline of a thicker part look like an outline. Common practice, no published source.
_FURTHEST_DIAMETERS = 2.0
_FEWEST_PX = 2 * silhouette_fit.SEGMENT_PX  # further on that are worth a look


def find_land_end(photo: Photo, camera: Camera, pose: ShaftPose, *, known_to_mm: float) -> float:
    """Follow both sides from where they are known to where they leave the cylinder.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder.
    known_to_mm : float
        Axial position to which the sides have been fitted.

    Returns
    -------
    float
        Axial position up to which one side or the other shows as the cylinder's.
    """
    step_mm = _pixel_mm(camera, pose, known_to_mm)
    axial = np.arange(known_to_mm, _FURTHEST_DIAMETERS * 2.0 * pose.radius_mm, step_mm)
    half = pose.visible_half_angle_rad
    inside = [_in_photo(photo, camera.project(pose.points(axial, a))) for a in (-half, half)]
    axial = axial[: int(np.maximum(*inside).sum())]
    if axial.size < _FEWEST_PX:
        return known_to_mm
    offsets = _WINDOW.offsets_px
    good = []
    for angle in (-half, half):
        arm = np.cos(angle) * pose.facing + np.sin(angle) * np.cross(pose.direction, pose.facing)
        points = (
            pose.origin_mm
            + axial[None, :, None] * pose.direction
            + (pose.radius_mm + offsets * step_mm)[:, None, None] * arm
        )
        profiles = silhouette_fit.mean_profiles(sample_linear(photo, camera.project(points)))
        good.append(silhouette_fit.borne_out(*profiles, _WINDOW, _NEAR_PX))
    length = axial.size // good[0].size
    segments = _until_left(good[0] | good[1])
    return float(axial[min(segments * length, axial.size - 1)])


def _pixel_mm(camera: Camera, pose: ShaftPose, axial_mm: float) -> float:
    """Length along the shaft that a pixel shows at its sides."""
    half = pose.visible_half_angle_rad
    ends = camera.project(pose.points(np.array([axial_mm - 0.5, axial_mm + 0.5]), half))
    return float(1.0 / np.linalg.norm(ends[1] - ends[0]))


def _in_photo(photo: Photo, points_px: FloatArray) -> NDArray[np.bool_]:
    """Which points lie in the photo, up to the first that does not."""
    size = np.array([photo.width_px, photo.height_px]) - 1.0
    inside = ((points_px >= 0.0) & (points_px <= size)).all(axis=-1)
    return np.asarray(np.logical_and.accumulate(inside))


def _until_left(good: NDArray[np.bool_]) -> int:
    """Segments before `_ENDS_AFTER` in a row are bad."""
    bad = ~good
    run = bad.copy()
    for k in range(1, _ENDS_AFTER):
        run[: bad.size - k] &= bad[k:]
        run[bad.size - k :] = False
    return int(run.argmax()) if run.any() else good.size
