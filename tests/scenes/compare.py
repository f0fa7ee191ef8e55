"""A scene through the whole measurement, and the result against the truth.

The error of an edge is split where it arises: true pixels of a ring, put through the result's
camera and shaft, show what scale, lens and pose do to it; the true rim of the end face shows the
error of the zero; what is left is the reading of the edge itself.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from bandscan.cylinder import silhouette_normals
from bandscan.options import MeasureOptions
from bandscan.pipeline import measure_photo
from bandscan.result import Band, EdgeResult, Measurement
from calib.camera import Camera
from calib.lens import CameraIdentity, LensCalibration
from calib.lensfile import write_lens
from tests.scenes import develop, flat
from tests.scenes.draw import photograph, rendered_contrast
from tests.scenes.model import PolishedBand, Scene
from tests.scenes.view import Array

OVERLAP = 0.3  # intersection over union from which a found band is the true one
GEOMETRY_SOURCES = (
    "silhouettes", "lens", "focus", "diameter", "scale", "rule class", "print of the card",
    "scale height", "temperature",
)  # fmt: skip
ZERO_SOURCES = ("end face",)
_RING_POINTS = 33
_USUAL_ARC = (-math.radians(45.0), math.radians(45.0))
_OUTLINE_AT_MM = (10.0, 40.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeOutcome:
    """One edge: error in all and in its three parts, and what was stated; mm."""

    seed: int
    which: str  # start | end
    band: int
    contrast: str
    width_mm: float
    axial_mm: float
    error_mm: float
    u_mm: float
    expanded_mm: float
    zero_error_mm: float
    geometry_error_mm: float
    reading_error_mm: float
    zero_u_mm: float
    geometry_u_mm: float
    reading_u_mm: float
    lines: dict[str, float]

    @property
    def held(self) -> bool:
        return abs(self.error_mm) <= self.expanded_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class SceneOutcome:
    """What became of one scene."""

    seed: int
    difficulty: str
    lens: str  # file | exif
    scale: str  # rule | card | none
    stated: str  # diameter | height | both
    refusal: str | None
    warnings: tuple[str, ...]
    # Class of contrast, width (mm), rms contrast as rendered, whether it was found.
    bands: tuple[tuple[str, float, float, bool], ...]
    false_bands: tuple[tuple[float, float, float], ...]  # start, end, strength
    edges: tuple[EdgeOutcome, ...]
    widths: tuple[tuple[float, float], ...]  # error and U of a band's width
    zero_error_mm: float | None = None
    zero_u_mm: float | None = None
    # Of the shaft that was found against the true one: outward at 10 mm and at 40 mm, both sides.
    outline_error_px: tuple[float, ...] = ()
    px_per_mm: float = 0.0
    en: float | None = None
    least_contrast: float | None = None  # at which half of the bands are said to be found

    def record(self) -> dict[str, object]:
        return asdict(self)


def lens_of(scene: Scene) -> LensCalibration:
    """The lens file's content: the truth with the calibration's error, and its covariance."""
    view = scene.view
    true = np.array(
        [view.focal_px, view.focal_px, *view.centre_px, view.radial[0], view.radial[1],
         *view.decentring, view.radial[2]]
    )  # fmt: skip
    said = true + scene.lens_file_change
    covariance = np.diag(scene.lens_file_sd**2)
    covariance[0, 1] = covariance[1, 0] = scene.lens_file_sd[0] ** 2
    covariance[:2, :2] += np.eye(2) * 1e-6
    return LensCalibration(
        camera=Camera(
            width_px=view.width_px, height_px=view.height_px, fx_px=said[0], fy_px=said[1],
            cx_px=said[2], cy_px=said[3], distortion=tuple(float(v) for v in said[4:]),
        ),
        covariance=covariance,
        source="file",
        identity=CameraIdentity(
            make=develop.MAKE, model=develop.MODEL,
            focal_35mm=float(max(1, round(scene.sensor.focal_35mm))),
        ),
        reprojection_rms_px=0.2,
    )  # fmt: skip


def options_for(scene: Scene, folder: Path) -> MeasureOptions:
    """What the user of this scene would say, with the files that it needs."""
    lens_path = card_path = None
    if scene.stated.lens_file:
        lens_path = folder / f"lens_{scene.seed}.json"
        write_lens(lens_path, lens_of(scene))
    if scene.scale is not None and scene.scale.kind == "card":
        card_path = folder / "card.toml"
        card_path.write_text(flat.CARD_TOML, encoding="utf-8")
    return MeasureOptions(
        diameter_mm=scene.stated.diameter_mm,
        lens_path=lens_path,
        scale="none" if scene.scale is None and scene.stated.diameter_mm else "auto",
        card_path=card_path,
        scale_height_mm=scene.stated.scale_height_mm,
        scale_height_u_mm=scene.stated.scale_height_u_mm,
    )


def measure_scene(scene: Scene, folder: Path | None = None) -> SceneOutcome:
    """Photograph, measure, compare; the files go into `folder` or are not kept."""
    if folder is None:
        with tempfile.TemporaryDirectory() as made:
            return measure_scene(scene, Path(made))
    path = photograph(scene, folder / f"scene_{scene.seed}.jpg")
    return compare(scene, measure_photo(path, options_for(scene, folder)))


def compare(scene: Scene, result: Measurement) -> SceneOutcome:
    """The result of a scene against its truth."""
    taken: dict[int, int] = {}
    for number, found in enumerate(result.bands):
        overlaps = [
            _overlap(band, found.start.position_mm.value, found.end.position_mm.value)
            for band in scene.shaft.bands
        ]
        best = int(np.argmax(overlaps)) if overlaps else -1
        if best >= 0 and overlaps[best] >= OVERLAP and best not in taken:
            taken[best] = number
    edges: list[EdgeOutcome] = []
    widths = []
    for index, number in taken.items():
        band, found = scene.shaft.bands[index], result.bands[number]
        pair = [_edge(scene, result, band, found, number, which) for which in ("start", "end")]
        edges += pair
        widths.append(
            (found.width_mm.value - (band.end_mm - band.start_mm), found.width_mm.expanded)
        )
    stated = scene.stated
    both = stated.diameter_mm is not None and stated.scale_height_mm is not None
    return SceneOutcome(
        seed=scene.seed,
        difficulty=scene.difficulty,
        lens="file" if stated.lens_file else "exif",
        scale=scene.scale.kind if scene.scale is not None else "none",
        stated="both" if both else "height" if stated.diameter_mm is None else "diameter",
        refusal=None if result.refusal is None else result.refusal.code,
        warnings=tuple(doubt.code for doubt in result.warnings),
        bands=tuple(
            (
                band.contrast,
                band.end_mm - band.start_mm,
                rendered_contrast(scene, band),
                index in taken,
            )
            for index, band in enumerate(scene.shaft.bands)
        ),
        false_bands=tuple(
            (found.start.position_mm.value, found.end.position_mm.value, found.strength)
            for number, found in enumerate(result.bands)
            if number not in taken.values()
        ),
        edges=tuple(edges),
        widths=tuple(widths),
        zero_error_mm=None if result.shaft is None else _zero_error(scene, result, _USUAL_ARC),
        zero_u_mm=None if result.shaft is None else result.shaft.end.axial_mm.u,
        outline_error_px=() if result.shaft is None else _outline_errors(scene, result),
        px_per_mm=scene.px_per_mm,
        en=None if result.agreement is None else result.agreement.en,
        least_contrast=result.least_contrast,
    )


def true_mean_mm(scene: Scene, band: PolishedBand, which: str, arc: tuple[float, float]) -> float:
    """Mean of a band's edge over an arc about the facing line."""
    angle = scene.facing - np.linspace(arc[0], arc[1], 181)
    at = band.start_mm if which == "start" else band.end_mm
    return at + float(np.trapezoid(band.run(angle), angle) / (angle[-1] - angle[0]))


