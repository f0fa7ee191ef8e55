"""The choice between outlines: behaviour of our own, no published source."""

import math
from dataclasses import replace

import numpy as np
import pytest

from bandscan.errors import NoEndError
from bandscan.expected_width import ExpectedWidth
from bandscan.model import EndFace, Outline, Silhouette
from bandscan.outline_choice import best_end
from calib.quantity import Estimate

TRUE_WIDTH_PX = 400.0


def outline(width_px: float) -> Outline:
    x = np.linspace(0.0, 900.0, 10)
    sides = [
        Silhouette(points_px=np.stack([x, np.full_like(x, y)], axis=-1), u_px=u, tilt_u_px=u)
        for y, u in ((0.0, 0.1), (width_px, 2.0))
    ]
    return Outline(
        sides=(sides[0], sides[1]),
        end_px=np.array([0.0, width_px / 2]),
        inward_px=np.array([100.0, width_px / 2]),
    )


def width_of(candidate: Outline) -> float:
    low, high = (side.points_px[:, 1].mean() for side in candidate.sides)
    return float(high - low)


def end_with(support: float) -> EndFace:
    zero = Estimate(value=0.0, u=0.02)
    return EndFace(
        axial_mm=zero, chamfer_mm=None, rim_radius_mm=18.0, what="face rim", support=support
    )


def end_of(candidate: Outline, most_lean_rad: float = 0.0) -> EndFace:
    """An end that shows the less, the farther the outline is from the true width."""
    return end_with(0.58 - 0.01 * abs(width_of(candidate) - TRUE_WIDTH_PX))


def as_it_is(candidate: Outline) -> Outline:
    return candidate


def test_no_more_outlines_are_asked_for_once_an_end_is_plain():
    asked = []

    def outlines():
        for width in (380.0, 400.0, 420.0):
            asked.append(width)
            yield outline(width)

    best, end = best_end(
        [outlines()], lambda o, _: end_with(0.9 if width_of(o) == 400.0 else 0.5), as_it_is
    )
    assert (width_of(best), end.support) == (400.0, 0.9)
    assert asked == [380.0, 400.0]


def test_an_end_that_does_not_show_next_to_one_side_is_not_plain():
    """A line beside the shaft was taken for that side: the end shows but for the corner there."""

    def cornered(candidate: Outline, _: float) -> EndFace:
        if width_of(candidate) == TRUE_WIDTH_PX:
            return replace(end_with(0.95), least_side=0.9)
        return replace(end_with(0.85), least_side=0.1)

    best, _ = best_end([map(outline, (430.0, TRUE_WIDTH_PX))], cornered, as_it_is)
    assert width_of(best) == TRUE_WIDTH_PX


def test_a_side_of_one_outline_is_paired_with_a_side_of_another():
    """Each outline has one side right; the pair of these is tried and wins."""
    x = np.linspace(0.0, 900.0, 10)
    outer, inner = outline(TRUE_WIDTH_PX), outline(TRUE_WIDTH_PX - 30.0)
    low = replace(inner.sides[0], points_px=np.stack([x, np.full_like(x, 25.0)], axis=-1))
    skewed = replace(outer, sides=(low, outer.sides[1]))
    best, end = best_end([[inner, skewed]], end_of, as_it_is)
    assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)
    assert end.support == pytest.approx(0.58)


def test_what_hardly_differs_from_an_outline_without_an_end_is_not_tried():
    tried = []

    def no_end(candidate: Outline, _: float) -> EndFace:
        tried.append(width_of(candidate))
        raise NoEndError("No end.", "Look again.")

    with pytest.raises(NoEndError):
        best_end([map(outline, (400.0, 401.5, 420.0))], no_end, as_it_is)
    assert tried == [400.0, 420.0]


def test_of_ends_that_show_alike_the_one_of_the_expected_width_is_taken():
    best, _ = best_end(
        [map(outline, (250.0, 400.0))],
        lambda *_: end_with(0.55),
        as_it_is,
        ExpectedWidth(level_px=410.0),
    )
    assert width_of(best) == 400.0


def test_the_sides_of_the_chosen_outline_are_refined():
    best, end = best_end([[outline(TRUE_WIDTH_PX - 9.0)]], end_of, lambda _: outline(TRUE_WIDTH_PX))
    assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)
    assert end.support == pytest.approx(0.58)


