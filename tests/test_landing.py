"""Verdicts, probabilities and shift windows of the landing."""

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from scipy.stats import multivariate_normal, norm

from bandscan.band_places import BandPlaces, covariance_from_budget
from bandscan.lip_odds import CONFORMANCE
from bandscan.normal import ONE_SIDED_95, both_below
from bandscan.steps.landing import lip_odds, plan_landing
from calib.quantity import Estimate
from tests.stack_ups import exactly, make_bands, make_lip, make_seal, moved, simulate

# One lip as in most examples: middle 6.0 + 5.4 = 11.4, contact 0.3 wide: 11.25 to 11.55;
# u = sqrt(0.15^2 + 0.08^2) = 0.17. A band edge of u 0.03 makes the clearance's
# u = sqrt(0.17^2 + 0.03^2) = 0.172627 and its guard 1.645 u = 0.28397.
LIP = make_lip(5.4, u=0.08, contact=0.3)
SEAL = make_seal([LIP], face=6.0, face_u=0.15, land=(2.0, 38.0))


def only_lip(bands, seal=SEAL, **more):
    return plan_landing(bands, seal, **more).lips[0]


def test_the_guard_is_that_of_iso_14253_1():
    # ISO 14253-1:2017: 95 % conformance probability, one limit: 1.65 u (to two decimals).
    assert round(ONE_SIDED_95 + 5e-4, 2) == 1.65
    assert norm.cdf(ONE_SIDED_95) == pytest.approx(CONFORMANCE, abs=1e-6)


def test_probabilities_are_those_of_jcgm_106():
    # JCGM 106:2012 examples (from memory): Zener diode, limit -5.40, reading -5.47, u 0.05:
    # 0.92; oil, 12.5 to 16.3, reading 13.6, u 1.8: 0.66.
    assert both_below((-5.40 + 5.47) / 0.05, math.inf, 0.0) == pytest.approx(0.92, abs=5e-3)
    oil = both_below((16.3 - 13.6) / 1.8, (13.6 - 12.5) / 1.8, -1.0)
    assert oil == pytest.approx(0.66, abs=5e-3)


@pytest.mark.parametrize("rho", [-0.999, -0.9, -0.3, 0.0, 0.6, 0.99])
def test_two_dimensional_normal_against_scipy(rho):
    for h, k in [(2.0, 1.7), (0.3, -0.2), (-1.0, 2.5), (4.0, 1.0)]:
        expected = multivariate_normal.cdf([h, k], [0.0, 0.0], [[1.0, rho], [rho, 1.0]])
        assert both_below(h, k, rho) == pytest.approx(expected, abs=1e-5)


# -- verdicts, worked by hand ------------------------------------------------------------


def test_fresh():
    # Clearance 12.00 - 11.55 = 0.45 > 0.284. P(overlap) = Phi(-0.45 / 0.172627) = 0.00457.
    lip = only_lip(make_bands((12.0, 15.0), u=0.03))
    assert lip.verdict == "fresh"
    assert lip.contact_mm == pytest.approx((11.25, 11.55))
    assert lip.u_mm == pytest.approx(0.17)
    assert lip.nearest_band == 1
    assert lip.clearance_mm.value == pytest.approx(0.45)
    assert lip.clearance_mm.u == pytest.approx(0.172627, abs=1e-6)
    assert lip.clearance_mm.expanded == pytest.approx(1.96 * 0.172627, abs=1e-5)
    assert lip.probability_on_band == pytest.approx(0.00457, abs=1e-5)


def test_undecided():
    # Clearance 11.75 - 11.55 = 0.20 < 0.284. P = Phi(-0.20 / 0.172627) = Phi(-1.15857) = 0.1233.
    lip = only_lip(make_bands((11.75, 15.0), u=0.03))
    assert lip.verdict == "undecided"
    assert lip.clearance_mm.value == pytest.approx(0.20)
    assert lip.probability_on_band == pytest.approx(0.1233, abs=1e-4)


