"""What diameter and scale tell of the shaft's width, against OpenCV's own projection."""

import cv2
import numpy as np
import pytest

from bandscan.expected_width import ExpectedWidth
from bandscan.options import MeasureOptions
from bandscan.result import ScaleResult
from bandscan.scaling import ScaleReading, expected_width
from calib.camera import Camera
from calib.lens import LensCalibration

FOCAL_PX, DIAMETER_MM, AXIS_MM = 2000.0, 40.0, 220.0
CAMERA = Camera(
    fx_px=FOCAL_PX, fy_px=FOCAL_PX, cx_px=1300.0, cy_px=975.0, width_px=2600, height_px=1950
)
LENS = LensCalibration(camera=CAMERA, covariance=np.zeros((9, 9)), source="file")


def width_by_opencv() -> float:
    """The silhouettes touch the lines of sight: they lie before the axis, and not across it."""
    radius = DIAMETER_MM / 2.0
    before = radius**2 / AXIS_MM
    across = np.sqrt(radius**2 - before**2)
    points = np.array([[0.0, side * across, AXIS_MM - before] for side in (-1.0, 1.0)])
    matrix = np.array([[FOCAL_PX, 0.0, 1300.0], [0.0, FOCAL_PX, 975.0], [0.0, 0.0, 1.0]])
    pixels = cv2.projectPoints(points, np.zeros(3), np.zeros(3), matrix, np.zeros(5))[0]
    return float(np.linalg.norm(np.diff(pixels.reshape(2, 2), axis=0)))


def scale_at(height_mm: float) -> ScaleReading:
    mm_per_px = (AXIS_MM - height_mm) / FOCAL_PX
    result = ScaleResult(kind="rule", mm_per_px=mm_per_px, relative_u=0.001)
    return ScaleReading(result=result, plane=lambda camera: None, outline_px=np.zeros((0, 2)))


@pytest.mark.parametrize("height_mm", [-20.0, 0.0, 20.0])
def test_a_stated_height_gives_the_width(height_mm):
    options = MeasureOptions(diameter_mm=DIAMETER_MM, scale_height_mm=height_mm)
    expected = expected_width(LENS, [scale_at(height_mm)], options)
    assert expected.level_px == pytest.approx(width_by_opencv(), rel=0.01)


@pytest.mark.parametrize("height_mm", [-20.0, 0.0, 20.0])
def test_wherever_a_scale_usually_lies_the_true_width_is_as_expected(height_mm):
    """From the bench to the top of the shaft; common practice, no published source."""
    options = MeasureOptions(diameter_mm=DIAMETER_MM)
    expected = expected_width(LENS, [scale_at(height_mm)], options)
    assert expected.unlike(width_by_opencv()) == 0.0
    assert expected.unlike(0.5 * width_by_opencv()) > 0.9


def test_without_a_diameter_or_a_scale_nothing_is_expected():
    assert expected_width(LENS, [scale_at(0.0)], MeasureOptions(scale_height_mm=0.0)) is None
    assert expected_width(LENS, [], MeasureOptions(diameter_mm=DIAMETER_MM)) is None


def test_what_a_person_states_counts_for_no_more_than_a_limit():
    expected = ExpectedWidth(level_px=400.0)
    assert expected.unlike([4.0, 40000.0]).tolist() == [1.0, 1.0]
