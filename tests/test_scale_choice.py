"""Which scale gives the millimetres, on a rule and a card that OpenCV projects."""

from dataclasses import replace

import numpy as np
import pytest

from bandscan.errors import ScaleDisagreesError
from bandscan.model import Outline, Silhouette
from bandscan.options import MeasureOptions
from bandscan.result import ScaleResult
from bandscan.scale_choice import choose_scale, refuse_if_apart, weigh
from bandscan.scaling import ScaleReading
from calib.camera import Camera
from calib.lens import LensCalibration
from calib.scale import plane_from_rule
from tests.test_chain import (
    CAMERA,
    HEIGHT_MM,
    LENS_COVARIANCE,
    RADIUS_MM,
    card_plane,
    project,
    silhouettes,
)

LENS = LensCalibration(camera=CAMERA, covariance=1e-6 * LENS_COVARIANCE, source="file")
STATED = MeasureOptions(diameter_mm=2.0 * RADIUS_MM, scale_height_mm=HEIGHT_MM)
MARKS_MM = np.arange(81.0)


def reading(kind: str, plane) -> ScaleReading:
    placed = plane(CAMERA)
    result = ScaleResult(
        kind=kind, mm_per_px=placed.mm_per_px, relative_u=placed.relative_u, pitch_mm=1.0
    )
    return ScaleReading(result=result, plane=plane, outline_px=np.zeros((0, 2)))


def rule(height_mm: float = HEIGHT_MM) -> ScaleReading:
    """A rule of 80 mm on the far side of the shaft from the card."""

    def marks(y_mm: float) -> np.ndarray:
        at = np.full(81, y_mm), np.full(81, -height_mm)
        return project(np.column_stack([MARKS_MM - 5.0, *at]))

    roots, tips = marks(-26.0), marks(-34.0)

    def plane(camera: Camera):
        return plane_from_rule(roots, tips, pitch_mm=1.0, u_px=0.1, camera=camera)

    return reading("rule", plane)


def card(**how) -> ScaleReading:
    return reading("card", card_plane(**how))


def outline() -> Outline:
    sides = tuple(Silhouette(points_px=p, u_px=0.2, tilt_u_px=0.2) for p in silhouettes())
    inward = project(np.array([[9.0, 0, 0]]))[0] - project(np.array([[0.0, 0, 0]]))[0]
    return Outline(sides=sides, end_px=np.zeros(2), inward_px=inward)


def weighed(scales, options=STATED):
    return weigh(choose_scale(scales, CAMERA, options), outline(), LENS, options)


def test_without_a_scale_there_is_none():
    choice = choose_scale([], CAMERA, STATED)
    assert (choice.scale, choice.compared, choice.apart) == (None, (), None)


def test_one_scale_is_the_scale():
    only = card()
    assert choose_scale([only], CAMERA, STATED).scale is only


def test_without_a_stated_height_two_need_not_lie_at_one_level():
    choice = choose_scale([card(), rule(-15.0)], CAMERA, replace(STATED, scale_height_mm=None))
    assert choice.apart is None
    assert choice.scale.result.kind == "rule"  # known better than an unchecked print
    assert len(choice.compared) == 2


def test_two_at_one_level_are_weighed_and_know_more_than_either():
    both = choose_scale([card(), rule()], CAMERA, STATED)
    assert both.apart is None
    alone = replace(STATED, diameter_mm=None)
    diameters = {
        name: weighed(scales, alone).scaled.diameter_in_photo
        for name, scales in (("card", [card()]), ("rule", [rule()]), ("both", [card(), rule()]))
    }
    for estimate in diameters.values():
        assert estimate.value == pytest.approx(2.0 * RADIUS_MM, abs=2.0 * estimate.u)
    assert diameters["both"].u <= min(diameters["card"].u, diameters["rule"].u)


def test_that_they_agree_with_the_diameter_is_one_comparison():
    found = weighed([card(), rule()])
    assert found.compared.result.kind == "rule with card"
    assert found.scaled.agreement.agree
    assert found.doubts == ()


@pytest.mark.parametrize(
    ("scales", "right"),
    [
        ((card(printed=0.97), rule()), "rule"),
        ((card(), rule(HEIGHT_MM - 8.0)), "card"),
    ],
    ids=["print at 97 %", "rule 8 mm lower than stated"],
)
def test_of_two_that_contradict_each_other_the_diameter_tells_the_right_one(scales, right):
    found = weighed(list(scales))
    assert found.compared.result.kind == right
    assert found.scaled.agreement.agree
    assert [doubt.code for doubt in found.doubts] == ["scales-apart"]
    assert f"The {right} is the one that fits" in found.doubts[0].message


def test_without_a_diameter_nobody_can_tell():
    alone = replace(STATED, diameter_mm=None)
    choice = choose_scale([card(printed=0.97), rule()], CAMERA, alone)
    with pytest.raises(ScaleDisagreesError, match="Scales disagree") as refusal:
        refuse_if_apart(choice)
    assert "97." in str(refusal.value)
    assert "--scale" in refusal.value.remedy
    refuse_if_apart(choose_scale([card(), rule()], CAMERA, alone))


def test_of_two_without_a_height_the_worse_is_compared():
    """A diameter given in inches puts any scale where none can lie."""
    options = replace(STATED, scale_height_mm=None, diameter_mm=2.0 * RADIUS_MM / 25.4)
    found = weighed([card(), rule()], options)
    assert not found.scaled.agreement.agree
    assert found.compared is not None
