"""The measurement model: from pixels, lens, diameter and scale to axial positions.

Everything that was read off the photo stays in pixels here, so that each influence can be
changed on its own and the positions computed anew: the sensitivities of the budget, with all
that the two edges of a band and the end face share, are differences of this one function.

Three facts place the shaft. Its silhouettes fix the axis in units of the radius. The diameter
gives the radius. A scale at a known height above the axis gives the distance of the axis in
millimetres. With both, the two distances are averaged by weight.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from bandscan.cylinder import ShaftPose, plane_of_rays, pose_from_silhouettes
from bandscan.errors import NoShaftError
from bandscan.normal import below
from calib.camera import Camera, FloatArray
from calib.scale import ScalePlane

SIDE_MODES = 4  # offset and tilt of either silhouette
# Of a shaft that can be looked at: the camera no nearer to its axis, its sides no nearer to each
# other, its axis less along the line of sight (cosine).
_NEAREST_RADII, _LEAST_RADIUS_PX, _STEEPEST = 1.5, 5.0, 0.87


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Change:
    """A change of the inputs against their best values; all zero by default.

    Parameters
    ----------
    lens : ndarray, shape (9,)
        Of the camera's parameters.
    diameter_mm, height_mm : float
        Of the diameter and of the scale's height above the axis.
    sides_px : ndarray, shape (4,)
        Offset at the near and far end of the first silhouette, then of the second.
    plane : ndarray, shape (3,)
        Of the scale's plane: relative distance and two slopes.
    stretch : float
        Relative, of all lengths along the shaft.
    """

    lens: FloatArray = field(default_factory=lambda: np.zeros(9))
    diameter_mm: float = 0.0
    height_mm: float = 0.0
    sides_px: FloatArray = field(default_factory=lambda: np.zeros(SIDE_MODES))
    plane: FloatArray = field(default_factory=lambda: np.zeros(3))
    stretch: float = 0.0

    @property
    def reversed(self) -> Change:
        """The same change the other way."""
        return Change(**{name: -getattr(self, name) for name in self.__slots__})


NO_CHANGE = Change()


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chain:
    """What was read off a photo and stated by the user.

    Parameters
    ----------
    camera : Camera
    sides_px : tuple of two ndarrays, each of shape (n, 2)
        Points of the two silhouette lines, from the end into the shaft.
    inward_px : ndarray, shape (2,)
        Direction from the end into the shaft.
    diameter_mm : float or None
        As measured with a micrometer.
    plane : callable or None
        Gives the scale's plane for a camera; None without a scale.
    height_mm : float or None
        Of the scale's surface above the shaft axis, toward the camera.
    scale_weight : float
        Share of the scale in the distance of the axis, 0 to 1 (the rest is the diameter's).
    stretch : float
        Relative correction of lengths along the shaft to its size at 20 degrees Celsius.
    """

    camera: Camera
    sides_px: tuple[FloatArray, FloatArray]
    inward_px: FloatArray
    diameter_mm: float | None
    plane: Callable[[Camera], ScalePlane] | None = None
    height_mm: float | None = None
    scale_weight: float = 0.0
    stretch: float = 0.0

    def camera_for(self, change: Change) -> Camera:
        """The camera with its parameters changed."""
        return self.camera.shifted(change.lens) if change.lens.any() else self.camera

    def radius_by_diameter(self, change: Change = NO_CHANGE) -> float | None:
        """Half the stated diameter, mm."""
        return None if self.diameter_mm is None else 0.5 * (self.diameter_mm + change.diameter_mm)

    def radius_by_scale(self, change: Change = NO_CHANGE) -> float | None:
        """Radius of the shaft as the scale and the silhouettes give it, mm; None without."""
        if self.plane is None or self.height_mm is None:
            return None
        camera = self.camera_for(change)
        return self._radius_by_scale(self._unit_pose(camera, change), camera, change)

    def height_of_scale(self, pose: ShaftPose, change: Change = NO_CHANGE) -> float | None:
        """Height of the scale's surface above the axis of `pose`, mm; None without a scale."""
        if self.plane is None:
            return None
        plane = self.plane(self.camera_for(change)).changed(change.plane)
        foot = (
            pose.origin_mm + ((plane.point_mm - pose.origin_mm) @ pose.direction) * pose.direction
        )
        return float(plane.normal @ (plane.point_mm - foot))

    def pose(self, change: Change = NO_CHANGE) -> ShaftPose:
        """The shaft's cylinder; axial zero at the foot of the perpendicular from the camera.

        Raises
        ------
        ValueError
            If neither a diameter nor a scale at a stated height is there.
        """
        camera = self.camera_for(change)
        unit = self._unit_pose(camera, change)
        by_diameter = self.radius_by_diameter(change)
        by_scale = None
        if self.plane is not None and self.height_mm is not None:
            by_scale = self._radius_by_scale(unit, camera, change)
        if by_diameter is None and by_scale is None:
            raise ValueError("neither a diameter nor a scale at a stated height")
        if by_diameter is None:
            distance = radius = by_scale
        elif by_scale is None:
            distance = radius = by_diameter
        else:
            share = self.scale_weight
            distance = math.exp((1.0 - share) * math.log(by_diameter) + share * math.log(by_scale))
            radius = by_diameter
        assert distance is not None
        assert radius is not None
        return replace(unit, origin_mm=unit.origin_mm * distance, radius_mm=radius)

    def _unit_pose(self, camera: Camera, change: Change) -> ShaftPose:
        """The cylinder for a radius of 1."""
        rays = [
            camera.rays(_moved(points, change.sides_px[2 * i : 2 * i + 2]))
            for i, points in enumerate(self.sides_px)
        ]
        normals = [plane_of_rays(side) for side in rays]
        toward = [np.nansum(side, axis=0) for side in rays]
        inward = [
            n if n @ other > 0.0 else -n for n, other in zip(normals, toward[::-1], strict=True)
        ]
        pose = pose_from_silhouettes(inward[0], inward[1], 1.0)
        ahead = camera.project(pose.points(np.array([0.0, 0.1]), 0.0))
        if (ahead[1] - ahead[0]) @ self.inward_px < 0.0:
            pose = replace(pose, direction=-pose.direction)
        return pose

    def _radius_by_scale(self, unit: ShaftPose, camera: Camera, change: Change) -> float:
        assert self.plane is not None
        assert self.height_mm is not None
        plane = self.plane(camera).changed(change.plane)
        axis, normal, point = unit.direction, plane.normal, plane.point_mm
        foot = unit.origin_mm - (unit.origin_mm @ axis) * axis
        level = normal @ point - (point @ axis) * (normal @ axis)
        return float((level - self.height_mm - change.height_mm) / (normal @ foot))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RingReading:
    """A ring on a surface of revolution, as pixels with the share of each in its mean.

    Parameters
    ----------
    points_px : ndarray, shape (n, 2)
    share : ndarray, shape (n,)
        Adds up to 1.
    radius_share : float
        Radius of the ring over that of the shaft (the rim of an end face is smaller).
    far : bool
        Whether it lies on the side turned away from the camera.
    """

    points_px: FloatArray
    share: FloatArray
    radius_share: float = 1.0
    far: bool = False


def ring_on(
    pose: ShaftPose,
    camera: Camera,
    axial_mm: FloatArray | float,
    arc_rad: tuple[float, float],
    *,
    radius_share: float = 1.0,
    far: bool = False,
) -> RingReading:
    """Pixels of a ring that was read at `axial_mm` (a number, or one per angle of 17)."""
    angles = np.linspace(arc_rad[0], arc_rad[1], 17)
    ring = pose.with_radius(pose.radius_mm * radius_share)
    points = camera.project(ring.points(axial_mm, angles + np.pi * far))
    share = np.ones(angles.size)
    share[[0, -1]] = 0.5  # trapezoid rule for the mean over the arc
    return RingReading(
        points_px=points, share=share / share.sum(), radius_share=radius_share, far=far
    )


def side_seen_u_mm(
    chain: Chain, zero: RingReading, radius_mm: float, changes: Sequence[Change]
) -> float:
    """Standard uncertainty of the zero because the other side of its rim may be the one that shows.

    A camera above the end face sees the rim edge-on: it is a matter of the view whether its near
    or its far side ends the outline, and they lie 2 r m / d apart when the face is m from the
    foot of the perpendicular from the camera, d away. The view is known to what `changes` (of
    one standard uncertainty each) do to m (own derivation).
    """

    def margin_mm(change: Change) -> float:
        pose = chain.pose(change)
        surface = pose.with_radius(pose.radius_mm * zero.radius_share)
        rays = chain.camera_for(change).rays(zero.points_px)
        return float(surface.locate(rays, far=zero.far)[0] @ zero.share)

    margin = margin_mm(NO_CHANGE)
    spread = math.sqrt(sum((margin_mm(change) - margin) ** 2 for change in changes))
    if spread == 0.0:
        return 0.0
    away = abs(margin) / spread
    # Root mean square of what a normal deviate exceeds `away` by, 0 where it does not.
    tail = below(-away)
    density = math.exp(-0.5 * away * away) / math.sqrt(2.0 * math.pi)
    excess = max((1.0 + away * away) * tail - away * density, 0.0)
    distance = float(np.linalg.norm(chain.pose().origin_mm))
    return 2.0 * radius_mm / distance * spread * math.sqrt(excess)


def positions(
    chain: Chain, zero: RingReading, rings: list[RingReading], change: Change = NO_CHANGE
) -> FloatArray:
    """Axial positions of rings from the zero ring, mm, shape (rings,), with inputs changed."""
    camera, pose = chain.camera_for(change), chain.pose(change)

    def mean_axial(ring: RingReading) -> float:
        surface = pose.with_radius(pose.radius_mm * ring.radius_share)
        axial, _ = surface.locate(camera.rays(ring.points_px), far=ring.far)
        return float(axial @ ring.share)

    start = mean_axial(zero)
    factor = 1.0 + chain.stretch + change.stretch
    return factor * np.array([mean_axial(ring) - start for ring in rings])


def ends_share(points: FloatArray) -> FloatArray:
    """How far along a line its points lie, 0 at the first to 1 at the last, shape (n,)."""
    along = points[-1] - points[0]
    return np.asarray((points - points[0]) @ along / (along @ along))


def _moved(points: FloatArray, ends_px: FloatArray) -> FloatArray:
    """Points of a line, displaced square to it by `ends_px` at its ends."""
    if not ends_px.any():
        return points
    along = points[-1] - points[0]
    square = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    share = ends_share(points)[:, None]
    return np.asarray(points + (ends_px[0] * (1.0 - share) + ends_px[1] * share) * square)


def pose_of_shaft(chain: Chain, camera: Camera) -> ShaftPose:
    """The pose that two lines give, if a shaft in front of a camera can have it.

    Raises
    ------
    NoShaftError
    """
    try:
        pose = chain.pose()
    except ValueError:  # lines that no cylinder at that scale has
        pose = None
    if pose is not None:
        away = float(np.linalg.norm(pose.origin_mm)) / pose.radius_mm
        if (
            _NEAREST_RADII < away < camera.fx_px / _LEAST_RADIUS_PX
            and abs(pose.direction[2]) < _STEEPEST
        ):
            return pose
    raise NoShaftError("No shaft has these two lines as its sides.", "Photograph both sides of it.")
