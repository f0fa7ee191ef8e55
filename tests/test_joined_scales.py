"""Two scales as one plane, against a whitened least-squares solution by numpy."""

import numpy as np
import pytest

from calib.joined_scales import join_scales
from calib.scale import ScalePlane

NORMAL = np.array([0.1, -0.2, -1.0]) / np.sqrt(1.05)
ALONG = np.cross(NORMAL, [0.0, 1.0, 0.0]) / np.linalg.norm(np.cross(NORMAL, [0.0, 1.0, 0.0]))
AWAY_MM = 300.0  # of the plane from the camera
CARD_U = np.diag([0.002, 0.004, 0.005]) ** 2
RULE_U = np.diag([0.0008, 0.01, 0.02]) ** 2
DRAWS = 2000


def on_plane(x_mm: float, y_mm: float) -> np.ndarray:
    """Point of the common plane at x, y in the camera's frame."""
    return np.array([x_mm, y_mm, (-AWAY_MM - NORMAL[:2] @ [x_mm, y_mm]) / NORMAL[2]])


def scale(point_mm: np.ndarray, covariance: np.ndarray, made_u: float = 0.0) -> ScalePlane:
    return ScalePlane(
        point_mm=point_mm, along=ALONG, normal=NORMAL, covariance=covariance, mm_per_px=0.1,
        relative_u=float(np.sqrt(covariance[0, 0])), made_relative_u=made_u,
    )  # fmt: skip


CARD = scale(on_plane(-20.0, -60.0), CARD_U, made_u=0.0019)
RULE = scale(on_plane(30.0, 50.0), RULE_U, made_u=0.0006)


def away_mm(plane: ScalePlane) -> float:
    """Distance of a plane along the optical axis."""
    return float(plane.normal @ plane.point_mm / plane.normal[2])


def test_planes_that_are_one_stay_as_they_are():
    joined = join_scales(CARD, RULE)
    assert joined.apart == pytest.approx(0.0, abs=1e-9)
    assert joined.plane.point_mm == pytest.approx(CARD.point_mm)
    assert joined.plane.normal == pytest.approx(NORMAL)


def test_in_one_place_it_is_the_mean_weighted_by_inverse_variance():
    """GUM (JCGM 100) 5.1.2 with the weights of a least-squares mean, slopes known."""
    sure = np.array([1.0, 1e-12, 1e-12])
    first = scale(on_plane(0.0, 0.0), CARD_U * sure)
    second = scale(1.004 * on_plane(0.0, 0.0), RULE_U * sure)
    joined = join_scales(first, second)
    weights = np.array([1.0 / CARD_U[0, 0], 1.0 / RULE_U[0, 0]])
    mean = np.exp(weights @ np.log([1.0, 1.004]) / weights.sum())
    assert away_mm(joined.plane) / away_mm(first) == pytest.approx(mean, abs=1e-5)
    assert joined.plane.covariance[0, 0] == pytest.approx(1.0 / weights.sum(), rel=1e-3)


def test_the_covariance_is_that_of_whitened_least_squares():
    """Both planes as equations of one plane z = a + b x + c y, solved by numpy.linalg.lstsq."""

    def equations(one: ScalePlane) -> tuple[np.ndarray, np.ndarray]:
        """Coefficients (a, b, c) per change of a scale, by differences."""

        def coefficients(plane: ScalePlane) -> np.ndarray:
            normal = plane.normal / plane.normal[2]
            return np.array([normal @ plane.point_mm, -normal[0], -normal[1]])

        step = 1e-6
        columns = [
            (coefficients(one.changed(change)) - coefficients(one)) / step
            for change in step * np.eye(3)
        ]
        return np.column_stack(columns), coefficients(one)

    rows, information = [], np.zeros((3, 3))
    for one in (CARD, RULE):
        by_change, _ = equations(one)
        covariance = by_change @ one.covariance @ by_change.T
        rows.append(np.linalg.cholesky(np.linalg.inv(covariance)).T)
        information += rows[-1].T @ rows[-1]
    design = np.vstack(rows)
    solved = np.linalg.lstsq(design, np.eye(6), rcond=None)[0]
    expected = solved @ solved.T
    joined = join_scales(CARD, RULE).plane
    by_change, _ = equations(joined)
    assert by_change @ joined.covariance @ by_change.T == pytest.approx(expected, rel=1e-3)


def test_errors_of_the_joint_plane_keep_to_its_covariance():
    chance = np.random.default_rng(3)
    errors = np.array(
        [
            away_mm(
                join_scales(
                    CARD.changed(np.sqrt(np.diag(CARD_U)) * chance.standard_normal(3)),
                    RULE.changed(np.sqrt(np.diag(RULE_U)) * chance.standard_normal(3)),
                ).plane
            )
            for _ in range(DRAWS)
        ]
    ) - away_mm(CARD)  # fmt: skip
    plane = join_scales(CARD, RULE).plane
    step = 1e-6
    slopes = [(away_mm(plane.changed(s)) - away_mm(plane)) / step for s in step * np.eye(3)]
    u_mm = float(np.sqrt(slopes @ plane.covariance @ slopes))
    assert abs(errors.mean()) < 4.0 * u_mm / np.sqrt(DRAWS)
    assert errors.std() == pytest.approx(u_mm, rel=4.0 / np.sqrt(2 * DRAWS))


def test_a_print_that_is_too_small_seems_to_lie_further():
    small = CARD.resized(1.0 / 0.97)
    joined = join_scales(RULE, small)
    assert joined.apart == pytest.approx(-np.log(0.97), rel=1e-6)
    assert joined.apart > 2.0 * joined.apart_u


def test_what_is_of_the_make_is_no_more_than_the_whole():
    plane = join_scales(CARD, RULE).plane
    assert 0.0 < plane.made_relative_u**2 < plane.covariance[0, 0]
