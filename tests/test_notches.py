"""Grooves in painted silhouettes: solids of revolution with walls where they were put."""

from pathlib import Path

import numpy as np
import pytest

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.steps.notches import find_notches
from calib.camera import Camera

RADIUS_MM = 20.0
GROOVE_DEPTH_MM = 1.0  # half the difference of DIN 471's 40 mm and 37.5 mm is 1.25 (from memory)
METAL, BENCH = 0.25, 0.6
LAND = (5.0, 55.0)
CAMERA = Camera(
    width_px=900, height_px=640, fx_px=3600.0, fy_px=3600.0, cx_px=449.5, cy_px=319.5
)  # 12 px/mm at the axis
POSE = ShaftPose(
    origin_mm=np.array([-35.0, 0.0, 300.0]),
    direction=np.array([1.0, 0.0, 0.0]),
    radius_mm=RADIUS_MM,
)


def paint(
    *, groove=None, polished=None, mirrored=0.0, metal=METAL, bench=BENCH, tone=0.01, seed=4
) -> Photo:
    """Metal where a ray passes the axis nearer than the radius there; each pixel 3 x 3 rays.

    A polished band mirrors the bench at its flanks by the share `mirrored`.
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
    light = np.full(axial.shape, metal)
    if polished:
        inside = (axial > polished[0]) & (axial < polished[1])
        flank = inside & (miss[:, None] > RADIUS_MM - 2.0)
        light[flank] = metal + mirrored * (bench - metal)
    light = np.where(miss[:, None] < radius, light, bench)
    light = light.reshape(640, 3, 900, 3).mean(axis=(1, 3))
    light *= 1.0 + tone * np.random.default_rng(seed).normal(size=light.shape)
    encoded = np.where(light > 0.0031308, 1.055 * light ** (1 / 2.4) - 0.055, 12.92 * light)
    grey = np.clip(np.rint(255.0 * encoded), 0, 255).astype(np.uint8)
    return Photo(path=Path("painted"), sha256="", grey=grey)


def notches(photo: Photo) -> list[tuple[float, float]]:
    return find_notches(photo, CAMERA, POSE, land_mm=LAND)


@pytest.mark.parametrize("bench", [0.6, 0.05])
@pytest.mark.parametrize("width", [1.3, 1.85, 2.65])  # ring grooves of DIN 471 (from memory)
def test_a_groove_is_found_at_its_walls(bench, width):
    (found,) = notches(paint(groove=(30.0, 30.0 + width), bench=bench))
    assert found == pytest.approx((30.0, 30.0 + width), abs=0.25)


@pytest.mark.parametrize("bench", [0.6, 0.05])
def test_a_plain_shaft_has_no_groove(bench):
    assert notches(paint(bench=bench)) == []


def test_a_polished_band_that_mirrors_the_bench_at_the_flank_is_no_groove():
    assert notches(paint(polished=(40.0, 42.0), mirrored=0.65)) == []


def test_a_groove_is_found_beside_a_polished_band():
    photo = paint(groove=(20.0, 21.85), polished=(40.0, 42.0), mirrored=0.65)
    (found,) = notches(photo)
    assert found == pytest.approx((20.0, 21.85), abs=0.25)


def test_what_is_cut_in_for_longer_than_a_ring_groove_is_no_notch():
    assert notches(paint(groove=(30.0, 35.0))) == []


def test_a_land_too_short_to_know_the_uncut_outline_is_left_alone():
    photo = paint(groove=(30.0, 31.85))
    assert find_notches(photo, CAMERA, POSE, land_mm=(29.0, 32.5)) == []
