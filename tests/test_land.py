"""Where the land ends, in painted silhouettes."""

import pytest

from bandscan.shoulder_search import find_shoulder
from bandscan.steps.land import find_land_end
from tests.painted_shafts import CAMERA, POSE, paint

TO_MM = 60.0
# Shoulders of shafts for seals and bearings are a few mm high (common practice, no published
# source).
HEIGHT_MM = 4.0
# What the search promises: the windows that it compares begin to see a shoulder 2.2 mm before it.
EARLY_MM, LATE_MM = 2.5, 0.5


def shoulder(photo):
    return find_shoulder(photo, CAMERA, POSE, to_mm=TO_MM)


@pytest.mark.parametrize("bench", [0.6, 0.05])
@pytest.mark.parametrize("at_mm", [30.0, 45.0])
def test_a_shoulder_ends_the_land(bench, at_mm):
    photo = paint(shoulder=(at_mm, HEIGHT_MM), bench=bench)
    place_mm = shoulder(photo)
    assert at_mm - EARLY_MM < place_mm < at_mm + LATE_MM
    assert find_land_end(photo, CAMERA, POSE, known_to_mm=TO_MM) == place_mm


def test_a_plain_shaft_has_no_shoulder():
    assert shoulder(paint()) is None
    frame_mm = 35.0 + (CAMERA.width_px - CAMERA.cx_px) / 12.0
    end_mm = find_land_end(paint(), CAMERA, POSE, known_to_mm=TO_MM)
    assert end_mm == pytest.approx(frame_mm, abs=1.0)


@pytest.mark.parametrize("tone", [0.25, 0.9])
def test_a_block_under_the_shaft_is_no_shoulder(tone):
    # Metal between bench and block in brightness has an outline before both.
    assert shoulder(paint(block=(25.0, 38.0, tone), metal=0.12)) is None


def test_a_groove_or_a_band_is_no_shoulder():
    assert shoulder(paint(groove=(30.0, 32.0))) is None
    assert shoulder(paint(polished=(30.0, 34.0), mirrored=0.65)) is None
