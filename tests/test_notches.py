"""Grooves in painted silhouettes: solids of revolution with walls where they were put."""

import pytest

from bandscan.model import Photo
from bandscan.steps.notches import find_notches
from tests.painted_shafts import CAMERA, POSE, paint

LAND = (5.0, 55.0)


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
