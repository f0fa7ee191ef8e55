"""The result of a measurement, one to one with the JSON that others rely on.

Positions are axial: mm from the plane of the shaft end face, along the shaft axis.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from bandscan.cylinder import ShaftPose
from bandscan.model import BudgetLine, Doubt, EndFace, Photo, Strip
from bandscan.temperature import NOT_STATED, Temperatures
from calib.camera import FloatArray
from calib.errors import MeasureError
from calib.lens import LensCalibration
from calib.monte_carlo import Spread
from calib.quantity import Estimate


@dataclass(frozen=True, slots=True, kw_only=True)
class Refusal:
    """Why a photo was not measured: what was seen, and what to do."""

    code: str
    message: str
    remedy: str
    exit_status: int = 3

    @classmethod
    def from_error(cls, error: MeasureError) -> Refusal:
        """The refusal that a raised `MeasureError` stands for."""
        return cls(
            code=error.code,
            message=error.message,
            remedy=error.remedy,
            exit_status=error.exit_status,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleResult:
    """A scale that was read, whether or not a shaft was found.

    Parameters
    ----------
    kind : {"rule", "card", "diameter"}
    mm_per_px : float
        At the scale's own surface, in its middle.
    relative_u : float
        Relative standard uncertainty of `mm_per_px`.
    pitch_mm : float or None
        Graduation pitch (rule) or side of a square (card).
    graduations_px : ndarray, shape (n, 2), or None
        Rule only: middles of the marks in order; NaN rows where one was not seen.
    corners_px : ndarray, shape (n, 2), or None
        Card only: the corners that were found.
    """

    kind: str
    mm_per_px: float
    relative_u: float
    pitch_mm: float | None = None
    graduations_px: FloatArray | None = None
    corners_px: FloatArray | None = None

    @property
    def graduations(self) -> int:
        """Number of graduations that were seen."""
        if self.graduations_px is None:
            return 0
        return int(np.isfinite(self.graduations_px).all(axis=1).sum())


@dataclass(frozen=True, slots=True, kw_only=True)
class Agreement:
    """How well the scale and the diameter agree: E_n, satisfactory up to 1 in magnitude."""

    en: float

    @property
    def agree(self) -> bool:
        """Whether the two agree within their expanded uncertainties."""
        return abs(self.en) <= 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ShaftResult:
    """The shaft as measured; the zero of `pose` is the plane of the end face.

    Parameters
    ----------
    diameter_mm : Estimate
        Diameter that the result rests on.
    diameter_in_photo_mm : Estimate or None
        Diameter by the scale alone, where there is a scale.
    pose : ShaftPose
        Cylinder of the seal land in the camera frame, zero at the end face.
    end : EndFace
        `axial_mm.value` is 0 here, its `u` that of the zero; `chamfer_mm` from the end face.
    seen_to_mm : float
        Axial position up to which the land can be seen and was searched.
    arc_rad : (float, float)
        Part of the circumference that was used.
    temperatures : Temperatures
        When it was measured; positions are those at 20 degrees Celsius.
    cut_in_mm : tuple of (float, float)
        Where the outline looks cut in, as by a ring groove; not searched for bands.
    """

    diameter_mm: Estimate
    diameter_in_photo_mm: Estimate | None
    pose: ShaftPose
    end: EndFace
    seen_to_mm: float
    arc_rad: tuple[float, float]
    temperatures: Temperatures = NOT_STATED
    cut_in_mm: tuple[tuple[float, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeResult:
    """One edge of a band.

    Parameters
    ----------
    position_mm : Estimate
        Mean over the arc used, from the end face.
    blur_mm : float
        10-90 % width of the transition as seen.
    wobble_mm : (float, float)
        Cosine and sine part of its run round the shaft.
    spread_mm : Spread or None
        Position by draws of the inputs (JCGM 101).
    by_hand : bool
        Set by a person in place of what was found.
    """

    position_mm: Estimate
    blur_mm: float = 0.0
    wobble_mm: tuple[float, float] = (0.0, 0.0)
    spread_mm: Spread | None = None
    by_hand: bool = False

    def along(self, angle_rad: ArrayLike, arc_rad: tuple[float, float]) -> FloatArray:
        """Axial position, mm, at the angles, same shape; its mean over `arc_rad` is the value."""
        low, high = arc_rad
        angle = np.asarray(angle_rad, dtype=float)
        mean_cos = (np.sin(high) - np.sin(low)) / (high - low)
        mean_sin = (np.cos(low) - np.cos(high)) / (high - low)
        cosine, sine = self.wobble_mm
        return np.asarray(
            self.position_mm.value
            + cosine * (np.cos(angle) - mean_cos)
            + sine * (np.sin(angle) - mean_sin)
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Band:
    """A polished band; `start` is the edge nearer the shaft end.

    The two edges share scale, lens and pose, so `width_mm` has an uncertainty of its own.
    """

    start: EdgeResult
    end: EdgeResult
    width_mm: Estimate
    arc_rad: tuple[float, float]
    looks: str  # "brighter", "darker" or "smoother"; "by hand" where only a person saw it
    strength: float
    width_spread_mm: Spread | None = None

    @property
    def by_hand(self) -> tuple[str, ...]:
        """Which of its edges, "start" and "end", a person set."""
        edges = (("start", self.start), ("end", self.end))
        return tuple(name for name, edge in edges if edge.by_hand)


@dataclass(frozen=True, slots=True, kw_only=True)
class Correction:
    """One place that a person set by hand; both values are kept.

    Parameters
    ----------
    what : str
        "end face", "band 1 start" and so on with the numbers of the corrected bands, "edge
        inside band 1" for a bound of two bands that were made one, "no band: start".
    automatic_mm : Estimate or None
        What was found, from the end face of the result; None where nothing was found.
    corrected_mm : Estimate or None
        What it was set to; None where the person sees no edge.
    by, why, when : str or None
        `when` is ISO 8601.
    """

    what: str
    automatic_mm: Estimate | None
    corrected_mm: Estimate | None
    by: str | None = None
    why: str | None = None
    when: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SealFile:
    """The seal file that a landing was planned with, word for word; `name` without its folder."""

    name: str
    sha256: str
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LandingLip:
    """Where one lip of the new seal would run.

    Parameters
    ----------
    contact_mm : (float, float)
        Interval of the shaft that the lip touches, from the end face.
    u_mm, expanded_mm : float
        Standard and expanded uncertainty of its place.
    nearest_band : int or None
        Number of the nearest band, from 1; None where there is none.
    clearance_mm : Estimate or None
        Distance to that band; negative: overlap.
    probability_on_band : float
        0 to 1.
    verdict : {"fresh", "on band", "undecided", "off land"}
    why : str
        What other than a band keeps it from being fresh; empty where nothing does.
    """

    name: str
    contact_mm: tuple[float, float]
    u_mm: float
    expanded_mm: float
    nearest_band: int | None
    clearance_mm: Estimate | None
    probability_on_band: float
    verdict: str
    why: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class LandingShift:
    """By how much the seal may be moved so that every lip is on fresh metal."""

    windows_mm: tuple[tuple[float, float], ...]
    smallest_mm: float | None
    roomiest_mm: float | None
    why_none: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Landing:
    """The landing of a new seal: every lip, and the room to move."""

    lips: tuple[LandingLip, ...]
    shift: LandingShift


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """Everything that is known after one photo.

    Parameters
    ----------
    file : str
        The photo as the user named it.
    photo : Photo or None
        None where the file could not be read.
    lens : LensCalibration or None
        None where it was refused before a lens was needed.
    covariance_mm2 : ndarray, shape (2 n, 2 n), or None
        Of the start and end of every band in turn.
    strip : Strip or None
        The surface unwrapped, axial positions from the end face.
    corrections : tuple of Correction
        What was set by hand; `bands` and `shaft` have it applied.
    seal : SealFile or None
        What `landing` was planned with.
    least_contrast : float or None
        Rms contrast over the turn at which half of the bands 2 mm wide are found on this photo:
        the relative change of light from beside a band to inside it.
    """

    file: str
    photo: Photo | None = None
    lens: LensCalibration | None = None
    scales: tuple[ScaleResult, ...] = ()
    agreement: Agreement | None = None
    shaft: ShaftResult | None = None
    bands: tuple[Band, ...] = ()
    budget: tuple[BudgetLine, ...] = ()
    covariance_mm2: FloatArray | None = None
    warnings: tuple[Doubt, ...] = ()
    refusal: Refusal | None = None
    landing: Landing | None = None
    strip: Strip | None = None
    corrections: tuple[Correction, ...] = ()
    seal: SealFile | None = None
    least_contrast: float | None = None

    @property
    def exit_status(self) -> int:
        """0 measured, 3 refused, 4 a file is unreadable or does not fit."""
        return 0 if self.refusal is None else self.refusal.exit_status


@dataclass(frozen=True, slots=True, kw_only=True)
class QualityFigure:
    """One figure of what a photo is good for."""

    name: str
    value: float
    unit: str
    good: bool
    advice: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Improvement:
    """The one change that would narrow the margin most.

    Parameters
    ----------
    source : str
        Source in the uncertainty budget that it removes.
    advice : str
    expanded_mm : float
        Expanded uncertainty of a clear edge without that source: the best it can give.
    """

    source: str
    advice: str
    expanded_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CheckReport:
    """What a photo is good for, without bands; fields as in `Measurement`.

    Parameters
    ----------
    expected_expanded_mm : float or None
        Expanded uncertainty that a clear band edge would have in this photo.
    improvement : Improvement or None
    """

    file: str
    photo: Photo | None = None
    lens: LensCalibration | None = None
    scales: tuple[ScaleResult, ...] = ()
    shaft: ShaftResult | None = None
    quality: tuple[QualityFigure, ...] = ()
    expected_expanded_mm: float | None = None
    improvement: Improvement | None = None
    refusal: Refusal | None = None

    @property
    def exit_status(self) -> int:
        """0 fit to be measured, 3 refused, 4 a file is unreadable or does not fit."""
        return 0 if self.refusal is None else self.refusal.exit_status