def test_on_band():
    # Overlap of the near edge by 11.55 - 11.25 = 0.30 > 0.284. P = Phi(1.7378) = 0.9589.
    lip = only_lip(make_bands((11.25, 15.0), u=0.03))
    assert lip.verdict == "on band"
    assert lip.clearance_mm.value == pytest.approx(-0.30)
    assert lip.probability_on_band == pytest.approx(0.9589, abs=1e-4)


def test_overlapping_but_not_surely():
    # Overlap by 0.25 < 0.284: P = Phi(1.4482) = 0.9262.
    lip = only_lip(make_bands((11.30, 15.0), u=0.03))
    assert lip.verdict == "undecided"
    assert lip.probability_on_band == pytest.approx(0.9262, abs=1e-4)


def test_off_land():
    # The land begins at 12.0; the contact begins at 11.25: P(off) = Phi(0.75 / 0.17) = 0.999995.
    seal = replace(SEAL, mounting=replace(SEAL.mounting, land_mm=(12.0, 38.0)))
    assert only_lip(make_bands((20.0, 21.0), u=0.03), seal).verdict == "off land"


def test_at_the_edge_of_the_land_it_is_not_told():
    # The land begins at 11.40: P(off) = Phi(0.15 / 0.17) = Phi(0.882) = 0.811.
    seal = replace(SEAL, mounting=replace(SEAL.mounting, land_mm=(11.40, 38.0)))
    assert only_lip(make_bands((20.0, 21.0), u=0.03), seal).verdict == "undecided"


def test_nothing_is_called_fresh_where_the_photo_does_not_reach():
    bands = make_bands((3.0, 5.0), u=0.03)
    seen = (exactly(1.5, 0.1), exactly(11.0))
    assert only_lip(bands).verdict == "fresh"
    assert only_lip(bands, seen_mm=seen).verdict == "undecided"


def test_a_lip_on_the_chamfer_is_off_the_land():
    # The contact ends at 11.55; in the photo the chamfer's edge is at 12.0 with u 0.1:
    # P(off) = Phi((12.0 - 11.25) / sqrt(0.17^2 + 0.1^2)) = Phi(3.80).
    seen = (exactly(12.0, 0.1), exactly(30.0))
    assert only_lip(make_bands((20.0, 21.0), u=0.03), seen_mm=seen).verdict == "off land"


def test_bands_beyond_the_land_do_not_make_it_longer():
    # The land ends at 10.0, a band lies at 20: the contact, 11.25 to 11.55, is off the land.
    seal = replace(SEAL, mounting=replace(SEAL.mounting, land_mm=(2.0, 10.0)))
    assert only_lip(make_bands((20.0, 21.0), u=0.03), seal).verdict == "off land"
    seal = replace(SEAL, mounting=replace(SEAL.mounting, land_mm=(12.5, 38.0)))
    assert only_lip(make_bands((3.0, 5.0), u=0.03), seal).verdict == "off land"
    # With room to move, only strips of the land count: 12.5 + 0.28395 ... no band in the land.
    seal = replace(seal, mounting=replace(seal.mounting, shift_mm=(-9.0, 9.0)))
    shift = plan_landing(make_bands((3.0, 5.0), u=0.03), seal).shift
    # 12.5 + 1.644854 * 0.17 - 11.25 = 1.52963
    np.testing.assert_allclose(shift.windows_mm, [(1.52963, 9.0)], atol=1e-5)


def grooved(*grooves, u=0.0):
    mounting = replace(SEAL.mounting, grooves_mm=grooves, land_u_mm=u)
    return replace(SEAL, mounting=mounting)


def test_on_a_groove_a_lip_is_off_the_land():
    # Contact 11.25 to 11.55, u 0.17; groove from 11.2 to 12.5: it misses the groove only if it
    # moves 0.35 back: P(off) = Phi(0.35 / 0.17) = Phi(2.06) = 0.980.
    lip = only_lip(make_bands((20.0, 21.0), u=0.03), grooved((11.2, 12.5)))
    assert lip.verdict == "off land"
    assert "groove runs from 11.20 to 12.50" in lip.why
    assert lip.probability_on_band < 1e-6


