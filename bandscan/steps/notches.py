"""Where the shaft's outline is cut in: snap-ring grooves and undercuts, which are not bands.

A groove looks like a dark band when it is unrolled, but its floor lies deeper: at the outline
the bench shows where there should be metal.
"""

from __future__ import annotations

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.side_strips import side_strips
from calib.camera import Camera, FloatArray

_STEP_MM = 0.1  # along the shaft
_INSIDE_MM = (-0.4, -0.2)  # from the outline: metal unless a groove is cut in; lens blur kept out
_OUTSIDE_MM = (0.3, 0.7)  # bench
_RADIAL_STEP_MM = 0.05
_LOCAL_MM = 8.0  # half range whose median shows the uncut outline
# Bench seen in place of metal, as a share of the contrast between them: 1 in a groove, up to 0.6
# in a polished band, which at grazing angles mirrors the bench.
_CUT_SHARE = 0.7
_SMOOTH_COLUMNS = 5
_LEAST_LENGTH_MM = 0.4  # of the deepest part; grooves are 1.3 mm and wider (DIN 471; from memory)
_MOST_LENGTH_MM = 3.5  # ring grooves of shafts up to 100 mm are narrower (DIN 471; from memory)


def find_notches(
    photo: Photo, camera: Camera, pose: ShaftPose, *, land_mm: tuple[float, float]
) -> list[tuple[float, float]]:
    """Find the axial ranges in which the outline is cut in.

    Parameters
    ----------
    photo, camera, pose
        The photo, its lens and the shaft's cylinder with its zero at the end face.
    land_mm : (float, float)
        Range to look at.

    Returns
    -------
    list of (float, float)
        In order along the shaft.
    """
    axial = np.arange(land_mm[0], land_mm[1], _STEP_MM)
    if axial.size < int(2.0 * _LOCAL_MM / _STEP_MM) // 4:
        return []
    share = _bench_share(photo, camera, pose, axial)
    cut = _runs(axial, share > _CUT_SHARE)
    return [
        (start, end)
        for start, end in _runs(axial, share > 0.5 * _CUT_SHARE)
        if end - start <= _MOST_LENGTH_MM
        and any(start <= a and b <= end and b - a >= _LEAST_LENGTH_MM for a, b in cut)
    ]


def _bench_share(photo: Photo, camera: Camera, pose: ShaftPose, axial: FloatArray) -> FloatArray:
    """Share of bench in what should be metal, both outlines joined by their contrast."""
    radial = np.arange(_INSIDE_MM[0], _OUTSIDE_MM[1], _RADIAL_STEP_MM)
    inside = radial <= _INSIDE_MM[1]
    outside = radial >= _OUTSIDE_MM[0]
    upward = np.zeros(axial.size)
    contrast = np.full(axial.size, 1e-9)
    for strip in side_strips(photo, camera, pose, axial, radial):
        values = np.asarray(strip, dtype=float)
        usual = _running_median(np.where(np.isfinite(values), values, 0.0))
        difference = usual[outside].mean(axis=0) - usual[inside]
        seen = np.isfinite(values).all(axis=0)
        excess = np.where(seen, values[inside] - usual[inside], 0.0)
        upward += _smoothed((excess * difference).sum(axis=0))
        contrast += np.where(seen, (difference**2).sum(axis=0), 0.0)
    return np.asarray(upward / contrast)


def _smoothed(values: FloatArray) -> FloatArray:
    return np.convolve(values, np.full(_SMOOTH_COLUMNS, 1.0 / _SMOOTH_COLUMNS), mode="same")


def _running_median(values: FloatArray) -> FloatArray:
    """Median along the rows over the local range, on a sparse grid and interpolated."""
    stride = 8
    half = int(_LOCAL_MM / _STEP_MM)
    padded = np.pad(values, ((0, 0), (half, half)), mode="edge")
    windows = sliding_window_view(padded, 2 * half + 1, axis=1)[:, ::stride, ::2]
    sparse = np.median(windows, axis=2)
    at = np.arange(values.shape[1])
    knots = np.arange(sparse.shape[1]) * stride
    return np.stack([np.interp(at, knots, row) for row in sparse])


def _runs(axial: FloatArray, cut: NDArray[np.bool_]) -> list[tuple[float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[False], cut, [False]]).astype(int)))
    return [(float(axial[a]), float(axial[b - 1])) for a, b in edges.reshape(-1, 2)]
