"""Rules and cards placed before the camera, against points projected by OpenCV."""

import cv2
import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import ScaleUnreadableError
from calib.rule_class import most_error_mm, relative_u
from calib.scale import plane_from_corners, plane_from_rule

CAMERA = Camera(
    width_px=4000, height_px=3000, fx_px=3000.0, fy_px=3000.0, cx_px=1990.0, cy_px=1510.0,
    distortion=(0.05, -0.06, 0.0004, -0.0003, 0.01),
)  # fmt: skip
MATRIX = np.array([[3000.0, 0.0, 1990.0], [0.0, 3000.0, 1510.0], [0.0, 0.0, 1.0]])
ROTATION = np.array([0.12, -0.2, 0.1])
TRANSLATION = np.array([-55.0, 12.0, 160.0])


def project(points_mm: np.ndarray) -> np.ndarray:
    pixels, _ = cv2.projectPoints(
        points_mm, ROTATION, TRANSLATION, MATRIX, np.array(CAMERA.distortion)
    )
    return pixels.reshape(-1, 2)


def rule(noise_px: float, seed: int = 0) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    at = np.arange(101.0)
    roots = project(np.stack([at, 0 * at, 0 * at], axis=1))
    tips = project(np.stack([at, 0 * at + 4.0, 0 * at], axis=1))
    shift = rng.normal(0.0, noise_px, roots.shape)
    return roots + shift, tips + rng.normal(0.0, noise_px, tips.shape)


def true_plane() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    matrix, _ = cv2.Rodrigues(ROTATION)
    return matrix[:, 0], -matrix[:, 2], matrix @ np.array([50.0, 0.0, 0.0]) + TRANSLATION


def test_a_rule_without_noise_is_placed_exactly():
    plane = plane_from_rule(*rule(0.0), pitch_mm=1.0, u_px=0.1, camera=CAMERA)
    along, normal, middle = true_plane()
    assert plane.along @ along == pytest.approx(1.0, abs=1e-9)
    # The pull toward facing the camera (12 degrees) is weak against a hundred marks.
    assert np.degrees(np.arccos(min(1.0, plane.normal @ normal))) < 0.2
    assert np.linalg.norm(plane.point_mm - middle) < 0.05


def test_noise_on_the_marks_stays_within_the_stated_covariance():
    along, normal, middle = true_plane()
    across = np.cross(normal, along)
    errors = []
    for seed in range(40):
        plane = plane_from_rule(*rule(0.15, seed), pitch_mm=1.0, u_px=0.15, camera=CAMERA)
        slope = plane.normal @ across
        distance = np.linalg.norm(plane.point_mm) / np.linalg.norm(middle) - 1.0
        u = np.sqrt(np.diag(plane.covariance))
        errors.append((distance / u[0], slope / u[2]))
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    assert rms[0] < 1.0  # the rule's own tolerance is in u, but not in these marks
    assert 0.7 < rms[1] < 1.4  # 40 draws: chi-square leaves +/-22 % at 95 %


def test_a_missing_stretch_does_not_move_the_rule():
    roots, tips = rule(0.0)
    roots[30:60] = np.nan
    tips[30:60] = np.nan
    plane = plane_from_rule(roots, tips, pitch_mm=1.0, u_px=0.1, camera=CAMERA)
    along, _, _ = true_plane()
    assert plane.along @ along == pytest.approx(1.0, abs=1e-9)


def test_too_few_marks_are_refused():
    roots, tips = rule(0.0)
    with pytest.raises(ScaleUnreadableError, match="Only 5 graduations"):
        plane_from_rule(roots[:5], tips[:5], pitch_mm=1.0, u_px=0.1, camera=CAMERA)


def test_a_card_is_placed_exactly_and_at_its_printed_size():
    x, y = (a.ravel() for a in np.meshgrid(np.arange(15.0) * 6.0, np.arange(3.0) * 6.0))
    board = np.stack([x, y], axis=1)
    pixels = project(np.column_stack([board, np.zeros(len(board))]))
    plane = plane_from_corners(
        pixels, board, np.full(len(board), 0.1), camera=CAMERA, print_relative_u=0.002
    )
    along, normal, _ = true_plane()
    assert plane.along @ along == pytest.approx(1.0, abs=1e-9)
    assert plane.normal @ normal == pytest.approx(1.0, abs=1e-9)
    smaller = plane_from_corners(
        pixels, board * 0.97, np.full(len(board), 0.1), camera=CAMERA, print_relative_u=0.002
    )
    ratio = np.linalg.norm(smaller.point_mm) / np.linalg.norm(plane.point_mm)
    assert ratio == pytest.approx(0.97)
    assert plane.relative_u == pytest.approx(0.002, rel=0.5)


@pytest.mark.parametrize(
    ("rule_class", "length_mm", "limit_mm"),
    [
        ("I", 300.0, 0.2),
        ("II", 300.0, 0.5),
        ("III", 300.0, 1.0),
        ("II", 1000.0, 0.5),
        ("II", 1000.5, 0.7),
        (None, 150.0, 0.15),
        (None, 500.0, 0.15),
        (None, 501.0, 0.20),
        (None, 1500.0, 0.25),
    ],
)
def test_the_limits_of_rules_are_those_of_the_standards(rule_class, length_mm, limit_mm):
    """2014/32/EU, MI-008, chapter I, table 1 (inner marks); JIS B 7516:2005, grade 1."""
    assert most_error_mm(rule_class, length_mm) == pytest.approx(limit_mm)


def test_a_rule_of_a_worse_class_gives_a_less_certain_scale():
    marks = rule(0.0)
    by_class = {
        name: plane_from_rule(*marks, pitch_mm=1.0, u_px=0.1, camera=CAMERA, rule_class=name)
        for name in (None, "I", "II", "III")
    }
    for name, plane in by_class.items():
        assert plane.made_relative_u == pytest.approx(relative_u(name, 100.0))
    # A rectangular distribution of half-width 0.5 mm over 100 mm: 0.5 / sqrt(3) / 100.
    assert by_class["II"].made_relative_u == pytest.approx(0.0028868, rel=1e-4)
    assert "class II" in by_class["II"].made_origin
    assert by_class[None].relative_u < by_class["II"].relative_u < by_class["III"].relative_u


def test_a_class_that_does_not_exist_is_a_mistake():
    with pytest.raises(ValueError, match="rule_class must be one of"):
        most_error_mm("IV", 100.0)
