"""The fit of a side's place whatever its shading: curves drawn here, no published data.

The estimator is that of Rasmussen and Williams (2006), section 5.4; curves drawn from its own prior
must be placed within what it states, and curves of other kinds too.
"""

import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from bandscan.model import Outline, Photo, Silhouette
from bandscan.shading_fit import OFFSETS_PX, fit_shading
from bandscan.side_fit import SYSTEMATIC_U_PX, Known
from bandscan.side_refinement import refine_outline
from bandscan.silhouette_fit import Prior
from calib.camera import Camera, FloatArray

FINE_PX = 0.05
FINE = np.arange(-30.0, 30.0, FINE_PX)
PLACE_PX = 0.37
GRAIN = 0.002  # of linear light, in the mean profile of a segment
PRIOR = Prior()


def blurred(light: FloatArray, blur_px: float) -> FloatArray:
    taps = np.exp(-0.5 * (np.arange(-200, 201) * FINE_PX / blur_px) ** 2)
    return np.convolve(np.pad(light, 200, mode="edge"), taps / taps.sum(), "valid")


def profiles(light: FloatArray, blur_px: float, segments: int, seed: int) -> FloatArray:
    """Profiles of some segments, alike but for their noise."""
    at = np.interp(OFFSETS_PX, FINE, blurred(light, blur_px))
    return at[:, None] + GRAIN * np.random.default_rng(seed).normal(size=(at.size, segments))


def metal(course: str, depth: FloatArray) -> FloatArray:
    return {
        "even": 0.0 * depth,
        "straight": 0.02 * depth,
        "root": 0.05 * np.sqrt(depth),
        "waves": 0.04 * np.sin(depth / 1.5),
    }[course]


@pytest.mark.parametrize("course", ["even", "straight", "root", "waves"])
@pytest.mark.parametrize("step", [-0.2, 0.2])
def test_a_plain_step_is_placed_whatever_the_course_of_the_metal(course, step):
    depth = np.maximum(PLACE_PX - FINE, 0.0)
    light = np.where(FINE < PLACE_PX, 0.3 + step + metal(course, depth), 0.3 + 0.001 * FINE)
    fit = fit_shading(profiles(light, 1.3, 12, seed=3), PRIOR)
    assert fit is not None
    assert abs(fit.middle_px - PLACE_PX) < 3.0 * np.hypot(fit.u_px, SYSTEMATIC_U_PX)
    assert abs(fit.middle_px - PLACE_PX) < 0.3
    assert fit.agree.all()


@pytest.mark.parametrize("course", ["straight", "root"])
def test_where_there_is_no_step_the_outline_is_where_the_ground_stops_being_even(course):
    depth = np.maximum(PLACE_PX - FINE, 0.0)
    light = 0.3 + 0.001 * FINE + metal(course, depth)
    fit = fit_shading(profiles(light, 1.0, 12, seed=4), PRIOR)
    plain = fit_shading(profiles(light - 0.2 * (FINE < PLACE_PX), 1.0, 12, seed=4), PRIOR)
    assert fit is not None and plain is not None
    assert abs(fit.middle_px - PLACE_PX) < 3.0 * np.hypot(fit.u_px, SYSTEMATIC_U_PX)
    assert fit.u_px > plain.u_px


def test_curves_of_its_own_kind_are_placed_within_what_it_states():
    """Steps and integrated Wiener processes; 4 segments, which count as so many."""
    random = np.random.default_rng(12)
    z = []
    for seed in range(80):
        place, blur = random.uniform(-1.5, 3.0), random.uniform(0.8, 2.0)
        rough = 10.0 ** random.uniform(3.0, 5.0) * GRAIN**2
        columns = []
        for segment in range(4):
            steps = random.normal(size=FINE.size) * np.sqrt(3.0 * FINE_PX)
            inward = np.where(place > FINE, steps, 0.0)[::-1]
            curve = np.cumsum(np.cumsum(inward))[::-1] * FINE_PX / 5.0**1.5
            step = random.normal() * (place > FINE)
            light = 0.3 + 0.002 * FINE + np.sqrt(rough) * (curve + step)
            columns.append(profiles(light, blur, 1, 4 * seed + segment)[:, 0])
        fit = fit_shading(np.stack(columns, axis=1), PRIOR)
        assert fit is not None
        z.append((fit.middle_px - place) / np.hypot(fit.u_px, 0.02))
    spread = np.sqrt(np.mean(np.clip(z, -6.0, 6.0) ** 2))
    assert 0.5 < spread < 1.6
    assert np.mean(np.abs(z) < 2.0) > 0.88


