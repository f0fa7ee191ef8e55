"""Silhouettes painted ray by ray: solids of revolution with walls where they were put."""

from pathlib import Path

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from calib.camera import Camera

RADIUS_MM = 20.0
GROOVE_DEPTH_MM = 1.0  # half the difference of DIN 471's 40 mm and 37.5 mm is 1.25 (from memory)
METAL, BENCH = 0.25, 0.6
CAMERA = Camera(
    width_px=900, height_px=640, fx_px=3600.0, fy_px=3600.0, cx_px=449.5, cy_px=319.5
)  # 12 px/mm at the axis
POSE = ShaftPose(
    origin_mm=np.array([-35.0, 0.0, 300.0]),
    direction=np.array([1.0, 0.0, 0.0]),
    radius_mm=RADIUS_MM,
)


def paint(
    *, groove=None, polished=None, mirrored=0.0, shoulder=None, block=None,
    metal=METAL, bench=BENCH, tone=0.01, seed=4,
) -> Photo:  # fmt: skip
    """Metal where a ray passes the axis nearer than the radius there; each pixel 3 x 3 rays.

    A polished band mirrors the bench at its flanks by the share `mirrored`. A shaft is thicker
    beyond `shoulder`, its axial position and height; a block of the brightness `block[2]` lies
    under it from `block[0]` to `block[1]`.
    """
    sub = (np.arange(3) - 1) / 3.0
    x = (np.arange(900)[:, None] + sub).ravel() - CAMERA.cx_px
    y = (np.arange(640)[:, None] + sub).ravel() - CAMERA.cy_px
    # The axis runs along x at the depth d: a ray (x, y, f) passes it at the distance
    # d |y| / hypot(y, f), above the axial place x d f / (y^2 + f^2).
    focal, depth = CAMERA.fx_px, POSE.origin_mm[2]
    miss = depth * np.abs(y) / np.hypot(y, focal)
    axial = x[None, :] * (depth * focal / (y**2 + focal**2))[:, None] - POSE.origin_mm[0]
    radius = np.full(axial.shape, RADIUS_MM)
    if groove:
        radius[(axial > groove[0]) & (axial < groove[1])] -= GROOVE_DEPTH_MM
    if shoulder:
        radius[axial > shoulder[0]] += shoulder[1]
    light = np.full(axial.shape, metal)
    if polished:
        inside = (axial > polished[0]) & (axial < polished[1])
        flank = inside & (miss[:, None] > RADIUS_MM - 2.0)
        light[flank] = metal + mirrored * (bench - metal)
    behind = np.full(axial.shape, bench)
    if block:
        behind[(axial > block[0]) & (axial < block[1])] = block[2]
    light = np.where(miss[:, None] < radius, light, behind)
    light = light.reshape(640, 3, 900, 3).mean(axis=(1, 3))
    light *= 1.0 + tone * np.random.default_rng(seed).normal(size=light.shape)
    encoded = np.where(light > 0.0031308, 1.055 * light ** (1 / 2.4) - 0.055, 12.92 * light)
    grey = np.clip(np.rint(255.0 * encoded), 0, 255).astype(np.uint8)
    return Photo(path=Path("painted"), sha256="", grey=grey)
