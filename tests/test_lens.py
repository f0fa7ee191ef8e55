"""A lens known from EXIF alone: EXIF 2.3 tags, and the diagonal rule for the 35 mm equivalent."""

import math

import numpy as np
import pytest

from calib.lens import CameraIdentity, lens_from_exif

SIZE = (4032, 3024)
PHONE = CameraIdentity(focal_35mm=26.0, taken_px=SIZE)


def focal(lens):
    """Focal length and its relative standard uncertainty."""
    return lens.camera.fx_px, math.sqrt(lens.covariance[0, 0]) / lens.camera.fx_px


def centre_u_px(lens):
    return math.sqrt(lens.covariance[2, 2])


def test_the_35_mm_equivalent_compares_diagonals():
    """CIPA DCG-001, from memory: 43.27 mm is the diagonal of 36 mm x 24 mm."""
    focal_px, relative_u = focal(lens_from_exif(PHONE, *SIZE))
    assert focal_px == pytest.approx(26.0 * 5040.0 / math.hypot(36.0, 24.0))
    assert relative_u < 0.02


@pytest.mark.parametrize("told", [None, 1e-3, 5.0, 1e5])
def test_a_focal_length_that_no_lens_has_is_not_believed(told):
    lens = lens_from_exif(CameraIdentity(focal_35mm=told), *SIZE)
    assert lens.source == "assumed"
    assert focal(lens)[1] >= 0.1


def test_a_digital_zoom_leaves_the_focal_length_open():
    """EXIF 2.3 does not say whether the equivalent includes the DigitalZoomRatio."""
    plain = lens_from_exif(PHONE, *SIZE)
    zoomed = lens_from_exif(CameraIdentity(focal_35mm=26.0, digital_zoom=1.5), *SIZE)
    assert focal(zoomed)[1] >= 0.5 / math.sqrt(3.0) > 10 * focal(plain)[1]
    assert focal(lens_from_exif(CameraIdentity(digital_zoom=1e9), *SIZE))[1] <= 0.5


def test_a_part_of_a_photo_keeps_the_focal_length_and_loses_its_centre():
    part = lens_from_exif(PHONE, 3000, 1500)
    whole = lens_from_exif(PHONE, *SIZE)
    assert focal(part)[0] == pytest.approx(focal(whole)[0])
    assert focal(part)[1] > 0.1
    # Its middle may lie 762 px to either side: a rectangular distribution.
    assert centre_u_px(part) == pytest.approx(762.0 / math.sqrt(3.0), rel=0.02)


@pytest.mark.parametrize(("size", "cropped"), [
    ((4032, 3024), False), ((3024, 4032), False), ((2016, 1512), False), ((1007, 756), False),
    ((4032, 2268), True), ((1500, 1500), True), ((8000, 3000), False),
])  # fmt: skip
def test_a_crop_is_told_from_a_resized_or_turned_copy(size, cropped):
    assert PHONE.is_cropped(*size) is cropped
    assert not CameraIdentity().is_cropped(*size)


def test_covariances_can_be():
    for identity in (PHONE, CameraIdentity(digital_zoom=3.0, taken_px=(9000, 2000))):
        assert (np.linalg.eigvalsh(lens_from_exif(identity, *SIZE).covariance) >= -1e-9).all()
