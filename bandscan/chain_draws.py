"""The measurement model for thousands of draws of its inputs at once.

The same model as `bandscan.chain`, with arrays in place of numbers: silhouettes to the axis,
diameter and scale to its distance, pixels to axial positions. Silhouettes and rings are thinned
to a few points each; what that changes in the best value is taken off again.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bandscan.chain import NO_CHANGE, Chain, Change, RingReading, ends_share, positions
from bandscan.cylinder import plane_of_rays
from calib.camera import FloatArray
from calib.scale import ScalePlane

_SIDE_POINTS = 5
_RING_POINTS = 4
_CHUNK = 1000  # draws at a time: the arrays stay in the processor's cache


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Changes:
    """Many changes of the inputs; fields as in `Change` with a first axis of draws.

    Parameters
    ----------
    lens : ndarray, shape (n, 9)
    diameter_mm, height_mm, stretch : ndarray, shape (n,)
    sides_px : ndarray, shape (n, 4)
    plane : ndarray, shape (n, 3)
    lens_modes : ndarray, shape (n, m)
        What of `lens` the scale's plane is to follow, in units of the modes of `ChainDraws`.
    """

    lens: FloatArray
    diameter_mm: FloatArray
    height_mm: FloatArray
    stretch: FloatArray
    sides_px: FloatArray
    plane: FloatArray
    lens_modes: FloatArray

    @classmethod
    def mixed(cls, influences: Sequence[Change], drawn: FloatArray) -> Changes:
        """Sums of influences, each so many times as drawn.

        Parameters
        ----------
        influences : sequence of Change
            Of one standard uncertainty each.
        drawn : ndarray, shape (influences, n)
        """

        def sums(name: str, width: int) -> FloatArray:
            parts = [np.broadcast_to(getattr(change, name), width) for change in influences]
            return np.asarray(drawn.T @ np.stack(parts))

        bending = [i for i, change in enumerate(influences) if change.lens.any()]
        return cls(
            lens=sums("lens", 9),
            diameter_mm=sums("diameter_mm", 1)[:, 0],
            height_mm=sums("height_mm", 1)[:, 0],
            stretch=sums("stretch", 1)[:, 0],
            sides_px=sums("sides_px", 4),
            plane=sums("plane", 3),
            lens_modes=drawn[bending].T,
        )

    def part(self, chosen: slice) -> Changes:
        """Some of the draws."""
        return Changes(**{name: getattr(self, name)[chosen] for name in self.__slots__})


class ChainDraws:
    """A chain with its rings, made ready for many draws.

    Parameters
    ----------
    chain : Chain
    zero : RingReading
    rings : sequence of RingReading
    influences : sequence of Change
        Of one standard uncertainty each; those of the lens tell how the scale's plane, which
        is a fit of its own, follows it: to second order in each.
    """

    def __init__(
        self,
        chain: Chain,
        zero: RingReading,
        rings: Sequence[RingReading],
        influences: Sequence[Change],
    ) -> None:
        self.chain = chain
        pose = chain.pose()
        self.axis = pose.direction
        self.sides = [_thinned_side(points) for points in chain.sides_px]
        self.rings = [_thinned_ring(ring) for ring in (zero, *rings)]
        self.side_normals = [
            np.sign(normal @ (pose.origin_mm - (pose.origin_mm @ self.axis) * self.axis)) * normal
            for normal in (plane_of_rays(chain.camera.rays(p)) for p, _ in self.sides)
        ]
        self.plane = _PlaneOfLens.of(chain, influences)
        points = [points for points, _ in self.sides] + [ring.points_px for ring in self.rings]
        self.points_px = np.concatenate(points)
        self.near = chain.camera.undistort(self.points_px)
        self.best = positions(chain, zero, list(rings), NO_CHANGE)
        none = Changes.mixed([*influences, NO_CHANGE], np.zeros((len(influences) + 1, 1)))
        self.offset = self.best - self._positions(none)[:, 0]

    def positions(self, changes: Changes) -> FloatArray:
        """Axial positions from the zero ring, mm, shape (rings, draws)."""
        count = len(changes.diameter_mm)
        parts = [
            self._positions(changes.part(slice(start, start + _CHUNK)))
            for start in range(0, count, _CHUNK)
        ]
        return np.asarray(np.concatenate(parts, axis=1) + self.offset[:, None])

    def _positions(self, changes: Changes) -> FloatArray:
        x, y = self._ideal(changes)
        count, used = len(x), 0
        normals = []
        for (points, share), known in zip(self.sides, self.side_normals, strict=True):
            own = slice(used, used := used + len(points))
            normals.append(_line_normal(x[:, own], y[:, own], share, known))
        first, second = normals
        axis = np.cross(first, second)
        axis /= np.linalg.norm(axis, axis=1, keepdims=True)
        axis *= np.sign(axis @ self.axis)[:, None]
        foot = (first + second) / (1.0 + _dot(first, second))[:, None]  # of a radius of 1
        radius, distance = self._radius_and_distance(changes, axis, foot)
        foot *= distance[:, None]
        means = np.empty((len(self.rings), count))
        for index, ring in enumerate(self.rings):
            own = slice(used, used := used + len(ring.points_px))
            surface = radius * ring.radius_share
            axial = _axial(x[:, own], y[:, own], axis, foot, surface, far=ring.far)
            means[index] = axial @ ring.share
        return np.asarray((means[1:] - means[0]) * (1.0 + self.chain.stretch + changes.stretch))

    def _ideal(self, changes: Changes) -> tuple[FloatArray, FloatArray]:
        """Ideal image points of all pixels, shape (draws, points) each."""
        count, used = len(changes.lens), 0
        x_px, y_px = (np.tile(self.points_px[:, k], (count, 1)) for k in (0, 1))
        for side, (points, share) in enumerate(self.sides):
            own = slice(used, used := used + len(points))
            ends = changes.sides_px[:, 2 * side : 2 * side + 2]
            off = ends[:, :1] * (1.0 - share) + ends[:, 1:] * share
            along = (points[-1] - points[0]) / np.linalg.norm(points[-1] - points[0])
            x_px[:, own] -= off * along[1]
            y_px[:, own] += off * along[0]
        camera = self.chain.camera
        parameters = camera.parameters[:, None] + changes.lens.T
        return camera.undistort_draws((x_px, y_px), parameters, self.near)

    def _radius_and_distance(
        self, changes: Changes, axis: FloatArray, foot: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        chain = self.chain
        by_diameter = by_scale = None
        if chain.diameter_mm is not None:
            by_diameter = 0.5 * (chain.diameter_mm + changes.diameter_mm)
        if self.plane is not None and chain.height_mm is not None:
            point, normal = self.plane.drawn(changes)
            level = _dot(normal, point) - _dot(point, axis) * _dot(normal, axis)
            by_scale = (level - chain.height_mm - changes.height_mm) / _dot(normal, foot)
        if by_diameter is None:
            assert by_scale is not None
            return by_scale, by_scale
        if by_scale is None:
            return by_diameter, by_diameter
        share = chain.scale_weight
        return by_diameter, by_diameter ** (1.0 - share) * by_scale**share


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _PlaneOfLens:
    """Point and normal of the scale's plane by the modes of the lens, to second order.

    Parameters
    ----------
    best : ScalePlane
    first, second : ndarray, shape (modes, 6)
        Point and normal: change per mode, and per half its square.
    """

    best: ScalePlane
    first: FloatArray
    second: FloatArray

    @classmethod
    def of(cls, chain: Chain, influences: Sequence[Change]) -> _PlaneOfLens | None:
        if chain.plane is None or chain.height_mm is None:
            return None
        best = chain.plane(chain.camera)
        middle = np.concatenate([best.point_mm, best.normal])
        ways = []
        for change in influences:
            if change.lens.any():
                planes = [chain.plane(chain.camera.shifted(way * change.lens)) for way in (-1, 1)]
                ways.append([np.concatenate([p.point_mm, p.normal]) for p in planes])
        low, high = np.array(ways).reshape(-1, 2, 6).transpose(1, 0, 2)
        return cls(best=best, first=(high - low) / 2.0, second=high + low - 2.0 * middle)

    def drawn(self, changes: Changes) -> tuple[FloatArray, FloatArray]:
        """Points and unit normals, shape (draws, 3) each, with the plane's own changes."""
        modes = changes.lens_modes
        bent = modes @ self.first + 0.5 * modes**2 @ self.second
        along = self.best.along
        across = np.cross(self.best.normal, along)
        own = changes.plane
        point = (self.best.point_mm + bent[:, :3]) * (1.0 + own[:, :1])
        normal = self.best.normal + bent[:, 3:] + own[:, 1:2] * along + own[:, 2:] * across
        return point, normal / np.linalg.norm(normal, axis=1, keepdims=True)


