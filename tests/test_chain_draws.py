"""The model for many draws against the model for one, and the draws against the budget."""

import math
from dataclasses import replace

import numpy as np
import pytest

from bandscan.chain import NO_CHANGE, Change, positions
from bandscan.chain_draws import ChainDraws, Changes
from bandscan.influences import FOCUS_SHARE, Stated, list_influences
from bandscan.model import BandEdge, BandReading, EndFace
from bandscan.scaling import weigh_scales
from bandscan.steps.budget import make_budget, simulate
from bandscan.temperature import Temperatures
from calib.lens import CameraIdentity, LensCalibration
from calib.monte_carlo import validate
from calib.quantity import Estimate
from tests.test_chain import (
    CAMERA,
    EDGES_MM,
    LENS_COVARIANCE,
    RADIUS_MM,
    RIM_SHARE,
    WITHOUT_SCALE,
    chain,
    influences,
    ring,
)

ZERO, RINGS = ring(0.0, RIM_SHARE), [ring(x) for x in EDGES_MM]
KNOWN = [WITHOUT_SCALE, {"diameter_mm": None}, {"scale_weight": 0.4}]


def parts(changes: Changes, index: int) -> Change:
    names = ("lens", "diameter_mm", "height_mm", "stretch", "sides_px", "plane")
    return Change(**{name: getattr(changes, name)[index] for name in names})


@pytest.mark.parametrize("known", KNOWN)
def test_many_draws_are_what_single_draws_are(known):
    of = chain(**known)
    changes = [i.change for i in influences(of)]
    drawn = np.random.default_rng(3).normal(size=(len(changes), 200))
    mixed = Changes.mixed(changes, drawn)
    together = ChainDraws(of, ZERO, RINGS, changes).positions(mixed)
    singly = np.array([positions(of, ZERO, RINGS, parts(mixed, k)) for k in range(200)]).T
    best = positions(of, ZERO, RINGS, NO_CHANGE)[:, None]
    spread = (singly - best).std(axis=1)
    assert (spread > 0.02).all()
    # Thinned rings, and the scale's plane to second order of each mode of the lens, scatter by up
    # to 4 % of a change; in quadrature that is 0.1 %.
    assert ((together - singly).std(axis=1) < 0.05 * spread).all()
    slopes = [np.polyfit(s, t, 1)[0] for s, t in zip(singly - best, together - best, strict=True)]
    assert slopes == pytest.approx(np.ones(len(EDGES_MM)), abs=0.01)


def test_no_change_gives_the_best_value():
    of = chain(scale_weight=0.4)
    changes = [i.change for i in influences(of)]
    none = Changes.mixed(changes, np.zeros((len(changes), 3)))
    found = ChainDraws(of, ZERO, RINGS, changes).positions(none)
    assert found == pytest.approx(np.repeat(positions(of, ZERO, RINGS)[:, None], 3, axis=1))


def edge(x_mm: float, **changes) -> BandEdge:
    fields = {
        "axial_mm": x_mm, "fit_u_mm": 0.01, "fit_dof": 20.0, "unseen_u_mm": 0.005,
        "width_mm": 0.2, "wobble_mm": (0.0, 0.0),
    }  # fmt: skip
    return BandEdge(**(fields | changes))


def bands(**changes) -> list[BandReading]:
    edges = [edge(x, **changes) for x in EDGES_MM]
    return [
        BandReading(start=a, end=b, looks="brighter", strength=30.0)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]


def end(u_mm: float, dof: float = math.inf) -> EndFace:
    return EndFace(
        axial_mm=Estimate(value=0.0, u=u_mm, dof=dof), chamfer_mm=None,
        rim_radius_mm=RADIUS_MM * RIM_SHARE, what="face rim",
    )  # fmt: skip


def both_ways(of, listed, *, end_u_mm=0.05, end_dof=math.inf, **changes):
    known = {
        "zero": ZERO, "end": end(end_u_mm, end_dof), "bands": bands(**changes), "rings": RINGS,
    }  # fmt: skip
    return make_budget(of, listed, **known), simulate(of, listed, **known)


