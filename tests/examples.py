"""A made-up result to draw and to write: a 45 mm shaft with two bands, seen by a plain camera."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.model import BudgetLine, Doubt, EndFace, Photo, Strip
from bandscan.result import (
    Agreement,
    Band,
    EdgeResult,
    Landing,
    LandingLip,
    LandingShift,
    Measurement,
    ScaleResult,
    ShaftResult,
)
from calib.camera import Camera
from calib.lens import LensCalibration
from calib.quantity import Estimate

WIDTH, HEIGHT = 1200, 900
ARC = (-math.radians(50.0), math.radians(40.0))

CAMERA = Camera(
    width_px=WIDTH, height_px=HEIGHT, fx_px=1000.0, fy_px=1000.0, cx_px=599.5, cy_px=449.5
)
# The axis lies level in the picture, its end at the left, 150 mm from the camera.
POSE = ShaftPose(
    origin_mm=np.array([-40.0, 5.0, 150.0]), direction=np.array([1.0, 0.0, 0.0]), radius_mm=22.5
)


def estimate(value: float, u: float, dof: float = 40.0) -> Estimate:
    return Estimate(value=value, u=u, dof=dof)


def band(start_mm: float, end_mm: float, u: float = 0.03) -> Band:
    return Band(
        start=EdgeResult(position_mm=estimate(start_mm, u), wobble_mm=(0.05, -0.02)),
        end=EdgeResult(position_mm=estimate(end_mm, u), wobble_mm=(0.05, -0.02)),
        width_mm=estimate(end_mm - start_mm, u / 2.0),
        arc_rad=ARC,
        looks="darker",
        strength=7.1,
    )


def photo(orientation: int = 1) -> Photo:
    grey = np.full((HEIGHT, WIDTH), 90, dtype=np.uint8)
    return Photo(
        path=Path("leg4.jpg"),
        sha256="0" * 64,
        grey=grey,
        orientation=orientation,
        taken="2026-05-04T10:11:12",
    )


def shaft() -> ShaftResult:
    return ShaftResult(
        diameter_mm=estimate(45.0, 0.01),
        diameter_in_photo_mm=estimate(45.02, 0.03),
        pose=POSE,
        end=EndFace(
            axial_mm=estimate(0.0, 0.02),
            chamfer_mm=estimate(3.0, 0.03),
            rim_radius_mm=21.4,
            what="face rim",
        ),
        seen_to_mm=70.0,
        arc_rad=ARC,
    )


def scale() -> ScaleResult:
    marks = np.column_stack([np.linspace(100.0, 1100.0, 41), np.full(41, 120.0)])
    marks[5] = np.nan
    return ScaleResult(
        kind="rule", mm_per_px=0.15, relative_u=0.001, pitch_mm=1.0, graduations_px=marks
    )


def strip() -> Strip:
    axial = np.arange(-1.0, 70.0, 0.1)
    angle = np.radians(np.arange(-60.0, 61.0))
    values = np.full((angle.size, axial.size), 0.3, dtype=np.float32)
    values[:, (axial > 12.4) & (axial < 15.9)] = 0.1
    values[:3] = np.nan
    return Strip(values=values, axial_mm=axial, angle_rad=angle)


def landing() -> Landing:
    lip = LandingLip(
        name="main",
        contact_mm=(10.2, 10.5),
        u_mm=0.18,
        expanded_mm=0.353,
        nearest_band=1,
        clearance_mm=estimate(1.9, 0.2),
        probability_on_band=0.0,
        verdict="fresh",
    )
    shift = LandingShift(
        windows_mm=((-1.0, 1.5),), smallest_mm=0.0, roomiest_mm=-1.0, why_none=None
    )
    return Landing(lips=(lip,), shift=shift)


def measurement(**changes: object) -> Measurement:
    fields: dict[str, object] = {
        "file": "leg4.jpg",
        "photo": photo(),
        "lens": LensCalibration(camera=CAMERA, covariance=np.eye(9), source="file"),
        "scales": (scale(), ScaleResult(kind="diameter", mm_per_px=0.15, relative_u=0.0004)),
        "agreement": Agreement(en=0.4),
        "shaft": shaft(),
        "bands": (band(12.43, 15.91), band(30.0, 31.2)),
        "budget": (
            BudgetLine(edge="band 1 start", source="scale", kind="B", contribution_mm=0.012),
            BudgetLine(edge="band 1 start", source="edge fit", kind="A", contribution_mm=0.006),
        ),
        "warnings": (Doubt(code="glare", message="Glare covers 12 % of the land."),),
        "landing": landing(),
        "strip": strip(),
    }
    return Measurement(**(fields | changes))  # type: ignore[arg-type]
