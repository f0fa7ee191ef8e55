"""The end of a shaft as a camera sees it: rim, chamfer, outline.

Everything is drawn in the *axis plane*: the plane through the axis that is square
to the line from the camera to the axis. A point of it has an axial position x (mm)
and a distance w from the axis (mm). Points off the plane are carried to it along
their line of sight, so a picture of the plane is the photo itself without lens
distortion and obliqueness, and a circle about the axis is a short formula.

Notes
-----
The end is a solid without hollows: face disc, frustum (the chamfer), cylinder. Its
outline consists of parts of the two circles at the ends of the frustum, of the
generators of frustum and cylinder that the line of sight touches, and of nothing
else. Such a generator has the same angle at both of its ends (own derivation from
"normal square to the line of sight").
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import IntEnum
from functools import cache

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandscan.cylinder import ShaftPose
from calib.camera import Camera, FloatArray

_NEAR_COSINE = math.sin(math.pi / 4.0) / (math.pi / 4.0)  # mean over 45 degrees either way


class Piece(IntEnum):
    """Which part of the drawing a sample belongs to."""

    RIM = 0  # outline: the rim of the end face
    FLANK = 1  # outline: the two generators of the chamfer
    SHOULDER = 2  # outline: what is left of the chamfer's outer edge
    SIDE = 3  # outline: the two silhouettes of the seal land
    OUTER_EDGE = 4  # inside the outline: outer edge of the chamfer
    NEAR_RIM = 5  # inside the outline: near half of the rim, where the face is seen


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisPlane:
    """Central projection onto the axis plane.

    Parameters
    ----------
    pose : ShaftPose
    camera_mm : float
        Axial position of the centre of projection.
    distance_mm : float
        Distance of the centre of projection from the axis.
    """

    pose: ShaftPose
    camera_mm: float
    distance_mm: float

    @classmethod
    def of(cls, pose: ShaftPose) -> AxisPlane:
        """The axis plane of a pose."""
        camera = -float(pose.origin_mm @ pose.direction)
        foot = pose.origin_mm + camera * pose.direction
        return cls(pose=pose, camera_mm=camera, distance_mm=float(np.linalg.norm(foot)))

    def circle(
        self, axial_mm: ArrayLike, radius_mm: ArrayLike, angle_rad: ArrayLike
    ) -> tuple[FloatArray, FloatArray]:
        """Where points of a circle about the axis appear; x, w in mm, shapes broadcast."""
        across = np.asarray(radius_mm) * np.sin(angle_rad)
        growth = self.distance_mm / (self.distance_mm - np.asarray(radius_mm) * np.cos(angle_rad))
        x = self.camera_mm + (np.asarray(axial_mm) - self.camera_mm) * growth
        return np.asarray(x), np.asarray(across * growth)

    def growth(self, shape: EndShape) -> float:
        """By how much the near part of one end's rim is moved away from the camera's foot.

        Mean over the 90 degrees that face the camera, on which bands are read.
        """
        toward = _NEAR_COSINE * (self.pose.radius_mm - float(shape.height_mm[0]))
        return self.distance_mm / (self.distance_mm - toward)

    def pixels(self, camera: Camera, x_mm: FloatArray, w_mm: FloatArray) -> FloatArray:
        """Pixel coordinates of points of the plane, shape (..., 2)."""
        pose = self.pose
        across = np.cross(pose.direction, pose.facing)
        points = pose.origin_mm + x_mm[..., None] * pose.direction + w_mm[..., None] * across
        return camera.project(points)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndShape:
    """One end, or as many as the arrays have entries.

    Parameters
    ----------
    face_mm : ndarray, shape (n,)
        Axial position of the end face.
    height_mm : ndarray, shape (n,)
        Radial height of the chamfer, > 0: land radius minus rim radius.
    length_mm : ndarray, shape (n,)
        Axial length of the chamfer, > 0.
    rounded : bool
        Whether the edge is rounded with the radius `height_mm` (`length_mm` has no meaning)
        instead of chamfered.
    """

    face_mm: FloatArray
    height_mm: FloatArray
    length_mm: FloatArray
    rounded: bool = False

    @classmethod
    def one(
        cls, face_mm: float, height_mm: float, length_mm: float, *, rounded: bool = False
    ) -> EndShape:
        """A single end."""
        face, height, length = (np.array([float(v)]) for v in (face_mm, height_mm, length_mm))
        return cls(face_mm=face, height_mm=height, length_mm=length, rounded=rounded)

    def __getitem__(self, index: NDArray[np.bool_] | NDArray[np.intp] | slice) -> EndShape:
        return EndShape(
            face_mm=self.face_mm[index],
            height_mm=self.height_mm[index],
            length_mm=self.length_mm[index],
            rounded=self.rounded,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawing:
    """Samples along the curves of ends.

    Parameters
    ----------
    x_mm, w_mm : ndarray, shape (n, m)
    nx, nw : ndarray, shape (n, m)
        Unit normal of the curve, pointing out of the shaft.
    length_mm : ndarray, shape (n, m)
        Length of curve that a sample stands for; 0 where the piece does not exist.
    piece : ndarray of int, shape (m,)
    """

    x_mm: FloatArray
    w_mm: FloatArray
    nx: FloatArray
    nw: FloatArray
    length_mm: FloatArray
    piece: NDArray[np.intp]

    def first(self) -> Drawing:
        """The drawing of the first end alone."""
        return Drawing(
            x_mm=self.x_mm[:1],
            w_mm=self.w_mm[:1],
            nx=self.nx[:1],
            nw=self.nw[:1],
            length_mm=self.length_mm[:1],
            piece=self.piece,
        )


def face_is_seen(plane: AxisPlane, face_mm: ArrayLike) -> NDArray[np.bool_]:
    """Whether the camera stands in front of the end face's plane."""
    return np.asarray(plane.camera_mm < np.asarray(face_mm))


