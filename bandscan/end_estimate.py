"""From fits of the end's shape to the zero: chamfer or rounded edge, and how well it is known."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from bandscan.end_fit import OUTLINE, EndFit, chamfer_edges, fit_end
from bandscan.end_profiles import Profiler
from bandscan.end_search import LENGTH_MAX_MM, SLOPE_MAX, SLOPE_MIN
from bandscan.end_shape import AxisPlane, Piece, face_is_seen
from bandscan.model import STRAIN_COSTS, Doubt, EndFace
from bandscan.shaft_limits import shortest_chamfer_mm
from calib.quantity import Estimate, effective_dof

SUPPORT_LEAST = 0.35  # of the outline's length with an edge that fits
MERIT_GOOD = 0.6  # a fit this good needs no second start near it
REACH_NEAR_PX = 2.5  # where the start is known from the photo itself
# Share of the chamfer's outer edge that shows. Chance and shading put it at 0.1 to 0.3 on a
# rounded edge, which has no such crease.
_CREASE_LEAST, _CREASE_PLAIN = 0.25, 0.4
# Two edges nearer than this times their width make one slope: 2 where they are equally
# strong (Sparrow's limit), more where they are not.
_RESOLVED_WIDTHS = 2.5
# A rounded edge is even about 45 degrees: a chamfer fitted to it is not flatter than this.
_SLOPE_OF_ROUND = math.tan(math.radians(35.0))
# A chamfer higher than this share of the radius is rare, one end in twenty: the sides of a
# shoulder with the end of the land before it are drawn so too.
_DEEP, _DEEP_STRAIN = 0.2, 2.0 * math.log(20.0)
# An end without a chamfer that shows less than this may be the edge of the land, its chamfer as
# dark as the ground. Common practice, no published source: on ray-cast ends 0.57 to 0.71 where it
# was so, 0.58 to 1 where there was none to see.
_PLAIN_RIM = 0.75
_CORNERS_LEAST = 0.25  # what chance may put on the corners: see the width of the biweight
_CORNERS_KEPT = 0.5  # of the corners' support must remain when a circle joins the fit
_MERIT_TELLS = 0.1  # standard error of a share found from some 24 blocks
# Blocks within some 30 degrees mirror the same wall or lamp: four tell no more than one.
REPEATED = 4.0
_FITTED = 4  # parameters of the fit
# Where the steepest place lies within a blurred edge: what the metal mirrors near its edge,
# sharpening and noise reduction shift it by something like a tenth of the edge's width.
_EDGE_SHARE = 0.1
# What makes the blocks scatter (faint contrast, slopes in the background) also shifts
# them all together, by something like half as much.
_COMMON_SHARE = 0.5


def settle(profiler: Profiler, fit: EndFit, doubts: tuple[Doubt, ...], doubt_mm: float) -> EndFace:
    """Chamfer or rounded edge: cover both where they cannot be told apart.

    Parameters
    ----------
    profiler : Profiler
    fit : EndFit
        The end's outline.
    doubts : tuple of Doubt
        What was told of it already, and
    doubt_mm : float
        how far away the end may be for these.
    """
    plane = profiler.plane
    ends = _possible(profiler, fit)
    first = ends.possible[0]
    hidden_mm = max(_unresolved_mm(plane, first), 0.5 * doubt_mm)
    judged = max([fit, *ends.possible], key=lambda f: f.merit - STRAIN_COSTS * f.strain)
    if not doubts and hidden_mm > 0.0 and judged.merit < _PLAIN_RIM:
        length_mm = shortest_chamfer_mm(2.0 * plane.pose.radius_mm)
        doubts = (_unseen_chamfer(judged.merit, length_mm),)
        hidden_mm = max(hidden_mm, length_mm / math.sqrt(3.0))
    face = _joined([_face(f) for f in ends.possible], hidden_mm)
    told = ends.edge_told and any(_is_resolved(f) for f in ends.possible)
    edge = _joined([_outer_edge(f) for f in ends.possible], 0.0) if told else None
    heights = [float(f.shape.height_mm[0]) for f in ends.possible]
    rare = max(rare_strain(plane, f) for f in ends.possible)
    return EndFace(
        axial_mm=face,
        chamfer_mm=edge,
        rim_radius_mm=plane.pose.radius_mm - sum(heights) / len(heights),
        what="face rim",
        seen=bool(face_is_seen(plane, face.value)),
        support=judged.merit,
        least_side=judged.least_side,
        strain=judged.strain + rare,
        warnings=doubts,
    )


def rim_support(fit: EndFit) -> float:
    """Share of the rim that shows."""
    return fit.support.get(Piece.RIM, 0.0)


def rare_strain(plane: AxisPlane, fit: EndFit) -> float:
    """What a chamfer of that height adds to the strain of an end."""
    deep = float(fit.shape.height_mm[0]) > _DEEP * plane.pose.radius_mm
    return _DEEP_STRAIN if deep else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ends:
    """The shapes that the photo allows, and whether the chamfer's outer edge is told."""

    possible: list[EndFit]
    edge_told: bool


