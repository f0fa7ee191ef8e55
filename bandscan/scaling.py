"""Millimetres for the shaft: diameter and scale put into the model, weighed and compared."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from bandscan.chain import Chain
from bandscan.cylinder import ShaftPose
from bandscan.disagreement import Contradiction, likely_causes
from bandscan.errors import ScaleDisagreesError
from bandscan.expected_width import ExpectedWidth
from bandscan.influences import Influence, Stated, list_influences
from bandscan.model import Outline, Photo
from bandscan.options import MeasureOptions
from bandscan.result import Agreement, ScaleResult
from calib.board import BoardView
from calib.camera import Camera, FloatArray
from calib.lens import LensCalibration, lens_from_exif
from calib.lens_from_card import lens_from_card
from calib.quantity import Estimate, expanded_en
from calib.scale import ScalePlane
from calib.self_calibration import bend_to_scale

# Without a stated height a scale may lie anywhere from the bench, some way below a shaft on blocks,
# to a little above the top of the shaft: expanded uncertainties of its height, common practice.
_HIGHEST_SCALE_RADII = 1.5
_LOWEST_SCALE_MM = 60.0
_MOST_STRAIN = 9.0  # of a diameter and a scale that do not fit an outline: 3 standard deviations


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleReading:
    """A scale that was read.

    Parameters
    ----------
    result : ScaleResult
        For the record.
    plane : callable
        Its plane in the frame of a given camera: Camera -> ScalePlane.
    outline_px : ndarray, shape (k, 2)
        Convex region of the picture that it covers.
    size_checked : bool
        Whether a print was measured; a rule needs no such check.
    view : BoardView or None
        A card's corners.
    """

    result: ScaleResult
    plane: Callable[[Camera], ScalePlane]
    outline_px: FloatArray
    size_checked: bool = True
    view: BoardView | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scaled:
    """The measurement model with millimetres in it.

    Parameters
    ----------
    chain : Chain
        Diameter and scale with their weights.
    influences : list of Influence
    diameter_in_photo : Estimate or None
        Diameter by the scale alone, mm; None without a scale at a known height.
    agreement : Agreement or None
        Of diameter and scale, where both are there.
    """

    chain: Chain
    influences: list[Influence]
    diameter_in_photo: Estimate | None = None
    agreement: Agreement | None = None


def bare_chain(
    outline: Outline,
    lens: LensCalibration,
    scale: ScaleReading | None,
    options: MeasureOptions,
) -> Chain:
    """The measurement model, diameter and scale not yet weighed."""
    return Chain(
        camera=lens.camera,
        sides_px=(outline.sides[0].points_px, outline.sides[1].points_px),
        inward_px=outline.inward_px,
        diameter_mm=options.diameter_mm,
        plane=scale.plane if scale else None,
        height_mm=options.scale_height_mm,
        stretch=options.temperatures.stretch,
    )


def build_chain(
    outline: Outline,
    lens: LensCalibration,
    scale: ScaleReading | None,
    options: MeasureOptions,
) -> Scaled:
    """The measurement model with its weights; compares diameter and scale where both are there."""
    chain = bare_chain(outline, lens, scale, options)
    influences = _influences(chain, outline, lens, options)
    if scale is None:
        return Scaled(chain=chain, influences=influences)
    if options.diameter_mm is None:
        in_photo = diameter_by_scale(chain, influences)
        return Scaled(chain=chain, influences=influences, diameter_in_photo=in_photo)
    if options.scale_height_mm is None:
        agreement = Agreement(en=_height_plausibility(chain))
        return Scaled(chain=chain, influences=influences, agreement=agreement)
    weighted, in_photo, en = weigh_scales(chain, influences)
    return Scaled(
        chain=weighted,
        influences=influences,
        diameter_in_photo=in_photo,
        agreement=Agreement(en=en),
    )


def lens_by_scales(lens: LensCalibration, scales: Sequence[ScaleReading]) -> LensCalibration:
    """An estimated lens with what the scales of the photo tell of it; one from a file as it is."""
    for reading in scales:
        if reading.view is not None:
            told = lens_from_card(lens, reading.view)
            if told is not lens:
                return told
    return bend_to_scale(lens, [reading.plane for reading in scales])


def best_scale(scales: Sequence[ScaleReading]) -> ScaleReading | None:
    """The scale that is known best, if there is any."""
    return min(scales, key=lambda scale: scale.result.relative_u, default=None)


def expected_width(
    lens: LensCalibration, scales: Sequence[ScaleReading], options: MeasureOptions
) -> ExpectedWidth | None:
    """What diameter and scale tell of the shaft's width; None where one of them is missing."""
    scale = best_scale(scales)
    if scale is None or options.diameter_mm is None:
        return None
    away_mm = scale.result.mm_per_px * lens.camera.fx_px + (options.scale_height_mm or 0.0)
    nearest_mm = options.diameter_mm  # a stated height may be wrong
    level_px = options.diameter_mm * lens.camera.fx_px / max(away_mm, nearest_mm)
    return ExpectedWidth(level_px=level_px)