def tangent_angle(plane: AxisPlane, shape: EndShape) -> FloatArray:
    """Angle of the chamfer's generator that the line of sight touches, rad, shape (n,).

    The chamfer is seen at smaller angles. 0 where all of it is hidden, pi where all of it
    is seen.
    """
    slope = shape.height_mm / shape.length_mm
    rim = plane.pose.radius_mm - shape.height_mm
    cosine = (rim + slope * (plane.camera_mm - shape.face_mm)) / plane.distance_mm
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def draw(
    plane: AxisPlane,
    shape: EndShape,
    samples: dict[Piece, int],
    *,
    side_to_mm: float | None = None,
) -> Drawing:
    """Sample the curves of the end.

    Parameters
    ----------
    samples : dict
        How many samples each piece gets (each of the two sides of a piece that has
        two); a piece that is missing is not drawn.
    side_to_mm : float, optional
        Axial position to which the silhouettes are followed.
    """
    curves: list[tuple[Piece, tuple[FloatArray, FloatArray]]] = []
    face, outer = shape.face_mm[:, None], (shape.face_mm + shape.length_mm)[:, None]
    land = plane.pose.radius_mm
    rim = land - shape.height_mm[:, None]
    turn = tangent_angle(plane, shape)[:, None]
    seen = face_is_seen(plane, face)
    silhouette = np.arccos(land / plane.distance_mm)

    def steps(piece: Piece) -> FloatArray:
        return _unit_steps(samples[piece])

    if shape.rounded:
        span = np.where(seen, np.pi - silhouette, silhouette)
        angle = np.where(seen, np.pi, 0.0) + span * (2.0 * steps(Piece.RIM) - 1.0)
        return _with_normals([(Piece.RIM, _round_edge(plane, shape, angle))], seen, outer + land)
    if Piece.RIM in samples:
        span = np.where(seen, 2.0 * np.pi - 2.0 * turn, 2.0 * turn)
        angle = np.where(seen, turn, -turn) + span * steps(Piece.RIM)
        curves.append((Piece.RIM, plane.circle(face, rim, angle)))
    for piece, axial, radius in (
        (Piece.OUTER_EDGE, outer, land),
        (Piece.NEAR_RIM, face, rim),
    ):
        if piece in samples:
            limit = np.minimum(turn, silhouette) if piece is Piece.OUTER_EDGE else turn
            angle = limit * (2.0 * steps(piece) - 1.0)
            curves.append((piece, plane.circle(axial, radius, angle)))
    for side in (-1.0, 1.0):
        if Piece.FLANK in samples:
            share = steps(Piece.FLANK)
            x0, w0 = plane.circle(face, rim, side * turn)
            x1, w1 = plane.circle(outer, land, side * turn)
            curves.append((Piece.FLANK, (x0 + (x1 - x0) * share, w0 + (w1 - w0) * share)))
        if Piece.SHOULDER in samples:
            angle = side * (turn + (silhouette - turn) * steps(Piece.SHOULDER))
            curves.append((Piece.SHOULDER, plane.circle(outer, land, angle)))
        if Piece.SIDE in samples and side_to_mm is not None:
            x0, w0 = plane.circle(outer, land, side * silhouette)
            share = steps(Piece.SIDE)
            x = x0 + (side_to_mm - x0) * share
            curves.append((Piece.SIDE, (x, w0 + 0.0 * x)))
    return _with_normals(curves, seen, outer + land)