def test_a_tilt_and_a_segment_gone_astray_are_told():
    segments = 12
    t = np.linspace(-1.0, 1.0, segments)
    columns = [
        profiles(np.where(place > FINE, 0.1, 0.3), 1.2, 1, seed)[:, 0]
        for seed, place in enumerate(0.2 + 0.8 * t)
    ]
    columns[3] = profiles(np.where(FINE < 4.5, 0.1, 0.3), 1.2, 1, 77)[:, 0]
    fit = fit_shading(np.stack(columns, axis=1), Prior(tilt_u_px=2.0))
    assert fit is not None
    assert fit.tilt_px == pytest.approx(0.8, abs=0.15)
    assert fit.middle_px == pytest.approx(0.2, abs=0.15)
    assert list(np.flatnonzero(~fit.agree)) == [3]


def test_no_whole_segment_gives_no_fit():
    assert fit_shading(np.full((OFFSETS_PX.size, 5), np.nan), PRIOR) is None


WIDTH, HEIGHT = 1200, 700
CAMERA = Camera(
    width_px=WIDTH, height_px=HEIGHT, fx_px=1500.0, fy_px=1500.0,
    cx_px=(WIDTH - 1) / 2.0, cy_px=(HEIGHT - 1) / 2.0,
)  # fmt: skip


def side_at(y: float, u_px: float) -> Silhouette:
    x = np.linspace(130.0, 1070.0, 17)
    points = np.stack([x, np.full_like(x, y)], axis=-1)
    return Silhouette(points_px=points, u_px=u_px, tilt_u_px=u_px)


def dark(depth: FloatArray) -> FloatArray:
    """Metal of a shade of its own next to either side."""
    return np.where(depth > 0.0, 0.12 + 0.004 * np.sqrt(np.maximum(depth, 0.0)), 0.35)


def fading(depth: FloatArray) -> FloatArray:
    """Metal that mirrors the ground near its outline, and something brighter further in.

    What a ray meets turns by 2 theta, with 1 - cos(theta) = depth / radius.
    """
    turn = 2.0 * np.arccos(1.0 - np.clip(depth, 0.0, 170.0) / 170.0)
    return np.where(turn > math.radians(14.0), 0.3, 0.15)


def flat_photo(low: float, high: float, light_at: Callable[[FloatArray], FloatArray]) -> Photo:
    """A flat picture of a shaft between two rows."""
    fine = np.arange(-0.5, HEIGHT - 0.5, FINE_PX) + 0.5 * FINE_PX
    light = light_at(np.minimum(fine - low, high - fine))
    rows = blurred(light, 1.1).reshape(HEIGHT, -1).mean(axis=1)
    noise = 0.004 * np.random.default_rng(9).normal(size=(HEIGHT, WIDTH))
    grey = 255.0 * np.clip(rows[:, None] + noise, 0.0, 1.0) ** (1.0 / 2.2)
    return Photo(path=Path("flat.png"), sha256="", grey=np.rint(grey).astype(np.uint8))


def test_sides_drawn_inwards_are_brought_to_the_outline():
    low, high = 180.3, 520.6
    outline = Outline(
        sides=(side_at(low + 1.5, 0.8), side_at(high - 1.1, 0.8)),
        end_px=np.array([100.0, 350.0]),
        inward_px=np.array([600.0, 350.0]),
    )
    refined = refine_outline(flat_photo(low, high, dark), CAMERA, outline, Known())
    for side, truth, before in zip(refined.sides, (low, high), outline.sides, strict=True):
        error = side.points_px[:, 1].mean() - truth
        assert abs(error) < 0.25
        assert abs(error) < 2.0 * side.u_px
        assert side.u_px < before.u_px


def test_a_side_that_fades_is_not_stated_surer_than_it_can_be_seen():
    low, high = 180.3, 520.6
    outline = Outline(
        sides=(side_at(low + 3.0, 0.8), side_at(high - 3.0, 0.8)),
        end_px=np.array([100.0, 350.0]),
        inward_px=np.array([600.0, 350.0]),
    )
    least_u_px = 0.5 * (1.0 - math.cos(math.radians(5.0))) * (high - low - 6.0)  # as it was found
    refined = refine_outline(flat_photo(low, high, fading), CAMERA, outline, Known())
    for side, truth in zip(refined.sides, (low, high), strict=True):
        error = side.points_px[:, 1].mean() - truth
        assert abs(error) < 2.0 * side.u_px
        assert least_u_px < side.u_px < 2.5
