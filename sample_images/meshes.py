"""Triangle meshes of the scene, written as binary PLY files for the renderer."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from shots import Shaft

Array = NDArray[np.float64]

TURN_STEPS = 1440  # the facets of a 50 mm shaft then lie within 0.06 um of the circle
AXIAL_STEP_MM = 4.0
ROUND_EDGE_STEPS = 24


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A stretch of the profile: points (x, r), its map and where v = 0 and 1 lie on it."""

    part: str  # land | turned | face | edge | groove
    profile: tuple[tuple[float, float], ...]
    v_zero_mm: float = 0.0
    v_one_mm: float = 1.0
    smooth: bool = False


def face_radius_mm(shaft: Shaft) -> float:
    """Return the radius of the end face's rim."""
    if shaft.edge_kind == "chamfer":
        return shaft.radius_mm - shaft.edge_axial_mm * float(
            np.tan(np.radians(shaft.edge_angle_deg))
        )
    return shaft.radius_mm - shaft.edge_axial_mm


def end_edge(shaft: Shaft) -> Piece:
    """Return the chamfer, or the quarter circle of an edge radius."""
    if shaft.edge_kind == "chamfer":
        points = ((0.0, face_radius_mm(shaft)), (shaft.edge_axial_mm, shaft.radius_mm))
        return Piece(part="edge", profile=points, v_one_mm=shaft.edge_axial_mm)
    size = shaft.edge_axial_mm
    turn = np.linspace(0.0, np.pi / 2, ROUND_EDGE_STEPS + 1)
    points = tuple((size * (1 - np.cos(t)), shaft.radius_mm - size * (1 - np.sin(t))) for t in turn)
    return Piece(part="edge", profile=points, v_one_mm=size, smooth=True)


def shaft_pieces(shaft: Shaft) -> list[Piece]:
    """Return the profile from the centre of the end face to the far end."""
    radius, rim, land = shaft.radius_mm, face_radius_mm(shaft), shaft.land_length_mm
    hole = shaft.centre_hole_mm / 2.0
    pieces = [Piece(part="face", profile=((0.0, max(hole, 1e-3)), (0.0, rim)), v_one_mm=rim)]
    if hole:
        cone = (
            hole * 0.5 / np.tan(np.radians(30.0))
        )  # 60 degree centre, DIN 332-1 form A, then the pilot drill
        pieces.append(Piece(part="groove", profile=((cone, hole * 0.5), (0.0, hole))))
        pieces.append(
            Piece(
                part="groove",
                profile=((cone + 6.0, 1e-3), (cone + 6.0, hole * 0.5), (cone, hole * 0.5)),
            )
        )
    pieces.append(end_edge(shaft))
    at = shaft.edge_axial_mm
    for groove in shaft.grooves:
        low = radius - groove.depth_mm
        pieces.append(
            Piece(part="land", profile=((at, radius), (groove.start_mm, radius)), v_one_mm=land)
        )
        walls = (
            (groove.start_mm, radius),
            (groove.start_mm, low),
            (groove.end_mm, low),
            (groove.end_mm, radius),
        )
        pieces.append(Piece(part="groove", profile=walls))
        at = groove.end_mm
    pieces.append(Piece(part="land", profile=((at, radius), (land, radius)), v_one_mm=land))
    beyond = shaft.shoulder_diameter_mm / 2.0 or radius
    if beyond != radius:
        pieces.append(Piece(part="groove", profile=((land, radius), (land, beyond))))
    far = ((land, beyond), (shaft.length_mm, beyond))
    pieces.append(Piece(part="turned", profile=far, v_zero_mm=land, v_one_mm=shaft.length_mm))
    return pieces


