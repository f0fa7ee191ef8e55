"""What the page needs to work every lip out anew at any shift: coefficients, no results."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from bandscan.lip_odds import CONFORMANCE, LipOdds, Room
from bandscan.normal import FAR, NODES, WEIGHTS
from bandscan.output.wording import rounded
from bandscan.planning import Plan
from bandscan.report.source import Geometry
from calib.quantity import Estimate

Json = dict[str, Any]

STEP_MM = 0.05  # of the slider: shims and press-in depths are made to it; common practice
_LEAST_REACH_MM = 3.0  # either way, to look round beyond the room to move


def live_object(plan: Plan) -> Json:
    """Coefficients of every lip, and the constants of the formulas."""
    return {
        "lips": [_lip(odds) for odds in plan.odds],
        "room_mm": list(plan.seal.mounting.shift_mm),
        "conformance": CONFORMANCE,
        "nodes": NODES.tolist(),
        "weights": WEIGHTS.tolist(),
        "far": FAR,
    }


def slider_reach(room_mm: tuple[float, float]) -> tuple[float, float]:
    """Ends of the slider, whole steps, so that 0 is one of its places."""
    low = math.floor(min(room_mm[0], -_LEAST_REACH_MM) / STEP_MM + 1e-6)
    high = math.ceil(max(room_mm[1], _LEAST_REACH_MM) / STEP_MM - 1e-6)
    return round(low * STEP_MM, 2), round(high * STEP_MM, 2)


def geometry_object(geometry: Geometry, *, orientation: int, scale: float) -> Json:
    """Camera and cylinder, to draw rings on the photo.

    Parameters
    ----------
    orientation : int
        By which the stored grid was turned.
    scale : float
        Size of the picture over that of the photo.
    """
    camera, shaft = geometry.camera, geometry.shaft
    facing = shaft.pose.facing
    return {
        "width_px": camera.width_px,
        "height_px": camera.height_px,
        "fx_px": camera.fx_px,
        "fy_px": camera.fy_px,
        "cx_px": camera.cx_px,
        "cy_px": camera.cy_px,
        "distortion": list(camera.distortion),
        "origin_mm": shaft.pose.origin_mm.tolist(),
        "direction": shaft.pose.direction.tolist(),
        "facing": facing.tolist(),
        "radius_mm": shaft.pose.radius_mm,
        "rim_radius_mm": shaft.end.rim_radius_mm,
        "arc_rad": list(shaft.arc_rad),
        "seen_to_mm": shaft.seen_to_mm,
        "orientation": orientation,
        "scale": scale,
    }


def edge_object(band: Mapping[str, Any], side: str) -> Json:
    """One edge of a band: its place, and its run round the shaft."""
    return {
        "value_mm": float(band[f"{side}_mm"]["value"]),
        "wobble_mm": list(band.get(f"{side}_wobble_mm") or (0.0, 0.0)),
    }


def _lip(odds: LipOdds) -> Json:
    return {
        "name": odds.name,
        "contact_mm": list(odds.contact_mm),
        "gaps_mm": [[_gap(before), _gap(after)] for before, after in odds.gaps_mm],
        "free": [_room(room) for room in odds.free],
        "between_bands": [_room(room) for room in odds.between_bands],
        "on_land": [_room(room) for room in odds.on_land],
    }


def _gap(gap: Estimate) -> Json:
    value, margin = rounded(gap.value, gap.expanded)
    decimals = len(value.partition(".")[2])
    return {"value": gap.value, "margin": margin, "decimals": decimals}


def _room(room: Room) -> list[float | None]:
    """Distances and their standard deviations; null is infinite."""
    numbers = (room.low_mm, room.high_mm, room.low_u_mm, room.high_u_mm, room.rho)
    return [None if math.isinf(number) else float(number) for number in numbers]
