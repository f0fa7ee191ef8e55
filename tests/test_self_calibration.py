"""Radial distortion from a rule and a card, seen through a lens that OpenCV projects."""

from collections.abc import Callable
from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.camera import Camera
from calib.lens import EXIF_K1_U, EXIF_K2_PER_K1, CameraIdentity, LensCalibration, lens_from_exif
from calib.scale import ScalePlane, plane_from_corners, plane_from_rule
from calib.self_calibration import bend_to_scale

WIDTH_PX, HEIGHT_PX = 4000, 3000
EXIF_LENS = lens_from_exif(CameraIdentity(focal_35mm=26.0), WIDTH_PX, HEIGHT_PX)
NOISE_PX = 0.15
Planes = list[Callable[[Camera], ScalePlane]]


def project(points_mm, rotation, translation, k1, k2) -> np.ndarray:
    camera = EXIF_LENS.camera
    focal = camera.fx_px
    matrix = np.array([[focal, 0.0, camera.cx_px], [0.0, focal, camera.cy_px], [0.0, 0.0, 1.0]])
    points = np.column_stack([points_mm, np.zeros(len(points_mm))])
    pixels, _ = cv2.projectPoints(
        points, np.array(rotation), np.array(translation), matrix, np.array([k1, k2, 0.0, 0.0])
    )
    return pixels.reshape(-1, 2)


def scales(k1: float, *, marks: int = 161) -> Planes:
    """A rule along the lower part of the picture and a card along the upper part."""
    k2 = EXIF_K2_PER_K1 * k1
    rng = np.random.default_rng(5)
    at = np.arange(float(marks))
    low, high = np.stack([at, 0 * at], axis=1), np.stack([at, 0 * at + 4.0], axis=1)
    x, y = (a.ravel() for a in np.meshgrid(np.arange(22.0) * 6.0, np.arange(4.0) * 6.0))
    board = np.stack([x, y], axis=1)
    rule_place = ([0.06, -0.05, 0.04], [-80.0, 42.0, 160.0])
    card_place = ([-0.08, 0.1, -0.03], [-62.0, -62.0, 165.0])
    roots = project(low, *rule_place, k1, k2)
    tips = project(high, *rule_place, k1, k2)
    shift = rng.normal(0.0, NOISE_PX, roots.shape)  # a mark's two ends are one line
    corners = project(board, *card_place, k1, k2)
    corners += rng.normal(0.0, NOISE_PX, corners.shape)

    def rule(camera: Camera) -> ScalePlane:
        return plane_from_rule(
            roots + shift, tips + shift, pitch_mm=1.0, u_px=NOISE_PX, camera=camera
        )

    def card(camera: Camera) -> ScalePlane:
        return plane_from_corners(
            corners, board, np.full(len(board), NOISE_PX), camera=camera, print_relative_u=0.002
        )

    return [rule, card]


def k1_of(lens: LensCalibration) -> tuple[float, float]:
    return lens.camera.distortion[0], float(np.sqrt(lens.covariance[4, 4]))


@pytest.mark.parametrize("k1", [-0.05, 0.0, 0.05])
def test_a_card_tells_the_distortion(k1):
    found, u = k1_of(bend_to_scale(EXIF_LENS, scales(k1)[1:]))
    assert found == pytest.approx(k1, abs=0.01)
    assert abs(found - k1) < 2.0 * u
    assert u < EXIF_K1_U / 2.0


def test_a_rule_tells_the_distortion():
    found, u = k1_of(bend_to_scale(EXIF_LENS, scales(0.05)[:1]))
    assert found == pytest.approx(0.05, abs=0.01)
    assert u < EXIF_K1_U / 2.0


def test_rule_and_card_together_give_the_lens_that_opencv_projected_with():
    lens = bend_to_scale(EXIF_LENS, scales(0.05))
    radii = np.linspace(0.0, 0.7, 50)  # tangent of the angle from the optical axis; 0.83 at corners
    radii_px = radii * EXIF_LENS.camera.fx_px
    seen = project(np.stack([radii, 0.0 * radii], axis=1), [0.0] * 3, [0.0, 0.0, 1.0], 0.05, -0.045)
    seen_px = seen[:, 0] - EXIF_LENS.camera.cx_px
    found_px = lens.camera.distort(np.stack([radii, 0.0 * radii], axis=1))[:, 0]
    found_px = found_px * lens.camera.fx_px
    assert np.abs(seen_px - radii_px).max() > 10.0  # there is something to find
    assert np.abs(found_px - seen_px).max() < 1.5


def test_only_the_radial_terms_and_their_covariance_change():
    lens = bend_to_scale(EXIF_LENS, scales(0.05)[1:])
    radial = [4, 5]
    others = [i for i in range(9) if i not in radial]
    assert np.delete(lens.camera.parameters, radial) == pytest.approx(
        np.delete(EXIF_LENS.camera.parameters, radial)
    )
    assert lens.covariance[np.ix_(others, others)] == pytest.approx(
        EXIF_LENS.covariance[np.ix_(others, others)]
    )
    assert np.linalg.eigvalsh(lens.covariance[np.ix_(radial, radial)]).min() > 0.0


def test_a_lens_from_a_file_is_returned_as_it_is():
    lens = replace(EXIF_LENS, source="file")
    assert bend_to_scale(lens, scales(0.05)[1:]) is lens


def test_without_enough_readings_the_lens_stays():
    assert bend_to_scale(EXIF_LENS, []) is EXIF_LENS
    assert bend_to_scale(EXIF_LENS, scales(0.05, marks=15)[:1]) is EXIF_LENS  # 30 readings