def test_beside_a_groove_it_is_fresh_or_not_told():
    # To be fresh it must end 1.645 * 0.17 = 0.280 before the groove: from 11.83 on.
    bands = make_bands((20.0, 21.0), u=0.03)
    assert only_lip(bands, grooved((11.84, 13.0))).verdict == "fresh"
    near = only_lip(bands, grooved((11.82, 13.0)))
    assert near.verdict == "undecided"
    assert "groove" in near.why


def test_between_two_grooves_the_land_is_land():
    bands = make_bands((20.0, 21.0), u=0.03)
    lip = only_lip(bands, grooved((8.0, 10.0), (13.0, 14.0)))
    assert (lip.verdict, lip.why) == ("fresh", "")


def test_where_the_outline_looks_cut_in_nothing_is_called_fresh():
    # No band can be looked for there; whether it is a groove the photo cannot prove.
    lip = only_lip(make_bands((20.0, 21.0), u=0.03), cut_in_mm=[(10.8, 12.4)])
    assert lip.verdict == "undecided"
    assert "cut in from 10.8 to 12.4" in lip.why


def test_a_band_within_a_groove_changes_nothing_for_the_shift():
    seal = replace(grooved((11.0, 13.0)), lips=SEAL.lips)
    seal = replace(seal, mounting=replace(seal.mounting, shift_mm=(-3.0, 3.0)))
    alone = plan_landing(make_bands(), seal).shift
    # 11.0 - 0.27963 - 11.55 = -0.82963; 13.0 + 0.27963 - 11.25 = 2.02963
    np.testing.assert_allclose(alone.windows_mm, [(-3.0, -0.82963), (2.02963, 3.0)], atol=1e-5)
    hidden = plan_landing(make_bands((11.5, 12.0), u=0.03), seal).shift
    np.testing.assert_allclose(hidden.windows_mm, alone.windows_mm)
    assert [lip.verdict for lip in plan_landing(make_bands((11.3, 12.0)), seal).lips] == [
        "off land"
    ]


def test_what_keeps_a_lip_from_fresh_is_said():
    seal = replace(SEAL, mounting=replace(SEAL.mounting, land_mm=(11.40, 38.0)))
    bands = make_bands((20.0, 21.0), u=0.03)
    assert only_lip(bands, seal).why == "the ground land begins at 11.40 mm"
    dark = only_lip(bands, seen_mm=(exactly(1.5, 0.1), exactly(11.0)))
    assert dark.why == "the photo shows the shaft up to 11.0 mm"
    assert only_lip(make_bands((11.75, 15.0), u=0.03)).why == ""


def test_without_bands_there_is_no_clearance():
    lip = only_lip(make_bands())
    assert (lip.verdict, lip.nearest_band, lip.clearance_mm) == ("fresh", None, None)
    assert lip.probability_on_band == 0.0


def test_between_two_bands_both_limits_count():
    # A strip 1.0 wide, contact 0.4 in its middle, u 0.15: P = 2 Phi(0.3 / 0.15) - 1 = 0.9545.
    # With u 0.155: 2 Phi(1.9355) - 1 = 0.9471, although each side alone has 0.9735.
    bands = make_bands((8.0, 11.0), (12.0, 14.0))
    enough = make_seal([make_lip(5.5)], face=6.0, face_u=0.150)
    short = make_seal([make_lip(5.5)], face=6.0, face_u=0.155)
    assert only_lip(bands, enough).verdict == "fresh"
    assert only_lip(bands, enough).probability_on_band == pytest.approx(1.0 - 0.9545, abs=1e-4)
    assert only_lip(bands, short).verdict == "undecided"


