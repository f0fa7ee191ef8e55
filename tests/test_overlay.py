"""The pictures: drawn where the result says, turned as the user sees them, nothing covered."""

from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from bandscan.curves import edge_px, end_face_px
from bandscan.output.drawing import GREEN, PURPLE, VERMILION, dashed
from bandscan.output.labels import spread
from bandscan.output.overlay import draw_overlay, picture_scale, turn_picture, turn_points
from bandscan.output.result_json import json_text, measurement_object
from bandscan.output.strip import draw_strip
from bandscan.result import Measurement, Refusal
from tests import examples


def distance_from_colour(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    """Distance in px of every pixel from the nearest one of about that colour."""
    other = np.abs(picture.astype(int) - colour).max(axis=-1) > 40
    return cv2.distanceTransform(other.astype(np.uint8), cv2.DIST_L2, 5)


@pytest.mark.parametrize("orientation", range(1, 9))
def test_points_turn_with_the_picture(orientation):
    grey = np.zeros((30, 50), dtype=np.uint8)
    grey[7, 41] = 255
    shown = turn_picture(grey, orientation)
    x, y = turn_points(np.array([[41.0, 7.0]]), orientation, 50, 30)[0].astype(int)
    assert shown[y, x] == 255


def test_a_turned_picture_is_what_pillow_makes_of_the_orientation():
    """Pillow's exif_transpose as the reference library."""
    from PIL import Image, ImageOps

    grey = np.random.default_rng(4).integers(0, 255, (6, 9), dtype=np.uint8)
    for orientation in range(1, 9):
        image = Image.fromarray(grey)
        image.getexif()[0x0112] = orientation
        expected = np.asarray(ImageOps.exif_transpose(image))
        np.testing.assert_array_equal(turn_picture(grey, orientation), expected)


@pytest.mark.parametrize("orientation", [1, 6])
def test_band_edges_are_drawn_where_the_result_says(orientation):
    measurement = examples.measurement(photo=examples.photo(orientation), landing=None)
    picture = draw_overlay(measurement)
    distance = distance_from_colour(picture, VERMILION)
    scale = picture_scale(examples.WIDTH, examples.HEIGHT)
    for band in measurement.bands:
        for edge in (band.start, band.end):
            points = edge_px(examples.CAMERA, examples.shaft(), band, edge)
            turned = turn_points(points, orientation, examples.WIDTH, examples.HEIGHT)
            shown = np.round((turned + 0.5) * scale - 0.5).astype(int)
            assert distance[shown[:, 1], shown[:, 0]].max() <= 2.0


def test_the_picture_is_upright_and_has_a_panel_below():
    level = draw_overlay(examples.measurement())
    upright = draw_overlay(examples.measurement(photo=examples.photo(6)))
    scale = picture_scale(examples.WIDTH, examples.HEIGHT)
    assert level.shape[1] == round(scale * examples.WIDTH)
    assert level.shape[0] > scale * examples.HEIGHT + 200
    assert upright.shape[1] == round(scale * examples.HEIGHT)
    assert upright.shape[0] > scale * examples.WIDTH + 200


@pytest.mark.parametrize("long_side", [400, 1200, 2000, 2600, 3264, 4032, 4080, 6000, 8160, 12000])
def test_pictures_are_of_a_size_for_a_screen(long_side):
    """A 12 MP photo is halved."""
    assert 1300 <= picture_scale(long_side, long_side * 3 // 4) * long_side <= 2600
    assert picture_scale(4032, 3024) == picture_scale(3024, 4032) == 0.5


def test_graduations_are_marked_where_they_were_found():
    picture = draw_overlay(examples.measurement())
    distance = distance_from_colour(picture, PURPLE)
    marks = examples.scale().graduations_px
    scale = picture_scale(examples.WIDTH, examples.HEIGHT)
    seen = marks[np.isfinite(marks).all(axis=1)]
    shown = np.round((seen + 0.5) * scale - 0.5).astype(int)
    assert distance[shown[:, 1], shown[:, 0]].max() <= 1.0
    missing = np.round(((marks[4] + marks[6]) / 2.0 + 0.5) * scale - 0.5).astype(int)
    assert distance[missing[1], missing[0]] > 10.0


def test_planned_lips_are_drawn_only_where_a_landing_is_given():
    with_lips = draw_overlay(examples.measurement())
    without = draw_overlay(examples.measurement(landing=None))
    assert (distance_from_colour(with_lips, GREEN) == 0).sum() > 500
    assert (distance_from_colour(without, GREEN) == 0).sum() == 0


def test_a_wide_margin_is_hatched_to_scale():
    """U of 1.8 mm at 1000 px / 127.5 mm, at the picture's scale: 15 px on either side."""
    wide = examples.measurement(bands=(examples.band(20.0, 30.0, u=0.9),), landing=None)
    narrow = examples.measurement(bands=(examples.band(20.0, 30.0, u=0.01),), landing=None)
    foot = edge_px(examples.CAMERA, examples.shaft(), wide.bands[0], wide.bands[0].start, -1.4)
    scale = picture_scale(examples.WIDTH, examples.HEIGHT)
    x, y = np.round((foot[12] + 0.5) * scale - 0.5).astype(int)
    near = (slice(y - 10, y + 10), slice(x - 3, x + 3))
    assert np.ptp(draw_overlay(wide)[near].astype(int)) > 60  # strokes on the plain grey
    assert np.ptp(draw_overlay(narrow)[near].astype(int)) < 60


def test_a_refused_photo_shows_what_was_found_and_no_bands():
    refusal = Refusal(code="no-end", message="The end is not in the picture.", remedy="Step back.")
    picture = draw_overlay(examples.measurement(refusal=refusal, shaft=None, landing=None))
    assert (distance_from_colour(picture, VERMILION) == 0).sum() == 0
    assert (distance_from_colour(picture, PURPLE) == 0).sum() > 500


def test_there_is_no_picture_without_a_photo():
    unread = Measurement(file="gone.jpg")
    assert draw_overlay(unread) is None
    assert draw_strip(unread) is None


def test_a_deep_photo_is_drawn_as_a_plain_one():
    plain = examples.photo()
    deep = examples.photo()
    object.__setattr__(deep, "grey", plain.grey.astype(np.uint16) * 257)
    first = draw_overlay(examples.measurement(photo=plain))
    second = draw_overlay(examples.measurement(photo=deep))
    np.testing.assert_array_equal(first, second)


def test_the_strip_marks_band_edges_at_their_millimetres():
    picture = draw_strip(examples.measurement(landing=None))
    rows = picture.shape[0]
    vermilion = np.abs(picture.astype(int) - VERMILION).max(axis=-1) <= 40
    columns = np.flatnonzero(vermilion[rows // 4 : rows // 3].mean(axis=0) > 0.8)
    strip = examples.strip()
    share = (12.43 - strip.axial_mm[0]) / (strip.axial_mm[-1] - strip.axial_mm[0])
    expected = 150 + share * (1800 - 150 - 40)
    assert np.abs(columns - expected).min() <= 1.5


def test_a_strip_that_is_nowhere_seen_is_still_drawn():
    strip = examples.strip()
    blank = type(strip)(
        values=np.full_like(strip.values, np.nan), axial_mm=strip.axial_mm,
        angle_rad=strip.angle_rad,
    )  # fmt: skip
    assert draw_strip(examples.measurement(strip=blank)) is not None


@given(st.lists(st.tuples(st.floats(0.0, 1000.0), st.floats(5.0, 120.0)), min_size=1, max_size=8))
def test_labels_keep_their_order_and_do_not_overlap(items):
    items.sort()
    wanted, widths = np.array(items).T
    places = spread(wanted, widths, 1000.0)
    starts, stops = places - widths / 2.0, places + widths / 2.0
    assert np.all(starts[1:] >= stops[:-1] - 1e-6)
    assert starts[0] >= -1e-6
    if widths.sum() <= 1000.0:
        assert stops[-1] <= 1000.0 + 1e-6


def test_labels_with_room_stay_where_they_want_to_be():
    places = spread(np.array([100.0, 300.0, 500.0]), np.array([50.0, 50.0, 50.0]), 1000.0)
    np.testing.assert_allclose(places, [100.0, 300.0, 500.0])


def test_dashes_follow_their_pattern():
    line = np.array([[0.0, 0.0], [100.0, 0.0]])
    parts = dashed(line, (20.0, 10.0))
    lengths = [float(part[-1, 0] - part[0, 0]) for part in parts]
    assert lengths == pytest.approx([20.0, 20.0, 20.0, 10.0])
    assert [part[0, 0] for part in parts] == pytest.approx([0.0, 30.0, 60.0, 90.0])


@given(
    turn=st.floats(0.0, 2.0 * np.pi),
    tilt=st.floats(-1.2, 1.2),
    distance=st.floats(40.0, 2000.0),
    seen=st.floats(0.0, 400.0),
    chamfer=st.none() | st.floats(0.0, 9.0),
    rim=st.floats(5.0, 22.5),
    orientation=st.integers(1, 8),
)
@settings(max_examples=40, deadline=None)
def test_any_shaft_can_be_drawn(turn, tilt, distance, seen, chamfer, rim, orientation):
    """Near, far, end-on, partly behind the camera or outside the picture: never a fault."""
    direction = np.array([np.cos(turn) * np.cos(tilt), np.sin(turn) * np.cos(tilt), np.sin(tilt)])
    origin = np.array([3.0, -8.0, distance])
    pose = replace(examples.POSE, origin_mm=origin, direction=direction)
    off_axis = np.linalg.norm(origin - (origin @ direction) * direction)
    assume(off_axis > 1.2 * pose.radius_mm)  # the camera is not inside the shaft
    end = replace(
        examples.shaft().end,
        chamfer_mm=None if chamfer is None else examples.estimate(chamfer, 0.05),
        rim_radius_mm=rim,
    )
    shaft = replace(examples.shaft(), pose=pose, end=end, seen_to_mm=seen)
    measurement = examples.measurement(shaft=shaft, photo=examples.photo(orientation))
    assert draw_overlay(measurement).dtype == np.uint8
    json_text([measurement_object(measurement)])


def test_the_end_is_drawn_where_no_chamfer_was_told():
    """A rim smaller than the land and no chamfer's edge: half of the rim faces the camera."""
    found = examples.measurement()
    end = replace(found.shaft.end, chamfer_mm=None, rim_radius_mm=found.shaft.pose.radius_mm - 1.0)
    drawn = end_face_px(found.lens.camera, replace(found.shaft, end=end))
    assert len(drawn) > 20
    assert np.isfinite(drawn).all()