@pytest.mark.parametrize("known", KNOWN)
def test_draws_and_budget_agree(known):
    of = chain(**known)
    listed = influences(of)
    if "scale_weight" in known:
        of, *_ = weigh_scales(of, listed)
    budget, spreads = both_ways(of, listed)
    for estimate, spread in zip([*budget.edges, *budget.widths], spreads, strict=True):
        assert validate(estimate, spread).holds
        # 30 000 draws: three standard deviations of a standard deviation are 1.2 %
        assert spread.u == pytest.approx(estimate.u, rel=0.03)
        assert spread.mean == pytest.approx(estimate.value, abs=0.1 * estimate.u)


def test_few_readings_of_the_zero_have_long_tails():
    # Student's t with 3 degrees of freedom: standard deviation sqrt(3), 95 % within 3.182 (GUM
    # table G.2).
    of = chain(**WITHOUT_SCALE)
    budget, spreads = both_ways(of, influences(of), end_u_mm=2.0, end_dof=3.0)
    assert spreads[0].high - spreads[0].low == pytest.approx(2.0 * 3.182 * 2.0, rel=0.03)
    assert budget.edges[0].expanded == pytest.approx(3.18 * 2.0, rel=0.01)


def test_a_bent_measurement_is_told():
    # Sides known to 60 px of 570: the width in pixels enters the positions as one over it.
    of = chain(**WITHOUT_SCALE)
    budget, spreads = both_ways(of, influences(of, side_u_px=(60.0, 60.0)))
    assert not validate(budget.edges[-1], spreads[3]).holds


def test_a_width_by_draws_keeps_what_the_edges_share():
    of = chain(**WITHOUT_SCALE)
    _, spreads = both_ways(of, influences(of), end_u_mm=1.0)
    assert spreads[0].u > 1.0
    assert spreads[4].u < 0.15


# -- the lines of the budget ------------------------------------------------------------------


def lines_of(of, listed, **changes):
    budget, _ = both_ways(of, listed, **changes)
    return {(line.edge, line.source): line for line in budget.lines}


def test_every_line_says_what_it_is_made_of():
    of = chain(scale_weight=0.4)
    for line in lines_of(of, influences(of), tone_mm=0.01).values():
        assert line.kind in ("A", "B")
        assert line.distribution in ("normal", "t", "rectangular", "mixed")
        assert line.origin
        assert line.inputs
        assert all(item.u > 0.0 and item.unit for item in line.inputs)


@pytest.mark.parametrize(
    "source",
    [
        "silhouettes",
        "diameter",
        "scale height",
        "temperature",
        "end face",
        "edge fit",
        "tone curve",
    ],
)
def test_sensitivity_times_uncertainty_is_the_contribution(source):
    """Of sources whose inputs are independent (GUM 5.1.2)."""
    of = chain(scale_weight=0.4)
    line = lines_of(of, influences(of), tone_mm=0.01)["band 1 start", source]
    total = math.hypot(*(item.u * item.sensitivity_mm for item in line.inputs))
    assert total == pytest.approx(line.contribution_mm, rel=1e-6)


def test_correlated_inputs_add_up_with_their_covariance():
    """GUM 5.2.2, equation (13), for the nine parameters of the lens."""
    of = chain(scale_weight=0.4)
    line = lines_of(of, influences(of))["band 2 end", "lens"]
    u = np.sqrt(np.diag(LENS_COVARIANCE))
    slopes = np.zeros(9)
    slopes[u > 0.0] = [item.sensitivity_mm for item in line.inputs]
    assert [item.u for item in line.inputs] == pytest.approx(u[u > 0.0])
    assert math.sqrt(slopes @ LENS_COVARIANCE @ slopes) == pytest.approx(
        line.contribution_mm, rel=1e-6
    )


def test_the_diameters_sensitivity_is_that_of_similar_triangles():
    """All lengths in the photo grow with the diameter: x / D per mm."""
    of = chain(**WITHOUT_SCALE)
    line = lines_of(of, influences(of))["band 2 end", "diameter"]
    (item,) = line.inputs
    assert item.sensitivity_mm == pytest.approx(EDGES_MM[-1] / (2.0 * RADIUS_MM), rel=1e-3)


