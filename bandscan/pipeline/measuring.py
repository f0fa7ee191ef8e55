"""One photo from file to result, step by step."""

from __future__ import annotations

import hashlib
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.corrections import check_made_for
from bandscan.cylinder import ShaftPose
from bandscan.doubts import doubts_of_budget, doubts_of_lens, doubts_of_quality
from bandscan.model import EndFace, Photo, Strip
from bandscan.options import MeasureOptions
from bandscan.pipeline.bands import correct_bands, expected_margin, report_bands
from bandscan.pipeline.gathered import Gathered, Placed
from bandscan.pipeline.scales import read_scales
from bandscan.pipeline.shaft import end_by_hand, find_shaft
from bandscan.result import Band, CheckReport, Landing, Measurement, Refusal, SealFile, ShaftResult
from bandscan.scale_choice import choose_scale, weigh
from bandscan.scaling import diameter_scale, disagreement, lens_by_scales
from bandscan.seal import check_fit, parse_seal
from bandscan.shaft_limits import shortest_chamfer_mm
from bandscan.steps.bands import find_bands
from bandscan.steps.budget import Budget
from bandscan.steps.land import find_land_end
from bandscan.steps.landing import plan_landing
from bandscan.steps.notches import find_notches
from bandscan.steps.photo import read_photo
from bandscan.steps.quality import judge_quality, judge_scale, judge_view, refuse_if_hopeless
from bandscan.steps.unwrap import unwrap
from bandscan.toml_table import read_text
from calib.errors import MeasureError
from calib.lens import LensCalibration, lens_from_exif
from calib.lensfile import lens_for_photo, read_lens
from calib.quantity import Estimate

_ARC_HALF_RAD = math.radians(45.0)
_SMALLEST_ARC_HALF_RAD = math.radians(20.0)
_BEYOND_MM = 2.0  # of strip before the end face and past the land, for the windows of the search


def measure_photo(path: Path, options: MeasureOptions) -> Measurement:
    """Measure the bands in one photo.

    Parameters
    ----------
    path : Path
        The photo.
    options : MeasureOptions

    Returns
    -------
    Measurement
        With a refusal where the photo cannot be measured; no `MeasureError` leaves.
    """
    gathered = Gathered()
    try:
        placed = _place(path, options, gathered)
        refuse_if_hopeless(gathered.quality)
        gathered.warnings += doubts_of_quality(gathered.quality)
        notches = find_notches(placed.photo, placed.camera, placed.pose, land_mm=placed.land_mm)
        found = find_bands(
            placed.strip, land_mm=placed.land_mm, notches_mm=notches, arc_rad=placed.arc_rad
        )
        assert gathered.shaft is not None
        gathered.shaft = replace(gathered.shaft, cut_in_mm=tuple(notches))
        readings = list(found.bands)
        bands, budget = report_bands(placed, readings)
        if options.corrections is not None:
            bands, budget = correct_bands(placed, readings, bands, options.corrections, gathered)
        gathered.warnings += doubts_of_budget(bands)
        landing = _plan_landing(placed, bands, budget, options, gathered)
    except MeasureError as error:
        return _measurement(path, gathered, refusal=Refusal.from_error(error))
    return replace(
        _measurement(path, gathered),
        bands=bands,
        budget=tuple(budget.lines),
        covariance_mm2=budget.covariance_mm2,
        landing=landing,
        strip=placed.strip,
        least_contrast=found.least_contrast,
    )


def _plan_landing(
    placed: Placed,
    bands: tuple[Band, ...],
    budget: Budget,
    options: MeasureOptions,
    gathered: Gathered,
) -> Landing | None:
    """The new seal on this shaft, where a seal file is given."""
    if options.seal_path is None:
        return None
    assert gathered.shaft is not None
    text = read_text(options.seal_path, "seal file")
    seal = parse_seal(text, options.seal_path)
    gathered.seal = SealFile(
        name=options.seal_path.name, sha256=hashlib.sha256(text.encode()).hexdigest(), text=text
    )
    check_fit(seal, gathered.shaft.diameter_mm)
    places = BandPlaces.of(
        [(band.start.position_mm, band.end.position_mm) for band in bands], budget.covariance_mm2
    )
    begins = placed.end.chamfer_mm or Estimate(value=0.0, u=placed.end.axial_mm.u)
    ends = Estimate(value=gathered.shaft.seen_to_mm, u=0.0)
    return plan_landing(places, seal, seen_mm=(begins, ends), cut_in_mm=gathered.shaft.cut_in_mm)


def check_photo(path: Path, options: MeasureOptions) -> CheckReport:
    """Say what a photo is good for, without measuring bands."""
    gathered = Gathered()
    refusal = None
    expected, improvement = None, None
    try:
        placed = _place(path, options, gathered)
        refuse_if_hopeless(gathered.quality)
        expected, improvement = expected_margin(placed)
    except MeasureError as error:
        refusal = Refusal.from_error(error)
    return CheckReport(
        file=str(path),
        photo=gathered.photo,
        lens=gathered.lens,
        scales=gathered.scale_results,
        shaft=gathered.shaft,
        quality=tuple(gathered.quality),
        expected_expanded_mm=expected,
        improvement=improvement,
        refusal=refusal,
    )


