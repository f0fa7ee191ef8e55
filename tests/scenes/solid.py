"""Rays meet a shaft: a surface of revolution made of cylinders, cones and rings."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tests.scenes.model import Shaft
from tests.scenes.view import Array, View

_ROUNDED_PARTS = 8
_BEYOND_MM = 400.0  # the shaft goes on out of the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A stretch of the outline from (x0, r0) to (x1, r1); its outer side is on the left of it."""

    kind: str  # face | hole | edge | land | groove | wall | after
    x0: float
    r0: float
    x1: float
    r1: float

    @property
    def normal(self) -> tuple[float, float]:
        """Along the axis, and away from it."""
        length = math.hypot(self.x1 - self.x0, self.r1 - self.r0)
        return -(self.r1 - self.r0) / length, (self.x1 - self.x0) / length


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hits:
    """Where rays meet the shaft, arrays of one shape; `part` is -1 where they miss."""

    distance: Array
    part: NDArray[np.int8]
    x: Array
    angle: Array


def outline(shaft: Shaft) -> list[Part]:
    """The parts of a shaft from the middle of its end face on."""
    radius, start = shaft.radius_mm, shaft.edge_axial_mm
    hole = shaft.centre_hole_mm
    parts = [Part(kind="face", x0=0.0, r0=hole, x1=0.0, r1=shaft.face_radius_mm)]
    if hole > 0.0:
        parts.append(Part(kind="hole", x0=0.0, r0=0.0, x1=0.0, r1=hole))
    if shaft.rounded:
        turns = np.linspace(0.0, 0.5 * math.pi, _ROUNDED_PARTS + 1)
        xs = start * (1.0 - np.cos(turns))
        rs = shaft.face_radius_mm + shaft.edge_radial_mm * np.sin(turns)
        corners = list(zip(xs.tolist(), rs.tolist(), strict=True))
    else:
        corners = [(0.0, shaft.face_radius_mm), (start, radius)]
    parts += [
        Part(kind="edge", x0=a[0], r0=a[1], x1=b[0], r1=b[1])
        for a, b in itertools.pairwise(corners)
    ]
    at = start
    if shaft.groove is not None:
        begin, end = shaft.groove.start_mm, shaft.groove.end_mm
        inner = radius - shaft.groove.depth_mm
        parts += [
            Part(kind="land", x0=at, r0=radius, x1=begin, r1=radius),
            Part(kind="wall", x0=begin, r0=radius, x1=begin, r1=inner),
            Part(kind="groove", x0=begin, r0=inner, x1=end, r1=inner),
            Part(kind="wall", x0=end, r0=inner, x1=end, r1=radius),
        ]
        at = end
    parts.append(Part(kind="land", x0=at, r0=radius, x1=shaft.land_mm, r1=radius))
    after = radius if shaft.after_land == "finish" else shaft.after_radius_mm
    if after != radius:
        parts.append(Part(kind="wall", x0=shaft.land_mm, r0=radius, x1=shaft.land_mm, r1=after))
    parts.append(
        Part(kind="after", x0=shaft.land_mm, r0=after, x1=shaft.land_mm + _BEYOND_MM, r1=after)
    )
    return parts


def box_px(
    view: View, part: Part, low: tuple[int, int], high: tuple[int, int]
) -> tuple[slice, slice]:
    """Rows and columns of the window (low to high, x and y) that a part can lie in."""
    turn = np.linspace(0.0, 2.0 * math.pi, 73)
    rings = []
    for x, r in ((part.x0, part.r0), (part.x1, part.r1)):
        xs = np.linspace(part.x0, x, 9) if part.kind == "after" else np.array([x])
        for at in xs:
            ring = np.stack([np.full_like(turn, at), r * np.sin(turn), r * np.cos(turn)], axis=1)
            rings.append(ring[view.depth(ring) > 20.0])
    points = view.pixels(np.concatenate(rings))
    points = points[(np.abs(points) < 5.0 * view.width_px).all(axis=1)]
    least = np.clip(np.floor(points.min(axis=0)).astype(int) - 3, low, high) - low
    most = np.clip(np.ceil(points.max(axis=0)).astype(int) + 4, low, high) - low
    return slice(least[1], most[1]), slice(least[0], most[0])


def cast(
    eye: Array, directions: Array, parts: list[Part], boxes: list[tuple[slice, ...]] | None = None
) -> Hits:
    """Nearest hit of every ray, `directions` of shape (3, ...)."""
    shape = directions.shape[1:]
    distance = np.full(shape, np.inf)
    index = np.full(shape, -1, dtype=np.int8)
    for number, part in enumerate(parts):
        box = boxes[number] if boxes is not None else (Ellipsis,)
        d = directions[(slice(None), *box)].astype(float)
        if d.size == 0:
            continue
        found = _meet(eye, d, part)
        nearer = found < distance[box]
        distance[box] = np.where(nearer, found, distance[box])
        index[box] = np.where(nearer, np.int8(number), index[box])
    safe = np.where(index >= 0, distance, 1.0)
    y = eye[1] + safe * directions[1]
    z = eye[2] + safe * directions[2]
    return Hits(
        distance=distance, part=index, x=eye[0] + safe * directions[0], angle=np.arctan2(y, z)
    )


def _meet(eye: Array, d: Array, part: Part) -> Array:
    """Distance (in units of the direction's length) to one part, infinite where it is missed."""
    with np.errstate(divide="ignore", invalid="ignore"):
        if part.x0 == part.x1:
            t = (part.x0 - eye[0]) / d[0]
            rr = (eye[1] + t * d[1]) ** 2 + (eye[2] + t * d[2]) ** 2
            small, large = sorted((part.r0, part.r1))
            hit = (rr >= small * small) & (rr < large * large)
        else:
            slope = (part.r1 - part.r0) / (part.x1 - part.x0)
            here = part.r0 + slope * (eye[0] - part.x0)  # the cone's radius beside the eye
            a = d[1] ** 2 + d[2] ** 2 - (slope * d[0]) ** 2
            b = eye[1] * d[1] + eye[2] * d[2] - slope * here * d[0]
            c = eye[1] ** 2 + eye[2] ** 2 - here * here
            t = (-b - np.sqrt(b * b - a * c)) / a
            x = eye[0] + t * d[0]
            hit = (x >= part.x0) & (x < part.x1)
        along, away = part.normal
        y, z = eye[1] + t * d[1], eye[2] + t * d[2]
        front = along * d[0] + away * (y * d[1] + z * d[2]) / np.hypot(y, z) < 0.0
    return np.where(hit & front & (t > 0.0), t, np.inf)
