"""Results as JSON, under the names that others rely on; full precision, never NaN."""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from bandscan.curves import axis_px, edge_px, end_face_px
from bandscan.model import BudgetLine, Photo
from bandscan.result import (
    Band,
    CheckReport,
    Correction,
    EdgeResult,
    Improvement,
    Landing,
    LandingLip,
    Measurement,
    Refusal,
    ScaleResult,
    SealFile,
    ShaftResult,
)
from calib.camera import Camera
from calib.lens import CameraIdentity, LensCalibration
from calib.monte_carlo import Spread, validate
from calib.quantity import Estimate

MEASUREMENT_SCHEMA = "bandscan.measurement/1"
CHECK_SCHEMA = "bandscan.check/1"

Json = dict[str, Any]


def measurement_object(measurement: Measurement) -> Json:
    """One measurement as a JSON object."""
    camera = None if measurement.lens is None else measurement.lens.camera
    bands = measurement.bands if measurement.refusal is None else ()
    return {
        "schema": MEASUREMENT_SCHEMA,
        "photo": _photo(measurement.file, measurement.photo),
        "lens": _lens(measurement.lens),
        "scales": [_scale(scale) for scale in measurement.scales],
        "agreement": None
        if measurement.agreement is None
        else {"En": measurement.agreement.en, "agree": measurement.agreement.agree},
        "shaft": _shaft(camera, measurement.shaft),
        "bands": [_band(camera, measurement.shaft, band) for band in bands],
        "least_contrast": measurement.least_contrast,
        "budget": [_budget_line(line) for line in measurement.budget],
        "covariance_mm2": measurement.covariance_mm2 if bands else None,
        "corrections": [_correction(correction) for correction in measurement.corrections],
        "warnings": [{"code": w.code, "message": w.message} for w in measurement.warnings],
        "refusal": _refusal(measurement.refusal),
        "landing": None if measurement.landing is None else landing_object(measurement.landing),
        "seal": None if measurement.seal is None else _seal(measurement.seal),
    }


def _budget_line(line: BudgetLine) -> Json:
    return {
        "edge": line.edge,
        "source": line.source,
        "type": line.kind,
        "distribution": line.distribution,
        "contribution_mm": line.contribution_mm,
        "dof": line.dof,
        "inputs": [
            {
                "name": item.name,
                "u": item.u,
                "unit": item.unit,
                "sensitivity_mm": item.sensitivity_mm,
            }
            for item in line.inputs
        ],
        "from": line.origin,
    }


def check_object(report: CheckReport) -> Json:
    """What a photo is good for, as a JSON object."""
    camera = None if report.lens is None else report.lens.camera
    return {
        "schema": CHECK_SCHEMA,
        "photo": _photo(report.file, report.photo),
        "lens": _lens(report.lens),
        "scales": [_scale(scale) for scale in report.scales],
        "shaft": _shaft(camera, report.shaft),
        "quality": [
            {
                "name": figure.name,
                "value": figure.value,
                "unit": figure.unit,
                "good": figure.good,
                "advice": figure.advice,
            }
            for figure in report.quality
        ],
        "expected_U_mm": report.expected_expanded_mm,
        "improvement": _improvement(report.improvement),
        "refusal": _refusal(report.refusal),
    }


def _improvement(improvement: Improvement | None) -> Json | None:
    if improvement is None:
        return None
    return {
        "source": improvement.source,
        "advice": improvement.advice,
        "expected_U_mm": improvement.expanded_mm,
    }


