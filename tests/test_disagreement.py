"""The likeliest cause of a disagreement, for faults planted in a scene that OpenCV projects."""

import numpy as np
import pytest

from bandscan.chain import Chain
from bandscan.disagreement import Contradiction, likely_causes
from bandscan.scaling import weigh_scales
from calib.camera import Camera
from calib.lens import LensCalibration
from calib.scale import plane_from_corners
from tests.test_chain import (
    CAMERA,
    CARD_MM,
    HEIGHT_MM,
    LENS_COVARIANCE,
    RADIUS_MM,
    card_plane,
    chain,
    influences,
    project,
)


def contradiction(of: Chain, **changes) -> Contradiction:
    lens = LensCalibration(camera=of.camera, covariance=LENS_COVARIANCE, source="file")
    values = {
        "chain": of,
        "en_of": lambda changed: weigh_scales(changed, influences(changed))[2],
        "kind": "card",
        "print_checked": False,
        "pitch_given": False,
        "lens": lens,
        "estimated": lens,
        "pitch_mm": 6.0,
    }
    return Contradiction(**(values | changes))


def causes(of: Chain, **changes):
    return likely_causes(contradiction(of, **changes))


def test_a_print_at_97_percent_is_named_with_its_figure():
    first = causes(chain(plane=card_plane(printed=0.97)))[0]
    assert first.kind == "print"
    assert "97.0 %" in first.what
    assert "--measured" in first.remedy


def test_a_print_that_was_measured_is_not_blamed():
    found = causes(chain(plane=card_plane(printed=0.97)), print_checked=True)
    assert "print" not in {cause.kind for cause in found}


def test_a_rule_6_mm_higher_than_stated_is_named_with_its_figure():
    found = causes(chain(height_mm=HEIGHT_MM - 6.0), kind="rule", pitch_mm=1.0)
    assert found[0].kind == "height"
    assert "6.0 mm higher than stated, at +12.0 mm" in found[0].what


@pytest.mark.parametrize(
    ("stated_mm", "words"),
    [
        (2.0 * RADIUS_MM / 25.4, "inches"),
        (RADIUS_MM, "radius"),
        (4.0 * RADIUS_MM, "doubled"),
        (2.0 * RADIUS_MM + 0.5, "one turn"),
    ],
)
def test_a_diameter_that_was_misread_is_named(stated_mm, words):
    found = causes(chain(diameter_mm=stated_mm), kind="rule", pitch_mm=1.0)
    named = [cause for cause in found if cause.kind == "diameter"]
    assert words in named[0].what
    assert f"{2.0 * RADIUS_MM:.2f} mm, not {stated_mm:.2f} mm" in named[0].what


def test_causes_that_fit_equally_well_are_all_named():
    # 4 mm of height and 2 % of print shift the axis alike: no photo tells them apart.
    kinds = [cause.kind for cause in causes(chain(plane=card_plane(printed=0.98)))]
    assert set(kinds[:2]) == {"print", "height"}


def test_a_wrong_pitch_is_blamed_where_it_was_given():
    of = chain(plane=card_plane(printed=2.0))
    found = causes(of, kind="rule", pitch_mm=0.5, pitch_given=True)
    assert found[0].kind == "pitch"
    assert "1 mm apart, not 0.5 mm" in found[0].what


def test_a_lens_that_bends_the_scale_is_named():
    world = np.hstack([CARD_MM, np.zeros((len(CARD_MM), 1))])
    pixels = project(world + np.array([-5.0, 24.0, -HEIGHT_MM]))

    def plane(camera: Camera):
        return plane_from_corners(
            pixels, CARD_MM, np.full(len(CARD_MM), 0.05), camera=camera, print_relative_u=0.002
        )

    wrong = CAMERA.shifted([0, 0, 0, 0, 0.3, 0, 0, 0, 0])
    lens = LensCalibration(camera=wrong, covariance=LENS_COVARIANCE, source="file")
    right = LensCalibration(camera=CAMERA, covariance=LENS_COVARIANCE, source="exif")
    of = chain(camera=wrong, plane=plane, height_mm=HEIGHT_MM - 9.0)
    assert "lens" in {c.kind for c in causes(of, lens=lens, estimated=right)}
    honest = causes(chain(height_mm=HEIGHT_MM - 9.0))
    assert "lens" not in {cause.kind for cause in honest}