def test_refined_sides_to_which_no_end_fits_are_not_believed():
    def only_as_found(candidate: Outline, most_lean_rad: float) -> EndFace:
        if width_of(candidate) > TRUE_WIDTH_PX:
            raise NoEndError("no end there.", "Look again.")
        return end_with(0.58)

    best, _ = best_end([[outline(TRUE_WIDTH_PX)]], only_as_found, lambda _: outline(500.0))
    assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)


@pytest.mark.parametrize(("support", "taken"), [(0.56, True), (0.35, False)])
def test_refined_sides_that_lose_their_end_are_not_believed(support, taken):
    """Sides moved by little cost an end little; what costs it much is another edge's fit."""

    def fades(candidate: Outline, most_lean_rad: float) -> EndFace:
        return end_with(support if width_of(candidate) > TRUE_WIDTH_PX else 0.58)

    best, _ = best_end([[outline(TRUE_WIDTH_PX)]], fades, lambda _: outline(TRUE_WIDTH_PX + 5.0))
    assert (width_of(best) > TRUE_WIDTH_PX) == taken


def test_what_is_nearly_as_likely_joins_the_uncertainty_of_a_side():
    """Odds of one to exp(-lead / 0.03), by hand for a lead of 0.08 and sides 8 px apart."""
    best, _ = best_end([[outline(TRUE_WIDTH_PX), outline(TRUE_WIDTH_PX - 8.0)]], end_of, as_it_is)
    odds = math.exp(-0.08 / 0.03)
    apart = math.sqrt(odds * 8.0**2 / (1.0 + odds))
    assert best.sides[1].u_px == pytest.approx(math.hypot(2.0, apart), rel=1e-6)
    assert best.sides[0].u_px == pytest.approx(0.1)


def test_an_end_that_hardly_shows_is_refused():
    with pytest.raises(NoEndError, match="30% of the outline"):
        best_end([[outline(TRUE_WIDTH_PX)]], lambda *_: end_with(0.3), as_it_is)


def test_the_first_complaint_is_the_one_that_is_heard():
    def none(candidate: Outline, most_lean_rad: float) -> EndFace:
        raise NoEndError(f"no end at {width_of(candidate):.0f} px.", "Look again.")

    with pytest.raises(NoEndError, match="no end at 400 px"):
        best_end([[outline(400.0), outline(500.0)]], none, as_it_is)


def test_sides_are_paired_even_where_no_outline_as_found_has_an_end():
    x = np.linspace(0.0, 900.0, 10)
    outer, inner = outline(TRUE_WIDTH_PX), outline(TRUE_WIDTH_PX - 60.0)
    low = replace(inner.sides[0], points_px=np.stack([x, np.full_like(x, 55.0)], axis=-1))
    skewed = replace(outer, sides=(low, outer.sides[1]))

    def near_the_truth(candidate: Outline, most_lean_rad: float) -> EndFace:
        if abs(width_of(candidate) - TRUE_WIDTH_PX) > 20.0:
            raise NoEndError("no end there.", "Look again.")
        return end_with(0.58)

    best, _ = best_end([[inner, skewed]], near_the_truth, as_it_is)
    assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)


@pytest.mark.parametrize(("support", "stages"), [(0.5, 1), (0.4, 2)])
def test_a_further_stage_is_asked_for_only_where_no_end_shows(support, stages):
    asked = []

    def staged():
        for width in (380.0, 400.0):
            asked.append(width)
            yield [outline(width)]

    best, _ = best_end(
        staged(), lambda o, _: end_with(0.9 if width_of(o) == 400.0 else support), as_it_is
    )
    assert asked == [380.0, 400.0][:stages]
    assert width_of(best) == asked[-1]


def test_a_stage_that_finds_no_outline_leaves_the_next_its_turn():
    def nothing():
        raise NoEndError("nothing there.", "Look again.")
        yield

    best, _ = best_end([nothing(), [outline(TRUE_WIDTH_PX)]], lambda *_: end_with(0.75), as_it_is)
    assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)


@pytest.mark.parametrize(("support", "taken"), [(0.66, False), (0.75, True)])
def test_an_outline_of_a_further_stage_must_have_a_plain_end(support, taken):
    stages = [[outline(380.0)], [outline(TRUE_WIDTH_PX)]]

    def faint_first(candidate: Outline, most_lean_rad: float) -> EndFace:
        return end_with(support if width_of(candidate) == TRUE_WIDTH_PX else 0.3)

    if taken:
        best, _ = best_end(stages, faint_first, as_it_is)
        assert width_of(best) == pytest.approx(TRUE_WIDTH_PX)
    else:
        with pytest.raises(NoEndError, match="66% of the outline"):
            best_end(stages, faint_first, as_it_is)
