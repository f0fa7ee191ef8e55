"""Reading a photo between its pixels, in linear light."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.model import Photo
from calib.camera import FloatArray
from calib.light import linear_light

_LENGTH = 256  # columns of a strip that are decoded at once


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
    x, y = (np.ascontiguousarray(points_px[..., k], dtype=np.float32) for k in (0, 1))
    return sample_planes(photo, x, y)


def sample_planes(
    photo: Photo, x_px: NDArray[np.float32], y_px: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Linear light at sub-pixel points whose coordinates are apart, shape (n, m) each.

    The coordinates are overwritten. NaN outside the picture.
    """
    low, size = np.zeros(2, int), np.zeros(2, int)
    for k, (values, limit) in enumerate(((x_px, photo.width_px), (y_px, photo.height_px))):
        first, last = _range(values)
        low[k] = np.clip(math.floor(first) - 1, 0, limit)
        size[k] = np.clip(math.ceil(last) + 2, 0, limit) - low[k]
    if (size < 2).any():
        return np.full(x_px.shape, np.nan, dtype=np.float32)
    crop = linear_light(photo.grey[low[1] : low[1] + size[1], low[0] : low[0] + size[0]])
    x_px -= np.float32(low[0])
    y_px -= np.float32(low[1])
    sampled = cv2.remap(
        crop,
        x_px,
        y_px,
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_CONSTANT,
        borderValue=float("nan"),
    )
    return np.asarray(sampled, dtype=np.float32)


def sample_strip(
    photo: Photo, x_px: NDArray[np.floating], y_px: NDArray[np.floating]
) -> NDArray[np.float32]:
    """Linear light of a strip that is long along its columns, shape (n, m); NaN outside.

    It is read in lengths, so that of a photo no more is decoded than lies near the strip.
    """
    columns = x_px.shape[1]
    ends = [*range(_LENGTH, columns - _LENGTH // 2, _LENGTH), columns]
    parts = [slice(start, end) for start, end in zip([0, *ends[:-1]], ends, strict=True)]
    read = [
        sample_planes(photo, *(plane[:, part].astype(np.float32) for plane in (x_px, y_px)))
        for part in parts
    ]
    return read[0] if len(read) == 1 else np.concatenate(read, axis=1)


def _range(values: NDArray[np.float32]) -> tuple[float, float]:
    """Least and greatest of the finite values; (0, -inf or less) where there are none."""
    low, high = float(np.fmin.reduce(values, axis=None)), float(np.fmax.reduce(values, axis=None))
    if not (math.isfinite(low) and math.isfinite(high)):
        finite = values[np.isfinite(values)]
        if not finite.size:
            return 0.0, -3.0
        low, high = float(finite.min()), float(finite.max())
    return low, high


def between_knots(
    knots_px: FloatArray, rows: int, columns: int
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Coordinates of a grid that are known at knots and linear between them.

    Parameters
    ----------
    knots_px : ndarray, shape (knot rows, knot columns, 2)
        The first and last knots are the first and last rows and columns of the grid, the others
        evenly between them.
    rows, columns : int
        Of the grid.

    Returns
    -------
    x_px, y_px : ndarray of float32, shape (rows, columns)
    """
    down = _hats(rows, knots_px.shape[0])
    across = _hats(columns, knots_px.shape[1]).T
    planes = []
    for k in (0, 1):
        plane = np.ascontiguousarray(knots_px[..., k], dtype=np.float32)
        plane = plane if rows == len(plane) else down @ plane
        planes.append(np.asarray(plane @ across, dtype=np.float32))
    return planes[0], planes[1]


def _hats(count: int, knots: int) -> NDArray[np.float32]:
    """Weights of the knots at each of `count` even places, shape (count, knots)."""
    place = np.linspace(0.0, knots - 1.0, count)[:, None]
    return np.maximum(1.0 - np.abs(place - np.arange(knots)), 0.0).astype(np.float32)
