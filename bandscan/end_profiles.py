"""Profiles of light across the curves of a drawn end, and the edges in them."""

from __future__ import annotations

import math

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.end_shape import AxisPlane, Drawing, EndShape
from bandscan.model import AxisDoubt, Photo
from calib.camera import Camera, FloatArray
from calib.light import linear_light

_LEAST_LEAN_RAD = 1e-4  # of an axis that is known
SAMPLE_PX = 0.5  # between samples of a profile


class Profiler:
    """Crosses curves with profiles of the photo.

    Parameters
    ----------
    low_px, high_px : ndarray, shape (2,)
        Corners of the part of the photo that is decoded to linear light, once.
    axis : AxisDoubt
        How well the axis is known.
    """

    def __init__(
        self,
        photo: Photo,
        camera: Camera,
        plane: AxisPlane,
        low_px: FloatArray,
        high_px: FloatArray,
        axis: AxisDoubt,
    ) -> None:
        limit = (photo.width_px, photo.height_px)
        x0, y0 = (int(v) for v in np.clip(np.floor(low_px), 0, limit))
        x1, y1 = (int(v) for v in np.clip(np.ceil(high_px) + 1, 0, limit))
        self._light = linear_light(photo.grey[y0:y1, x0:x1])
        self._origin = np.array([x0, y0], dtype=float)
        self._camera = camera
        self.plane = plane
        self.sideways_u_px = axis.sideways_px
        self.lean_u_mm = max(axis.lean_rad, _LEAST_LEAN_RAD) * plane.distance_mm

    def pixel_mm(self, shape: EndShape) -> float:
        """Size of a pixel in the axis plane at the end."""
        x = shape.face_mm[0] + np.array([0.0, 1.0])
        ends = self.plane.pixels(self._camera, x, np.zeros(2))
        return float(1.0 / np.linalg.norm(ends[1] - ends[0]))

    def profiles(
        self, drawing: Drawing, offsets_px: FloatArray, pixel_mm: float, sideways_mm: float = 0.0
    ) -> NDArray[np.float32]:
        """Linear light along the normals of one drawn end, shape (m, n); NaN outside the photo.

        A profile is short: it is straight and evenly spaced in the photo too.
        """
        x, w = drawing.x_mm[0], drawing.w_mm[0] + sideways_mm
        half = 0.5 * (offsets_px[-1] - offsets_px[0])
        reach = np.array([-half, 0.0, half])[:, None] * pixel_mm
        before, middle, after = self.plane.pixels(
            self._camera, x + reach * drawing.nx[0], w + reach * drawing.nw[0]
        )
        direction = ((after - before) / (2.0 * half)).astype(np.float32)
        start = (middle - self._origin).astype(np.float32)
        offsets = offsets_px.astype(np.float32)
        x, y = (start[:, k, None] + offsets * direction[:, k, None] for k in (0, 1))
        return self._sample(x, y)

    def lines(self, x_mm: FloatArray, w_mm: FloatArray) -> NDArray[np.float32]:
        """Linear light at points of the axis plane, shape (m, n); NaN outside the photo."""
        pixels = self.plane.pixels(self._camera, x_mm, w_mm) - self._origin
        x, y = (np.ascontiguousarray(pixels[..., k], dtype=np.float32) for k in (0, 1))
        return self._sample(x, y)

    def _sample(self, x: NDArray[np.float32], y: NDArray[np.float32]) -> NDArray[np.float32]:
        sampled = cv2.remap(
            self._light, x, y, cv2.INTER_LINEAR,
            borderMode=cv2.BORDER_CONSTANT, borderValue=float("nan"),
        )  # fmt: skip
        return np.asarray(sampled, dtype=np.float32)


def slopes_of_blocks(
    light: NDArray[np.float32], sigma_px: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Mean slope of each block's profiles and its standard error, shape (b, n)."""
    _, per_block, count = light.shape
    slope = cv2.filter2D(
        np.nan_to_num(light).reshape(-1, count), cv2.CV_32F, _derivative(sigma_px)[None, :]
    ).reshape(light.shape)
    # Bilinear sampling and demosaicing tie neighbours together: half of them count.
    free = max(per_block / 2.0 - 1.0, 1.0)
    return slope.mean(axis=1), np.sqrt(np.maximum(slope.var(axis=1) / free, 1e-16))


def local_peaks(response: NDArray[np.float32]) -> NDArray[np.bool_]:
    """Where a row's magnitude is larger than beside it, shape (b, n)."""
    size = np.abs(response)
    found = np.zeros(size.shape, dtype=bool)
    found[:, 1:-1] = (size[:, 1:-1] >= size[:, :-2]) & (size[:, 1:-1] > size[:, 2:])
    return found


def _derivative(sigma_px: float) -> FloatArray:
    half = math.ceil(3.0 * sigma_px / SAMPLE_PX)
    t = np.arange(-half, half + 1) * SAMPLE_PX
    kernel = t * np.exp(-0.5 * (t / sigma_px) ** 2)
    return np.asarray(kernel / (t @ kernel))
