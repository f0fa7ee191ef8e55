"""The ray-caster against OpenCV's projection, and its pictures against its own truth."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from tests.scenes import flat
from tests.scenes.chance import Wish, random_scene
from tests.scenes.draw import linear_light, shaft_layer
from tests.scenes.model import Sensor

SMALL, FULL = (1300, 975), (2600, 1950)
READING_PX = 1.0 / 32.0  # remap of OpenCV, by which the pictures are read here, knows no finer


def plain(scene, **changes):
    """The scene with an ideal sensor: nothing out of focus, no fall-off toward the corners."""
    sensor = Sensor(optics_sigma_px=0.6, aperture_mm=1e-6, vignette=0.0, focus_mm=200.0)
    return replace(scene, sensor=sensor, **changes)


@pytest.mark.parametrize("seed", range(4))
def test_projection_is_that_of_opencv(seed):
    view = random_scene(seed).view
    points = np.random.default_rng(seed).uniform([-5, -30, -20], [60, 30, 20], (200, 3))
    rvec, _ = cv2.Rodrigues(view.rotation)
    matrix = np.array(
        [[view.focal_px, 0, view.centre_px[0]], [0, view.focal_px, view.centre_px[1]], [0, 0, 1]]
    )
    coefficients = np.array([*view.radial[:2], *view.decentring, view.radial[2]])
    theirs, _ = cv2.projectPoints(points, rvec, -view.rotation @ view.eye_mm, matrix, coefficients)
    assert np.abs(view.pixels(points) - theirs.reshape(-1, 2)).max() < 1e-6


@pytest.mark.parametrize("seed", range(3))
def test_grid_of_rays_leads_back_to_its_pixels(seed):
    view = random_scene(seed).view
    x, y = view.ideal_grid()
    rows = np.array([0, 3, 500, view.height_px - 1])
    columns = np.array([0, 11, 1301, view.width_px - 1])
    bent = view.bend(x[rows, columns].astype(float), y[rows, columns].astype(float))
    back = [b * view.focal_px + c for b, c in zip(bent, view.centre_px, strict=True)]
    assert np.abs(back[0] - columns).max() < 0.01
    assert np.abs(back[1] - rows).max() < 0.01


@pytest.mark.parametrize("seed", [5, 7])
def test_rule_marks_are_drawn_where_they_are(seed):
    scene = plain(random_scene(seed, Wish(scale="rule", height="level")))
    light = linear_light(scene)
    scale = scene.scale
    offsets = np.linspace(-0.45, 0.45, 41)
    errors = []
    for mark in range(5, 146, 5):
        along = scale.drawn_over_nominal * (mark + offsets)
        line = scale.origin_mm + along[:, None] * scale.u + 1.75 * scale.v
        pixels = scene.view.pixels(line).astype(np.float32)
        if (pixels < 5).any() or (pixels > np.array(FULL) - 6).any():
            continue
        dark = cv2.remap(light, pixels[None, :, 0], pixels[None, :, 1], cv2.INTER_LINEAR)[0]
        dark = np.interp(offsets, offsets[[0, -1]], dark[[0, -1]]) / dark - 1.0  # glare and shade
        dark = np.clip(dark - 0.3 * dark.max(), 0.0, None)
        errors.append((dark * offsets).sum() / dark.sum() * scene.px_per_mm)
    assert len(errors) > 5
    assert abs(np.mean(errors)) < READING_PX
    assert np.std(errors) < 0.1


@pytest.mark.parametrize("seed", [3])
def test_card_corners_are_drawn_where_they_are(seed):
    scene = plain(random_scene(seed, Wish(scale="card")))
    light = linear_light(scene)
    picture = (255.0 * np.clip(light / light.max(), 0.0, 1.0)).astype(np.uint8)
    scale = scene.scale
    i, j = np.meshgrid(np.arange(1, flat.CARD_COLUMNS), np.arange(1, flat.CARD_ROWS))
    step = flat.CARD_SQUARE_MM * scale.drawn_over_nominal
    corners = scale.origin_mm + step * (i[..., None] * scale.u + j[..., None] * scale.v)
    truth = scene.view.pixels(corners.reshape(-1, 3)).astype(np.float32)
    inside = ((truth > 20) & (truth < np.array(FULL) - 20)).all(axis=1)
    criteria = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 50, 1e-4)
    found = cv2.cornerSubPix(
        picture, truth[inside].copy().reshape(-1, 1, 2), (6, 6), (-1, -1), criteria
    )
    error = found.reshape(-1, 2) - truth[inside]
    assert np.abs(error.mean(axis=0)).max() < 0.03
    assert np.sqrt((error**2).mean()) < 0.08


@pytest.mark.parametrize("seed", [1, 4])
def test_outline_and_end_are_drawn_where_they_are(seed):
    """The shaft covers half a pixel on its silhouettes and on the end face's rim."""
    scene = plain(
        random_scene(seed, Wish(scale="none", distractors=False, bands=False, size_px=SMALL))
    )
    shaft, view = scene.shaft, scene.view
    _, coverage, window, _, _ = shaft_layer(scene, view.directions(*view.ideal_grid()))
    half = math.acos(shaft.radius_mm / math.hypot(view.eye_mm[1], view.eye_mm[2]))
    steps = np.linspace(-0.4, 0.4, 161)[:, None]
    for side in (-1.0, 1.0):
        limb = scene.facing + side * half
        out = np.array([0.0, math.sin(limb), math.cos(limb)])
        errors = []
        for x in np.linspace(6.0, 20.0, 15):
            line = np.array([x, 0.0, 0.0]) + (shaft.radius_mm + steps) * out
            covered = _read(coverage, window, view.pixels(line))
            errors.append((covered.mean() - 0.5) * 0.8 * scene.px_per_mm)
        assert abs(np.mean(errors)) < READING_PX


