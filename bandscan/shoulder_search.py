"""Where a shaft has a shoulder: what lies beside both sides changes at once, and for good.

Beyond a shoulder there is metal on either side where there was bench, and the outline of the land
does not go on. A block under the shaft shows on both sides as well, but the outline goes on over
it.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan import silhouette_fit
from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.side_strips import pixel_mm, seen_lengths, side_strips
from bandscan.silhouette_fit import Window
from calib.camera import Camera, FloatArray

_STEP_MM = 0.1  # along the shaft
_FIRST_RADII = 0.5  # from the end, chamfer and rim kept out
_BEYOND_MM = 6.0  # further than asked, which shows what comes after
# Beside the outline: clear of its blur, and not higher than most shoulders (common practice).
_CLEAR_PX, _LEAST_PX, _HEIGHT_RADII = 4.0, 8.0, 0.15
_WINDOW_MM, _GAP_MM = 1.5, 0.3  # compared before and after; left out between them
_TOGETHER_MM = 0.4  # the sides show it so far from each other at most
_DARK_LEVEL = 0.002
# On both sides: so many times what the bench shows elsewhere, and a share of the light.
_STANDS_OUT, _LEAST_CHANGE, _LEAST_NOISE = 5.0, 0.25, 0.02
_PEAK_MM = 2.0  # from where it begins to stand out
_AFTER_MM = 2.0  # the face of the shoulder
_AFTER_SEGMENTS = 5
_GOES_ON = 0.5  # of these, on both sides, that show the land's outline
_OUTLINE = Window(inside_px=8.0, outside_px=8.0, degree=2, search_px=(-5.0, 5.0))
_NEAR_PX = 2.5  # sides known to a few tenths of a pixel are carried on over several times that


def find_shoulder(photo: Photo, camera: Camera, pose: ShaftPose, *, to_mm: float) -> float | None:
    """The first shoulder of a shaft, or None where none shows.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder with its zero at the end face.
    to_mm : float
        Axial position up to which one is sought.

    Returns
    -------
    float or None
        Where the change begins to show, some 2 mm before its face.
    """
    axial = np.arange(_FIRST_RADII * pose.radius_mm, to_mm + _BEYOND_MM, _STEP_MM)
    if axial.size < 4.0 * _WINDOW_MM / _STEP_MM:
        return None
    pixel = pixel_mm(camera, pose, float(axial.mean()))
    highest = max(_HEIGHT_RADII * pose.radius_mm, _LEAST_PX * pixel)
    radial = np.arange(_CLEAR_PX * pixel, highest, max(pixel, 0.05))
    strips = side_strips(photo, camera, pose, axial, radial)
    changes = [_changes(np.log(strip + _DARK_LEVEL).mean(axis=0)) for strip in strips]
    stands_out = np.minimum(*(change / _usual(change) for change in changes))
    plain = (stands_out > _STANDS_OUT) & (np.minimum(*changes) > _LEAST_CHANGE)
    reach = round(_PEAK_MM / _STEP_MM)
    index = 0
    while plain[index:].any():
        first = index + int(plain[index:].argmax())
        peak = first + int(stands_out[first : first + reach].argmax())
        if _outline_ends(photo, camera, pose, float(axial[peak]) + _AFTER_MM, pixel):
            return float(axial[first])
        index = first + reach
    return None


def sides_borne_out(
    photo: Photo, camera: Camera, pose: ShaftPose, axial_mm: FloatArray, pixel: float
) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
    """Which segments show the cylinder's outline, on each side.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder.
    axial_mm : ndarray, shape (n,)
        Axial positions a pixel apart, n at least that of a segment.
    pixel : float
        Length that a pixel shows, mm.

    Returns
    -------
    tuple of two ndarray of bool, shape (segments,)
    """
    low, high = (
        silhouette_fit.borne_out(*silhouette_fit.mean_profiles(strip), _OUTLINE, _NEAR_PX)
        for strip in side_strips(photo, camera, pose, axial_mm, _OUTLINE.offsets_px * pixel)
    )
    return low, high


def _changes(light: FloatArray) -> NDArray[np.float32]:
    """Size of the change at each place, the largest within `_TOGETHER_MM`; 0 where not known."""
    count, gap = round(_WINDOW_MM / _STEP_MM), round(_GAP_MM / _STEP_MM)
    kernel = np.concatenate([np.full(count, -1.0), np.zeros(2 * gap + 1), np.full(count, 1.0)])
    change = np.abs(np.convolve(light, kernel[::-1] / count, mode="same"))
    change[: count + gap] = change[light.size - count - gap :] = 0.0
    around = np.ones((1, 2 * round(_TOGETHER_MM / _STEP_MM) + 1), np.uint8)
    known = np.nan_to_num(change).astype(np.float32)
    return np.asarray(cv2.dilate(known[None], around)[0], dtype=np.float32)


def _usual(change: NDArray[np.float32]) -> float:
    seen = change[change > 0.0]
    return max(float(np.median(seen)) if seen.size else 0.0, _LEAST_NOISE)


def _outline_ends(
    photo: Photo, camera: Camera, pose: ShaftPose, from_mm: float, pixel: float
) -> bool:
    """Whether the land's outline is not there any more beyond a place, or not in the photo."""
    length = _AFTER_SEGMENTS * silhouette_fit.SEGMENT_PX
    axial = np.asarray(from_mm + np.arange(length) * pixel, dtype=float)
    axial = axial[: min(seen_lengths(photo, camera, pose, axial))]
    if axial.size < silhouette_fit.SEGMENT_PX:
        return True
    return bool(np.mean(sides_borne_out(photo, camera, pose, axial, pixel)) < _GOES_ON)
