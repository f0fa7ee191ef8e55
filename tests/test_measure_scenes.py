"""The whole measurement on ray-cast photos with known truth: found, within what is stated."""

import math
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from bandscan.options import MeasureOptions
from bandscan.pipeline import measure_photo
from tests.scenes import develop
from tests.scenes.chance import Wish, random_scene
from tests.scenes.compare import compare, measure_scene, options_for
from tests.scenes.draw import photograph, render, rendered_contrast
from tests.scenes.model import Groove, Stain

# Twice 95 % intervals: all of some dozens of edges lie within, one in 10 000 does not.
SURE = 2.0
USEFUL_MM = 0.6  # U of an edge on an easy photo is less than the narrowest band is wide
SAME_SHARE = 0.25  # of U: what the same photo turned or mirrored may differ by
CLEAR = 0.3  # rms contrast of bands that nobody overlooks
EASY_RULE = Wish(
    difficulty="easy", distractors=False, scale="rule", height="level", contrast="strong",
    state_diameter=True, state_height=False, lens_file=False,
)  # fmt: skip
EASY_SEED = 40


@pytest.fixture(scope="module")
def easy():
    return clear_scene(EASY_SEED, EASY_RULE)


@pytest.fixture(scope="module")
def easy_photo(easy, tmp_path_factory):
    return photograph(easy, tmp_path_factory.mktemp("easy") / "easy.jpg")


@pytest.fixture(scope="module")
def easy_result(easy, easy_photo):
    return measure_photo(easy_photo, options_for(easy, easy_photo.parent))


def clear_scene(seed, wish):
    """The first scene from a seed on whose bands are all plain to see."""
    while True:
        scene = random_scene(seed, wish)
        if all(rendered_contrast(scene, band) >= CLEAR for band in scene.shaft.bands):
            return scene
        seed += 100


def edges_mm(result):
    return [
        getattr(band, which).position_mm.value
        for band in result.bands
        for which in ("start", "end")
    ]


def measured(scene):
    with tempfile.TemporaryDirectory() as folder:
        photo = photograph(scene, Path(folder) / "scene.jpg")
        return measure_photo(photo, options_for(scene, photo.parent))


def check_edges(outcome):
    assert outcome.refusal is None
    assert all(found for *_, found in outcome.bands)
    assert not outcome.false_bands
    for edge in outcome.edges:
        assert abs(edge.error_mm) <= SURE * edge.expanded_mm, edge
        assert edge.expanded_mm <= USEFUL_MM, edge


def test_bands_beside_a_rule_lie_where_they_are(easy, easy_result):
    check_edges(compare(easy, easy_result))


@pytest.mark.parametrize(
    ("seed", "wish"),
    [
        (41, replace(EASY_RULE, scale="card", lens_file=True)),
        (42, replace(EASY_RULE, scale="none", height=None)),
    ],
)
def test_bands_lie_where_they_are_with_other_scales(seed, wish):
    check_edges(measure_scene(clear_scene(seed, wish)))


def test_rule_at_a_stated_height_needs_no_diameter(easy, easy_photo, easy_result):
    options = MeasureOptions(scale_height_mm=easy.scale.height_mm)
    outcome = compare(easy, measure_photo(easy_photo, options))
    assert outcome.refusal is None
    assert len(outcome.edges) == 2 * len(easy.shaft.bands)
    for edge in outcome.edges:
        assert abs(edge.error_mm) <= SURE * edge.expanded_mm


def test_a_softer_photo_of_the_same_is_less_sure(easy, easy_photo, easy_result):
    sensor = replace(easy.sensor, optics_sigma_px=2.0 * easy.sensor.optics_sigma_px)
    path = photograph(replace(easy, sensor=sensor), easy_photo.parent / "soft.jpg")
    soft = measure_photo(path, options_for(easy, easy_photo.parent))
    for sharp_band, soft_band in zip(easy_result.bands, soft.bands, strict=True):
        assert soft_band.start.position_mm.expanded > sharp_band.start.position_mm.expanded
        assert soft_band.end.position_mm.expanded > sharp_band.end.position_mm.expanded
        assert soft_band.width_mm.expanded > sharp_band.width_mm.expanded


def test_without_scale_and_diameter_it_is_refused(tmp_path, easy):
    path = photograph(replace(easy, scale=None), tmp_path / "bare.jpg")
    result = measure_photo(path, MeasureOptions())
    assert result.refusal is not None
    assert result.refusal.code == "no-scale"


