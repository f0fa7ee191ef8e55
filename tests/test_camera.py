"""The camera model against OpenCV's (reference library)."""

import cv2
import numpy as np
import pytest

from calib.camera import Camera

CAMERA = Camera(
    width_px=2600,
    height_px=1950,
    fx_px=1900.0,
    fy_px=1905.0,
    cx_px=1290.0,
    cy_px=980.0,
    distortion=(0.08, -0.1, 0.001, -0.002, 0.02),
)
MATRIX = np.array([[1900.0, 0.0, 1290.0], [0.0, 1905.0, 980.0], [0.0, 0.0, 1.0]])


@pytest.fixture
def points() -> np.ndarray:
    spread = np.random.default_rng(1).uniform(-1.0, 1.0, (500, 3))
    return spread * (0.6, 0.45, 0.2) + (0.0, 0.0, 1.0)


def test_projection_is_that_of_opencv(points):
    expected, _ = cv2.projectPoints(
        points, np.zeros(3), np.zeros(3), MATRIX, np.array(CAMERA.distortion)
    )
    np.testing.assert_allclose(CAMERA.project(points), expected.reshape(-1, 2), atol=1e-8)


def test_undistortion_is_that_of_opencv(points):
    pixels = CAMERA.project(points)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 200, 1e-14)
    expected = cv2.undistortPoints(pixels, MATRIX, np.array(CAMERA.distortion), criteria=criteria)
    np.testing.assert_allclose(CAMERA.undistort(pixels), expected.reshape(-1, 2), atol=1e-8)


def test_a_point_beyond_the_fold_of_the_model_has_no_ray():
    folded = Camera(
        width_px=100, height_px=100, fx_px=50.0, fy_px=50.0, cx_px=50.0, cy_px=50.0,
        distortion=(-0.5, 0.0, 0.0, 0.0, 0.0),
    )  # fmt: skip
    assert np.isnan(folded.undistort([[200.0, 50.0]])).all()


def test_a_half_size_copy_sees_the_same_ray():
    half = CAMERA.resized(1300, 975)
    full_px = np.array([[100.5, 200.5]])
    half_px = (full_px + 0.5) / 2.0 - 0.5
    np.testing.assert_allclose(half.undistort(half_px), CAMERA.undistort(full_px), atol=1e-12)
