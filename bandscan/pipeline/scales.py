"""Scales of a photo: read, and told where nothing gives millimetres."""

from __future__ import annotations

from bandscan.model import Doubt, Photo
from bandscan.options import MeasureOptions
from bandscan.pipeline.gathered import Gathered
from bandscan.scale_choice import refuse_if_apart
from bandscan.scaling import ScaleReading
from bandscan.steps.scales import read_card, read_rule
from calib.board import read_board
from calib.camera import Camera
from calib.errors import MeasureError
from calib.find_rule import NoScaleError


def read_scales(photo: Photo, camera: Camera, options: MeasureOptions, gathered: Gathered) -> None:
    """Card and rule, before the shaft: their straight edges must not be taken for its own."""
    used, unused = gathered.scales, gathered.unused
    complaint = None
    for kind, attempt in (("card", _try_card), ("rule", _try_rule)):
        asked = options.scale in ("auto", kind)
        failed = attempt(photo, camera, options, used if asked else unused)
        complaint = (failed if asked else None) or complaint
    gathered.complaint = None if used else complaint  # one of the two is enough


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


def refuse_without_scale(options: MeasureOptions, gathered: Gathered) -> None:
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
