"""First order and draws against the worked examples of the GUM and its supplement.

Published outputs are those of JCGM 100:2008 (annex H), JCGM 101:2008 (clause 9) and NPL report
DEM-ES-011; "computed" marks a figure worked from their inputs beside a rounded printed one.
"""

import math

import numpy as np
import pytest

from calib.monte_carlo import (
    Spread,
    arcsine,
    inexact_rectangular,
    normal,
    propagate,
    rectangular,
    shortest_interval,
    student,
    tolerance_of,
    validate,
)
from calib.propagation import common_value, covariance_modes, first_order
from calib.quantity import Estimate, coverage_factor_95, effective_dof

# -- first order ---------------------------------------------------------------------------

# GUM H.1, end gauge of 50 mm: length of the standard (nm), difference (nm), coefficient (1/K),
# temperature, difference of coefficients, difference of temperatures; the uncertainties exact.
END_GAUGE = np.array([50_000_623.0, 215.0, 11.5e-6, -0.1, 0.0, 0.0])
END_GAUGE_D = [(13.0 / math.sqrt(5.0), 24.0), (10.0 / 2.570582, 5.0), (20.0 / 3.0, 8.0)]
END_GAUGE_U = np.array([
    25.0, math.sqrt(sum(u**2 for u, _ in END_GAUGE_D)), 2e-6 / math.sqrt(3.0),
    math.hypot(0.2, 0.5 / math.sqrt(2.0)), 1e-6 / math.sqrt(3.0), 0.05 / math.sqrt(3.0),
])  # fmt: skip
END_GAUGE_DOF = [18.0, effective_dof(END_GAUGE_D), math.inf, math.inf, 50.0, 2.0]


def about(best, modes):
    return [(best - mode, best + mode) for mode in modes]


def end_gauge(x):
    standard, difference, alpha, theta, d_alpha, d_theta = x
    return np.array([standard + difference - standard * (d_alpha * theta + alpha * d_theta)])


def test_end_gauge_of_the_gum():
    (length,), moves = first_order(end_gauge, END_GAUGE, about(END_GAUGE, np.diag(END_GAUGE_U)))
    assert length == pytest.approx(50_000_838.0)
    # Published, rounded: 25, 9.7, 0, 0, 2.9, 16.6 and 32; 31.66 computed from the same inputs.
    assert np.abs(moves[:, 0]) == pytest.approx([25.0, 9.7, 0.0, 0.0, 2.9, 16.6], abs=0.06)
    u = math.sqrt(float((moves.T @ moves)[0, 0]))
    assert u == pytest.approx(31.66, abs=0.01)
    dof = effective_dof(zip(moves[:, 0], END_GAUGE_DOF, strict=True))
    assert dof == pytest.approx(16.7, abs=0.05)
    # t of 16 degrees: 2.12 (GUM table G.2).
    assert coverage_factor_95(math.floor(dof)) == pytest.approx(2.12, abs=0.005)


def test_end_gauge_against_an_uncertainty_library():
    from uncertainties import ufloat

    known = [ufloat(x, u) for x, u in zip(END_GAUGE, END_GAUGE_U, strict=True)]
    (theirs,) = end_gauge(known)
    _, moves = first_order(end_gauge, END_GAUGE, about(END_GAUGE, np.diag(END_GAUGE_U)))
    assert np.linalg.norm(moves) == pytest.approx(theirs.std_dev, rel=1e-6)


# GUM H.2: simultaneous readings of voltage (V), current (A) and phase (rad).
VOLTAGE = [5.007, 4.994, 5.005, 4.990, 4.999]
CURRENT = [19.663e-3, 19.639e-3, 19.640e-3, 19.685e-3, 19.678e-3]
PHASE = [1.0456, 1.0438, 1.0468, 1.0428, 1.0433]


def impedance(x):
    voltage, current, phase = x
    size = voltage / current
    return np.array([size * np.cos(phase), size * np.sin(phase), size])


def test_correlated_readings_of_the_gum():
    readings = np.array([VOLTAGE, CURRENT, PHASE])
    mean, covariance = readings.mean(axis=1), np.cov(readings) / readings.shape[1]
    modes = covariance_modes(covariance)
    assert sum(np.outer(m, m) for m in modes) == pytest.approx(covariance, rel=1e-8)
    values, moves = first_order(impedance, mean, about(mean, modes))
    joint = moves.T @ moves
    u = np.sqrt(np.diag(joint))
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=6e-4)
    assert u == pytest.approx([0.071, 0.296, 0.236], abs=6e-4)  # X: 0.2956 computed
    r = joint / np.outer(u, u)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.588, -0.485, 0.993), abs=6e-4)
    # Left uncorrelated, u(R) would be 0.1945 (computed).
    alone = about(mean, np.diag(np.sqrt(np.diag(covariance))))
    assert np.linalg.norm(first_order(impedance, mean, alone)[1][:, 0]) == pytest.approx(
        0.1945, abs=3e-4
    )