def test_the_tone_curve_moves_the_two_edges_of_a_band_apart():
    of = chain(**WITHOUT_SCALE)
    reading = BandReading(
        start=edge(EDGES_MM[0], tone_mm=0.05), end=edge(EDGES_MM[1], tone_mm=-0.05),
        looks="brighter", strength=30.0,
    )  # fmt: skip
    budget = make_budget(
        of, influences(of), zero=ZERO, end=end(0.05), bands=[reading], rings=RINGS[:2]
    )
    lines = {(line.edge, line.source): line.contribution_mm for line in budget.lines}
    assert lines["band 1 start", "tone curve"] == pytest.approx(0.2 * 0.05)
    assert lines["band 1 width", "tone curve"] == pytest.approx(0.2 * 0.10)


def lens_file(**changes) -> LensCalibration:
    fields = {
        "camera": CAMERA, "covariance": LENS_COVARIANCE / 100.0, "source": "file",
        "identity": CameraIdentity(focal_mm=5.4),
    }  # fmt: skip
    return LensCalibration(**(fields | changes))


def listed_with(lens, **stated):
    known = Stated(**({"diameter_u_mm": 0.02, "height_u_mm": 0.3} | stated))
    of = chain(scale_weight=0.4)
    return of, list_influences(of, lens=lens, side_u_px=(0.3, 0.3), stated=known)


def test_a_calibrated_lens_may_be_focused_elsewhere():
    of, listed = listed_with(lens_file())
    (focus,) = [i for i in listed if i.source == "focus"]
    distance_mm = np.linalg.norm(of.pose().origin_mm)
    # Thin lens: image distance f (1 + f / (d - f)), at d and at a distance a fifth greater; to
    # first order of f / d.
    relative = FOCUS_SHARE * 5.4 / distance_mm
    assert focus.change.lens[:2] == pytest.approx(relative * np.array([3010.0, 3000.0]))
    near, far = (1.0 + 5.4 / (d - 5.4) for d in (distance_mm, 1.2 * distance_mm))
    assert near / far - 1.0 == pytest.approx(relative, rel=0.25)
    _, by_exif = listed_with(lens_file(source="exif"))
    assert not [i for i in by_exif if i.source == "focus"]


def test_the_class_of_a_rule_is_a_line_of_its_own():
    of, listed = listed_with(lens_file())
    (made,) = [i for i in listed if i.source == "print of the card"]
    assert made.kind == "B"
    assert made.change.plane == pytest.approx([0.002, 0.0, 0.0])  # as the card was printed
    twice = replace(of, plane=lambda camera: replace(of.plane(camera), made_relative_u=0.0))
    alone = list_influences(
        twice, lens=lens_file(), side_u_px=(0.3, 0.3),
        stated=Stated(diameter_u_mm=0.02, height_u_mm=0.3),
    )  # fmt: skip
    assert sum(i.change.plane @ i.change.plane for i in alone) == pytest.approx(
        sum(i.change.plane @ i.change.plane for i in listed)
    )


# -- temperature ------------------------------------------------------------------------------


def test_a_hot_shaft_beside_a_cold_rule_is_shrunk_to_20_degrees():
    # alpha L dT with 11.7e-6 / K (Callister, table B.6): 40 K over 100 mm of 1020 steel are
    # 0.0468 mm.
    hot = Temperatures(shaft_c=60.0, standard_c=20.0, stated=True)
    assert 100.0 * hot.stretch == pytest.approx(-0.0468)
    cold, warm = (positions(chain(stretch=t.stretch), ZERO, RINGS) for t in (Temperatures(), hot))
    assert warm - cold == pytest.approx(hot.stretch * cold)


def test_shaft_and_rule_of_one_temperature_need_no_correction():
    both = Temperatures(shaft_c=-15.0, standard_c=-15.0, stated=True)
    assert both.stretch == 0.0
    # What is left is that two steels differ: 35 K times 2e-6 / sqrt(3) per K.
    _, u, _, slope = both.inputs[1]
    assert u * slope == pytest.approx(35.0 * 2e-6 / math.sqrt(3.0))


def test_stated_temperatures_are_surer():
    _, unstated = listed_with(lens_file())
    _, stated = listed_with(
        lens_file(), temperatures=Temperatures(shaft_c=20.0, standard_c=20.0, stated=True)
    )
    spread = [math.hypot(*(i.change.stretch for i in listed)) for listed in (unstated, stated)]
    assert spread[1] < spread[0]
