"""Sanity of the budget: a doubled cause doubles its line, and worse conditions widen the interval.

The relations are those of the law of propagation (JCGM 100:2008, 5.1.2): a contribution is
sensitivity times uncertainty.
"""

from dataclasses import replace

import numpy as np
import pytest

from bandscan.model import BandEdge, BandReading, EndFace
from bandscan.soft_step import fit_step
from bandscan.steps.budget import make_budget
from calib.camera import Camera
from calib.quantity import Estimate
from calib.scale import plane_from_corners
from tests.test_bands import ARC, LAND, paint
from tests.test_chain import (
    CAMERA,
    CARD_MM,
    EDGES_MM,
    HEIGHT_MM,
    RADIUS_MM,
    RIM_SHARE,
    chain,
    influences,
    project,
    ring,
    silhouettes,
)

EDGE = {"fit_u_mm": 0.01, "unseen_u_mm": 0.005, "width_mm": 0.2, "tone_mm": 0.02}
BY_DIAMETER = {"plane": None, "height_mm": None}
BY_CARD = {"diameter_mm": None}


def card(*, corner_u_px=0.1, print_u=0.002, kept=None, to=lambda pixels: pixels):
    """The card of test_chain, read worse, printed worse, or with a part of it covered."""
    kept = np.arange(len(CARD_MM)) if kept is None else kept
    world = np.column_stack([CARD_MM, np.zeros(len(CARD_MM))]) + np.array([-5.0, 24.0, -HEIGHT_MM])
    pixels = to(project(world))

    def plane(camera):
        return plane_from_corners(
            pixels[kept], CARD_MM[kept], np.full(len(kept), corner_u_px),
            camera=camera, print_relative_u=print_u,
        )  # fmt: skip

    return plane


def budget(of, *, edge=None, end_u_mm=0.03, to=lambda pixels: pixels, **stated):
    edges = [
        BandEdge(axial_mm=x, fit_dof=20.0, wobble_mm=(0.0, 0.0), **(EDGE | (edge or {})))
        for x in EDGES_MM
    ]
    bands = [
        BandReading(start=a, end=b, looks="brighter", strength=30.0)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    end = EndFace(
        axial_mm=Estimate(value=0.0, u=end_u_mm), chamfer_mm=None,
        rim_radius_mm=RADIUS_MM * RIM_SHARE, what="face rim",
    )  # fmt: skip

    def seen(x_mm, share=1.0):
        read = ring(x_mm, share)
        return replace(read, points_px=to(read.points_px))

    return make_budget(
        of, influences(of, **stated),
        zero=seen(0.0, RIM_SHARE), end=end, bands=bands, rings=[seen(x) for x in EDGES_MM],
    )  # fmt: skip


@pytest.mark.parametrize(
    ("source", "doubled"),
    [
        ("scale", {"plane": card(corner_u_px=0.2)}),
        ("print of the card", {"plane": card(print_u=0.004)}),
        ("scale height", {"height_u_mm": 0.6}),
        ("silhouettes", {"side_u_px": (0.6, 0.6)}),
        ("end face", {"end_u_mm": 0.06}),
        ("edge fit", {"edge": {"fit_u_mm": 0.02}}),
        ("edge definition", {"edge": {"width_mm": 0.4}}),
        ("wobble outside the part seen", {"edge": {"unseen_u_mm": 0.01}}),
        ("tone curve", {"edge": {"tone_mm": 0.04}}),
    ],
)
def test_a_doubled_cause_doubles_its_line_alone(source, doubled):
    changed = dict(doubled)
    before = budget(chain(**BY_CARD, plane=card()))
    after = budget(chain(**BY_CARD, plane=changed.pop("plane", card())), **changed)
    for old, new in zip(before.lines, after.lines, strict=True):
        ratio = 2.0 if old.source == source else 1.0
        assert (old.edge, old.source) == (new.edge, new.source)
        # The model is bent a little over twice the uncertainty.
        assert new.contribution_mm == pytest.approx(ratio * old.contribution_mm, rel=0.03, abs=1e-6)
    for old, new in zip(before.edges, after.edges, strict=True):
        assert new.expanded > old.expanded


@pytest.mark.parametrize("known", [BY_DIAMETER, BY_CARD])
def test_from_twice_as_far_the_pixels_count_twice(known):
    """The same picture in half the pixels: what is known to a pixel is known half as well."""

    def halved(pixels):
        return (pixels + 0.5) / 2.0 - 0.5

    far = Camera(
        width_px=2000, height_px=1500, fx_px=CAMERA.fx_px / 2.0, fy_px=CAMERA.fy_px / 2.0,
        cx_px=(CAMERA.cx_px + 0.5) / 2.0 - 0.5, cy_px=(CAMERA.cy_px + 0.5) / 2.0 - 0.5,
        distortion=CAMERA.distortion,
    )  # fmt: skip
    plane = {"plane": card()} if known is BY_CARD else {}
    far_plane = {"plane": card(to=halved)} if known is BY_CARD else {}
    before = budget(chain(**known, **plane))
    after = budget(
        chain(
            camera=far, sides_px=tuple(halved(side) for side in silhouettes()), **known, **far_plane
        ),
        to=halved,
    )
    for old, new in zip(before.edges, after.edges, strict=True):
        assert new.value == pytest.approx(old.value, abs=0.02)
        assert new.expanded > old.expanded
    for old, new in zip(before.lines, after.lines, strict=True):
        if old.source in ("silhouettes", "scale"):
            # two modes of a card's plane are told by its foreshortening, which falls off faster
            assert new.contribution_mm == pytest.approx(2.0 * old.contribution_mm, rel=0.05)


def test_a_card_half_covered_is_read_worse():
    """Its ends are covered, so that its middle stays where it was."""
    before = budget(chain(**BY_CARD, plane=card()))
    inner = np.flatnonzero(np.abs(CARD_MM[:, 0] - CARD_MM[:, 0].mean()) < 3.5 * 6.0)
    assert len(inner) < 0.6 * len(CARD_MM)
    after = budget(chain(**BY_CARD, plane=card(kept=inner)))
    for old, new in zip(before.lines, after.lines, strict=True):
        if old.source == "scale":
            # Half the corners alone make it sqrt(2); slopes over half the length make it more.
            assert new.contribution_mm > 1.4 * old.contribution_mm
    for old, new in zip(before.edges, after.edges, strict=True):
        assert new.expanded > old.expanded


def fit_u_mm(**painted):
    """Standard uncertainty of a band's start, root mean square over surfaces."""
    found = []
    for seed in range(12):
        strip = paint([(25.0, 28.0)], seed=seed, **painted)
        ordinary = (strip.axial_mm > LAND[0]) & (strip.axial_mm < LAND[1])
        ordinary &= (strip.axial_mm < 24.0) | (strip.axial_mm > 29.0)
        fit = fit_step(
            strip, 25.0, left_mm=1.0, right_mm=1.0, arc_rad=ARC, ordinary=ordinary
        )  # fmt: skip
        assert fit is not None
        found.append(fit.u_mm)
    return float(np.sqrt(np.mean(np.square(found))))


def test_an_edge_is_less_sure_in_coarser_metal_and_in_flatter_light():
    """u = noise / slope: twice the streaks, or half the contrast, and u is twice as large."""
    usual = fit_u_mm(streaks=0.3)
    assert fit_u_mm(streaks=0.6) == pytest.approx(2.0 * usual, rel=0.25)
    assert fit_u_mm(streaks=0.3, contrast=0.25) > 1.5 * usual