def revolve(piece: Piece, path: Path) -> None:
    """Write the surface of revolution of `piece`; u = theta / 2 pi, v along x (a face: along r)."""
    points = np.asarray(piece.profile)
    runs = [points] if piece.smooth else [points[i : i + 2] for i in range(len(points) - 1)]
    vertices, faces, base = [], [], 0
    theta = np.linspace(0.0, 2.0 * np.pi, TURN_STEPS + 1)
    for coarse in runs:
        run = subdivided(coarse)
        nx, nr = profile_normals(run)
        ring = [
            np.stack(
                [
                    np.full_like(theta, x),
                    r * np.sin(theta),
                    r * np.cos(theta),
                    np.full_like(theta, a),
                    b * np.sin(theta),
                    b * np.cos(theta),
                    theta / (2.0 * np.pi),
                    np.full_like(theta, texture_v(piece, x, r)),
                ],
                axis=1,
            )
            for (x, r), a, b in zip(run, nx, nr, strict=True)
        ]
        vertices.append(np.concatenate(ring))
        faces.append(base + grid_faces(len(run), theta.size))
        base += len(run) * theta.size
    write_ply(path, np.concatenate(vertices), np.concatenate(faces))


def subdivided(run: Array) -> Array:
    """Return the polyline with no step longer than `AXIAL_STEP_MM`."""
    out = [run[:1]]
    for a, b in itertools.pairwise(run):
        steps = max(1, int(np.ceil(np.hypot(*(b - a)) / AXIAL_STEP_MM)))
        out.append(a + (b - a) * (np.arange(1, steps + 1) / steps)[:, None])
    return np.concatenate(out)


def profile_normals(run: Array) -> tuple[Array, Array]:
    """Return outward normals (along x, along r) at the points of a polyline."""
    slope = np.gradient(run, axis=0)
    slope /= np.linalg.norm(slope, axis=1, keepdims=True)
    return -slope[:, 1], slope[:, 0]


def texture_v(piece: Piece, x: float, r: float) -> float:
    """Return the texture's v at a profile point."""
    along = r if piece.part == "face" else x
    return (along - piece.v_zero_mm) / (piece.v_one_mm - piece.v_zero_mm)


def grid_faces(rows: int, cols: int) -> NDArray[np.int32]:
    """Return triangles of a grid of vertices, wound so that the front is the outward side."""
    i, j = np.meshgrid(np.arange(rows - 1), np.arange(cols - 1), indexing="ij")
    a = (i * cols + j).ravel()
    b, c, d = a + 1, a + cols, a + cols + 1
    return np.concatenate([np.stack([a, c, b], 1), np.stack([b, c, d], 1)]).astype(np.int32)


def quad(path: Path, origin: Array, along: Array, across: Array) -> None:
    """Write a rectangle that faces up; u runs with `along`, v with `across`."""
    corners = np.stack([origin, origin + along, origin + along + across, origin + across])
    normal = np.cross(along, across)
    faces = np.array([[0, 1, 2], [0, 2, 3]], dtype=np.int32)
    if normal[2] < 0.0:
        normal, faces = -normal, faces[:, ::-1]
    normal = normal / np.linalg.norm(normal)
    uv = np.array([[0.0, 0.0], [1.0, 0.0], [1.0, 1.0], [0.0, 1.0]])
    write_ply(path, np.hstack([corners, np.tile(normal, (4, 1)), uv]), faces)


def write_ply(path: Path, vertices: Array, faces: NDArray[np.int32]) -> None:
    """Write vertices (x y z nx ny nz u v) and triangles as a little-endian PLY file."""
    names = "".join(
        f"property float {name}\n" for name in ("x", "y", "z", "nx", "ny", "nz", "u", "v")
    )
    head = (
        f"ply\nformat binary_little_endian 1.0\nelement vertex {len(vertices)}\n{names}"
        f"element face {len(faces)}\nproperty list uchar int vertex_index\nend_header\n"
    )
    rows = np.empty(len(faces), dtype=[("n", "u1"), ("v", "<i4", (3,))])
    rows["n"], rows["v"] = 3, faces
    path.write_bytes(head.encode() + vertices.astype("<f4").tobytes() + rows.tobytes())
