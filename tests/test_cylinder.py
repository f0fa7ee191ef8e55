"""A cylinder before a camera: closed forms against each other and against brute force."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bandscan.cylinder import (
    ShaftPose,
    plane_of_rays,
    pose_from_silhouettes,
    silhouette_normals,
)


@st.composite
def poses(draw):
    radius = draw(st.floats(5.0, 40.0))
    distance = draw(st.floats(2.5, 12.0)) * radius + 60.0
    lean = [draw(st.floats(-0.4, 0.4)) for _ in range(3)]
    direction = np.array([1.0 if lean[0] >= 0 else -1.0, lean[1], lean[2]])
    direction /= np.linalg.norm(direction)
    origin = np.array([draw(st.floats(-40.0, 40.0)), draw(st.floats(-30.0, 30.0)), distance])
    return ShaftPose(origin_mm=origin, direction=direction, radius_mm=radius)


@settings(max_examples=60, deadline=None)
@given(poses())
def test_silhouettes_give_the_axis_back(pose):
    found = pose_from_silhouettes(*silhouette_normals(pose), pose.radius_mm)
    assert abs(found.direction @ pose.direction) == pytest.approx(1.0, abs=1e-12)
    beside = np.cross(found.origin_mm - pose.origin_mm, pose.direction)
    assert np.linalg.norm(beside) < 1e-7


@settings(max_examples=60, deadline=None)
@given(poses(), st.floats(-30.0, 80.0), st.floats(-0.95, 0.95))
def test_a_surface_point_is_found_where_it_was_put(pose, axial, share):
    angle = share * pose.visible_half_angle_rad
    point = pose.points(axial, angle)
    assert np.linalg.norm(np.cross(point - pose.origin_mm, pose.direction)) == pytest.approx(
        pose.radius_mm
    )
    found_axial, found_angle = pose.locate(point / np.linalg.norm(point))
    assert found_axial == pytest.approx(axial, abs=1e-6)
    assert found_angle == pytest.approx(angle, abs=1e-6)


def test_silhouette_planes_touch_the_surface_and_do_not_cut_it():
    pose = ShaftPose(
        origin_mm=np.array([5.0, -8.0, 150.0]),
        direction=np.array([0.96, 0.28, 0.0]),
        radius_mm=20.0,
    )
    ring = pose.points(12.0, np.linspace(-np.pi, np.pi, 20001))
    for normal in silhouette_normals(pose):
        heights = ring @ normal  # by brute force: the nearest point of the ring lies in the plane
        assert heights.min() == pytest.approx(0.0, abs=1e-5)


def test_a_ray_beside_the_shaft_misses():
    pose = ShaftPose(
        origin_mm=np.array([0.0, 0.0, 100.0]), direction=np.array([1.0, 0.0, 0.0]), radius_mm=10.0
    )
    axial, angle = pose.locate(np.array([0.0, 0.2, 1.0]))
    assert np.isnan(axial)
    assert np.isnan(angle)


def test_parallel_silhouettes_are_an_error():
    with pytest.raises(ValueError, match="parallel"):
        pose_from_silhouettes([0.0, 1.0, 0.0], [0.0, 1.0, 0.0], 10.0)


def test_a_grazing_ray_passes_the_axis_where_it_touches():
    pose = ShaftPose(
        origin_mm=np.array([3.0, 2.0, 120.0]), direction=np.array([1.0, 0.0, 0.0]), radius_mm=15.0
    )
    point = pose.points(25.0, pose.visible_half_angle_rad)
    assert pose.axial_beside(point / np.linalg.norm(point)) == pytest.approx(25.0, abs=1e-6)


def test_the_plane_of_rays_is_that_of_a_singular_value_decomposition():
    """Against numpy.linalg.svd of all rays, and against the cross product of two."""
    rays = np.random.default_rng(3).normal(size=(40, 3)) * (1.0, 0.6, 0.01)
    reference = np.linalg.svd(rays)[2][-1]
    assert abs(plane_of_rays(rays) @ reference) == pytest.approx(1.0, abs=1e-12)
    with_hole = np.vstack([rays, [[np.nan, np.nan, np.nan]]])
    assert abs(plane_of_rays(with_hole) @ reference) == pytest.approx(1.0, abs=1e-12)
    square = np.cross(rays[0], rays[1])
    square /= np.linalg.norm(square)
    assert abs(plane_of_rays(rays[:2]) @ square) == pytest.approx(1.0, abs=1e-12)