def test_correlated_readings_against_an_uncertainty_library():
    from uncertainties import correlated_values, umath

    readings = np.array([VOLTAGE, CURRENT, PHASE])
    mean, covariance = readings.mean(axis=1), np.cov(readings) / readings.shape[1]
    voltage, current, phase = correlated_values(mean, covariance)
    theirs = voltage / current * umath.cos(phase)
    _, moves = first_order(impedance, mean, about(mean, covariance_modes(covariance)))
    assert np.linalg.norm(moves[:, 0]) == pytest.approx(theirs.std_dev, rel=1e-5)


def test_three_relative_contributions_and_the_trap_of_truncation():
    # GUM G.4.1: u_c = 1.03 %, 19.0 degrees of freedom, U = 2.09 * 1.03 = 2.2 %.
    parts = [(0.25, 9.0), (0.57, 4.0), (0.82, 14.0)]
    u = math.sqrt(sum(p**2 for p, _ in parts))
    assert u == pytest.approx(1.03, abs=5e-3)
    dof = effective_dof(parts)
    assert dof == pytest.approx(18.9987, abs=2e-4)  # truncated it would be 18: it is not here
    assert Estimate(value=0.0, u=u, dof=dof).expanded == pytest.approx(2.2, abs=0.05)
    assert coverage_factor_95(dof) == pytest.approx(2.093, abs=1e-3)


# -- draws ---------------------------------------------------------------------------------

MANY = {"least": 60, "most": 60}  # 600 000 trials: u to 0.1 %, ends to 0.3 %


def add(x):
    return x.sum(axis=0)


@pytest.mark.parametrize(
    ("inputs", "u", "end"),
    [
        ([normal(0.0, 1.0)] * 4, 2.00, 3.92),  # JCGM 101, 9.2.2
        ([rectangular(-math.sqrt(3.0), math.sqrt(3.0))] * 4, 2.00, 3.88),  # 9.2.3
        (
            [rectangular(-math.sqrt(3.0), math.sqrt(3.0))] * 3
            + [rectangular(-10.0 * math.sqrt(3.0), 10.0 * math.sqrt(3.0))],
            10.1, 17.0,
        ),  # 9.2.4 (from memory; the same is found by a run of 4 million)
    ],
)  # fmt: skip
def test_additive_models_of_the_supplement(inputs, u, end):
    (found,) = propagate(add, inputs, **MANY)
    assert found.u == pytest.approx(u, abs=max(0.01, 0.005 * u))
    assert (found.low, found.high) == pytest.approx((-end, end), abs=max(0.02, 0.004 * end))


def test_gauge_block_of_the_supplement():
    # JCGM 101, 9.5: first order 838, 32; draws 838, 36, shortest 99 % interval [745, 932] nm.
    inputs = [
        student(50_000_623.0, 25.0, 18.0),
        student(215.0, 6.0, 24.0), student(0.0, 4.0, 5.0), student(0.0, 7.0, 8.0),
        rectangular(9.5e-6, 13.5e-6),
        normal(-0.1, 0.2), arcsine(-0.5, 0.5),
        inexact_rectangular(-1.0e-6, 1.0e-6, 0.1e-6),
        inexact_rectangular(-0.050, 0.050, 0.025),
    ]  # fmt: skip
    kept = []

    def model(x):
        standard, d, d1, d2, alpha, theta0, swing, d_alpha, d_theta = x
        length = standard + d + d1 + d2 - 5e7
        length -= standard * (d_alpha * (theta0 + swing) + alpha * d_theta)
        kept.append(length)
        return length

    (found,) = propagate(model, inputs, **MANY)
    assert found.mean == pytest.approx(838.0, abs=0.3)
    assert found.u == pytest.approx(36.0, abs=0.35)
    low, high = shortest_interval(np.concatenate(kept), 0.99)
    assert (low, high) == pytest.approx((745.0, 932.0), abs=2.0)