def test_few_readings_widen_the_guard():
    # Three readings with s / sqrt(3) = 0.1: Student's factor is 4.303 (GUM table G.2), so the
    # normal distribution with the same U has 0.1 * 4.303 / 1.96 = 0.2195; guard 0.361.
    lip = replace(make_lip(5.4), distance_mm=Estimate(value=5.4, u=0.1, dof=2.0))
    seal = make_seal([lip], face=6.0)
    far, near = make_bands((11.6 + 0.37, 15.0)), make_bands((11.6 + 0.35, 15.0))
    assert only_lip(far, seal).verdict == "fresh"
    assert only_lip(near, seal).verdict == "undecided"
    assert only_lip(near, seal).clearance_mm.expanded == pytest.approx(0.4303, abs=1e-4)


def test_correlated_edges_against_monte_carlo():
    # Both bands are moved by the same unknown zero: a strip between them moves as one.
    rng = np.random.default_rng(5)
    shared, own = 0.12, 0.05
    covariance = np.full((4, 4), shared**2) + own**2 * np.eye(4)
    bands = make_bands((8.0, 11.0), (11.9, 14.0), covariance=covariance)
    seal = make_seal([make_lip(5.5)], face=6.0, face_u=0.1)
    lip = only_lip(bands, seal)
    edges = rng.multivariate_normal([8.0, 11.0, 11.9, 14.0], covariance, 400_000)
    middle = 11.5 + rng.normal(0.0, 0.1, 400_000)
    hit = np.zeros(400_000, dtype=bool)
    for start, end in (edges[:, :2].T, edges[:, 2:].T):
        hit |= (middle + 0.2 > start) & (middle - 0.2 < end)
    # four standard errors of a proportion of 400 000
    assert lip.probability_on_band == pytest.approx(hit.mean(), abs=4.0 * 0.5 / math.sqrt(4e5))


# -- shift windows, worked by hand --------------------------------------------------------

# Bands 8..10 and 14..15, land 2..30, three lips 0.4 wide with u 0.1; guard 1.644854 * 0.1.
# A lip's middle may lie 0.2 + 0.16449 = 0.36449 from a limit:
#   strip 1: 2.36449 .. 7.63551, strip 2: 10.36449 .. 13.63551, strip 3: 15.36449 .. 29.63551.
# Shifts of each lip:            strip 1                strip 2               strip 3
#   excluder  at  9.0    -6.63551 .. -1.36449     1.36449 .. 4.63551     6.36449 .. 20.63551
#   auxiliary at 11.5    -9.13551 .. -3.86449    -1.13551 .. 2.13551     3.86449 .. 18.13551
#   main      at 14.5   -12.13551 .. -6.86449    -4.13551 .. -0.86449    0.86449 .. 15.13551
# Common to the three:
#   strips 1 1 2: -4.13551 .. -3.86449;  strips 2 2 3: 1.36449 .. 2.13551
#   strips 2 3 3:  3.86449 ..  4.63551;  strips 3 3 3: 6.36449 .. 15.13551
THREE_LIPS = [
    make_lip(3.0, name="excluder"), make_lip(5.5, name="auxiliary"), make_lip(8.5, name="main")
]  # fmt: skip
TWO_BANDS = make_bands((8.0, 10.0), (14.0, 15.0))


def three_lips(shift):
    return make_seal(THREE_LIPS, face=6.0, face_u=0.1, width=10.0, shift=shift, land=(2.0, 30.0))


def test_shift_windows_of_three_lips_between_two_bands():
    shift = plan_landing(TWO_BANDS, three_lips((-6.0, 8.0))).shift
    expected = [
        (-4.13551, -3.86449), (1.36449, 2.13551), (3.86449, 4.63551), (6.36449, 8.0)
    ]  # fmt: skip
    np.testing.assert_allclose(shift.windows_mm, expected, atol=2e-5)
    assert shift.smallest_mm == pytest.approx(1.36449, abs=2e-5)
    # In the last window the excluder's distance to band 2 is least: 9.0 + d - 0.2 - 15.0,
    # greatest at its far end, 1.8 mm.
    assert shift.roomiest_mm == pytest.approx(8.0)
    assert shift.why_none is None