def located_mm(scene: Scene, result: Measurement, ring_mm: Array, radius_share: float) -> Array:
    """Axial positions that the result's camera and shaft give to true world points."""
    assert result.lens is not None
    assert result.shaft is not None
    pose = result.shaft.pose
    rays = result.lens.camera.rays(scene.view.pixels(ring_mm))
    axial, _ = pose.with_radius(pose.radius_mm * radius_share).locate(rays)
    return np.asarray(axial)


def ring_mm(scene: Scene, x: Array | float, radius: float, arc: tuple[float, float]) -> Array:
    angle = scene.facing - np.linspace(arc[0], arc[1], _RING_POINTS)
    return np.stack(
        [np.broadcast_to(x, angle.shape), radius * np.sin(angle), radius * np.cos(angle)], axis=1
    )


def _zero_error(scene: Scene, result: Measurement, arc: tuple[float, float]) -> float:
    """Where the result sees the true rim of the end face, mm; what it adds to every position."""
    radius, shaft = scene.shaft.face_radius_mm, scene.shaft
    rim = located_mm(scene, result, ring_mm(scene, 0.0, radius, arc), radius / shaft.radius_mm)
    return float(np.nanmean(rim))


def _outline_errors(scene: Scene, result: Measurement) -> tuple[float, ...]:
    """How far true silhouette points lie within those of the result, px."""
    assert result.lens is not None
    assert result.shaft is not None
    radius = scene.shaft.radius_mm
    half = math.acos(radius / math.hypot(scene.view.eye_mm[1], scene.view.eye_mm[2]))
    errors = []
    for x in _OUTLINE_AT_MM:
        limb = scene.facing + np.array([half, -half])
        points = np.stack([np.full(2, x), radius * np.sin(limb), radius * np.cos(limb)], axis=1)
        rays = result.lens.camera.rays(scene.view.pixels(points))
        for side, normal in enumerate(silhouette_normals(result.shaft.pose)):
            errors.append(float(rays[side] @ normal) * scene.view.focal_px)
    return tuple(errors)


