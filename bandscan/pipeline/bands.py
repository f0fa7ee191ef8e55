"""Bands that were read, to results: rings in the picture, budget, draws, corrections."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from bandscan.chain import RingReading, ring_on, side_seen_u_mm
from bandscan.corrections import correct_readings, note_bands
from bandscan.explanation import ADVICE
from bandscan.model import BandEdge, BandReading, EndFace
from bandscan.options import Corrections
from bandscan.pipeline.gathered import Gathered, Placed
from bandscan.result import Band, EdgeResult, Improvement
from bandscan.steps.budget import Budget, make_budget, simulate
from calib.monte_carlo import Spread
from calib.quantity import Estimate

# A clear band edge, for the U to be expected: its place to a quarter of a pixel, 0.2 mm wide.
_TYPICAL_FIT_PX = 0.25
_TYPICAL_EDGE_WIDTH_MM = 0.2
# Of a band itself, which nobody at the bench can change.
_NOT_OF_THE_PHOTO = ("edge definition", "wobble outside the part seen", "tone curve")


def report_bands(
    placed: Placed, readings: list[BandReading], *, by_draws: bool = True
) -> tuple[tuple[Band, ...], Budget]:
    """Edges to rings in the picture, through the budget and the draws, to results."""
    pose, camera, arc = placed.pose, placed.camera, placed.arc_rad
    edges = [edge for reading in readings for edge in (reading.start, reading.end)]
    results = [
        EdgeResult(
            position_mm=Estimate(value=edge.axial_mm, u=edge.fit_u_mm),
            blur_mm=edge.width_mm,
            wobble_mm=edge.wobble_mm,
            by_hand=edge.by_hand,
        )
        for edge in edges
    ]
    angles = np.linspace(arc[0], arc[1], 17)
    rings = [ring_on(pose, camera, result.along(angles, arc), arc) for result in results]
    rim_share = placed.end.rim_radius_mm / pose.radius_mm
    zero = ring_on(pose, camera, 0.0, arc, radius_share=rim_share, far=placed.end.seen)
    chain, influences = placed.chain, placed.influences
    end = _seen_edge_on(placed, zero)
    budget = make_budget(chain, influences, zero=zero, end=end, bands=readings, rings=rings)
    spreads: Sequence[Spread | None] = [None] * (3 * len(readings))
    if by_draws and readings:
        spreads = simulate(chain, influences, zero=zero, end=end, bands=readings, rings=rings)
    placed_edges = [
        replace(result, position_mm=position, spread_mm=spread)
        for result, position, spread in zip(results, budget.edges, spreads, strict=False)
    ]
    bands = tuple(
        Band(
            start=placed_edges[2 * i],
            end=placed_edges[2 * i + 1],
            width_mm=budget.widths[i],
            arc_rad=arc,
            looks=reading.looks,
            strength=reading.strength,
            width_spread_mm=spreads[len(edges) + i],
        )
        for i, reading in enumerate(readings)
    )
    return bands, budget


def _seen_edge_on(placed: Placed, zero: RingReading) -> EndFace:
    """The end face, less sure where either side of its rim may be the one that ends the outline."""
    changes = [influence.change for influence in placed.influences]
    u_mm = side_seen_u_mm(placed.chain, zero, placed.end.rim_radius_mm, changes)
    axial = placed.end.axial_mm
    return replace(placed.end, axial_mm=replace(axial, u=math.hypot(axial.u, u_mm)))


def correct_bands(
    placed: Placed,
    readings: list[BandReading],
    automatic: tuple[Band, ...],
    corrections: Corrections,
    gathered: Gathered,
) -> tuple[tuple[Band, ...], Budget]:
    """The bands as a person sees them, and a note of both values of every edge that moved."""
    corrected = correct_readings(readings, corrections, seen_to_mm=placed.land_mm[1])
    bands, budget = report_bands(placed, [c.reading for c in corrected if c.reading is not None])
    gathered.corrections += note_bands(corrected, bands, automatic, corrections)
    return bands, budget


def expected_margin(placed: Placed) -> tuple[float, Improvement]:
    """U of a clear band edge in the middle of the land, and what would narrow it most."""
    middle = 0.5 * (placed.land_mm[0] + placed.land_mm[1])
    pixel_mm = float(placed.strip.axial_mm[1] - placed.strip.axial_mm[0])
    edge = BandEdge(
        axial_mm=middle,
        fit_u_mm=_TYPICAL_FIT_PX * pixel_mm,
        fit_dof=math.inf,
        unseen_u_mm=0.0,
        width_mm=_TYPICAL_EDGE_WIDTH_MM,
        wobble_mm=(0.0, 0.0),
    )
    reading = BandReading(
        start=edge, end=replace(edge, axial_mm=middle + 2.0), looks="smoother", strength=0.0
    )
    _, budget = report_bands(placed, [reading], by_draws=False)
    whole = budget.edges[0].expanded
    here = [line for line in budget.lines if line.edge == "band 1 start"]
    lines = [line for line in here if line.source not in _NOT_OF_THE_PHOTO]
    worst = max(lines, key=lambda line: line.contribution_mm)
    share = min(1.0, worst.contribution_mm / budget.edges[0].u)
    improvement = Improvement(
        source=worst.source,
        advice=ADVICE[worst.source],
        expanded_mm=whole * math.sqrt(1.0 - share**2),
    )
    return whole, improvement
