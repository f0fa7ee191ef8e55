"""Bands followed through inspections, and the lines through them."""

import math
from datetime import datetime, timedelta
from importlib.resources import files

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bandscan.wear_growth import (
    YEAR_S,
    Sighting,
    fit_line,
    follow_bands,
    time_after,
    years_between,
)
from calib.quantity import Estimate

START = datetime(2016, 5, 4, 10, 0)


def points(values, u):
    us = np.broadcast_to(u, len(values))
    return [Estimate(value=float(v), u=float(s)) for v, s in zip(values, us, strict=True)]


def test_the_line_has_the_certified_values_of_norris():
    """NIST Statistical Reference Datasets, linear regression, "Norris": certified values.

    The data, of the calibration of ozone monitors, are in SciPy's wheel. With uncertainties
    far too small the Birge ratio turns them into those that the residuals give.
    """
    data = files("scipy.stats.tests") / "data" / "nist_linregress" / "Norris.dat"
    rows = [line.split() for line in data.read_text().splitlines()[60:96]]
    y, x = np.array(rows, dtype=float).T
    assert y.size == 36
    line = fit_line(x, points(y, 0.1))
    intercept = line.value - line.slope * line.middle
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.growth.u == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.at(0.0).u == pytest.approx(0.232818234301152, rel=1e-9)
    assert 0.1 * line.birge_ratio == pytest.approx(0.884796396144373, rel=1e-9)


def test_the_line_is_that_of_the_thermometer_in_the_gum():
    """JCGM 100:2008 (GUM), H.3; the data from memory, they give the published results.

    y1 -0.1712 (0.0029), y2 0.00218 (0.00067), b(30) -0.1494 (0.0041).
    """
    t = [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    b = [-171, -169, -166, -159, -164, -165, -156, -157, -159, -161, -160]
    line = fit_line([value - 20.0 for value in t], points(np.array(b) / 1000.0, 1e-4))
    assert line.at(0.0).value == pytest.approx(-0.1712, abs=5e-5)
    assert line.at(0.0).u == pytest.approx(0.0029, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.growth.u == pytest.approx(0.00067, abs=5e-6)
    assert line.at(10.0).value == pytest.approx(-0.1494, abs=5e-5)
    assert line.at(10.0).u == pytest.approx(0.0041, abs=5e-5)


@given(st.integers(0, 10_000))
def test_weighted_lines_are_those_of_numpy(seed):
    """numpy.polyfit with weights 1/u and the unscaled covariance."""
    rng = np.random.default_rng(seed)
    t = np.sort(rng.uniform(0.0, 15.0, rng.integers(3, 12)))
    u = rng.uniform(0.02, 0.4, t.size)
    y = 2.0 + 0.07 * t + u * rng.standard_normal(t.size)
    line = fit_line(t, points(y, u))
    (slope, intercept), covariance = np.polyfit(t, y, 1, w=1.0 / u, cov="unscaled")
    assert line.slope == pytest.approx(slope, rel=1e-6, abs=1e-9)
    assert line.value - line.slope * line.middle == pytest.approx(intercept, rel=1e-6, abs=1e-9)
    assert line.slope_u == pytest.approx(math.sqrt(covariance[0, 0]), rel=1e-6)
    assert line.growth.u >= line.slope_u


def test_stated_margins_hold_the_true_rate():
    """95 % of 2000 simulated shafts, within the binomial scatter of that number (4 sigma)."""
    rng = np.random.default_rng(11)
    t = np.array([0.0, 1.0, 2.5, 6.0, 9.0])
    u = np.array([0.05, 0.10, 0.05, 0.20, 0.08])
    held = 0
    for _ in range(2000):
        growth = fit_line(t, points(2.0 + 0.05 * t + u * rng.standard_normal(5), u)).growth
        held += abs(growth.value - 0.05) <= growth.expanded
    assert held / 2000 >= 0.95 - 4.0 * math.sqrt(0.05 * 0.95 / 2000)


@pytest.mark.parametrize("t", [[], [1.0], [1.0, 1.0]])
def test_too_few_points_are_no_line(t):
    with pytest.raises(ValueError, match="two points"):
        fit_line(t, points(np.ones(len(t)), 0.1))


def test_an_exact_point_does_not_take_over_or_divide_by_zero():
    line = fit_line([0.0, 1.0, 2.0], points([1.0, 2.0, 3.0], [0.0, 0.1, 0.1]))
    assert line.slope == pytest.approx(1.0)
    assert math.isfinite(line.growth.u)


def seen(inspection, band, start, end, u=0.05, years=None):
    return Sighting(
        inspection=inspection,
        band=band,
        at=time_after(START, inspection if years is None else years),
        start_mm=Estimate(value=start, u=u),
        end_mm=Estimate(value=end, u=u),
        width_mm=Estimate(value=end - start, u=u),
    )


def test_bands_are_followed_by_their_place():
    tracks = follow_bands(
        [
            [seen(0, 1, 12.0, 14.0), seen(0, 2, 30.0, 31.0)],
            [seen(1, 1, 30.1, 31.2)],  # the first was not seen this time
            [seen(2, 1, 5.0, 5.5), seen(2, 2, 11.9, 14.3), seen(2, 3, 30.0, 31.4)],
        ]
    )
    places = [[(one.inspection, one.band) for one in track.sightings] for track in tracks]
    assert places == [[(2, 1)], [(0, 1), (2, 2)], [(0, 2), (1, 1), (2, 3)]]
    assert tracks[0].width is None
    assert tracks[1].width.slope == pytest.approx((2.4 - 2.0) / 2.0)
    assert tracks[2].end.slope == pytest.approx(0.2)


def test_neighbours_are_not_joined_and_a_shifted_zero_does_not_part_a_band():
    """A gap within the margins is the same band; the better overlap goes first."""
    apart = follow_bands([[seen(0, 1, 10.0, 11.0, u=0.02)], [seen(1, 1, 11.2, 12.2, u=0.02)]])
    assert len(apart) == 2
    shifted = follow_bands([[seen(0, 1, 10.0, 10.3, u=0.3)], [seen(1, 1, 10.5, 10.8, u=0.3)]])
    assert len(shifted) == 1
    both = follow_bands(
        [[seen(0, 1, 10.0, 12.0)], [seen(1, 1, 11.8, 13.0), seen(1, 2, 10.1, 11.7)]]
    )
    joined = next(track for track in both if len(track.sightings) == 2)
    assert joined.sightings[1].band == 2


def test_photos_of_one_day_give_no_rate():
    (track,) = follow_bands([[seen(0, 1, 10, 12)], [seen(1, 1, 10, 12, years=0.0005)]])
    assert track.width is None


def test_nothing_seen_is_no_track():
    assert follow_bands([]) == ()
    assert follow_bands([[], []]) == ()


def test_a_year_has_the_length_of_the_calendars_mean():
    """Gregorian calendar: 97 leap years in 400."""
    assert pytest.approx(timedelta(days=365 + 97 / 400).total_seconds()) == YEAR_S
    assert years_between(START, time_after(START, 7.25)) == pytest.approx(7.25)
