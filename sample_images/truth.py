"""The truth file of a photo: what is where, in millimetres and in pixels of the stored grid."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

import numpy as np
from camera_model import Lens, Pose, project
from meshes import face_radius_mm
from numpy.typing import NDArray
from scales import BOARD_SQUARES, CARD_MARGIN_MM, CARD_SQUARES, scale_directions
from shots import Band, Scale, Shaft, Shot

Json = dict[str, Any]
Array = NDArray[np.float64]

SCHEMA = "bandscan.sample-truth/1"
POINTS_PER_EDGE = 11
OUTLINE_STEPS = 2001
VISIBLE_SHARE = 0.97  # points are given up to this share of the arc that the camera sees
FACING_HALF_ARC_RAD = np.pi / 4.0


def arc_seen(shaft_radius_mm: float, pose: Pose) -> tuple[float, float]:
    """Return the angle that faces the camera and half the visible arc, in radians."""
    _, y, z = pose.centre_mm
    return float(np.arctan2(y, z)), float(np.arccos(shaft_radius_mm / np.hypot(y, z)))


def circle_points(
    lens: Lens, pose: Pose, x_mm: Array, radius_mm: float | Array, theta_rad: Array
) -> list[Json]:
    """Return points of a circle (or wobbling edge) on the shaft with their pixels."""
    world = np.stack([x_mm, radius_mm * np.sin(theta_rad), radius_mm * np.cos(theta_rad)], axis=1)
    pixels = project(lens, pose, world)
    return [
        {
            "theta_deg": round(float(np.degrees(t)), 4),
            "x_mm": round(float(w[0]), 5),
            "px": [round(float(p[0]), 3), round(float(p[1]), 3)],
            "in_frame": bool(
                -0.5 <= p[0] < lens.width_px - 0.5 and -0.5 <= p[1] < lens.height_px - 0.5
            ),
        }
        for t, w, p in zip(theta_rad, world, pixels, strict=True)
    ]


def angles(radius_mm: float, pose: Pose) -> Array:
    """Return the angles at which edge points are listed."""
    facing, half = arc_seen(radius_mm, pose)
    return facing + np.linspace(-VISIBLE_SHARE * half, VISIBLE_SHARE * half, POINTS_PER_EDGE)


def band_truth(band: Band, shaft: Shaft, lens: Lens, pose: Pose) -> Json:
    """Return one band: means over the turn and the +-45 degrees facing the camera, points."""
    theta = angles(shaft.radius_mm, pose)
    facing, _ = arc_seen(shaft.radius_mm, pose)
    phase = np.radians(band.wobble_phase_deg)
    mean_cosine = np.cos(facing - phase) * np.sin(FACING_HALF_ARC_RAD) / FACING_HALF_ARC_RAD
    out = asdict(band)
    for edge in ("start", "end"):
        at = getattr(band, f"{edge}_mm")
        out[f"{edge}_facing_mm"] = round(float(at + band.wobble_mm * mean_cosine), 5)
        run = at + band.wobble_mm * np.cos(theta - phase)
        out[f"{edge}_points_px"] = circle_points(lens, pose, run, shaft.radius_mm, theta)
    return out


def shaft_truth(shaft: Shaft, lens: Lens, pose: Pose) -> Json:
    """Return the shaft: sizes, end edge, rim points, silhouettes and what is not a band."""
    rim = face_radius_mm(shaft)
    facing, half = arc_seen(shaft.radius_mm, pose)
    theta, zero = angles(shaft.radius_mm, pose), np.zeros(POINTS_PER_EDGE)
    ends = np.array([shaft.edge_axial_mm, shaft.land_length_mm])
    edge: Json = {
        "kind": shaft.edge_kind,
        "axial_mm": shaft.edge_axial_mm,
        "radial_mm": round(shaft.radius_mm - rim, 5),
    }
    if shaft.edge_kind == "chamfer":
        edge["angle_deg"] = shaft.edge_angle_deg
    return {
        "name": shaft.name,
        "diameter_mm": shaft.diameter_mm,
        "land_length_mm": shaft.land_length_mm,
        "end_edge": edge,
        "end_face_radius_mm": round(rim, 5),
        "end_face_seen": bool(pose.centre_mm[0] < 0.0),
        "end_face_points_px": circle_points(lens, pose, zero, rim, theta),
        "end_outline_points_px": outline_points(shaft, lens, pose, theta),
        "edge_outer_points_px": circle_points(
            lens, pose, zero + shaft.edge_axial_mm, shaft.radius_mm, theta
        ),
        "facing_theta_deg": round(float(np.degrees(facing)), 4),
        "visible_half_arc_deg": round(float(np.degrees(half)), 4),
        "silhouette_px": [
            circle_points(lens, pose, ends, shaft.radius_mm, np.full(2, facing + side * half))
            for side in (-1.0, 1.0)
        ],
        "finish": asdict(shaft.finish),
        "not_bands": not_bands(shaft),
    }


def outline_points(shaft: Shaft, lens: Lens, pose: Pose, theta_rad: Array) -> list[Json]:
    """Return where the picture of the shaft ends.

    That is the end face's rim, but for a rounded edge with the face hidden: then the outline is
    where the line of sight touches the rounding, a little inside the end face.
    """
    if shaft.edge_kind == "chamfer" or pose.centre_mm[0] < 0.0:
        rim = np.full(theta_rad.size, face_radius_mm(shaft))
        return circle_points(lens, pose, np.zeros(theta_rad.size), rim, theta_rad)
    size = shaft.edge_axial_mm
    turn = np.linspace(0.0, np.pi / 2.0, OUTLINE_STEPS)[:, None]
    x = size * (1.0 - np.cos(turn))
    r = shaft.radius_mm - size * (1.0 - np.sin(turn))
    cx, cy, cz = pose.centre_mm
    outward = cy * np.sin(theta_rad) + cz * np.cos(theta_rad)
    facing = -np.cos(turn) * (cx - x) + np.sin(turn) * (outward - r)  # normal . line of sight
    first = np.argmax(facing > 0.0, axis=0)
    return circle_points(lens, pose, x[first, 0], r[first, 0], theta_rad)


def not_bands(shaft: Shaft) -> list[Json]:
    """Return everything on the shaft that a careless eye may take for a band."""
    out: list[Json] = [{"kind": "snap-ring groove", **asdict(groove)} for groove in shaft.grooves]
    out += [{"kind": "one-sided stain", **asdict(stain)} for stain in shaft.stains]
    kind = "shoulder" if shaft.shoulder_diameter_mm else "change of finish"
    out.append(
        {
            "kind": kind,
            "x_mm": shaft.land_length_mm,
            "diameter_beyond_mm": shaft.shoulder_diameter_mm or shaft.diameter_mm,
        }
    )
    if shaft.centre_hole_mm:
        out.append({"kind": "centre hole", "mouth_diameter_mm": shaft.centre_hole_mm})
    return out


def scale_truth(scale: Scale | None, lens: Lens, pose: Pose) -> Json:
    """Return the scale: kind, pitch, origin, directions and height relative to the shaft's axis."""
    if scale is None:
        return {"kind": "none"}
    u, v = scale_directions(scale)
    origin = np.asarray(scale.origin_mm)
    out: Json = {
        "kind": scale.kind,
        "origin_mm": list(scale.origin_mm),
        "u": [float(c) for c in u.round(9)],
        "v": [float(c) for c in v.round(9)],
        "plane_height_rel_axis_mm": scale.origin_mm[2],
    }
    if scale.kind == "card":
        return out | {
            "pattern": "charuco",
            "columns": CARD_SQUARES[0],
            "rows": CARD_SQUARES[1],
            "square_mm": 6.0,
            "marker_mm": 4.4,
            "dictionary": "DICT_4X4_100",
            "margin_mm": CARD_MARGIN_MM,
            "corners_px": corner_list(lens, pose, origin, u, v, CARD_SQUARES, 6.0),
        }
    numbers = np.arange(0, scale.marks + 1)
    feet = project(lens, pose, origin + numbers[:, None] * scale.pitch_mm * u)
    return out | {
        "pitch_mm": scale.pitch_mm,
        "last_mark": scale.marks,
        "width_mm": scale.width_mm,
        "material": scale.material,
        "marks_at_edge_px": [[round(float(a), 3), round(float(b), 3)] for a, b in feet],
    }