def test_a_logarithm_is_not_linearised():
    # NPL DEM-ES-011, 9.2: y = ln x, x rectangular 0.1 to 1.1. First order -0.511, u 0.481, upper
    # end 0.432; draws -0.665, u 0.606, shortest 95 % [-1.895, 0.095]; the mean is exactly -0.6649.
    kept = []

    def model(x):
        kept.append(np.log(x[0]))
        return kept[-1]

    (found,) = propagate(model, [rectangular(0.1, 1.1)], **MANY)
    assert found.mean == pytest.approx(-0.6649, abs=0.003)
    assert found.u == pytest.approx(0.606, abs=0.003)
    assert shortest_interval(np.concatenate(kept)) == pytest.approx((-1.895, 0.095), abs=0.01)
    slope = 1.0 / (2.0 * math.sqrt(3.0)) / 0.6
    bent = Estimate(value=math.log(0.6), u=slope)
    assert (bent.value, bent.u, bent.value + bent.expanded) == pytest.approx(
        (-0.511, 0.481, 0.432), abs=1e-3
    )
    assert not validate(bent, found).holds


def test_a_linear_model_is_validated():
    (found,) = propagate(add, [normal(1.0, 0.03), normal(2.0, 0.04)])
    assert validate(Estimate(value=3.0, u=0.05), found).holds


def test_the_tolerance_is_that_of_the_supplement():
    # JCGM 101, 7.9.2: 0.035 with two digits is 35e-3, 0.0005; 2.2e1 K with one digit 2e1, 5.
    assert tolerance_of(0.00035, 2) == pytest.approx(0.000005)
    assert tolerance_of(0.035, 2) == pytest.approx(0.0005)
    assert tolerance_of(22.0) == pytest.approx(5.0)
    assert tolerance_of(0.0) == 0.0


def test_blocks_are_added_until_the_tolerance_is_met():
    (coarse,) = propagate(add, [normal(0.0, 0.21)], most=50)  # tolerance 0.05 / 5
    (fine,) = propagate(add, [normal(0.0, 0.091)], most=50)  # tolerance 0.005 / 5
    assert coarse.trials < fine.trials
    assert propagate(add, [normal(0.0, 0.091)], most=3)[0].trials == 30_000
    assert coarse == propagate(add, [normal(0.0, 0.21)], most=50)[0]  # made again, the same


def test_validation_counts_both_ends():
    estimate = Estimate(value=0.0, u=0.5)  # +/- 0.98, tolerance 0.05
    off = Spread(mean=0.0, u=0.5, low=-0.98, high=1.10, trials=10**9)
    assert validate(estimate, off).low_mm == pytest.approx(0.0, abs=1e-4)
    assert not validate(estimate, off).holds


# -- one value behind several ----------------------------------------------------------------

# Newton's constant in 1e-11 m3 kg-1 s-2: the 16 results of CODATA 2018 with their standard
# uncertainties and correlations (E. Tiesinga et al., Rev. Mod. Phys. 93 (2021) 025010).
NEWTON = np.array([
    [6.67248, 0.00043], [6.6729, 0.0005], [6.67398, 0.00070], [6.674255, 0.000092],
    [6.67559, 0.00027], [6.67422, 0.00098], [6.67387, 0.00027], [6.67222, 0.00087],
    [6.67425, 0.00012], [6.67349, 0.00018], [6.67554, 0.00016], [6.67191, 0.00099],
    [6.67435, 0.00013], [6.674184, 0.000078], [6.674484, 0.000078], [6.67260, 0.00025],
])  # fmt: skip
NEWTON_CORRELATIONS = {(0, 2): 0.351, (7, 9): 0.134, (9, 13): 0.068}
NEWTON_EXPANSION = 3.9


def test_newtons_constant():
    values, u = NEWTON.T
    correlation = np.eye(len(u))
    for (i, j), r in NEWTON_CORRELATIONS.items():
        correlation[i, j] = correlation[j, i] = r
    found = common_value(values, correlation * np.outer(u, u))
    # Published: 6.674 30(15); the printed uncertainty is expanded by 3.9.
    assert found.value == pytest.approx(6.67430, abs=5e-6)
    assert NEWTON_EXPANSION * found.u == pytest.approx(0.00015, abs=5e-6)
    assert found.dof == 15
    # Computed from the same data; the Birge ratio says that they do not agree.
    assert found.chi_squared == pytest.approx(195.533, abs=0.01)
    assert found.birge_ratio == pytest.approx(3.6105, abs=1e-3)


def test_independent_results_are_weighed_by_their_variances():
    # By hand: weights 100 and 25, mean (100 * 1.0 + 25 * 1.5) / 125 = 1.1, u = 1 / sqrt(125).
    found = common_value(np.array([1.0, 1.5]), np.diag([0.01, 0.04]))
    assert (found.value, found.u) == pytest.approx((1.1, 1.0 / math.sqrt(125.0)))
    assert found.birge_ratio == pytest.approx(0.5 / math.sqrt(0.05))