def test_the_roomiest_shift_lies_where_both_sides_are_equal():
    # With room up to 4.0 only the second window has an inner optimum. Excluder in strip 2:
    # d - 1.2 below it; auxiliary in strip 2: 14 - 11.7 - d = 2.3 - d above it; equal at
    # d = 1.75 with 0.55 mm. First window: 4.3 + d below (main), -3.7 - d above (auxiliary):
    # equal at -4.0 with 0.3 mm. Third, cut at 4.0: 4.0 - 3.7 = 0.3 mm.
    shift = plan_landing(TWO_BANDS, three_lips((-6.0, 4.0))).shift
    assert shift.roomiest_mm == pytest.approx(1.75)


def test_no_shift_within_the_room():
    # The nearest windows are at -3.86449 and 1.36449.
    shift = plan_landing(TWO_BANDS, three_lips((-3.0, 1.0))).shift
    assert (shift.windows_mm, shift.smallest_mm, shift.roomiest_mm) == ((), None, None)
    assert "+1.36" in shift.why_none
    assert "-3.00 to +1.00" in shift.why_none


def test_no_shift_at_all():
    # No strip of 8..38 is as wide as 0.4 + 2 * 0.164 mm.
    bands = make_bands(*[(8.0 + i, 8.5 + i) for i in range(30)])
    seal = make_seal([make_lip(5.5)], face=6.0, face_u=0.1, shift=(-9, 9), land=(8.0, 38.0))
    assert "wide enough for main" in plan_landing(bands, seal).shift.why_none


def test_lips_that_never_fit_together():
    # Two lips 5 apart; strips 10..12 and 13..15 only: 3 to 4.3 apart at the most.
    lips = [make_lip(3.0, name="a"), make_lip(8.0, name="b")]
    seal = make_seal(lips, face_u=0.1, width=10.0, shift=(-50, 50), land=(10.0, 15.0))
    assert "no one shift" in plan_landing(make_bands((12.0, 13.0)), seal).shift.why_none


def test_a_seal_that_is_fresh_need_not_move():
    assert plan_landing(make_bands((20.0, 22.0), u=0.03), SEAL).shift.smallest_mm == 0.0


# -- properties -----------------------------------------------------------------------------

places_mm = st.floats(2.0, 25.0)
u_mm = st.floats(0.01, 0.5)


@st.composite
def band_sets(draw):
    cuts = sorted(draw(st.lists(places_mm, min_size=2, max_size=6, unique=True)))
    pairs = [(a, b) for a, b in zip(cuts[::2], cuts[1::2], strict=False) if b - a > 0.01]
    assume(pairs)
    shared, own = draw(st.floats(0.0, 0.2)), draw(st.floats(0.01, 0.2))
    count = 2 * len(pairs)
    covariance = np.full((count, count), shared**2) + own**2 * np.eye(count)
    return make_bands(*pairs, covariance=covariance)


@st.composite
def seals(draw):
    lips = [
        make_lip(
            draw(st.floats(0.5, 7.5)),
            u=draw(u_mm),
            contact=draw(st.floats(0.1, 1.0)),
            name=f"lip {number}",
            face=draw(st.sampled_from(["outer", "inner"])),
        )
        for number in range(draw(st.integers(1, 3)))
    ]
    return make_seal(
        lips,
        face=draw(st.floats(2.0, 12.0)),
        face_u=draw(u_mm),
        shift=(-6.0, 6.0),
        land=(1.0, 28.0),
        end_float_mm=draw(st.floats(0.0, 0.5)),
    )