def width_strain(
    outline: Outline,
    lens: LensCalibration,
    scale: ScaleReading | None,
    options: MeasureOptions,
) -> float:
    """Square of how far diameter and scale are apart for an outline, over its standard uncertainty.

    No more than `_MOST_STRAIN`: what a person states may be wrong, and must not choose the
    outline against all that shows.
    """
    if scale is None or options.diameter_mm is None or options.scale_height_mm is None:
        return 0.0
    agreement = build_chain(outline, lens, scale, options).agreement
    assert agreement is not None
    return min((2.0 * agreement.en) ** 2, _MOST_STRAIN)


def disagreement(
    photo: Photo,
    outline: Outline,
    lens: LensCalibration,
    scale: ScaleReading,
    options: MeasureOptions,
) -> ScaleDisagreesError:
    """The refusal of a diameter and a scale, with the likeliest causes as the photo shows them."""
    scaled = build_chain(outline, lens, scale, options)
    assert scaled.agreement is not None
    chain = bare_chain(outline, lens, scale, options)
    usual = lens_from_exif(photo.identity, photo.width_px, photo.height_px)

    def en_of(changed: Chain) -> float:
        if changed.height_mm is None:
            return _height_plausibility(changed)
        return weigh_scales(changed, scaled.influences)[2]

    kind = scale.result.kind
    causes = likely_causes(
        Contradiction(
            chain=chain,
            en_of=en_of,
            kind=kind,
            print_checked=scale.size_checked,
            pitch_given=options.pitch_mm is not None,
            lens=lens,
            estimated=lens_by_scales(usual, [scale]),
            pitch_mm=scale.result.pitch_mm,
        )
    )
    seen = f"Diameter and {kind} disagree (E_n = {scaled.agreement.en:.2f}, satisfactory up to 1)"
    by_scale = chain.radius_by_scale()
    if by_scale is not None:
        seen += f": by the {kind} the shaft measures {2.0 * by_scale:.2f} mm across, "
        seen += f"stated are {options.diameter_mm:.2f} mm"
    likeliest = "Likeliest cause" if len(causes) == 1 else "Causes about as likely"
    whats = "; or ".join(cause.what for cause in causes)
    return ScaleDisagreesError(
        f"{seen}. {likeliest}: {whats}.", " ".join(cause.remedy for cause in causes)
    )


