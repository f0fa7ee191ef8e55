"""Camera of the ray-caster: world to pixels, pixels to rays; shares no code with the packages.

World: the shaft's axis is x, its end face the plane x = 0, z points to the side of the camera.
Pixels: the centre of the first one is (0, 0).

References
----------
A. E. Conrady, "Decentred lens-systems", Monthly Notices of the RAS 79 (1919) 384; D. C. Brown,
"Decentering distortion of lenses", Photogrammetric Engineering 32 (1966) 444: the lens model.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_NODE_PX = 8  # rays are exact at nodes so far apart; between them they bend by < 0.002 px
_FIXED_POINT_ROUNDS = 40


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """A camera in the world: x right, y down, z ahead in its own frame."""

    width_px: int
    height_px: int
    focal_px: float
    centre_px: tuple[float, float]
    radial: tuple[float, float, float]  # k1, k2, k3
    decentring: tuple[float, float]  # p1, p2
    rotation: Array  # (3, 3), world to camera
    eye_mm: Array  # (3,), the camera's centre in the world

    def bend(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Ideal image coordinates to where the lens puts them."""
        (k1, k2, k3), (p1, p2) = self.radial, self.decentring
        rr = x * x + y * y
        gain = 1.0 + rr * (k1 + rr * (k2 + rr * k3))
        return (
            x * gain + 2.0 * p1 * x * y + p2 * (rr + 2.0 * x * x),
            y * gain + p1 * (rr + 2.0 * y * y) + 2.0 * p2 * x * y,
        )

    def straighten(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Ideal image coordinates of pixels, by fixed-point iteration."""
        tx = (u - self.centre_px[0]) / self.focal_px
        ty = (v - self.centre_px[1]) / self.focal_px
        x, y = tx.copy(), ty.copy()
        for _ in range(_FIXED_POINT_ROUNDS):
            bx, by = self.bend(x, y)
            x, y = x + tx - bx, y + ty - by
        return x, y

    def pixels(self, world_mm: Array) -> Array:
        """Pixel coordinates of world points, shape (..., 3) to (..., 2)."""
        local = (world_mm - self.eye_mm) @ self.rotation.T
        x, y = self.bend(local[..., 0] / local[..., 2], local[..., 1] / local[..., 2])
        return np.stack(
            [x * self.focal_px + self.centre_px[0], y * self.focal_px + self.centre_px[1]], axis=-1
        )

    def depth(self, world_mm: Array) -> Array:
        return (world_mm - self.eye_mm) @ self.rotation[2]

    def directions(self, x: Array, y: Array) -> Array:
        """World directions, shape (3, ...), of ideal image coordinates; not unit vectors."""
        r = self.rotation.astype(x.dtype)
        return np.stack([r[0, i] * x + r[1, i] * y + r[2, i] for i in range(3)])

    def ideal_grid(self) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
        """Ideal image coordinates of every pixel, two arrays of shape (height, width)."""
        # Node k of a linear enlargement by 8 lies at pixel 8 k + 3.5; one node of margin.
        columns = np.arange(-1, -(-self.width_px // _NODE_PX) + 1)
        rows = np.arange(-1, -(-self.height_px // _NODE_PX) + 1)
        u, v = np.meshgrid(columns * _NODE_PX + 3.5, rows * _NODE_PX + 3.5)
        grids = []
        for nodes in self.straighten(u, v):
            fine = cv2.resize(nodes, None, fx=_NODE_PX, fy=_NODE_PX, interpolation=cv2.INTER_LINEAR)
            crop = fine[_NODE_PX : _NODE_PX + self.height_px, _NODE_PX : _NODE_PX + self.width_px]
            grids.append(crop.astype(np.float32))
        return grids[0], grids[1]