@given(bands=band_sets(), seal=seals(), by=st.floats(-5.0, 5.0))
@settings(deadline=None)
def test_a_shift_is_the_same_as_a_seal_that_sits_elsewhere(bands, seal, by):
    there = plan_landing(bands, moved(seal, by)).lips
    for odds, lip in zip(lip_odds(bands, seal), there, strict=True):
        shifted = odds.at(by)
        assert shifted.contact_mm == pytest.approx(lip.contact_mm)
        assert shifted.clearance_mm.value == pytest.approx(lip.clearance_mm.value, abs=1e-9)
        assert shifted.probability_on_band == pytest.approx(lip.probability_on_band, abs=1e-9)
        if shifted.verdict != lip.verdict:  # at the limit itself either is right
            nudged = {odds.at(by + step).verdict for step in (-1e-9, 1e-9)}
            assert lip.verdict in nudged


@given(bands=band_sets(), seal=seals(), by=st.floats(-5.0, 5.0))
@settings(deadline=None)
def test_shifting_the_seal_moves_every_clearance_by_as_much(bands, seal, by):
    for odds in lip_odds(bands, seal):
        here, there = odds.at(0.0).clearance_mm.value, odds.at(by).clearance_mm.value
        assert abs(there - here) <= abs(by) + 1e-9  # less where it passes a band's middle
        if len(odds.gaps_mm) == 1 and here > 0.0 and there > 0.0 and abs(by) < 0.2:
            assert abs(there - here) == pytest.approx(abs(by), abs=1e-9)


@given(bands=band_sets(), seal=seals(), by=st.floats(-5.0, 5.0))
@settings(max_examples=50, deadline=None)
def test_only_the_distance_between_seal_and_bands_matters(bands, seal, by):
    low, high = seal.mounting.land_mm
    there = moved(seal, by)
    there = replace(there, mounting=replace(there.mounting, land_mm=(low + by, high + by)))
    elsewhere = BandPlaces(
        edges_mm=bands.edges_mm + by, covariance_mm2=bands.covariance_mm2, dof=bands.dof
    )
    first, second = plan_landing(bands, seal), plan_landing(elsewhere, there)
    for a, b in zip(first.lips, second.lips, strict=True):
        assert b.clearance_mm.value == pytest.approx(a.clearance_mm.value, abs=1e-9)
        assert b.probability_on_band == pytest.approx(a.probability_on_band, abs=1e-9)


@given(bands=band_sets(), seal=seals())
@settings(max_examples=50, deadline=None)
def test_mirrored_mounting_mirrors_the_result(bands, seal):
    # Turned round in the same seat, everything is mirrored about the seal's mid-plane.
    twice_middle = 2.0 * seal.mounting.face_mm.value + seal.width_mm.value
    low, high = seal.mounting.land_mm
    mirrored = BandPlaces(
        edges_mm=(twice_middle - bands.edges_mm)[::-1, ::-1],
        covariance_mm2=bands.covariance_mm2[::-1, ::-1],
        dof=bands.dof[::-1],
    )
    turned = replace(
        seal,
        mounting=replace(
            seal.mounting,
            facing="machine",
            land_mm=(twice_middle - high, twice_middle - low),
        ),
    )
    first, second = plan_landing(bands, seal), plan_landing(mirrored, turned)
    for a, b in zip(first.lips, second.lips, strict=True):
        assert b.contact_mm == pytest.approx(tuple(twice_middle - x for x in a.contact_mm[::-1]))
        assert b.clearance_mm.value == pytest.approx(a.clearance_mm.value, abs=1e-9)
        assert b.probability_on_band == pytest.approx(a.probability_on_band, abs=1e-6)
    windows = [(-high, -low) for low, high in first.shift.windows_mm[::-1]]
    assert len(windows) == len(second.shift.windows_mm)
    for mine, other in zip(windows, second.shift.windows_mm, strict=True):
        assert other == pytest.approx(mine, abs=1e-6)


