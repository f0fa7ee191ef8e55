"""Where the lines of a result run in the picture: band edges, end face, axis."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from bandscan.result import Band, EdgeResult, ShaftResult
from calib.camera import Camera, FloatArray

CURVE_POINTS = 25  # a quarter turn in steps of 4 degrees: straight to 0.06 % of the radius


def surface_px(
    camera: Camera, shaft: ShaftResult, axial_mm: ArrayLike, angle_rad: ArrayLike
) -> FloatArray:
    """Pixels of surface points, shape (..., 2), axial positions from the end face."""
    return camera.project(shaft.pose.points(axial_mm, angle_rad))


def arc_angles(arc_rad: tuple[float, float], points: int = CURVE_POINTS) -> FloatArray:
    """Angles that step through an arc, shape (points,)."""
    return np.linspace(arc_rad[0], arc_rad[1], points)


def edge_px(
    camera: Camera, shaft: ShaftResult, band: Band, edge: EdgeResult, offset_mm: float = 0.0
) -> FloatArray:
    """A band's edge over the arc in which it was seen, shape (n, 2).

    Parameters
    ----------
    offset_mm : float
        Draws the curve that lies this far from the edge along the axis.
    """
    angles = arc_angles(band.arc_rad)
    return surface_px(camera, shaft, edge.along(angles, band.arc_rad) + offset_mm, angles)


def ring_px(camera: Camera, shaft: ShaftResult, axial_mm: float) -> FloatArray:
    """The circle on the surface at an axial position, as far as it is seen, shape (n, 2)."""
    half = shaft.pose.visible_half_angle_rad
    return surface_px(camera, shaft, axial_mm, arc_angles((-half, half)))


def end_face_px(camera: Camera, shaft: ShaftResult) -> FloatArray:
    """The end face's rim, as far as it is seen, shape (n, 2).

    The whole circle where the face looks toward the camera; else the part at which the
    chamfer between rim and land does.
    """
    rim = shaft.pose.with_radius(shaft.end.rim_radius_mm)
    angles = np.linspace(-np.pi, np.pi, 4 * CURVE_POINTS)
    points = rim.points(0.0, angles)
    if shaft.pose.origin_mm @ shaft.pose.direction > 0.0:  # the camera looks onto the face
        return camera.project(points)
    chamfer = shaft.end.chamfer_mm
    rise = shaft.pose.radius_mm - shaft.end.rim_radius_mm
    length = max(chamfer.value, 0.0) if chamfer is not None else rise  # not told: 45 degrees
    radial = (points - rim.origin_mm) / shaft.end.rim_radius_mm
    outward = length * radial - rise * shaft.pose.direction
    if length == 0.0 and rise <= 0.0:
        outward = radial
    seen = np.einsum("ij,ij->i", outward, -points) > 0.0
    return camera.project(points[seen])


def axis_px(camera: Camera, shaft: ShaftResult) -> FloatArray:
    """The axis from the end face to the end of the land that was seen, shape (2, 2)."""
    along = np.array([0.0, shaft.seen_to_mm])
    return camera.project(shaft.pose.origin_mm + along[:, None] * shaft.pose.direction)