def _dot(a: FloatArray, b: FloatArray) -> FloatArray:
    return np.asarray(np.einsum("ij,ij->i", a, b))


def _groups(count: int, wanted: int) -> list[FloatArray]:
    return np.array_split(np.arange(count), min(count, wanted))


def _thinned_side(points_px: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Means of stretches of a side, and how far along each lies (0 to 1)."""
    share = ends_share(points_px)
    groups = _groups(len(points_px), _SIDE_POINTS)
    return (
        np.stack([points_px[group].mean(axis=0) for group in groups]),
        np.array([share[group].mean() for group in groups]),
    )


def _thinned_ring(ring: RingReading) -> RingReading:
    groups = [g for g in _groups(len(ring.share), _RING_POINTS) if ring.share[g].sum() > 0.0]
    return RingReading(
        points_px=np.stack(
            [np.average(ring.points_px[g], axis=0, weights=ring.share[g]) for g in groups]
        ),
        share=np.array([ring.share[g].sum() for g in groups]),
        radius_share=ring.radius_share,
        far=ring.far,
    )


def _line_normal(x: FloatArray, y: FloatArray, share: FloatArray, known: FloatArray) -> FloatArray:
    """Unit normals of the planes through the camera's centre and each line, shape (draws, 3).

    The line is fitted by least squares to points spread by `share` along it; `known` is the
    normal before any change, on the side that counts as positive.
    """
    spread = share - share.mean()
    spread = spread / (spread @ spread)
    even = np.full(share.size, 1.0 / share.size)
    ones = np.ones(len(x))
    middle = np.stack([x @ even, y @ even, ones], axis=1)
    along = np.stack([x @ spread, y @ spread, 0.0 * ones], axis=1)
    normal = np.cross(along, middle)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    return np.asarray(normal * np.sign(normal @ known)[:, None])


def _axial(
    x: FloatArray,
    y: FloatArray,
    axis: FloatArray,
    foot: FloatArray,
    radius: FloatArray,
    *,
    far: bool,
) -> FloatArray:
    """Where rays (x, y, 1) first meet the cylinders (or leave them), along the axes.

    Shape (draws, points).
    """
    along = axis[:, :1] * x + axis[:, 1:2] * y + axis[:, 2:]
    toward = foot[:, :1] * x + foot[:, 1:2] * y + foot[:, 2:]
    a = x * x + y * y + 1.0 - along * along
    c = (_dot(foot, foot) - radius**2)[:, None]
    root = np.sqrt(np.maximum(toward * toward - a * c, 0.0))
    distance = (toward + root if far else toward - root) / a
    return np.asarray(distance * along)
