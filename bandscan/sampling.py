"""Reading a photo between its pixels, in linear light."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.model import Photo
from calib.camera import FloatArray
from calib.light import linear_light


def sample_linear(photo: Photo, points_px: FloatArray) -> NDArray[np.float32]:
    """Linear light at sub-pixel points, by bilinear interpolation.

    Parameters
    ----------
    photo : Photo
    points_px : ndarray, shape (..., 2)
        Pixel coordinates, a two-dimensional arrangement.

    Returns
    -------
    ndarray of float32, shape (...)
        NaN outside the picture.
    """
    finite = points_px[np.isfinite(points_px).all(axis=-1)]
    if finite.size == 0:
        return np.full(points_px.shape[:-1], np.nan, dtype=np.float32)
    limit = (photo.width_px, photo.height_px)
    low = np.clip(np.floor(finite.min(axis=0)).astype(int) - 1, 0, limit)
    high = np.clip(np.ceil(finite.max(axis=0)).astype(int) + 2, 0, limit)
    if (high - low < 2).any():
        return np.full(points_px.shape[:-1], np.nan, dtype=np.float32)
    crop = linear_light(photo.grey[low[1] : high[1], low[0] : high[0]])
    local = (points_px - low).astype(np.float32)
    sampled = cv2.remap(
        crop,
        np.ascontiguousarray(local[..., 0]),
        np.ascontiguousarray(local[..., 1]),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(sampled, dtype=np.float32)