@pytest.mark.parametrize("tilt", [-0.15, 0.15])
def test_the_end_is_drawn_where_it_is(tilt):
    """Face turned to the camera or away, the outline ends where the rim nearest to it does."""
    scene = plain(
        random_scene(1, Wish(scale="none", distractors=False, bands=False, size_px=SMALL))
    )
    view, shaft = scene.view, scene.shaft
    flat_end = replace(shaft, edge_axial_mm=1e-4, edge_radial_mm=1e-4)
    turn = np.array(
        [[math.cos(tilt), 0, math.sin(tilt)], [0, 1, 0], [-math.sin(tilt), 0, math.cos(tilt)]]
    )
    target = np.array([15.0, 0.0, shaft.radius_mm])
    eye = target + turn @ np.array([0.0, 0.0, 170.0])
    view = replace(view, eye_mm=eye, rotation=np.diag([1.0, -1.0, -1.0]) @ turn.T)
    scene = replace(scene, view=view, shaft=flat_end)
    _, coverage, window, _, _ = shaft_layer(scene, view.directions(*view.ideal_grid()))
    turns = np.linspace(0.0, 2.0 * math.pi, 100_001)
    ring = np.stack(
        [0.0 * turns, shaft.radius_mm * np.sin(turns), shaft.radius_mm * np.cos(turns)], 1
    )
    rim = view.pixels(ring)
    errors = []
    for row in np.linspace(rim[:, 1].min() + 40.0, rim[:, 1].max() - 40.0, 25).round():
        edge = rim[np.abs(rim[:, 1] - row) < 0.05, 0].min()
        pixels = np.stack([edge + np.linspace(-10.0, 10.0, 2001), np.full(2001, row)], 1)
        errors.append((_read(coverage, window, pixels).mean() - 0.5) * 20.0)
    assert abs(np.mean(errors)) < READING_PX


def _read(picture, window, pixels):
    """Bilinear reading of a window of the picture at whole-picture coordinates."""
    local = (pixels - [window[1].start, window[0].start]).astype(np.float32)
    return cv2.remap(picture, local[None, :, 0], local[None, :, 1], cv2.INTER_LINEAR)[0]


@pytest.mark.parametrize("seed", [1, 6])
def test_a_band_has_its_edges_where_it_says(seed):
    """Half of the change that the band makes lies on its edges (reflectance changed alone)."""
    scene = random_scene(seed, Wish(scale="none", distractors=False, difficulty="easy"))
    finish = replace(scene.shaft.finish, slope_rms=0.0, rough_rms=0.0, reflectance_rms=0.0)
    band = replace(
        scene.shaft.bands[0], rough_ratio=1.0, slope_ratio=1.0, reflectance=0.5, wobble_mm=0.1
    )
    without = plain(scene, shaft=replace(scene.shaft, finish=finish, bands=()))
    with_it = plain(scene, shaft=replace(scene.shaft, finish=finish, bands=(band,)))
    share = linear_light(with_it, 1.0) / linear_light(without, 1.0)
    radius = scene.shaft.radius_mm
    for edge, sign in ((band.start_mm, 1.0), (band.end_mm, -1.0)):
        for angle in scene.facing + np.array([-0.6, 0.0, 0.6]):
            along = np.linspace(-0.4, 0.4, 81) + edge + band.run(angle)
            ring = np.stack(
                [along, np.full(81, radius * np.sin(angle)), np.full(81, radius * np.cos(angle))], 1
            )
            pixels = scene.view.pixels(ring).astype(np.float32)
            row = cv2.remap(share, pixels[None, :, 0], pixels[None, :, 1], cv2.INTER_LINEAR)[0]
            row = (row - row.min()) / np.ptp(row)
            crossing = np.interp(
                0.5, row[::-1] if sign > 0 else row, along[::-1] if sign > 0 else along
            )
            assert abs(crossing - edge - band.run(angle)) * scene.px_per_mm < 0.06


def test_a_scene_is_all_of_its_seed():
    first, second = (random_scene(11, Wish(size_px=SMALL)) for _ in range(2))
    assert np.array_equal(linear_light(first), linear_light(second))
    other = random_scene(12, Wish(size_px=SMALL))
    assert other.shaft != first.shaft