@cache
def _unit_steps(count: int) -> FloatArray:
    steps = np.linspace(0.0, 1.0, count)[None, :]
    steps.flags.writeable = False
    return steps


def _round_edge(
    plane: AxisPlane, shape: EndShape, angle: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Outline of a rounded edge.

    Notes
    -----
    The surface normal leans by g from the radial direction toward the face: 0 at the
    land, 90 degrees at the face. It is square to the line of sight where
    a cos g - b sin g = radius of the edge, with a, b as below (own derivation).
    """
    edge = shape.height_mm[:, None]
    centre = shape.face_mm[:, None] + edge
    ring = plane.pose.radius_mm - edge
    a = plane.distance_mm * np.cos(angle) - ring
    b = plane.camera_mm - centre
    turn = np.arccos(np.clip(edge / np.hypot(a, b), -1.0, 1.0))
    seen = face_is_seen(plane, shape.face_mm)[:, None]
    lean = np.clip(np.where(seen, -turn, turn) - np.arctan2(b, a), 0.0, np.pi / 2.0)
    return plane.circle(centre - edge * np.sin(lean), ring + edge * np.cos(lean), angle)


def _with_normals(
    curves: list[tuple[Piece, tuple[FloatArray, FloatArray]]],
    seen: NDArray[np.bool_],
    inside_mm: FloatArray,
) -> Drawing:
    """Add normals that point away from the axis point `inside_mm`, and lengths."""
    x = np.concatenate([points[0] for _, points in curves], axis=1)
    w = np.concatenate([points[1] for _, points in curves], axis=1)
    counts = [points[0].shape[1] for _, points in curves]
    last = np.cumsum(counts) - 1
    dx, dw = _slopes(x, last), _slopes(w, last)
    piece = np.repeat([int(p) for p, _ in curves], counts)
    length = np.hypot(dx, dw)
    scale = np.where(dx * w < dw * (x - inside_mm), -1.0, 1.0) / np.maximum(length, 1e-12)
    length = np.where(seen | (piece != Piece.NEAR_RIM), length, 0.0)
    return Drawing(x_mm=x, w_mm=w, nx=-dw * scale, nw=dx * scale, length_mm=length, piece=piece)


def _slopes(values: FloatArray, last: NDArray[np.intp]) -> FloatArray:
    """Change from sample to sample along curves that end at the samples `last`."""
    change = np.diff(values, axis=1)
    slopes = np.empty_like(values)
    slopes[:, 1:-1] = 0.5 * (change[:, 1:] + change[:, :-1])
    slopes[:, last] = change[:, last - 1]
    first = np.append(0, last[:-1] + 1)
    slopes[:, first] = change[:, first]
    return slopes
