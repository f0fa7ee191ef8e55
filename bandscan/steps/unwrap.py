"""The shaft's surface unrolled: linear light over axial position and angle."""

from __future__ import annotations

import math

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo, Strip
from bandscan.sampling import between_knots, sample_planes
from calib.camera import Camera

STRIP_ROWS = 64
# Rows reach this far round the shaft; beyond, foreshortening leaves a third of the detail.
STRIP_HALF_ANGLE_RAD = math.radians(70.0)
_MAX_LINES_PER_ROW = 6  # lines averaged into a row: more add time, not detail
_KNOTS = 65  # exact projections along a line; between them the lens bends by < 0.01 px


def unwrap(
    photo: Photo, camera: Camera, pose: ShaftPose, *, start_mm: float, end_mm: float
) -> Strip:
    """Sample the surface between two axial positions.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder.
    start_mm, end_mm : float
        Range of axial positions on the scale of `pose`.

    Returns
    -------
    Strip
        `STRIP_ROWS` rows, evenly spaced across the picture (in the sine of the angle), and
        columns about one pixel apart. Parts outside the picture are NaN.
    """
    px_per_mm = _resolution(camera, pose, start_mm, end_mm)
    axial = np.arange(start_mm, end_mm, 1.0 / px_per_mm)
    half = min(STRIP_HALF_ANGLE_RAD, pose.visible_half_angle_rad - math.radians(5.0))
    across_px = 2.0 * math.sin(half) * pose.radius_mm * px_per_mm
    lines = int(np.clip(round(across_px / STRIP_ROWS), 1, _MAX_LINES_PER_ROW))
    count = STRIP_ROWS * lines
    sines = math.sin(half) * (2.0 * (np.arange(count) + 0.5) / count - 1.0)
    angles = np.arcsin(sines)
    knots = np.linspace(axial[0], axial[-1], _KNOTS)
    knots_px = camera.project(pose.points(knots[None, :], angles[:, None]))
    values = sample_planes(photo, *between_knots(knots_px, count, axial.size))
    return Strip(
        values=values.reshape(STRIP_ROWS, lines, -1).mean(axis=1),
        axial_mm=axial,
        angle_rad=angles.reshape(STRIP_ROWS, lines).mean(axis=1),
    )


def _resolution(camera: Camera, pose: ShaftPose, start_mm: float, end_mm: float) -> float:
    """Pixels per mm along the facing line, at its best resolved place."""
    at = np.linspace(start_mm, end_mm, 9)
    steps = camera.project(pose.points(np.stack([at, at + 1.0]), 0.0))
    return float(np.nanmax(np.linalg.norm(steps[1] - steps[0], axis=-1)))
