"""The shaft's outline and its end: searches in stages, each judged by the end it gives."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import lru_cache

import numpy as np

from bandscan.chain import pose_of_shaft
from bandscan.corrections import noted
from bandscan.cylinder import ShaftPose
from bandscan.doubts import STRAY_CARD
from bandscan.errors import CorrectionError
from bandscan.model import END_BY_HAND, AxisDoubt, EndFace, Outline, Photo
from bandscan.options import MeasureOptions
from bandscan.orientation import stored_side
from bandscan.outline_choice import best_end
from bandscan.outline_search import RoughShaft, rough_shaft
from bandscan.pipeline.gathered import Gathered
from bandscan.pipeline.scales import refuse_without_scale
from bandscan.scaling import bare_chain, expected_width, width_strain
from bandscan.side_fit import Known
from bandscan.side_refinement import refine_outline
from bandscan.silhouette_fit import prior_of
from bandscan.steps.end_face import EndSearch, find_end_face, seek_end
from bandscan.steps.outline import rival_outlines
from bandscan.steps.shaft import find_outlines
from bandscan.streaks_beyond import check_metal_stops
from calib.camera import Camera, FloatArray
from calib.errors import MeasureError
from calib.lens import LensCalibration
from calib.quantity import Estimate
from calib.stray_card import stray_card

# Metal whose flanks mirror the bench is told from it in the lit stripe alone: no end at the sides
# of what was seen, they are sought so many times further from its middle.
_WIDER = (1.6, 2.5)


def find_shaft(
    photo: Photo, lens: LensCalibration, options: MeasureOptions, gathered: Gathered
) -> tuple[Outline, EndFace | None]:
    """The outline at whose end an end face shows best, and that face.

    Where none is found and a person says where it is: the likeliest outline, and None.
    """
    known = _known_of_sides(lens, options, gathered)
    scale = gathered.choice.scale
    seen: list[Outline] = []
    stages = (
        _noted(outlines, seen, options, gathered)
        for outlines in _outlines(photo, lens, known, options, gathered)
    )

    @lru_cache(maxsize=1)  # the outline that was chosen is asked for twice
    def searched(outline: Outline) -> EndSearch:
        check_metal_stops(photo, outline)
        pose = pose_of_shaft(bare_chain(outline, lens, scale, options), lens.camera)
        near_mm = _axial_of(pose, lens.camera, outline.end_px)
        return seek_end(photo, lens.camera, pose, approximate_axial_mm=near_mm)

    def end_of(outline: Outline, most_lean_rad: float) -> EndFace:
        axis = AxisDoubt.of(outline, lens.camera.fx_px)
        axis = replace(axis, lean_rad=min(axis.lean_rad, most_lean_rad))
        end = find_end_face(searched(outline), axis)
        strain = end.strain + width_strain(outline, lens, scale, options)
        return replace(end, strain=strain)

    def refine(outline: Outline) -> Outline:
        return refine_outline(photo, lens.camera, outline, known)

    try:
        return best_end(stages, end_of, refine, known.width)
    except MeasureError:
        if not seen or options.corrections is None or options.corrections.end_px is None:
            raise
        return seen[0], None


def end_by_hand(
    photo: Photo,
    camera: Camera,
    pose: ShaftPose,
    found: EndFace | None,
    options: MeasureOptions,
    gathered: Gathered,
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


def _noted(
    outlines: Iterator[Outline], seen: list[Outline], options: MeasureOptions, gathered: Gathered
) -> Iterator[Outline]:
    """The outlines, kept in `seen`; a photo without a scale is refused at the first."""
    for outline in outlines:
        if not seen:
            refuse_without_scale(options, gathered)
        seen.append(outline)
        yield outline


def _outlines(
    photo: Photo, lens: LensCalibration, known: Known, options: MeasureOptions, gathered: Gathered
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


def _known_of_sides(lens: LensCalibration, options: MeasureOptions, gathered: Gathered) -> Known:
    """A scale that is not to be used still tells where the shaft is not, and its rough width."""
    lying = [*gathered.scales, *gathered.unused]
    return Known(
        prior=prior_of(lens),
        normal=gathered.scales[0].plane(lens.camera).normal if gathered.scales else None,
        avoid=tuple(reading.outline_px for reading in lying),
        width=expected_width(lens, lying, options),
    )


def _axial_of(pose: ShaftPose, camera: Camera, point_px: FloatArray) -> float:
    """Axial position of a pixel on the shaft, or where its ray passes the axis beside it."""
    ray = camera.rays(point_px)
    axial, _ = pose.locate(ray)
    return float(axial) if np.isfinite(axial) else float(pose.axial_beside(ray))
