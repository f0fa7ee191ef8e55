"""How far the part of constant diameter goes on into the shaft."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from bandscan import silhouette_fit
from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.shoulder_search import find_shoulder, sides_borne_out
from bandscan.side_strips import pixel_mm, seen_lengths
from calib.camera import Camera

_ENDS_AFTER = 3  # segments in a row that show the cylinder's outline on neither side
# A shaft first seen in part only is followed so far; beyond, what is known must do: streaks inside
# the outline of a thicker part look like an outline. Common practice, no published source.
_FURTHEST_DIAMETERS = 2.0
_FEWEST_PX = 2 * silhouette_fit.SEGMENT_PX  # further on that are worth a look


def find_land_end(photo: Photo, camera: Camera, pose: ShaftPose, *, known_to_mm: float) -> float:
    """Follow both sides from where they are known to where they leave the cylinder.

    A shoulder ends the land wherever it is.

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
    seen_to = _followed(photo, camera, pose, known_to_mm)
    shoulder = find_shoulder(photo, camera, pose, to_mm=seen_to)
    return seen_to if shoulder is None else min(seen_to, shoulder)


def _followed(photo: Photo, camera: Camera, pose: ShaftPose, known_to_mm: float) -> float:
    step_mm = pixel_mm(camera, pose, known_to_mm)
    axial = np.arange(known_to_mm, _FURTHEST_DIAMETERS * 2.0 * pose.radius_mm, step_mm)
    axial = axial[: max(seen_lengths(photo, camera, pose, axial))]
    if axial.size < _FEWEST_PX:
        return known_to_mm
    low, high = sides_borne_out(photo, camera, pose, axial, step_mm)
    length = axial.size // low.size
    segments = _until_left(low | high)
    return float(axial[min(segments * length, axial.size - 1)])


def _until_left(good: NDArray[np.bool_]) -> int:
    """Segments before `_ENDS_AFTER` in a row are bad."""
    bad = ~good
    run = bad.copy()
    for k in range(1, _ENDS_AFTER):
        run[: bad.size - k] &= bad[k:]
        run[bad.size - k :] = False
    return int(run.argmax()) if run.any() else good.size
