"""A printed card of markers that nobody has described: where it lies, so that it can be avoided."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

Grey = NDArray[np.uint8] | NDArray[np.uint16]

_SEARCH_SIDE_PX = 1000  # long side of the copy that is searched
_FEWEST_MARKERS = 3  # read without an error: worn metal shows none by chance
_BORDER = 0.08  # of the markers' extent: squares and margin around the outermost
# Those of 1000 markers hold the smaller ones of their size.
_DICTIONARIES = (
    cv2.aruco.DICT_4X4_1000,
    cv2.aruco.DICT_5X5_1000,
    cv2.aruco.DICT_6X6_1000,
    cv2.aruco.DICT_7X7_1000,
)


def stray_card(grey: Grey, within: FloatArray) -> FloatArray | None:
    """Outline of a card of square markers that lies in a part of a photo.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values.
    within : ndarray, shape (n, 2)
        Points whose bounding rectangle is searched, px.

    Returns
    -------
    ndarray of shape (4, 2) or None
        Corners of the smallest rectangle around the markers and their surrounding, px; None
        where fewer than three markers of one of OpenCV's ArUco dictionaries are read.
    """
    low = np.maximum(np.floor(within.min(axis=0)), 0.0).astype(int)
    high = np.ceil(within.max(axis=0)).astype(int) + 1
    part = grey[low[1] : high[1], low[0] : high[0]]
    if min(part.shape) < 1:
        return None
    scale = min(1.0, _SEARCH_SIDE_PX / max(part.shape))
    small = cv2.resize(part, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    levels = cv2.convertScaleAbs(small, alpha=255.0 / max(float(small.max()), 1.0))
    parameters = cv2.aruco.DetectorParameters()
    parameters.errorCorrectionRate = 0.0
    for name in _DICTIONARIES:
        dictionary = cv2.aruco.getPredefinedDictionary(name)
        corners, _, _ = cv2.aruco.ArucoDetector(dictionary, parameters).detectMarkers(levels)
        if len(corners) >= _FEWEST_MARKERS:
            points = np.concatenate(corners).reshape(-1, 2)
            centre, size, turn = cv2.minAreaRect(points.astype(np.float32))
            border = _BORDER * 2.0 * max(size)
            around = cv2.boxPoints((centre, (size[0] + border, size[1] + border), turn))
            return np.asarray((around + 0.5) / scale - 0.5 + low, dtype=float)
    return None
