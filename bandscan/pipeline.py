"""The order of a measurement: the only place that knows which step follows which."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.chain import Chain, RingReading, pose_of_shaft, ring_on, side_seen_u_mm
from bandscan.corrections import check_made_for, correct_readings, note_bands, noted
from bandscan.cylinder import ShaftPose
from bandscan.doubts import STRAY_CARD, doubts_of_budget, doubts_of_lens, doubts_of_quality
from bandscan.errors import CorrectionError
from bandscan.explanation import ADVICE
from bandscan.influences import Influence
from bandscan.model import (
    END_BY_HAND,
    AxisDoubt,
    BandEdge,
    BandReading,
    Doubt,
    EndFace,
    Outline,
    Photo,
    Strip,
)
from bandscan.options import Corrections, MeasureOptions
from bandscan.orientation import stored_side
from bandscan.outline_choice import best_end
from bandscan.outline_search import RoughShaft, rough_shaft
from bandscan.result import (
    Agreement,
    Band,
    CheckReport,
    Correction,
    EdgeResult,
    Improvement,
    Landing,
    Measurement,
    QualityFigure,
    Refusal,
    ScaleResult,
    SealFile,
    ShaftResult,
)
from bandscan.scale_choice import ScaleChoice, choose_scale, refuse_if_apart, weigh
from bandscan.scaling import (
    ScaleReading,
    bare_chain,
    diameter_scale,
    disagreement,
    expected_width,
    lens_by_scales,
    width_strain,
)
from bandscan.seal import check_fit, parse_seal
from bandscan.shaft_limits import shortest_chamfer_mm
from bandscan.side_fit import Known
from bandscan.side_refinement import refine_outline
from bandscan.silhouette_fit import prior_of
from bandscan.steps.bands import find_bands
from bandscan.steps.budget import Budget, make_budget, simulate
from bandscan.steps.end_face import find_end_face
from bandscan.steps.land import find_land_end
from bandscan.steps.landing import plan_landing
from bandscan.steps.notches import find_notches
from bandscan.steps.outline import rival_outlines
from bandscan.steps.photo import read_photo
from bandscan.steps.quality import judge_quality, judge_scale, judge_view, refuse_if_hopeless
from bandscan.steps.scales import read_card, read_rule
from bandscan.steps.shaft import find_outlines
from bandscan.steps.unwrap import unwrap
from bandscan.streaks_beyond import check_metal_stops
from bandscan.toml_table import read_text
from calib.board import read_board
from calib.camera import Camera, FloatArray
from calib.errors import MeasureError
from calib.find_rule import NoScaleError
from calib.lens import LensCalibration, lens_from_exif
from calib.lensfile import lens_for_photo, read_lens
from calib.monte_carlo import Spread
from calib.quantity import Estimate
from calib.stray_card import stray_card

ARC_HALF_RAD = math.radians(45.0)
_SMALLEST_ARC_HALF_RAD = math.radians(20.0)
_BEYOND_MM = 2.0  # of strip before the end face and past the land, for the windows of the search
# A clear band edge, for the U to be expected: its place to a quarter of a pixel, 0.2 mm wide.
_TYPICAL_FIT_PX = 0.25
_TYPICAL_EDGE_WIDTH_MM = 0.2
# Metal whose flanks mirror the bench is told from it in the lit stripe alone: no end at the sides
# of what was seen, they are sought so many times further from its middle.
_WIDER = (1.6, 2.5)
# Of a band itself, which nobody at the bench can change.
_NOT_OF_THE_PHOTO = ("edge definition", "wobble outside the part seen", "tone curve")


@dataclass(slots=True)
class _Gathered:
    """What is known so far; kept when the photo is refused half-way."""

    photo: Photo | None = None
    lens: LensCalibration | None = None
    scales: list[ScaleReading] = field(default_factory=list)
    choice: ScaleChoice = field(default_factory=ScaleChoice)
    unused: list[ScaleReading] = field(default_factory=list)  # lies there, but is not to be used
    complaint: MeasureError | None = None  # of the scales
    diameter_scale: ScaleResult | None = None
    diameter_in_photo: Estimate | None = None
    agreement: Agreement | None = None
    shaft: ShaftResult | None = None
    quality: list[QualityFigure] = field(default_factory=list)
    warnings: list[Doubt] = field(default_factory=list)
    corrections: list[Correction] = field(default_factory=list)
    seal: SealFile | None = None

    @property
    def scale_results(self) -> tuple[ScaleResult, ...]:
        results = [reading.result for reading in self.scales]
        return (*results, self.diameter_scale) if self.diameter_scale else tuple(results)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Placed:
    """A shaft with its zero, ready to be searched."""

    photo: Photo
    camera: Camera
    chain: Chain
    influences: list[Influence]
    end: EndFace
    strip: Strip
    land_mm: tuple[float, float]
    arc_rad: tuple[float, float]
    pose: ShaftPose


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
    gathered = _Gathered()
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
        bands, budget = _report_bands(placed, readings)
        if options.corrections is not None:
            bands, budget = _correct_bands(placed, readings, bands, options.corrections, gathered)
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
    placed: _Placed,
    bands: tuple[Band, ...],
    budget: Budget,
    options: MeasureOptions,
    gathered: _Gathered,
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
    gathered = _Gathered()
    refusal = None
    expected, improvement = None, None
    try:
        placed = _place(path, options, gathered)
        refuse_if_hopeless(gathered.quality)
        expected, improvement = _expected(placed)
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


def _measurement(path: Path, gathered: _Gathered, refusal: Refusal | None = None) -> Measurement:
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


def _place(path: Path, options: MeasureOptions, gathered: _Gathered) -> _Placed:
    """Everything up to a strip whose zero is the end face."""
    photo = gathered.photo = read_photo(path)
    check_made_for(photo, options.corrections)
    lens = gathered.lens = _lens(photo, options)
    gathered.warnings += doubts_of_lens(photo, lens)
    camera = lens.camera
    _read_scales(photo, camera, options, gathered)
    lens = gathered.lens = lens_by_scales(lens, gathered.scales)
    camera = lens.camera
    gathered.choice = choose_scale(gathered.scales, camera, options)
    outline, end = _best_end(photo, lens, options, gathered)
    weighed = weigh(gathered.choice, outline, lens, options)
    scaled = weighed.scaled
    gathered.warnings += weighed.doubts
    gathered.diameter_in_photo, gathered.agreement = scaled.diameter_in_photo, scaled.agreement
    if weighed.compared and scaled.agreement is not None and not scaled.agreement.agree:
        raise disagreement(photo, outline, lens, weighed.compared, options)
    chain, influences = scaled.chain, scaled.influences
    pose = chain.pose()
    end = _end_by_hand(photo, camera, pose, end, options, gathered)
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
    return _Placed(
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


def _read_scales(
    photo: Photo, camera: Camera, options: MeasureOptions, gathered: _Gathered
) -> None:
    """Card and rule, before the shaft: their straight edges must not be taken for its own."""
    used, unused = gathered.scales, gathered.unused
    complaint = None
    for kind, attempt in (("card", _try_card), ("rule", _try_rule)):
        asked = options.scale in ("auto", kind)
        failed = attempt(photo, camera, options, used if asked else unused)
        complaint = (failed if asked else None) or complaint
    gathered.complaint = None if used else complaint  # one of the two is enough


def _outlines(
    photo: Photo, lens: LensCalibration, known: Known, options: MeasureOptions, gathered: _Gathered
) -> Iterator[Iterator[Outline]]:
    """What may be the shaft's outline, in stages: the likeliest and second opinions, wider ones.

    Raises
    ------
    NoShaftError
        Where nothing looks like a shaft.
    """
    side = stored_side(options.end_side, photo.orientation)
    rough = rough_shaft(photo, known.avoid, known.width)
    card = stray_card(photo.grey, rough.sides_px.reshape(-1, 2))
    if card is not None:
        gathered.warnings.append(STRAY_CARD)
        known = replace(known, avoid=(*known.avoid, card))
        rough = rough_shaft(photo, known.avoid, known.width)
    yield _likely_outlines(photo, lens.camera, rough, known, side)
    for factor in _WIDER:
        yield rival_outlines(photo, lens.camera, rough.widened(factor), known, end_side=side)


def _likely_outlines(
    photo: Photo, camera: Camera, rough: RoughShaft, known: Known, end_side: str
) -> Iterator[Outline]:
    """Outlines beside the rough shaft.

    Raises
    ------
    MeasureError
        Where there is none; what the first search complained of.
    """
    complaint: MeasureError | None = None
    try:
        yield from find_outlines(photo, camera, rough, known, end_side=end_side)
    except MeasureError as error:
        complaint = error
    try:
        yield from rival_outlines(photo, camera, rough, known, end_side=end_side)
    except MeasureError as error:
        if complaint is not None:
            raise complaint from error


def _known_of_sides(lens: LensCalibration, options: MeasureOptions, gathered: _Gathered) -> Known:
    """A scale that is not to be used still tells where the shaft is not, and its rough width."""
    lying = [*gathered.scales, *gathered.unused]
    return Known(
        prior=prior_of(lens),
        normal=gathered.scales[0].plane(lens.camera).normal if gathered.scales else None,
        avoid=tuple(reading.outline_px for reading in lying),
        width=expected_width(lens, lying, options),
    )


def _try_card(
    photo: Photo, camera: Camera, options: MeasureOptions, readings: list[ScaleReading]
) -> MeasureError | None:
    if options.card_path is None:
        return None
    board = read_board(options.card_path)
    try:
        readings.append(read_card(photo, camera, board))
    except MeasureError as error:
        return error
    return None


def _try_rule(
    photo: Photo, camera: Camera, options: MeasureOptions, readings: list[ScaleReading]
) -> MeasureError | None:
    try:
        readings.append(
            read_rule(photo, camera, pitch_mm=options.pitch_mm, rule_class=options.rule_class)
        )
    except MeasureError as error:
        return error
    return None


def _refuse_without_scale(options: MeasureOptions, gathered: _Gathered) -> None:
    """Raise where nothing gives millimetres, or where the scale that was named is not there."""
    complaint = gathered.complaint
    if not gathered.scales and options.scale in ("rule", "card") and complaint is not None:
        raise complaint
    if options.diameter_mm is not None:
        if complaint is not None and complaint.code != "no-scale":
            gathered.warnings.append(Doubt(code=complaint.code, message=str(complaint)))
        return
    if not gathered.scales:
        if complaint is not None and complaint.code != "no-scale":
            raise complaint
        raise NoScaleError(
            "No rule or card was read beside the shaft, and no diameter is given.",
            "Lay a steel rule or the printed card beside the shaft, or give --diameter as "
            "measured with a micrometer.",
        )
    refuse_if_apart(gathered.choice)
    if options.scale_height_mm is None:
        kind = gathered.scales[0].result.kind
        raise NoScaleError(
            f"A {kind} was read, but how high it lies beside the shaft is not known, and a scale "
            "at another height is magnified differently.",
            "Give --diameter as measured with a micrometer, or --scale-height (0 where the "
            "scale's surface is level with the shaft's axis).",
        )


def _best_end(
    photo: Photo, lens: LensCalibration, options: MeasureOptions, gathered: _Gathered
) -> tuple[Outline, EndFace | None]:
    """The outline at whose end an end face shows best, and that face.

    Where none is found and a person says where it is: the likeliest outline, and None.
    """
    known = _known_of_sides(lens, options, gathered)
    scale = gathered.choice.scale
    seen: list[Outline] = []

    def stages() -> Iterator[Iterator[Outline]]:
        for outlines in _outlines(photo, lens, known, options, gathered):
            yield with_scale(outlines)

    def with_scale(outlines: Iterator[Outline]) -> Iterator[Outline]:
        for outline in outlines:
            if not seen:
                _refuse_without_scale(options, gathered)
            seen.append(outline)
            yield outline

    def end_of(outline: Outline, most_lean_rad: float) -> EndFace:
        check_metal_stops(photo, outline)
        pose = pose_of_shaft(bare_chain(outline, lens, gathered.choice.scale, options), lens.camera)
        near_mm = _axial_of(pose, lens.camera, outline.end_px)
        axis = AxisDoubt.of(outline, lens.camera.fx_px)
        axis = replace(axis, lean_rad=min(axis.lean_rad, most_lean_rad))
        end = find_end_face(photo, lens.camera, pose, approximate_axial_mm=near_mm, axis=axis)
        strain = end.strain + width_strain(outline, lens, scale, options)
        return replace(end, strain=strain)

    def refine(outline: Outline) -> Outline:
        return refine_outline(photo, lens.camera, outline, known)

    try:
        return best_end(stages(), end_of, refine, known.width)
    except MeasureError:
        if not seen or options.corrections is None or options.corrections.end_px is None:
            raise
        return seen[0], None


def _end_by_hand(
    photo: Photo,
    camera: Camera,
    pose: ShaftPose,
    found: EndFace | None,
    options: MeasureOptions,
    gathered: _Gathered,
) -> EndFace:
    """The end face where a person set it, on the scale of `pose`; else the one found."""
    corrections = options.corrections
    if corrections is None or corrections.end_px is None:
        assert found is not None
        return found
    x, y = corrections.end_px
    if not (0.0 <= x < photo.width_px and 0.0 <= y < photo.height_px):
        raise CorrectionError(
            f"The shaft end was set by hand at pixel {x:g}, {y:g}, outside the photo of "
            f"{photo.width_px} x {photo.height_px} pixels.",
            "Give a pixel of the file as stored, before any turning.",
        )
    rim_mm = pose.radius_mm if found is None else found.rim_radius_mm
    at_mm = _axial_of(pose.with_radius(rim_mm), camera, np.array([x, y]))
    automatic = None
    if found is not None:
        automatic = replace(found.axial_mm, value=found.axial_mm.value - at_mm)
    zero = Estimate(value=at_mm, u=corrections.hand_u_mm)
    gathered.corrections.append(noted("end face", automatic, replace(zero, value=0.0), corrections))
    chamfer = None if found is None else found.chamfer_mm
    return EndFace(
        axial_mm=zero,
        chamfer_mm=chamfer if chamfer is not None and chamfer.value > at_mm else None,
        rim_radius_mm=rim_mm,
        what=END_BY_HAND,
        support=0.0 if found is None else found.support,
    )


def _axial_of(pose: ShaftPose, camera: Camera, point_px: FloatArray) -> float:
    """Axial position of a pixel on the shaft, or where its ray passes the axis beside it."""
    ray = camera.rays(point_px)
    axial, _ = pose.locate(ray)
    return float(axial) if np.isfinite(axial) else float(pose.axial_beside(ray))


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
        -float(np.clip(-low.min() if low.size else 0.0, _SMALLEST_ARC_HALF_RAD, ARC_HALF_RAD)),
        float(np.clip(high.max() if high.size else 0.0, _SMALLEST_ARC_HALF_RAD, ARC_HALF_RAD)),
    )


def _shaft_result(
    pose: ShaftPose,
    end: EndFace,
    seen_to_mm: float,
    arc_rad: tuple[float, float],
    options: MeasureOptions,
    gathered: _Gathered,
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


def _report_bands(
    placed: _Placed, readings: list[BandReading], *, by_draws: bool = True
) -> tuple[tuple[Band, ...], Budget]:
    """Edges to rings in the picture, through the budget and the draws, to results."""
    pose, camera, arc = placed.pose, placed.camera, placed.arc_rad
    edges = [edge for reading in readings for edge in (reading.start, reading.end)]
    results = [
        EdgeResult(
            position_mm=Estimate(value=edge.axial_mm, u=edge.fit_u_mm),
            blur_mm=edge.width_mm,
            wobble_mm=edge.wobble_mm,
            by_hand=edge.by_hand,
        )
        for edge in edges
    ]
    angles = np.linspace(arc[0], arc[1], 17)
    rings = [ring_on(pose, camera, result.along(angles, arc), arc) for result in results]
    rim_share = placed.end.rim_radius_mm / pose.radius_mm
    zero = ring_on(pose, camera, 0.0, arc, radius_share=rim_share, far=placed.end.seen)
    chain, influences = placed.chain, placed.influences
    end = _seen_edge_on(placed, zero)
    budget = make_budget(chain, influences, zero=zero, end=end, bands=readings, rings=rings)
    spreads: Sequence[Spread | None] = [None] * (3 * len(readings))
    if by_draws and readings:
        spreads = simulate(chain, influences, zero=zero, end=end, bands=readings, rings=rings)
    placed_edges = [
        replace(result, position_mm=position, spread_mm=spread)
        for result, position, spread in zip(results, budget.edges, spreads, strict=False)
    ]
    bands = tuple(
        Band(
            start=placed_edges[2 * i],
            end=placed_edges[2 * i + 1],
            width_mm=budget.widths[i],
            arc_rad=arc,
            looks=reading.looks,
            strength=reading.strength,
            width_spread_mm=spreads[len(edges) + i],
        )
        for i, reading in enumerate(readings)
    )
    return bands, budget


def _seen_edge_on(placed: _Placed, zero: RingReading) -> EndFace:
    """The end face, less sure where either side of its rim may be the one that ends the outline."""
    changes = [influence.change for influence in placed.influences]
    u_mm = side_seen_u_mm(placed.chain, zero, placed.end.rim_radius_mm, changes)
    axial = placed.end.axial_mm
    return replace(placed.end, axial_mm=replace(axial, u=math.hypot(axial.u, u_mm)))


def _correct_bands(
    placed: _Placed,
    readings: list[BandReading],
    automatic: tuple[Band, ...],
    corrections: Corrections,
    gathered: _Gathered,
) -> tuple[tuple[Band, ...], Budget]:
    """The bands as a person sees them, and a note of both values of every edge that moved."""
    corrected = correct_readings(readings, corrections, seen_to_mm=placed.land_mm[1])
    bands, budget = _report_bands(placed, [c.reading for c in corrected if c.reading is not None])
    gathered.corrections += note_bands(corrected, bands, automatic, corrections)
    return bands, budget


def _expected(placed: _Placed) -> tuple[float, Improvement]:
    """U of a clear band edge in the middle of the land, and what would narrow it most."""
    middle = 0.5 * (placed.land_mm[0] + placed.land_mm[1])
    pixel_mm = float(placed.strip.axial_mm[1] - placed.strip.axial_mm[0])
    edge = BandEdge(
        axial_mm=middle,
        fit_u_mm=_TYPICAL_FIT_PX * pixel_mm,
        fit_dof=math.inf,
        unseen_u_mm=0.0,
        width_mm=_TYPICAL_EDGE_WIDTH_MM,
        wobble_mm=(0.0, 0.0),
    )
    reading = BandReading(
        start=edge, end=replace(edge, axial_mm=middle + 2.0), looks="smoother", strength=0.0
    )
    _, budget = _report_bands(placed, [reading], by_draws=False)
    whole = budget.edges[0].expanded
    here = [line for line in budget.lines if line.edge == "band 1 start"]
    lines = [line for line in here if line.source not in _NOT_OF_THE_PHOTO]
    worst = max(lines, key=lambda line: line.contribution_mm)
    share = min(1.0, worst.contribution_mm / budget.edges[0].u)
    improvement = Improvement(
        source=worst.source,
        advice=ADVICE[worst.source],
        expanded_mm=whole * math.sqrt(1.0 - share**2),
    )
    return whole, improvement
