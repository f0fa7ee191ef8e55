"""Search and edge fit on unrolled surfaces painted here: known edges, known streaks."""

from dataclasses import replace
from math import erf

import numpy as np
import pytest

from bandscan.band_search import search
from bandscan.band_split import parts
from bandscan.model import Strip
from bandscan.steps.bands import find_bands

ARC = (-np.pi / 4, np.pi / 4)
STEP_MM = 0.07
ANGLES = np.arcsin(np.linspace(-0.93, 0.93, 64))
LAND = (1.0, 58.0)


def paint(
    bands=(), *, seed=0, contrast=0.5, wobble=0.0, streaks=0.12, stain=0.0, step_mm=STEP_MM
) -> Strip:
    """Ground metal with streaks round the shaft, and bands whose contrast changes with angle."""
    rng = np.random.default_rng(seed)
    axial = np.arange(0.0, 60.0, step_mm)
    light = 0.12 + 0.4 * np.exp(-(((ANGLES - 0.15) / 0.25) ** 2))
    slope = np.gradient(light, ANGLES)
    smooth = np.convolve(rng.normal(size=axial.size + 4), np.ones(3) / 3**0.5, "same")[2:-2]
    drift = rng.normal(size=(64, 1)) * 0.1 + 1.0
    ground = light[:, None] + streaks * slope[:, None] * 0.3 * smooth * drift
    ground *= 1.0 + 0.3 * streaks * rng.normal(size=axial.size)
    values = ground.copy()
    mirror = light * (1.0 + contrast * np.sign(np.sin(9.0 * ANGLES)))
    cdf = np.vectorize(lambda x: 0.5 * (1.0 + erf(x / 2**0.5)))
    for start, end in bands:
        run = wobble * np.cos(ANGLES - 0.6)[:, None]
        inside = cdf((axial - start - run) / 0.08) - cdf((axial - end - run) / 0.08)
        values = values * (1.0 - inside) + mirror[:, None] * inside
    if stain:
        spot = ((axial - 30.0) / 4.0) ** 2 + ((ANGLES[:, None] - 0.3) / stain) ** 2 < 1.0
        values = np.where(spot, 0.55 * values, values)
    values += rng.normal(0.0, 0.004, values.shape)
    return Strip(values=values.astype(np.float32), axial_mm=axial, angle_rad=ANGLES)


def stained(strip: Strip, seed: int) -> Strip:
    """The strip with three patches whose outlines wander by tenths of a mm from row to row."""
    rng = np.random.default_rng(seed)
    values = strip.values.copy()
    for middle in rng.uniform(10.0, 50.0, 3):
        half, centre, span = rng.uniform(2.0, 4.5), rng.uniform(-0.6, 0.6), rng.uniform(0.3, 0.7)
        wander = 0.12 * np.cumsum(rng.normal(size=(2, 64)), axis=1)
        low, high = (middle - half + wander[0])[:, None], (middle + half + wander[1])[:, None]
        inside = (strip.axial_mm > low) & (strip.axial_mm < high)
        inside &= (np.abs(ANGLES - centre) < span)[:, None]
        values = np.where(inside, rng.uniform(0.4, 0.7) * values, values)
    return replace(strip, values=values.astype(np.float32))


def positions(strip: Strip) -> list[tuple[float, float]]:
    found = find_bands(strip, land_mm=LAND, notches_mm=[], arc_rad=ARC).bands
    return [(band.start.axial_mm, band.end.axial_mm) for band in found]


@pytest.mark.parametrize("width", [0.6, 1.5, 4.0, 8.0])
def test_a_band_is_found_at_its_edges(width):
    (found,) = positions(paint([(20.0, 20.0 + width)]))
    assert found == pytest.approx((20.0, 20.0 + width), abs=0.03)


def test_two_bands_less_than_a_millimetre_apart_stay_two():
    found = positions(paint([(20.0, 23.0), (23.8, 25.8)], seed=3))
    assert len(found) == 2
    assert np.ravel(found) == pytest.approx([20.0, 23.0, 23.8, 25.8], abs=0.05)


def test_patches_are_seldom_taken_for_bands():
    """One in ten shafts with three patches each, at most; without their outlines it is a third."""
    found = [positions(stained(paint(seed=seed), 1000 + seed)) for seed in range(24)]
    assert sum(map(bool, found)) <= 2


def test_patches_beside_it_do_not_hide_a_band():
    found = positions(stained(paint([(54.0, 56.0)], seed=5), 1005))
    assert any(np.allclose(band, (54.0, 56.0), atol=0.05) for band in found)


@pytest.mark.parametrize("gaps", [[], [(30, 40)], [(30, 40), (60, 66)]])
def test_bands_taken_for_one_are_parted_where_metal_lies_between(gaps):
    """Unit noise, a signature of 1.2 in every row: 12 columns to a mm, bands from 20 to 90."""
    rng = np.random.default_rng(8)
    inside = np.zeros(200)
    inside[20:90] = 1.0
    for first, end in gaps:
        inside[first:end] = 0.0
    sign = rng.choice([-1.2, 1.2], size=(64, 1))
    logs = rng.normal(size=(64, 200)) + sign * inside + rng.normal(size=(64, 1))
    found = np.ravel(parts(logs, (20, 90), 12.0, 0.5, np.ones(200, dtype=bool)))
    assert found == pytest.approx([20, *np.ravel(gaps), 90], abs=1)