def test_rule_of_unknown_height_alone_is_refused(easy_photo):
    result = measure_photo(easy_photo, MeasureOptions())
    assert result.refusal is not None
    assert result.refusal.code == "no-scale"


def test_orientation_in_exif_changes_no_number(easy, easy_result, tmp_path):
    portrait = replace(easy.sensor, orientation=6)
    path = tmp_path / "portrait.jpg"
    develop.write_photo(path, render(easy), portrait)
    result = measure_photo(path, options_for(easy, tmp_path))
    assert edges_mm(result) == edges_mm(easy_result)


@pytest.mark.parametrize("turn", ["quarter", "mirrored"])
def test_turned_and_mirrored_photos_give_the_same_numbers(easy, easy_result, tmp_path, turn):
    grey = render(easy)
    grey = np.rot90(grey) if turn == "quarter" else grey[:, ::-1]
    path = tmp_path / "turned.jpg"
    develop.write_photo(path, np.ascontiguousarray(grey), easy.sensor)
    result = measure_photo(path, options_for(easy, tmp_path))
    assert result.refusal is None
    least = min(band.start.position_mm.expanded for band in easy_result.bands)
    assert edges_mm(result) == pytest.approx(edges_mm(easy_result), abs=SAME_SHARE * least)


def test_a_shaft_without_bands_has_none():
    outcome = measure_scene(random_scene(43, replace(EASY_RULE, bands=False)))
    assert outcome.refusal is None
    assert not outcome.false_bands


def test_groove_and_stain_are_no_bands():
    scene = random_scene(44, replace(EASY_RULE, bands=False))
    land = scene.shaft.land_mm
    marked = replace(
        scene.shaft,
        groove=Groove(start_mm=0.5 * land, end_mm=0.5 * land + 1.6, depth_mm=0.8),
        stains=(
            Stain(
                middle_mm=0.25 * land, length_mm=8.0, angle=scene.facing + 0.3,
                span=math.radians(60.0), strength=0.5,
            ),
        ),
    )  # fmt: skip
    outcome = measure_scene(replace(scene, shaft=marked))
    assert outcome.refusal is None
    assert not outcome.false_bands


def test_an_end_outside_the_picture_is_refused():
    outcome = measure_scene(random_scene(45, replace(EASY_RULE, end_in_frame=False)))
    assert outcome.refusal == "no-end"


@pytest.mark.parametrize(
    ("seed", "wish"),
    [(7144, Wish()), (1_007_032, Wish(bands=False, distractors=True))],
)
def test_a_side_of_one_segment_breaks_nothing(seed, wish):
    # Outlines so short that a line through them is anybody's guess.
    outcome = measure_scene(random_scene(seed, wish))
    assert not outcome.false_bands
    assert outcome.refusal in (None, "no-shaft")


def test_the_sides_of_a_shoulder_are_not_the_lands():
    """They and the land's end would make a shaft with a chamfer of a third of its radius."""
    seed, wish = 1_009_038, Wish(bands=False, distractors=True)
    scene = random_scene(seed, wish)
    result = measured(scene)
    chamfer = result.shaft.end.chamfer_mm
    assert chamfer.value == pytest.approx(scene.shaft.edge_axial_mm, abs=SURE * chamfer.expanded)


def test_an_edge_of_a_deep_chamfer_is_the_end_only_where_nothing_fits_better():
    """The shoulder's sides and the rim made one, as well as it was, 5 mm beyond the end."""
    outcome = measure_scene(random_scene(30_186))
    assert abs(outcome.zero_error_mm) <= SURE * outcome.zero_u_mm
    assert outcome.edges
    assert all(edge.held for edge in outcome.edges)


def test_a_chamfer_as_dark_as_the_ground_is_doubted():
    """The edge of the land is all that shows of its end, 2.9 mm from the face."""
    outcome = measure_scene(random_scene(1_030_082, Wish(bands=False, distractors=True)))
    assert "end-ambiguous" in outcome.warnings
    assert abs(outcome.zero_error_mm) <= SURE * outcome.zero_u_mm


@pytest.mark.parametrize("share", [0.3, 0.36])
def test_a_chamfer_of_a_third_of_the_radius_is_measured(easy, share):
    deep = share * easy.shaft.radius_mm
    shaft = replace(easy.shaft, edge_axial_mm=deep, edge_radial_mm=deep, rounded=False)
    check_edges(measure_scene(replace(easy, shaft=shaft)))