def _joined(estimates: list[Estimate], further_u: float) -> Estimate:
    """Middle of the estimates; half their spread and `further_u` join the uncertainty."""
    values = [e.value for e in estimates]
    worst = max(estimates, key=lambda e: e.u)
    half = 0.5 * (max(values) - min(values))
    rest = math.hypot(half, further_u)
    return Estimate(
        value=sum(values) / len(values),
        u=math.hypot(worst.u, rest),
        dof=effective_dof([(worst.u, worst.dof), (rest, math.inf)]),
    )


def _face(fit: EndFit) -> Estimate:
    return _estimate(fit, float(fit.shape.face_mm[0]), float(fit.covariance[0, 0]))


def _outer_edge(fit: EndFit) -> Estimate:
    shape, index = fit.shape, 1 if fit.shape.rounded else 2
    length = shape.height_mm if shape.rounded else shape.length_mm
    variance = fit.covariance[0, 0] + fit.covariance[index, index]
    variance += 2.0 * fit.covariance[0, index]
    edge = _estimate(fit, float(shape.face_mm[0] + length[0]), float(max(variance, 0.0)))
    if not shape.rounded:
        return edge
    # An arc leaves the land at a tangent: by d within sqrt(2 r d) of where it begins.
    tangent_mm = math.sqrt(2.0 * float(shape.height_mm[0]) * _edge_u_mm(fit))
    return replace(edge, u=math.hypot(edge.u, tangent_mm))


def _edge_u_mm(fit: EndFit) -> float:
    """Standard uncertainty that all edges of a fit share."""
    return math.hypot(_EDGE_SHARE * fit.width_px, _COMMON_SHARE * fit.scatter_px) * fit.pixel_mm


def _estimate(fit: EndFit, value_mm: float, variance: float) -> Estimate:
    fitted = math.sqrt(REPEATED * variance)
    edge = _edge_u_mm(fit)
    fitted_dof = max((fit.blocks - _FITTED) / REPEATED, 1.0)
    dof = effective_dof([(fitted, fitted_dof), (edge, math.inf)])
    return Estimate(value=value_mm, u=math.hypot(fitted, edge), dof=dof)


def _possible(profiler: Profiler, outline: EndFit) -> _Ends:
    """The chamfer, the rounded edge, or both, as far as the photo tells."""
    chamfer, crease = _with_chamfer_edge(profiler, outline)
    best_chamfer = chamfer if crease >= _CREASE_LEAST else outline
    cornered = _corners(outline) >= SUPPORT_LEAST
    slope = float(outline.shape.height_mm[0] / outline.shape.length_mm[0])
    if cornered and slope < _SLOPE_OF_ROUND and crease >= _CREASE_LEAST:
        return _Ends(possible=[best_chamfer], edge_told=True)
    rounded = fit_end(
        profiler,
        replace(outline.shape, rounded=True),
        reach_px=REACH_NEAR_PX,
        pieces=(Piece.RIM,),
        sigma_px=outline.sigma_px,
    )
    lead = rounded.closeness - outline.closeness
    plain = crease >= _CREASE_PLAIN
    behind = 0.5 * _MERIT_TELLS if plain else _MERIT_TELLS
    possible = [best_chamfer] if lead < 2.0 * _MERIT_TELLS else []  # two standard errors
    possible += [rounded] if lead > -behind else []
    round_told = best_chamfer not in possible and rounded.merit >= MERIT_GOOD
    told = plain or (cornered and best_chamfer in possible) or round_told
    return _Ends(possible=possible, edge_told=told)


