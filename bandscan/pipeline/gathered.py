"""What is known of a photo so far; kept where it is refused half-way."""

from __future__ import annotations

from dataclasses import dataclass, field

from bandscan.chain import Chain
from bandscan.cylinder import ShaftPose
from bandscan.influences import Influence
from bandscan.model import Doubt, EndFace, Photo, Strip
from bandscan.result import Agreement, Correction, QualityFigure, ScaleResult, SealFile, ShaftResult
from bandscan.scale_choice import ScaleChoice
from bandscan.scaling import ScaleReading
from calib.camera import Camera
from calib.errors import MeasureError
from calib.lens import LensCalibration
from calib.quantity import Estimate


@dataclass(slots=True)
class Gathered:
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
        """What each scale gave, the diameter last."""
        results = [reading.result for reading in self.scales]
        return (*results, self.diameter_scale) if self.diameter_scale else tuple(results)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Placed:
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