@given(
    bands=band_sets(),
    seal=seals(),
    face=st.floats(0.0, 1.0),
    shared=st.floats(0.0, 1.0),
    own=st.floats(0.0, 1.0),
    end_float=st.floats(0.0, 1.0),
)
@settings(max_examples=300, deadline=None)
def test_more_uncertainty_never_turns_undecided_into_fresh(
    bands, seal, face, shared, own, end_float
):
    count = len(bands.dof)
    worse_bands = BandPlaces(
        edges_mm=bands.edges_mm,
        covariance_mm2=bands.covariance_mm2 + shared**2 + own**2 * np.eye(count),
        dof=bands.dof,
    )
    mounting = seal.mounting
    worse_seal = replace(
        seal,
        mounting=replace(
            mounting,
            face_mm=replace(mounting.face_mm, u=math.hypot(mounting.face_mm.u, face)),
            end_float_mm=mounting.end_float_mm + end_float,
        ),
    )
    better, worse = plan_landing(bands, seal), plan_landing(worse_bands, worse_seal)
    for a, b in zip(better.lips, worse.lips, strict=True):
        if a.verdict != "fresh":
            assert b.verdict != "fresh"


@given(bands=band_sets(), seal=seals())
@settings(max_examples=50, deadline=None)
def test_inside_a_window_every_lip_is_fresh_and_outside_not(bands, seal):
    shift = plan_landing(bands, seal).shift

    def all_fresh(by):
        return all(lip.verdict == "fresh" for lip in plan_landing(bands, moved(seal, by)).lips)

    for low, high in shift.windows_mm:
        inside = np.linspace(low, high, 7)[1:-1]
        assert all(all_fresh(by) for by in inside)
    if shift.windows_mm:
        assert all_fresh(shift.roomiest_mm * (1 - 1e-9))
    for by in np.linspace(*seal.mounting.shift_mm, 25):
        margin = 1e-6
        within = any(low - margin <= by <= high + margin for low, high in shift.windows_mm)
        assert within or not all_fresh(by)


# -- probabilities against what happens ---------------------------------------------------


def test_probabilities_are_calibrated_in_small():
    rng = np.random.default_rng(11)
    stated, happened, fresh = [], [], []
    for _ in range(1500):
        seal, bands, overlap = simulate(rng)
        lip = only_lip(bands, seal)
        stated.append(lip.probability_on_band)
        happened.append(overlap)
        fresh.append(lip.verdict == "fresh")
    stated, happened, fresh = map(np.array, (stated, happened, fresh))
    spread = math.sqrt(float((stated * (1.0 - stated)).sum()))
    assert abs(happened.sum() - stated.sum()) < 3.3 * spread  # one in a thousand
    assert happened[fresh].mean() < 1.0 - CONFORMANCE
    middle = (stated > 0.2) & (stated < 0.8)
    spread = math.sqrt(float((stated * (1.0 - stated))[middle].sum()))
    assert abs(happened[middle].sum() - stated[middle].sum()) < 3.3 * spread


# -- covariance from a budget ----------------------------------------------------------------


def test_covariance_from_a_budget():
    # Shared: scale 0.02 and 0.03 (start, end), end face 0.04 each; own: fit 0.01 each.
    lines = [
        ("band 1 start", "scale", 0.02), ("band 1 end", "scale", 0.03),
        ("band 1 start", "end face", 0.04), ("band 1 end", "end face", 0.04),
        ("band 1 start", "edge fit", 0.01), ("band 1 end", "edge fit", 0.01),
    ]  # fmt: skip
    u = (math.sqrt(0.02**2 + 0.04**2 + 0.01**2), math.sqrt(0.03**2 + 0.04**2 + 0.01**2))
    edges = [(exactly(10.0, u[0]), exactly(12.0, u[1]))]
    joint = covariance_from_budget(edges, lines)
    expected = [[u[0] ** 2, 0.02 * 0.03 + 0.04**2], [0.02 * 0.03 + 0.04**2, u[1] ** 2]]
    np.testing.assert_allclose(joint, expected, rtol=1e-12)


def test_a_budget_that_misses_an_edge_is_not_used():
    edges = [(exactly(10.0, 0.03), exactly(12.0, 0.03))]
    assert covariance_from_budget(edges, [("band 1 start", "scale", 0.03)]) is None