def json_text(objects: Sequence[Json]) -> str:
    """JSON text: the object itself for one photo, an array for several."""
    content = objects[0] if len(objects) == 1 else list(objects)
    return json.dumps(_finite(content), indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _finite(value: Any) -> Any:
    """Plain Python values, with null for what is not a finite number."""
    if isinstance(value, dict):
        return {key: _finite(item) for key, item in value.items()}
    if isinstance(value, np.ndarray):
        value = value.tolist()
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if isinstance(value, (float, np.floating)):
        return float(value) if math.isfinite(value) else None
    if isinstance(value, np.bool_):
        return bool(value)
    if isinstance(value, np.integer):
        return int(value)
    return value


def _points(points_px: Any) -> list[list[float] | None]:
    """Points as [x, y]; null where a coordinate is missing."""
    array = np.asarray(points_px, dtype=float)
    return [row.tolist() if np.isfinite(row).all() else None for row in array]


def _photo(file: str, photo: Photo | None) -> Json:
    return {
        "file": file,
        "sha256": None if photo is None else photo.sha256,
        "width_px": None if photo is None else photo.width_px,
        "height_px": None if photo is None else photo.height_px,
        "taken": None if photo is None else photo.taken,
        "orientation": None if photo is None else photo.orientation,
        "camera": None if photo is None else _camera(photo.identity),
    }


def _camera(identity: CameraIdentity) -> str | None:
    """Make and model; nothing that tells one camera from another of its kind."""
    return " ".join(part for part in (identity.make, identity.model) if part) or None


def _seal(seal: SealFile) -> Json:
    """The seal file word for word, so that its landing can be planned anew."""
    return {"file": seal.name, "sha256": seal.sha256, "text": seal.text}


def _correction(correction: Correction) -> Json:
    def place(estimate: Estimate | None) -> Json | None:
        return None if estimate is None else full_estimate(estimate)

    return {
        "what": correction.what,
        "automatic_mm": place(correction.automatic_mm),
        "corrected_mm": place(correction.corrected_mm),
        "by": correction.by,
        "why": correction.why,
        "when": correction.when,
    }


def _lens(lens: LensCalibration | None) -> Json | None:
    if lens is None:
        return None
    camera = lens.camera
    return {
        "source": lens.source,
        "fx_px": camera.fx_px,
        "fy_px": camera.fy_px,
        "cx_px": camera.cx_px,
        "cy_px": camera.cy_px,
        "distortion": list(camera.distortion),
    }


def _scale(scale: ScaleResult) -> Json:
    content: Json = {
        "kind": scale.kind,
        "mm_per_px": scale.mm_per_px,
        "relative_u": scale.relative_u,
        "pitch_mm": scale.pitch_mm,
    }
    if scale.graduations_px is not None:
        content["graduations"] = scale.graduations
        content["graduations_px"] = _points(scale.graduations_px)
    if scale.corners_px is not None:
        content["corners_px"] = _points(scale.corners_px)
    return content


def _value_u(estimate: Estimate | None) -> Json | None:
    return None if estimate is None else {"value": estimate.value, "u": estimate.u}


def _with_spread(estimate: Estimate, spread: Spread | None) -> Json:
    """An estimate with the interval of the draws beside it."""
    content = full_estimate(estimate)
    if spread is not None:
        content["monte_carlo"] = {
            "mean": spread.mean,
            "u": spread.u,
            "low": spread.low,
            "high": spread.high,
            "trials": spread.trials,
            "lost": spread.lost,
            "validates": validate(estimate, spread).holds,
        }
    return content


def full_estimate(estimate: Estimate) -> Json:
    """Value, standard and expanded uncertainty, coverage factor, degrees of freedom."""
    return {
        "value": estimate.value,
        "u": estimate.u,
        "U": estimate.expanded,
        "k": estimate.k,
        "dof": estimate.dof,
    }


def _shaft(camera: Camera | None, shaft: ShaftResult | None) -> Json | None:
    if shaft is None or camera is None:
        return None
    return {
        "diameter_mm": _value_u(shaft.diameter_mm),
        "diameter_in_photo_mm": _value_u(shaft.diameter_in_photo_mm),
        "axis_px": _points(axis_px(camera, shaft)),
        "end_px": _points(end_face_px(camera, shaft)),
        "end_read_from": shaft.end.what,
        "end_u_mm": shaft.end.axial_mm.u,
        "chamfer_mm": _value_u(shaft.end.chamfer_mm),
        "seen_to_mm": shaft.seen_to_mm,
        "cut_in_mm": shaft.cut_in_mm,
        "arc_deg": _degrees(shaft.arc_rad),
        "temperature_c": {
            "shaft": shaft.temperatures.shaft_c,
            "scale": shaft.temperatures.standard_c,
            "stated": shaft.temperatures.stated,
        },
        "pose": {
            "origin_mm": shaft.pose.origin_mm.tolist(),
            "direction": shaft.pose.direction.tolist(),
            "radius_mm": shaft.pose.radius_mm,
        },
        "rim_radius_mm": shaft.end.rim_radius_mm,
    }


def _degrees(arc_rad: tuple[float, float]) -> list[float]:
    return [math.degrees(arc_rad[0]), math.degrees(arc_rad[1])]


def _band(camera: Camera | None, shaft: ShaftResult | None, band: Band) -> Json:
    def curve(edge: EdgeResult) -> list[list[float] | None]:
        if camera is None or shaft is None:
            return []
        return _points(edge_px(camera, shaft, band, edge))

    return {
        "start_mm": _with_spread(band.start.position_mm, band.start.spread_mm),
        "end_mm": _with_spread(band.end.position_mm, band.end.spread_mm),
        "width_mm": _with_spread(band.width_mm, band.width_spread_mm),
        "start_px": curve(band.start),
        "end_px": curve(band.end),
        "arc_deg": _degrees(band.arc_rad),
        "looks": band.looks,
        "strength": band.strength,
        "by_hand": band.by_hand,
        "start_wobble_mm": band.start.wobble_mm,
        "end_wobble_mm": band.end.wobble_mm,
    }


def _refusal(refusal: Refusal | None) -> Json | None:
    if refusal is None:
        return None
    return {"code": refusal.code, "message": refusal.message, "remedy": refusal.remedy}


def landing_object(landing: Landing) -> Json:
    """The landing of one seal, without its schema, as a JSON object."""
    return {
        "lips": [_lip(lip) for lip in landing.lips],
        "shift": {
            "windows_mm": landing.shift.windows_mm,
            "smallest_mm": landing.shift.smallest_mm,
            "roomiest_mm": landing.shift.roomiest_mm,
            "why_none": landing.shift.why_none,
        },
    }


def _lip(lip: LandingLip) -> Json:
    return {
        "name": lip.name,
        "contact_mm": lip.contact_mm,
        "u_mm": lip.u_mm,
        "U_mm": lip.expanded_mm,
        "nearest_band": lip.nearest_band,
        "clearance_mm": None if lip.clearance_mm is None else full_estimate(lip.clearance_mm),
        "probability_on_band": lip.probability_on_band,
        "verdict": lip.verdict,
        "why": lip.why,
    }
