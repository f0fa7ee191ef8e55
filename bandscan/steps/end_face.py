"""The plane of the shaft's end face: axial position zero."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.end_fit import (
    OUTLINE,
    EndFit,
    arc_beyond,
    chamfer_edges,
    fit_end,
    moved,
)
from bandscan.end_profiles import Profiler
from bandscan.end_search import (
    LENGTH_MAX_MM,
    SLOPE_MAX,
    SLOPE_MIN,
    Candidate,
    gather_evidence,
    search_end,
)
from bandscan.end_shape import AxisPlane, Piece, face_is_seen
from bandscan.errors import NoEndError
from bandscan.model import STRAIN_COSTS, AxisDoubt, Doubt, EndFace, Photo
from bandscan.shaft_limits import shortest_chamfer_mm
from calib.camera import Camera, FloatArray
from calib.quantity import Estimate, effective_dof

_ERROR_MM = 6.0  # of the approximate end, either way: the outline's corners hide a chamfer
_INWARD_MM = 10.0  # of shaft beyond the last possible face: a chamfer of 8 mm and silhouettes
_OUTWARD_MM = 2.0  # of background beyond the first possible outline

_RIVAL_SCORE = 0.7  # of the best search score: others are not worth a fit
_SUPPORT_LEAST = 0.35  # of the outline's length with an edge that fits
_SUPPORT_RIVAL = 0.7  # of the best support: as good, given 24 blocks
_SUPPORT_FAINT = 0.5  # of what is asked else: too much to be passed over in silence
# The corners of a chamfer beyond an end without one: so much of both flanks shows, that far off
# the land's sides. Its rim does not show, and may lie as far again beyond what was fitted.
_FLANK_PLAIN, _FLANK_SLOPE, _FLANK_PX, _NO_CHAMFER = 0.8, 0.25, 4.0, 0.05
_SAME_PX = 2.0  # fits whose far points are nearer are fits to the same edge
_MERIT_GOOD = 0.6  # a fit this good needs no second start near it
_REACH_FAR_PX = 4.0  # an edge is sought this far from where the search put it, or further
_REACH_NEAR_PX = 2.5  # where the start is known from the photo itself
_OUTSIDE_MOST = 0.2  # of the rim may lie outside the photo
_BEYOND_RADII = 0.08  # the search tells edges apart that are further apart than this

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
_REPEATED = 4.0
_FITTED = 4  # parameters of the fit
# Where the steepest place lies within a blurred edge: what the metal mirrors near its edge,
# sharpening and noise reduction shift it by something like a tenth of the edge's width.
_EDGE_SHARE = 0.1
# What makes the blocks scatter (faint contrast, slopes in the background) also shifts
# them all together, by something like half as much.
_COMMON_SHARE = 0.5

_EDGES_REPEATED = math.sqrt(_REPEATED)
_BESIDE_U_PX = 1.0  # of an end beside the axis: what its edges mirror, on renderings

_PLAIN_AXIS = AxisDoubt()

_OUTSIDE = "The shaft's end lies outside the picture."
_REMEDY = (
    "Photograph again with the whole shaft end in the picture, in even light and before a "
    "background that is plainly brighter or darker than the end."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndSearch:
    """Where the outline of a shaft may end.

    Parameters
    ----------
    corners_px : tuple of 2 ndarray, shape (2,)
        Corners of the part of the photo that is looked at.
    candidates : list of Candidate
        Ends of all shapes, the best first.
    step_mm : float
        To which the search tells their places.
    """

    photo: Photo
    camera: Camera
    plane: AxisPlane
    corners_px: tuple[FloatArray, FloatArray]
    candidates: list[Candidate]
    step_mm: float


def seek_end(
    photo: Photo, camera: Camera, pose: ShaftPose, *, approximate_axial_mm: float
) -> EndSearch:
    """Look for ends near where the outline stops.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        Of the photo's stored grid.
    pose : ShaftPose
        Axis, direction and radius from the silhouettes; its zero may be anywhere.
    approximate_axial_mm : float
        Axial position at which the outline ends, to about 6 mm: where the ray of the far
        point of the outline meets the cylinder.

    Returns
    -------
    EndSearch

    Raises
    ------
    NoEndError
        If the end lies outside the photo (code "no-end").
    """
    plane = AxisPlane.of(pose)
    _check_in_photo(photo, camera, pose, approximate_axial_mm)
    first, last = _search_range(plane, approximate_axial_mm)
    lean = pose.radius_mm * abs(plane.camera_mm - approximate_axial_mm) / plane.distance_mm
    from_mm, to_mm = first - lean - _OUTWARD_MM, last + _INWARD_MM
    evidence = gather_evidence(photo, camera, plane, from_mm, to_mm)
    candidates = search_end(evidence, plane, (first, last), to_mm)
    if not candidates or candidates[0].outside_share > _OUTSIDE_MOST:
        raise NoEndError(_OUTSIDE, _REMEDY)
    return EndSearch(
        photo=photo,
        camera=camera,
        plane=plane,
        corners_px=_bounds(plane, camera, from_mm, to_mm),
        candidates=candidates,
        step_mm=evidence.step_mm,
    )


def find_end_face(search: EndSearch, axis: AxisDoubt = _PLAIN_AXIS) -> EndFace:
    """Find the plane of the end face on the scale of the pose that was searched.

    Parameters
    ----------
    search : EndSearch
    axis : AxisDoubt
        How well the outline tells the axis.

    Returns
    -------
    EndFace
        `axial_mm` is the position along the axis of the plane that holds the rim of the end
        face. Its uncertainty holds what this step adds (edges, shape of the end, sharpness),
        not the errors of pose and camera: those move bands on the same surface alike. The zero
        rests on the outline: its end is the rim of the face, whether the face is seen or
        hidden, and its corners tell the rim's radius.

    Raises
    ------
    NoEndError
        If no outline of an end is found (code "no-end").

    Notes
    -----
    The rim is taken as a sharp edge at the face; an edge break there moves the zero by
    up to its own axial size, which no outline can show.
    """
    plane, camera = search.plane, search.camera
    profiler = Profiler(search.photo, camera, plane, *search.corners_px, axis)
    fit, doubts, doubt_mm = _outermost(plane, _fits(profiler, search.candidates, search.step_mm))
    face = np.array([fit.shape.face_mm[0]] * 2)
    on_axis, beside = plane.pixels(camera, face, np.array([0.0, fit.pixel_mm]))
    return replace(
        _settle(profiler, fit, doubts, doubt_mm),
        beside_px=fit.sideways_px * (beside - on_axis),
        beside_u_px=math.hypot(_EDGES_REPEATED * fit.sideways_u_px, _BESIDE_U_PX),
    )


def _check_in_photo(photo: Photo, camera: Camera, pose: ShaftPose, approximate_mm: float) -> None:
    """Refuse an end none of whose possible places is in the photo."""
    if not math.isfinite(approximate_mm):
        message = "Where the shaft's outline ends does not lie on the shaft."
        raise NoEndError(message, _REMEDY)
    places = approximate_mm + np.array([-_ERROR_MM, 0.0, _ERROR_MM])
    pixels = camera.project(pose.points(places, 0.0))
    inside = (pixels >= 0.0) & (pixels <= (photo.width_px - 1, photo.height_px - 1))
    if not inside.all(axis=1).any():
        raise NoEndError(_OUTSIDE, _REMEDY)


def _search_range(plane: AxisPlane, approximate_mm: float) -> tuple[float, float]:
    """First and last axial position at which the face is sought."""
    shift = 0.0
    if face_is_seen(plane, approximate_mm):
        # the outline's end is the far side of the rim, seen across the face
        across = (approximate_mm - plane.camera_mm) / plane.distance_mm
        shift = 2.0 * plane.pose.radius_mm * across
    return approximate_mm - _ERROR_MM, approximate_mm + _ERROR_MM + shift


def _bounds(
    plane: AxisPlane, camera: Camera, from_mm: float, to_mm: float
) -> tuple[FloatArray, FloatArray]:
    half = 1.2 * plane.pose.radius_mm
    x = np.array([from_mm, from_mm, to_mm, to_mm])
    corners = plane.pixels(camera, x, np.array([-half, half, half, -half]))
    return corners.min(axis=0), corners.max(axis=0)


def apex_px(plane: AxisPlane, fit: EndFit) -> float:
    """Far point of the outline along the axis, in pixels of the axis plane."""
    shape = fit.shape
    angle = math.pi if face_is_seen(plane, shape.face_mm)[0] else 0.0
    x, _ = plane.circle(shape.face_mm, plane.pose.radius_mm - shape.height_mm, angle)
    return float(x[0] / fit.pixel_mm)


def _fits(profiler: Profiler, candidates: list[Candidate], step_mm: float) -> list[EndFit]:
    """One fit to each edge that may be the end of the outline, outermost first."""
    plane = profiler.plane
    best_score = max(c.score for c in candidates)
    fits: list[EndFit] = []
    for candidate in candidates:
        if candidate.score < _RIVAL_SCORE * best_score:
            continue
        pixel_mm = profiler.pixel_mm(candidate.shape)
        reach = max(_REACH_FAR_PX, 1.5 * step_mm / pixel_mm)
        if any(
            f.merit >= _MERIT_GOOD
            and abs(candidate.apex_mm / pixel_mm - apex_px(plane, f)) < _REACH_FAR_PX
            for f in fits
        ):
            continue
        fits.append(fit_end(profiler, candidate.shape, reach_px=reach))
    fits = _distinct(plane, fits)
    for fit in sorted(fits, key=lambda f: -f.merit)[:2]:
        beyond = arc_beyond(profiler, fit, _BEYOND_RADII * plane.pose.radius_mm / fit.pixel_mm)
        if beyond is None:
            continue
        further = beyond * fit.pixel_mm
        for height in (0.3, 0.9):
            start = moved(plane, fit.shape, np.array([-further, height * further, 0.0]))
            start = replace(start, length_mm=np.array([further]) * 1.1)
            fits.append(fit_end(profiler, start, reach_px=_REACH_NEAR_PX, sigma_px=fit.sigma_px))
    return _distinct(plane, fits)


def _distinct(plane: AxisPlane, fits: list[EndFit]) -> list[EndFit]:
    kept: list[EndFit] = []
    for fit in sorted(fits, key=lambda f: -f.merit):
        place = apex_px(plane, fit)
        if all(abs(place - apex_px(plane, other)) > _SAME_PX for other in kept):
            kept.append(fit)
    return sorted(kept, key=lambda f: apex_px(plane, f))


def _outermost(plane: AxisPlane, fits: list[EndFit]) -> tuple[EndFit, tuple[Doubt, ...], float]:
    """The outermost well supported edge, doubts, and how far away a serious rival lies, mm."""
    rimmed = [f for f in fits if _rim_support(f) >= _SUPPORT_LEAST]
    best = max((f.merit for f in rimmed), default=0.0)
    if best < _SUPPORT_LEAST:
        share = max((min(f.merit, _rim_support(f)) for f in fits), default=0.0)
        message = (
            f"No end of the shaft could be made out: at most {share:.0%} of any outline of an "
            f"end shows an edge, {_SUPPORT_LEAST:.0%} are needed."
        )
        raise NoEndError(message, _REMEDY)
    chosen = next(f for f in rimmed if _is_rival(plane, f, rimmed))
    further = [
        f
        for f in fits[: fits.index(chosen)]
        if f.merit >= _SUPPORT_FAINT * best and _rim_support(f) >= _SUPPORT_FAINT * _SUPPORT_LEAST
    ]
    for fit in further:  # a rare chamfer that is not the likeliest leaves both
        if not _rare_strain(plane, fit) and _explains(plane, fit, chosen):
            return fit, (), 0.0
    if chosen.shape.height_mm[0] < _NO_CHAMFER * plane.pose.radius_mm:
        cornered = [f for f in fits[: fits.index(chosen)] if _has_corners(f)]
        if cornered:
            away = _away_mm(cornered, chosen)
            return chosen, (_doubt(f"The corners of a chamfer show {away:.2f} mm"),), 2.0 * away
    if not further:
        return chosen, (), 0.0
    away = _away_mm(further, chosen)
    return chosen, (_doubt(f"A fainter edge {away:.2f} mm"),), away


def _is_rival(plane: AxisPlane, fit: EndFit, fits: list[EndFit]) -> bool:
    """Whether a fit is about as likely as the best; one with a rare chamfer must be that."""
    best = max(_likely(plane, f) for f in fits)
    share = 1.0 if _rare_strain(plane, fit) else _SUPPORT_RIVAL
    return _likely(plane, fit) >= share * best


def _likely(plane: AxisPlane, fit: EndFit) -> float:
    return fit.merit - STRAIN_COSTS * _rare_strain(plane, fit)


def _rare_strain(plane: AxisPlane, fit: EndFit) -> float:
    """What a chamfer of that height adds to the strain of an end."""
    deep = float(fit.shape.height_mm[0]) > _DEEP * plane.pose.radius_mm
    return _DEEP_STRAIN if deep else 0.0


def _away_mm(fits: list[EndFit], chosen: EndFit) -> float:
    """How far the faces of fits lie from that of the chosen one, at most."""
    return max(abs(float(f.shape.face_mm[0] - chosen.shape.face_mm[0])) for f in fits)


def _doubt(seen: str) -> Doubt:
    message = (
        f"{seen} beyond the edge taken as the rim of the end face, and the rim may be there "
        "instead; the uncertainty of the zero covers both."
    )
    return Doubt(code="end-ambiguous", message=message)


def _unseen_chamfer(share: float, length_mm: float) -> Doubt:
    message = (
        f"No chamfer shows, and {share:.0%} of the end's outline: a chamfer as dark as the ground "
        f"would put the end face {length_mm:.1f} mm or so further out, and the uncertainty of the "
        "zero covers that. Light the end from another side, before a brighter ground."
    )
    return Doubt(code="end-ambiguous", message=message)


def _explains(plane: AxisPlane, outer: EndFit, inner: EndFit) -> bool:
    """Whether the `inner` edge is the chamfer's outer edge of the `outer` fit."""
    edge_mm = outer.shape.face_mm[0] + outer.shape.length_mm[0]
    place, _ = plane.circle(edge_mm, plane.pose.radius_mm, 0.0)
    flank = outer.support.get(Piece.FLANK, 0.0)
    u_px = 2.0 * math.sqrt(outer.covariance[2, 2]) / outer.pixel_mm
    apart = abs(float(place) / outer.pixel_mm - apex_px(plane, inner))
    return apart <= max(2.0 * _SAME_PX, 2.0 * u_px) and flank >= _SUPPORT_LEAST