def _overlap(band: PolishedBand, start: float, end: float) -> float:
    shared = min(band.end_mm, end) - max(band.start_mm, start)
    return max(0.0, shared) / (max(band.end_mm, end) - min(band.start_mm, start))


def _edge(
    scene: Scene, result: Measurement, band: PolishedBand, found: Band, number: int, which: str
) -> EdgeOutcome:
    reading: EdgeResult = getattr(found, which)
    arc = found.arc_rad
    angle = scene.facing - np.linspace(arc[0], arc[1], _RING_POINTS)
    at = (band.start_mm if which == "start" else band.end_mm) + band.run(angle)
    truth = true_mean_mm(scene, band, which, arc)
    shaft = scene.shaft
    seen = located_mm(scene, result, ring_mm(scene, at, shaft.radius_mm, arc), 1.0)
    through = float(np.nanmean(seen - at))
    zero = _zero_error(scene, result, arc)
    error = reading.position_mm.value - truth
    name = f"band {number + 1} {which}"
    lines = {line.source: line.contribution_mm for line in result.budget if line.edge == name}
    geometry_u = math.hypot(*(lines.get(s, 0.0) for s in GEOMETRY_SOURCES))
    zero_u = math.hypot(*(lines.get(s, 0.0) for s in ZERO_SOURCES))
    rest = [v for s, v in lines.items() if s not in GEOMETRY_SOURCES + ZERO_SOURCES]
    return EdgeOutcome(
        seed=scene.seed, which=which, band=number + 1, contrast=band.contrast,
        width_mm=band.end_mm - band.start_mm, axial_mm=truth, error_mm=error,
        u_mm=reading.position_mm.u, expanded_mm=reading.position_mm.expanded,
        zero_error_mm=zero, geometry_error_mm=through - zero, reading_error_mm=error - through,
        zero_u_mm=zero_u, geometry_u_mm=geometry_u, reading_u_mm=math.hypot(*rest), lines=lines,
    )  # fmt: skip