def _measurement(path: Path, gathered: Gathered, refusal: Refusal | None = None) -> Measurement:
    return Measurement(
        file=str(path),
        photo=gathered.photo,
        lens=gathered.lens,
        scales=gathered.scale_results,
        agreement=gathered.agreement,
        shaft=gathered.shaft,
        warnings=tuple(gathered.warnings),
        refusal=refusal,
        corrections=tuple(gathered.corrections),
        seal=gathered.seal,
    )


def _place(path: Path, options: MeasureOptions, gathered: Gathered) -> Placed:
    """Everything up to a strip whose zero is the end face."""
    photo = gathered.photo = read_photo(path)
    check_made_for(photo, options.corrections)
    lens = gathered.lens = _lens(photo, options)
    gathered.warnings += doubts_of_lens(photo, lens)
    camera = lens.camera
    read_scales(photo, camera, options, gathered)
    lens = gathered.lens = lens_by_scales(lens, gathered.scales)
    camera = lens.camera
    gathered.choice = choose_scale(gathered.scales, camera, options)
    outline, end = find_shaft(photo, lens, options, gathered)
    weighed = weigh(gathered.choice, outline, lens, options)
    scaled = weighed.scaled
    gathered.warnings += weighed.doubts
    gathered.diameter_in_photo, gathered.agreement = scaled.diameter_in_photo, scaled.agreement
    if weighed.compared and scaled.agreement is not None and not scaled.agreement.agree:
        raise disagreement(photo, outline, lens, weighed.compared, options)
    chain, influences = scaled.chain, scaled.influences
    pose = chain.pose()
    end = end_by_hand(photo, camera, pose, end, options, gathered)
    gathered.warnings += end.warnings
    zero_mm = end.axial_mm.value
    pose = pose.with_zero_at(zero_mm)
    end = _shifted(end, zero_mm)
    last_px = np.stack([side.points_px[-1] for side in outline.sides])
    known_to = float(pose.axial_beside(camera.rays(last_px)).max())
    seen_to = find_land_end(photo, camera, pose, known_to_mm=known_to)
    land = (_land_start_mm(end, pose), seen_to)
    strip = unwrap(photo, camera, pose, start_mm=-_BEYOND_MM, end_mm=seen_to + _BEYOND_MM)
    arc = _visible_arc(strip, land)
    gathered.shaft = _shaft_result(pose, end, seen_to, arc, options, gathered)
    gathered.diameter_scale = diameter_scale(pose, camera, chain, influences, land, options)
    figures = [judge_scale(reading.result) for reading in gathered.scales]
    gathered.quality = [
        *judge_quality(strip, land_mm=land, arc_rad=arc),
        judge_view(pose, land_mm=land),
        *(figure for figure in figures if figure is not None),
    ]
    return Placed(
        photo=photo, camera=camera, chain=chain, influences=influences, end=end, strip=strip,
        land_mm=land, arc_rad=arc, pose=pose,
    )  # fmt: skip


def _land_start_mm(end: EndFace, pose: ShaftPose) -> float:
    """Where the land begins: at the chamfer's outer edge; unseen, at the shortest usual one's.

    The shortest is the standard's drop of diameter (JIS B 2402, ISO 6194-1) at the steepest angle.
    """
    if end.chamfer_mm is not None:
        return end.chamfer_mm.value
    return shortest_chamfer_mm(2.0 * pose.radius_mm)


def _lens(photo: Photo, options: MeasureOptions) -> LensCalibration:
    if options.lens_path is None:
        return lens_from_exif(photo.identity, photo.width_px, photo.height_px)
    lens = read_lens(options.lens_path)
    return lens_for_photo(lens, photo.identity, photo.width_px, photo.height_px)


def _shifted(end: EndFace, zero_mm: float) -> EndFace:
    """The end face on a scale whose zero it is."""
    chamfer = end.chamfer_mm
    return replace(
        end,
        axial_mm=replace(end.axial_mm, value=0.0),
        chamfer_mm=None if chamfer is None else replace(chamfer, value=chamfer.value - zero_mm),
    )


def _visible_arc(strip: Strip, land_mm: tuple[float, float]) -> tuple[float, float]:
    """The arc that is measured: 45 degrees either way, less where the picture cuts the shaft."""
    columns = (strip.axial_mm > land_mm[0]) & (strip.axial_mm < land_mm[1])
    seen = np.isfinite(strip.values[:, columns]).mean(axis=1) > 0.5
    low = strip.angle_rad[seen & (strip.angle_rad <= 0.0)]
    high = strip.angle_rad[seen & (strip.angle_rad >= 0.0)]
    return (
        -float(np.clip(-low.min() if low.size else 0.0, _SMALLEST_ARC_HALF_RAD, _ARC_HALF_RAD)),
        float(np.clip(high.max() if high.size else 0.0, _SMALLEST_ARC_HALF_RAD, _ARC_HALF_RAD)),
    )


def _shaft_result(
    pose: ShaftPose,
    end: EndFace,
    seen_to_mm: float,
    arc_rad: tuple[float, float],
    options: MeasureOptions,
    gathered: Gathered,
) -> ShaftResult:
    diameter = gathered.diameter_in_photo
    if options.diameter_mm is not None:
        diameter = Estimate(value=options.diameter_mm, u=options.diameter_u_mm)
    assert diameter is not None  # without both the photo was refused
    return ShaftResult(
        diameter_mm=diameter,
        diameter_in_photo_mm=gathered.diameter_in_photo,
        pose=pose,
        end=end,
        seen_to_mm=seen_to_mm,
        arc_rad=arc_rad,
        temperatures=options.temperatures,
    )