def corner_list(
    lens: Lens,
    pose: Pose,
    origin: Array,
    u: Array,
    v: Array,
    squares: tuple[int, int],
    square_mm: float,
) -> list[list[float]]:
    """Return pixels of the inner chessboard corners, row by row (in the order of OpenCV's ids)."""
    i, j = np.meshgrid(np.arange(1, squares[0]), np.arange(1, squares[1]))
    world = origin + square_mm * (i.reshape(-1, 1) * u + j.reshape(-1, 1) * v)
    return [[round(float(a), 3), round(float(b), 3)] for a, b in project(lens, pose, world)]


def camera_truth(lens: Lens, pose: Pose, focus_mm: float, shot: Shot) -> Json:
    """Return intrinsics, distortion and pose for the stored pixel grid."""
    intrinsics = {name: getattr(lens, name) for name in lens.__slots__}
    return intrinsics | {
        "R": pose.rotation.round(12).tolist(),
        "t_mm": pose.translation_mm.round(9).tolist(),
        "centre_mm": pose.centre_mm.round(6).tolist(),
        "focus_plane_mm": round(focus_mm, 3),
        "turn_deg": shot.view.turn_deg,
        "tilt_x_deg": shot.view.tilt_x_deg,
        "tilt_y_deg": shot.view.tilt_y_deg,
    }


def write_truth(shot: Shot, lens: Lens, pose: Pose, focus_mm: float) -> Json:
    """Return the truth of a photo as one JSON object."""
    out: Json = {
        "schema": SCHEMA,
        "photo": f"{shot.name}.jpg",
        "seed": shot.seed,
        "shows": shot.shows,
        "expect": "refuse" if shot.refuse_reason else "measure",
        "refuse_reason": shot.refuse_reason or None,
        "image": {
            "width_px": lens.width_px,
            "height_px": lens.height_px,
            "exif_orientation": shot.view.orientation,
        },
        "camera": camera_truth(lens, pose, focus_mm, shot),
    }
    if shot.board:
        u, v = np.array([1.0, 0.0, 0.0]), np.array([0.0, -1.0, 0.0])
        corners = corner_list(lens, pose, np.zeros(3), u, v, BOARD_SQUARES, 15.0)
        out["expect"] = "lens"
        return out | {
            "board": {
                "origin_mm": [0, 0, 0],
                "u": u.tolist(),
                "v": v.tolist(),
                "square_mm": 15.0,
                "corners_px": corners,
            }
        }
    assert shot.shaft is not None
    out["shaft"] = shaft_truth(shot.shaft, lens, pose)
    out["bands"] = [band_truth(band, shot.shaft, lens, pose) for band in shot.shaft.bands]
    out["scale"] = scale_truth(shot.scale, lens, pose)
    return out