def _crease(plane: AxisPlane, fit: EndFit) -> float:
    """Share of the chamfer's outer edge that shows, apart from the rim."""
    rim, _ = plane.circle(fit.shape.face_mm, plane.pose.radius_mm - fit.shape.height_mm, 0.0)
    edge, _ = plane.circle(fit.shape.face_mm + fit.shape.length_mm, plane.pose.radius_mm, 0.0)
    if abs(float(edge[0] - rim[0])) < _RESOLVED_WIDTHS * fit.width_px * fit.pixel_mm:
        return 0.0
    return fit.support.get(Piece.OUTER_EDGE, 0.0)


def _unresolved_mm(plane: AxisPlane, fit: EndFit) -> float:
    """Share in the face's uncertainty of a chamfer that is too small to be told from none."""
    if _crease(plane, fit) >= _CREASE_PLAIN or _is_resolved(fit):
        return 0.0
    return _RESOLVED_WIDTHS * fit.width_px * fit.pixel_mm / math.sqrt(3.0)


def _is_resolved(fit: EndFit) -> bool:
    """Whether the chamfer is larger than the blur."""
    size_mm = float(min(fit.shape.height_mm[0], fit.shape.length_mm[0]))
    return size_mm > _RESOLVED_WIDTHS * fit.width_px * fit.pixel_mm


def _with_chamfer_edge(profiler: Profiler, outline: EndFit) -> tuple[EndFit, float]:
    """The fit with a circle of the land taking part, and how much of that edge shows.

    Of several circles the one is taken that the outline's corners support; without them a
    streak or a band is as good, and 0 is returned.
    """
    plane, shape = profiler.plane, outline.shape
    least = _RESOLVED_WIDTHS * outline.width_px * outline.pixel_mm
    first = max(float(shape.height_mm[0]) / SLOPE_MAX, least)
    last = min(float(shape.height_mm[0]) / SLOPE_MIN, LENGTH_MAX_MM)
    pieces: tuple[Piece, ...] = (*OUTLINE, Piece.OUTER_EDGE)
    if face_is_seen(plane, shape.face_mm)[0]:
        pieces += (Piece.NEAR_RIM,)
    fits = [
        fit_end(
            profiler,
            replace(shape, length_mm=np.array([length])),
            reach_px=REACH_NEAR_PX,
            pieces=pieces,
            length_u_mm=outline.pixel_mm,
            sigma_px=outline.sigma_px,
        )
        for length in chamfer_edges(profiler, outline, first, max(last, first + 2.0 * least))
    ]
    fits = [f for f in fits if rim_support(f) >= rim_support(outline) - _MERIT_TELLS]
    if not fits:
        return outline, 0.0
    best = max(fits, key=lambda f: _crease(plane, f) + _corners(f))
    cornered = _corners(best) >= max(_CORNERS_LEAST, _CORNERS_KEPT * _corners(outline))
    return best, _crease(plane, best) if cornered else 0.0


def _corners(fit: EndFit) -> float:
    """Share of the outline's corners that shows."""
    shares = [fit.support[p] for p in (Piece.FLANK, Piece.SHOULDER) if p in fit.support]
    return sum(shares) / max(len(shares), 1)


def _unseen_chamfer(share: float, length_mm: float) -> Doubt:
    message = (
        f"No chamfer shows, and {share:.0%} of the end's outline: a chamfer as dark as the ground "
        f"would put the end face {length_mm:.1f} mm or so further out, and the uncertainty of the "
        "zero covers that. Light the end from another side, before a brighter ground."
    )
    return Doubt(code="end-ambiguous", message=message)
