"""Reservations about a measurement that was made: what was seen, and what would be better."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from bandscan.model import Doubt, Photo
from bandscan.result import Band, QualityFigure
from calib.lens import LensCalibration
from calib.monte_carlo import validate

STRAY_CARD = Doubt(
    code="card-undescribed",
    message="A printed card of markers lies in the photo and was left out. Give its description "
    "with --card, and it is a scale as well.",
)


def doubts_of_quality(figures: Iterable[QualityFigure]) -> list[Doubt]:
    """A warning for each figure that is not good."""
    return [
        Doubt(
            code=figure.name.split()[0],
            message=f"{figure.name.capitalize()} is {figure.value:.3g} {figure.unit}. "
            f"{figure.advice}",
        )
        for figure in figures
        if not figure.good
    ]


def doubts_of_lens(photo: Photo, lens: LensCalibration) -> list[Doubt]:
    """What EXIF tells of a photo that makes its lens less sure; a lens file was made for it."""
    if lens.source == "file":
        return []
    found = []
    if photo.identity.is_zoomed:
        found.append(
            Doubt(
                code="digital-zoom",
                message=f"EXIF tells of a digital zoom of {photo.identity.zoom:g}, and not "
                "whether the focal length includes it, so that the lens is poorly known. "
                "Photograph without zoom and go closer.",
            )
        )
    if photo.identity.is_cropped(photo.width_px, photo.height_px):
        long_px, short_px = photo.identity.taken_px or (0, 0)
        found.append(
            Doubt(
                code="cropped",
                message=f"The picture has {photo.width_px} x {photo.height_px} pixels, the camera "
                f"wrote {long_px} x {short_px}: it is a part of one, so that the lens is poorly "
                "known. Give the photo as the camera wrote it.",
            )
        )
    return found


def doubts_of_budget(bands: Sequence[Band]) -> list[Doubt]:
    """Where the interval by draws is not that of the first-order budget (JCGM 101, 8)."""
    bent = []
    for number, band in enumerate(bands, start=1):
        for name, budget, spread in (
            ("start", band.start.position_mm, band.start.spread_mm),
            ("end", band.end.position_mm, band.end.spread_mm),
            ("width", band.width_mm, band.width_spread_mm),
        ):
            if spread is not None and not validate(budget, spread).holds:
                low, high = budget.value - budget.expanded, budget.value + budget.expanded
                bent.append(
                    f"band {number} {name} {spread.low:.3f} to {spread.high:.3f} mm "
                    f"(± says {low:.3f} to {high:.3f})"
                )
    if not bent:
        return []
    message = (
        "The model is bent over the width of its uncertainties, so that ± is not the whole story. "
        f"By draws of the inputs, 95 of 100 lie within: {'; '.join(bent)}. Go by the wider."
    )
    return [Doubt(code="budget-bent", message=message)]