def test_bands_beside_a_chamfer_are_parted_too():
    """The same, and left of them a chamfer that looks like anything but the metal around."""
    rng = np.random.default_rng(9)
    inside = np.zeros(200)
    inside[20:90], inside[50:62] = 1.0, 0.0
    sign = rng.choice([-1.2, 1.2], size=(64, 1))
    logs = rng.normal(size=(64, 200)) + sign * inside
    logs[:, :8] -= 8.0 * sign
    land = np.arange(200) >= 8
    assert np.ravel(parts(logs, (20, 90), 12.0, 0.5, land)) == pytest.approx(
        [20, 50, 62, 90], abs=1
    )


def test_ground_metal_alone_shows_no_band():
    assert sum(len(positions(paint(seed=seed))) for seed in range(12)) == 0


@pytest.mark.parametrize("half_arc_rad", [0.3, 0.5, 0.6])
def test_a_stain_is_no_band(half_arc_rad):
    assert positions(paint(seed=5, stain=half_arc_rad)) == []


@pytest.mark.parametrize("seed", [7, 8])
def test_a_straight_patch_on_one_piece_of_the_turn_is_no_band(seed):
    """As dark as a band may be and with edges as straight, but on 40 % of the turn alone."""
    strip = paint(seed=seed)
    patch = (np.abs(strip.axial_mm - 30.0) < 2.5) & (np.abs(ANGLES + 0.2) < 0.45)[:, None]
    darker = replace(strip, values=np.where(patch, 0.6 * strip.values, strip.values))
    assert positions(darker) == []


def test_a_wobbling_edge_is_reported_as_its_mean_over_the_arc():
    (found,) = positions(paint([(30.0, 33.0)], wobble=0.12, seed=8))
    # Mean of cos(a - 0.6) over -45..45 degrees: cos(0.6) sin(45 deg) / (pi / 4).
    shift = 0.12 * np.cos(0.6) * np.sin(np.pi / 4) / (np.pi / 4)
    assert found == pytest.approx((30.0 + shift, 33.0 + shift), abs=0.03)


def test_the_stated_uncertainty_of_an_edge_holds_over_many_surfaces():
    normalised = []
    for seed in range(40):
        strip = paint([(25.0, 28.0)], seed=seed, streaks=0.3)
        for band in find_bands(strip, land_mm=LAND, notches_mm=[], arc_rad=ARC).bands:
            for edge, truth in ((band.start, 25.0), (band.end, 28.0)):
                normalised.append(
                    (edge.axial_mm - truth) / np.hypot(edge.fit_u_mm, edge.unseen_u_mm)
                )
    assert len(normalised) >= 70
    rms = float(np.sqrt(np.mean(np.square(normalised))))
    assert 0.5 < rms < 1.5


def test_a_narrow_band_is_known_by_its_calm():
    strip = paint([(20.0, 20.8)], step_mm=0.04)
    (found,) = search(strip, land_mm=LAND).candidates
    assert found.texture < 0.6


def test_what_is_hidden_beside_a_band_is_not_taken_for_calm_metal():
    strip = paint([(20.0, 26.0)])
    values = strip.values.copy()
    values[:, (strip.axial_mm > 27.0) & (strip.axial_mm < 35.0)] = np.nan
    values[:, (strip.axial_mm > 11.0) & (strip.axial_mm < 19.0)] = np.nan
    (found,) = search(replace(strip, values=values), land_mm=LAND).candidates
    assert found.texture < 0.6


def test_rougher_metal_asks_for_bands_of_more_contrast():
    least = [search(paint(streaks=s), land_mm=LAND).least_contrast for s in (0.05, 0.1, 0.2)]
    assert 0.0 < least[0] < least[1] < least[2] < 1.0
    assert search(paint(), land_mm=(20.0, 20.5)).least_contrast is None


def test_a_notch_in_the_outline_is_no_band():
    strip = paint([(20.0, 22.0), (40.0, 42.0)])
    found = find_bands(strip, land_mm=LAND, notches_mm=[(20.0, 22.0)], arc_rad=ARC).bands
    assert [round(band.start.axial_mm) for band in found] == [40]


@pytest.mark.parametrize("seed", [2, 3])
def test_a_groove_whose_wall_shows_is_no_band(seed):
    """Common practice, no published source: a wall lies in its own shade at all angles."""
    strip = paint([(20.0, 21.6)], seed=seed)
    assert len(positions(strip)) == 1
    wall = np.abs(strip.axial_mm - 20.0) < 0.12
    assert positions(replace(strip, values=np.where(wall, 0.4, 1.0) * strip.values)) == []


@pytest.mark.parametrize("seed", [2, 3])
def test_metal_beside_a_groove_is_no_band(seed):
    """Common practice, no published source: the floor of a groove lies in shade at all angles."""
    strip = paint([(20.0, 23.0)], seed=seed)
    assert len(positions(strip)) == 1
    floor = (strip.axial_mm > 23.0) & (strip.axial_mm < 24.6)
    assert positions(replace(strip, values=np.where(floor, 0.4, 1.0) * strip.values)) == []


def test_a_dark_cut_is_no_band_though_it_mirrors_a_lamp_somewhere():
    strip = paint(seed=4)
    cut = (strip.axial_mm > 30.0) & (strip.axial_mm < 31.2)
    share = np.where(np.abs(ANGLES - 0.6) < 0.08, 1.4, 0.3)[:, None]
    assert positions(replace(strip, values=np.where(cut, share, 1.0) * strip.values)) == []