def _has_corners(fit: EndFit) -> bool:
    """Whether the flanks of a chamfer show plainly."""
    height, length = float(fit.shape.height_mm[0]), float(fit.shape.length_mm[0])
    return fit.support.get(Piece.FLANK, 0.0) >= _FLANK_PLAIN and height >= max(
        _FLANK_SLOPE * length, _FLANK_PX * fit.pixel_mm
    )


def _rim_support(fit: EndFit) -> float:
    return fit.support.get(Piece.RIM, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Ends:
    """The shapes that the photo allows, and whether the chamfer's outer edge is told."""

    possible: list[EndFit]
    edge_told: bool


def _settle(profiler: Profiler, fit: EndFit, doubts: tuple[Doubt, ...], doubt_mm: float) -> EndFace:
    """Chamfer or rounded edge: cover both where they cannot be told apart."""
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
    rare = max(_rare_strain(plane, f) for f in ends.possible)
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
    fitted = math.sqrt(_REPEATED * variance)
    edge = _edge_u_mm(fit)
    fitted_dof = max((fit.blocks - _FITTED) / _REPEATED, 1.0)
    dof = effective_dof([(fitted, fitted_dof), (edge, math.inf)])
    return Estimate(value=value_mm, u=math.hypot(fitted, edge), dof=dof)


def _possible(profiler: Profiler, outline: EndFit) -> _Ends:
    """The chamfer, the rounded edge, or both, as far as the photo tells."""
    chamfer, crease = _with_chamfer_edge(profiler, outline)
    best_chamfer = chamfer if crease >= _CREASE_LEAST else outline
    cornered = _corners(outline) >= _SUPPORT_LEAST
    slope = float(outline.shape.height_mm[0] / outline.shape.length_mm[0])
    if cornered and slope < _SLOPE_OF_ROUND and crease >= _CREASE_LEAST:
        return _Ends(possible=[best_chamfer], edge_told=True)
    rounded = fit_end(
        profiler,
        replace(outline.shape, rounded=True),
        reach_px=_REACH_NEAR_PX,
        pieces=(Piece.RIM,),
        sigma_px=outline.sigma_px,
    )
    lead = rounded.closeness - outline.closeness
    plain = crease >= _CREASE_PLAIN
    behind = 0.5 * _MERIT_TELLS if plain else _MERIT_TELLS
    possible = [best_chamfer] if lead < 2.0 * _MERIT_TELLS else []  # two standard errors
    possible += [rounded] if lead > -behind else []
    round_told = best_chamfer not in possible and rounded.merit >= _MERIT_GOOD
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
            reach_px=_REACH_NEAR_PX,
            pieces=pieces,
            length_u_mm=outline.pixel_mm,
            sigma_px=outline.sigma_px,
        )
        for length in chamfer_edges(profiler, outline, first, max(last, first + 2.0 * least))
    ]
    fits = [f for f in fits if _rim_support(f) >= _rim_support(outline) - _MERIT_TELLS]
    if not fits:
        return outline, 0.0
    best = max(fits, key=lambda f: _crease(plane, f) + _corners(f))
    cornered = _corners(best) >= max(_CORNERS_LEAST, _CORNERS_KEPT * _corners(outline))
    return best, _crease(plane, best) if cornered else 0.0


def _corners(fit: EndFit) -> float:
    """Share of the outline's corners that shows."""
    shares = [fit.support[p] for p in (Piece.FLANK, Piece.SHOULDER) if p in fit.support]
    return sum(shares) / max(len(shares), 1)
