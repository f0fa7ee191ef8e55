"""The plane of the shaft's end face: axial position zero."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.end_estimate import (
    MERIT_GOOD,
    REACH_NEAR_PX,
    REPEATED,
    SUPPORT_LEAST,
    rare_strain,
    rim_support,
    settle,
)
from bandscan.end_fit import EndFit, arc_beyond, fit_end, moved
from bandscan.end_profiles import Profiler
from bandscan.end_search import Candidate, gather_evidence, search_end
from bandscan.end_shape import AxisPlane, Piece, face_is_seen
from bandscan.errors import NoEndError
from bandscan.model import STRAIN_COSTS, AxisDoubt, Doubt, EndFace, Photo
from calib.camera import Camera, FloatArray

_ERROR_MM = 6.0  # of the approximate end, either way: the outline's corners hide a chamfer
_INWARD_MM = 10.0  # of shaft beyond the last possible face: a chamfer of 8 mm and silhouettes
_OUTWARD_MM = 2.0  # of background beyond the first possible outline
_RIVAL_SCORE = 0.7  # of the best search score: others are not worth a fit
_SUPPORT_RIVAL = 0.7  # of the best support: as good, given 24 blocks
_SUPPORT_FAINT = 0.5  # of what is asked else: too much to be passed over in silence
# The corners of a chamfer beyond an end without one: so much of both flanks shows, that far off
# the land's sides. Its rim does not show, and may lie as far again beyond what was fitted.
_FLANK_PLAIN, _FLANK_SLOPE, _FLANK_PX, _NO_CHAMFER = 0.8, 0.25, 4.0, 0.05
_SAME_PX = 2.0  # fits whose far points are nearer are fits to the same edge
_REACH_FAR_PX = 4.0  # an edge is sought this far from where the search put it, or further
_OUTSIDE_MOST = 0.2  # of the rim may lie outside the photo
_BEYOND_RADII = 0.08  # the search tells edges apart that are further apart than this
_EDGES_REPEATED = math.sqrt(REPEATED)
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
        settle(profiler, fit, doubts, doubt_mm),
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
            f.merit >= MERIT_GOOD
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
            fits.append(fit_end(profiler, start, reach_px=REACH_NEAR_PX, sigma_px=fit.sigma_px))
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
    rimmed = [f for f in fits if rim_support(f) >= SUPPORT_LEAST]
    best = max((f.merit for f in rimmed), default=0.0)
    if best < SUPPORT_LEAST:
        share = max((min(f.merit, rim_support(f)) for f in fits), default=0.0)
        message = (
            f"No end of the shaft could be made out: at most {share:.0%} of any outline of an "
            f"end shows an edge, {SUPPORT_LEAST:.0%} are needed."
        )
        raise NoEndError(message, _REMEDY)
    chosen = next(f for f in rimmed if _is_rival(plane, f, rimmed))
    further = [
        f
        for f in fits[: fits.index(chosen)]
        if f.merit >= _SUPPORT_FAINT * best and rim_support(f) >= _SUPPORT_FAINT * SUPPORT_LEAST
    ]
    for fit in further:  # a rare chamfer that is not the likeliest leaves both
        if not rare_strain(plane, fit) and _explains(plane, fit, chosen):
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
    share = 1.0 if rare_strain(plane, fit) else _SUPPORT_RIVAL
    return _likely(plane, fit) >= share * best


def _likely(plane: AxisPlane, fit: EndFit) -> float:
    return fit.merit - STRAIN_COSTS * rare_strain(plane, fit)


def _away_mm(fits: list[EndFit], chosen: EndFit) -> float:
    """How far the faces of fits lie from that of the chosen one, at most."""
    return max(abs(float(f.shape.face_mm[0] - chosen.shape.face_mm[0])) for f in fits)


def _doubt(seen: str) -> Doubt:
    message = (
        f"{seen} beyond the edge taken as the rim of the end face, and the rim may be there "
        "instead; the uncertainty of the zero covers both."
    )
    return Doubt(code="end-ambiguous", message=message)


def _explains(plane: AxisPlane, outer: EndFit, inner: EndFit) -> bool:
    """Whether the `inner` edge is the chamfer's outer edge of the `outer` fit."""
    edge_mm = outer.shape.face_mm[0] + outer.shape.length_mm[0]
    place, _ = plane.circle(edge_mm, plane.pose.radius_mm, 0.0)
    flank = outer.support.get(Piece.FLANK, 0.0)
    u_px = 2.0 * math.sqrt(outer.covariance[2, 2]) / outer.pixel_mm
    apart = abs(float(place) / outer.pixel_mm - apex_px(plane, inner))
    return apart <= max(2.0 * _SAME_PX, 2.0 * u_px) and flank >= SUPPORT_LEAST


def _has_corners(fit: EndFit) -> bool:
    """Whether the flanks of a chamfer show plainly."""
    height, length = float(fit.shape.height_mm[0]), float(fit.shape.length_mm[0])
    return fit.support.get(Piece.FLANK, 0.0) >= _FLANK_PLAIN and height >= max(
        _FLANK_SLOPE * length, _FLANK_PX * fit.pixel_mm
    )
