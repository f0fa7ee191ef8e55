"""Budget arithmetic against the worked examples of the GUM (JCGM 100:2008)."""

import itertools
import math

import pytest

from calib.quantity import Estimate, coverage_factor_95, effective_dof, expanded_en

# GUM H.1, end gauge: contributions in nm with their degrees of freedom (Table H.1).
END_GAUGE_NM = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]


def test_end_gauge_combined_uncertainty_and_dof():
    # GUM H.1: u_c = 32 nm, effective degrees of freedom 16.7.
    combined = math.sqrt(sum(u**2 for u, _ in END_GAUGE_NM))
    assert combined == pytest.approx(32.0, abs=0.5)
    assert effective_dof(END_GAUGE_NM) == pytest.approx(16.7, abs=0.1)


def test_three_relative_contributions():
    # GUM G.4.1: 0.25, 0.57, 0.82 % from 10, 5, 15 readings give 19.0 and k = 2.09.
    dof = effective_dof([(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)])
    assert dof == pytest.approx(19.0, abs=0.05)
    assert coverage_factor_95(19.0) == pytest.approx(2.09, abs=0.005)


@pytest.mark.parametrize(
    ("dof", "t95"),
    [(1, 12.71), (2, 4.30), (5, 2.57), (16, 2.12), (30, 2.04), (40, 2.02), (100, 1.984)],
)
def test_coverage_factor_is_that_of_the_gum_table(dof, t95):
    # GUM Table G.2, column p = 95 %.
    assert coverage_factor_95(dof) == pytest.approx(t95, abs=0.006)


def test_coverage_factor_never_rises_with_dof():
    factors = [coverage_factor_95(1.0 + 0.1 * i) for i in range(600)]
    assert all(a >= b for a, b in itertools.pairwise(factors))
    assert coverage_factor_95(math.inf) == pytest.approx(1.96, abs=0.001)


def test_en_of_two_results():
    # Made-up pair, worked by hand: 0.24 / sqrt(0.20^2 + 0.15^2) = 0.96.
    assert expanded_en(12.34 - 12.10, 0.20, 0.15) == pytest.approx(0.96)


def test_estimate_expands_with_its_own_dof():
    assert Estimate(value=1.0, u=0.5, dof=4.0).expanded == pytest.approx(2.776 * 0.5)
