"""The values that travel from step to step and into the result; no behaviour beyond views.

Pixel coordinates are those of the stored file's grid, pixel centres at whole numbers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from bandscan.cylinder import ShaftPose
from calib.camera import FloatArray
from calib.lens import CameraIdentity, LensCalibration
from calib.quantity import Estimate


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A decoded photo in sensor order.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values (gamma-encoded), EXIF orientation not applied.
    orientation : int
        EXIF orientation, 1 to 8; 1 where there is none.
    """

    path: Path
    sha256: str
    grey: NDArray[np.uint8] | NDArray[np.uint16]
    orientation: int = 1
    taken: str | None = None
    identity: CameraIdentity = field(default_factory=CameraIdentity)

    @property
    def width_px(self) -> int:
        """Columns of the stored grid."""
        return int(self.grey.shape[1])

    @property
    def height_px(self) -> int:
        """Rows of the stored grid."""
        return int(self.grey.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Silhouette:
    """One side of the shaft's outline along the seal land.

    Parameters
    ----------
    points_px : ndarray, shape (n, 2)
        Sub-pixel edge points between shaft and background, from the end into the shaft.
    u_px : float
        Standard uncertainty of the fitted line's offset, systematic part included, and
    tilt_u_px : float
        of its change from the middle to the ends.
    """

    points_px: FloatArray
    u_px: float
    tilt_u_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """The shaft as first found: two silhouettes and its end.

    Parameters
    ----------
    sides : tuple of two Silhouette
        Along the part of constant diameter that begins at the end.
    end_px : ndarray, shape (2,)
        Approximate middle of the end, where the outline closes.
    inward_px : ndarray, shape (2,)
        Unit vector in the picture from the end into the shaft.
    """

    sides: tuple[Silhouette, Silhouette]
    end_px: FloatArray
    inward_px: FloatArray


END_BY_HAND = "set by hand"


# Support of an end that outweighs a unit of strain: half of the 0.03 that make it e times as
# likely (rendered photos; common practice, no published source).
STRAIN_COSTS = 0.015


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisDoubt:
    """Standard uncertainties of the axis of an outline.

    Parameters
    ----------
    sideways_px : float
        Of its place across its direction in the photo.
    lean_rad : float
        Of its angle to the picture plane.
    """

    sideways_px: float = 0.3
    lean_rad: float = 0.0

    @classmethod
    def of(cls, outline: Outline, focal_px: float) -> AxisDoubt:
        """By the sides of an outline, sideways no less than what plain sides leave.

        An axis that leans by an angle a makes its sides, l long and w apart, converge by
        a w l / focal length.
        """
        low, high = outline.sides
        along = np.linalg.norm(low.points_px[-1] - low.points_px[0])
        apart = np.linalg.norm(high.points_px.mean(axis=0) - low.points_px.mean(axis=0))
        half = max(float(along) / 2.0, 1.0)
        lean = math.hypot(low.tilt_u_px, high.tilt_u_px) * focal_px / (half * float(apart))
        return cls(
            sideways_px=max(math.hypot(low.u_px, high.u_px) / 2.0, cls().sideways_px),
            lean_rad=lean,
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndFace:
    """Where axial position zero is, on the scale of a provisional pose.

    Parameters
    ----------
    axial_mm : Estimate
        Plane of the end face.
    chamfer_mm : Estimate or None
        Outer edge of the chamfer or end radius, where one was told from none.
    rim_radius_mm : float
        Radius of the end face's rim.
    what : str
        What the zero rests on: "face rim", the circle that bounds the end face, or
        `END_BY_HAND`.
    seen : bool
        Whether the camera sees the face, so that the zero rests on its far rim.
    support : float
        Share of the outline of such an end that shows an edge, 0 to 1.
    least_side : float
        The same next to one side of the shaft, the lesser of the two.
    strain : float
        By how much the outline had to give for that: sum of squares of the shift and lean of its
        axis, and of what it lacks to fit diameter and scale, over their standard uncertainties.
    beside_px : ndarray, shape (2,), or None
        By how much the end shows beside the axis in the photo, and
    beside_u_px : float
        its standard uncertainty.
    """

    axial_mm: Estimate
    chamfer_mm: Estimate | None
    rim_radius_mm: float
    what: str
    seen: bool = False
    support: float = 1.0
    least_side: float = 1.0
    strain: float = 0.0
    beside_px: FloatArray | None = None
    beside_u_px: float = math.inf
    warnings: tuple[Doubt, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Doubt:
    """A reservation about an answer that was given."""

    code: str
    message: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Strip:
    """The surface unwrapped: rows are angles, columns axial positions.

    Parameters
    ----------
    values : ndarray of float32, shape (angles, positions)
        Linear light, 0 to 1; NaN where the surface is not seen.
    axial_mm : ndarray, shape (positions,)
    angle_rad : ndarray, shape (angles,)
    """

    values: NDArray[np.float32]
    axial_mm: FloatArray
    angle_rad: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandEdge:
    """One edge of a band as read from the strip, before scale and pose are accounted for.

    Parameters
    ----------
    axial_mm : float
        Mean position over the arc, on the scale of the strip's pose.
    fit_u_mm, fit_dof : float
        Standard uncertainty from noise and grinding streaks, and its degrees of freedom.
    unseen_u_mm : float
        Standard uncertainty because the edge shows on a part of the arc only.
    width_mm : float
        10-90 % width of the transition, blur of the picture removed where it is known.
    wobble_mm : (float, float)
        Cosine and sine part of x(angle) = axial + c (cos a - mean) + s (sin a - mean).
    tone_mm : float
        How far the edge moves per unit of error in the exponent of the tone curve.
    by_hand : bool
        Set by a person, `fit_u_mm` being what the eye leaves open.
    """

    axial_mm: float
    fit_u_mm: float
    fit_dof: float
    unseen_u_mm: float
    width_mm: float
    wobble_mm: tuple[float, float]
    tone_mm: float = 0.0
    by_hand: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandReading:
    """A polished band as read from the strip.

    Parameters
    ----------
    start, end : BandEdge
        `start` is nearer the shaft end.
    looks : {"brighter", "darker", "smoother"}
        Against the ground metal beside it, over most of the arc; "smoother" where it is
        brighter at some angles and darker at others.
    strength : float
        How far it stands out, in robust standard deviations of chance pairs of steps.
    """

    start: BandEdge
    end: BandEdge
    looks: str
    strength: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandReadings:
    """What the strip shows.

    Parameters
    ----------
    bands : tuple of BandReading
        In order from the shaft end.
    least_contrast : float or None
        Rms contrast at which half of the bands 2 mm wide are found; None where nothing was
        searched.
    """

    bands: tuple[BandReading, ...]
    least_contrast: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetInput:
    """One input quantity of a budget line.

    Parameters
    ----------
    name : str
    u : float
        Standard uncertainty, in `unit`.
    unit : str
    sensitivity_mm : float
        By how much the result moves per unit (first order).
    """

    name: str
    u: float
    unit: str
    sensitivity_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetLine:
    """One source's share in one edge's (or width's) standard uncertainty.

    Parameters
    ----------
    edge : str
        "band 1 start", "band 1 end", "band 1 width".
    kind : {"A", "B"}
        How it was evaluated, as in the GUM.
    distribution : {"normal", "t", "rectangular", "mixed"}
    inputs : tuple of BudgetInput
        What the source consists of; those of one source may be correlated.
    origin : str
        Where the numbers come from.
    """

    edge: str
    source: str
    kind: str
    contribution_mm: float
    dof: float = float("inf")
    distribution: str = "normal"
    inputs: tuple[BudgetInput, ...] = ()
    origin: str = ""


__all__ = [
    "AxisDoubt",
    "BandEdge",
    "BandReading",
    "BudgetInput",
    "BudgetLine",
    "Doubt",
    "EndFace",
    "Estimate",
    "LensCalibration",
    "Outline",
    "Photo",
    "ShaftPose",
    "Silhouette",
    "Strip",
]