def weigh_scales(chain: Chain, influences: Sequence[Influence]) -> tuple[Chain, Estimate, float]:
    """Give diameter and scale their weights in the distance, and compare them.

    Parameters
    ----------
    chain : Chain
        With a diameter, and a scale at a stated height.
    influences : sequence of Influence

    Returns
    -------
    weighted : Chain
    diameter_in_photo : Estimate
        Diameter by the scale alone, mm.
    en : float
        E_n of the two (ISO 13528); common influences (lens, silhouettes) cancel as they should.
    """
    in_photo = diameter_by_scale(chain, influences)
    by_scale = chain.radius_by_scale()
    by_diameter = chain.radius_by_diameter()
    assert by_scale is not None
    assert by_diameter is not None
    scale_variance = diameter_variance = difference_variance = 0.0
    for influence in influences:
        scale = _log_change(chain.radius_by_scale(influence.change), by_scale)
        diameter = _log_change(chain.radius_by_diameter(influence.change), by_diameter)
        difference_variance += (scale - diameter) ** 2
        if influence.source in ("silhouettes", "diameter"):
            diameter_variance += (scale - diameter) ** 2
        elif influence.source not in ("lens", "focus"):
            scale_variance += scale**2
    weight = diameter_variance / (diameter_variance + scale_variance)
    expanded = 2.0 * math.sqrt(difference_variance)  # of the difference: what they share is out
    en = expanded_en(math.log(by_scale / by_diameter), expanded, 0.0)
    return replace(chain, scale_weight=weight), in_photo, en


def diameter_by_scale(chain: Chain, influences: Sequence[Influence]) -> Estimate:
    """Diameter as the scale and the silhouettes give it, mm; the stated one does not enter.

    Parameters
    ----------
    chain : Chain
        With a scale at a stated height.
    influences : sequence of Influence
    """
    by_scale = chain.radius_by_scale()
    assert by_scale is not None
    changes = [_log_change(chain.radius_by_scale(i.change), by_scale) for i in influences]
    return Estimate(value=2.0 * by_scale, u=2.0 * by_scale * float(np.linalg.norm(changes)))


def diameter_scale(
    pose: ShaftPose,
    camera: Camera,
    chain: Chain,
    influences: list[Influence],
    land_mm: tuple[float, float],
    options: MeasureOptions,
) -> ScaleResult | None:
    """The diameter as a scale: mm per pixel on the facing line, in the middle of the land.

    Parameters
    ----------
    pose : ShaftPose
        With its zero at the end face.
    camera : Camera
    chain, influences
        Geometry and its influences; of these the sides and the diameter count.
    land_mm : (float, float)
        Where the land begins and ends.
    options : MeasureOptions

    Returns
    -------
    ScaleResult or None
        None where no diameter is stated.
    """
    if options.diameter_mm is None:
        return None
    middle = 0.5 * (land_mm[0] + land_mm[1])
    ends = camera.project(pose.points(np.array([middle - 0.5, middle + 0.5]), 0.0))
    alone = replace(chain, plane=None, height_mm=None)
    best = alone.pose().origin_mm
    relative = [
        np.linalg.norm(alone.pose(i.change).origin_mm) / np.linalg.norm(best) - 1.0
        for i in influences
        if i.source in ("silhouettes", "diameter")
    ]
    return ScaleResult(
        kind="diameter",
        mm_per_px=float(1.0 / np.linalg.norm(ends[1] - ends[0])),
        relative_u=float(np.linalg.norm(relative)),
    )


def _influences(
    chain: Chain, outline: Outline, lens: LensCalibration, options: MeasureOptions
) -> list[Influence]:
    return list_influences(
        chain,
        lens=lens,
        side_u_px=(outline.sides[0].u_px, outline.sides[1].u_px),
        tilt_u_px=(outline.sides[0].tilt_u_px, outline.sides[1].tilt_u_px),
        stated=Stated(
            diameter_u_mm=options.diameter_u_mm,
            height_u_mm=options.scale_height_u_mm,
            temperatures=options.temperatures,
        ),
    )


def _height_plausibility(chain: Chain) -> float:
    """E_n of the height that diameter and scale imply against where a scale can lie."""
    pose = chain.pose()
    height = chain.height_of_scale(pose)
    assert height is not None
    return height / (_HIGHEST_SCALE_RADII * pose.radius_mm if height > 0.0 else _LOWEST_SCALE_MM)


def _log_change(changed: float | None, best: float) -> float:
    assert changed is not None
    return math.log(changed / best)
