"""What the user asks of one measurement, validated once at the command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bandscan.temperature import NOT_STATED, Temperatures

DEFAULT_DIAMETER_U_MM = 0.01  # of an outside micrometer at the bench; common practice
DEFAULT_HEIGHT_U_MM = 0.2  # of a height set with blocks or a calliper; common practice

SCALE_KINDS = ("auto", "rule", "card", "none")
END_SIDES = ("auto", "left", "right", "top", "bottom")


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasureOptions:
    """Options of `bandscan measure` and `bandscan check`.

    Parameters
    ----------
    diameter_mm, diameter_u_mm : float
        Shaft diameter at the seal land as measured with a micrometer (None: not given)
        and its standard uncertainty.
    lens_path : Path or None
        Lens file; without one the lens is estimated from EXIF.
    scale : {"auto", "rule", "card", "none"}
        What lies beside the shaft.
    pitch_mm : float or None
        Graduation pitch of the rule; None: found from long and short marks.
    card_path : Path or None
        TOML description of the printed card.
    scale_height_mm : float or None
        Height of the scale's surface above the shaft axis, toward the camera.
    scale_height_u_mm : float
        Its standard uncertainty.
    end_side : {"auto", "left", "right", "top", "bottom"}
        Side of the picture, as the user sees it, on which the shaft end lies.
    temperatures : Temperatures
        Of the shaft and of what it is measured with.
    seal_path : Path or None
        Seal file, for planning the landing of a new seal.
    """

    diameter_mm: float | None = None
    diameter_u_mm: float = DEFAULT_DIAMETER_U_MM
    lens_path: Path | None = None
    scale: str = "auto"
    pitch_mm: float | None = None
    card_path: Path | None = None
    scale_height_mm: float | None = None
    scale_height_u_mm: float = DEFAULT_HEIGHT_U_MM
    end_side: str = "auto"
    temperatures: Temperatures = NOT_STATED
    seal_path: Path | None = None
