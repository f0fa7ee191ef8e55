"""What the user asks of one measurement, validated once at the command line."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from bandscan.temperature import NOT_STATED, Temperatures

DEFAULT_DIAMETER_U_MM = 0.01  # of an outside micrometer at the bench; common practice
DEFAULT_HEIGHT_U_MM = 0.2  # of a height set with blocks or a calliper; common practice

# An edge fades over some 0.3 mm, and an eye sets it to within half of that either way
# (rectangular: 0.15 / sqrt(3) = 0.09 mm). Common practice, no published source; eyes that
# interpolate a 1 mm scale do about as well.
DEFAULT_HAND_U_MM = 0.1

SCALE_KINDS = ("auto", "rule", "card", "none")
END_SIDES = ("auto", "left", "right", "top", "bottom")
SIDES = ("start", "end")

Interval = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class BandByHand:
    """A band as a person sees it, mm from the (corrected) end face.

    Parameters
    ----------
    sides : tuple of {"start", "end"}
        The edges that were set; the others stay as they were found.
    instead_of_mm : (float, float) or None
        The automatic band that it replaces, also where the two no longer overlap.
    """

    start_mm: float
    end_mm: float
    sides: tuple[str, ...] = SIDES
    instead_of_mm: Interval | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Corrections:
    """All that was set by hand for one photo.

    Parameters
    ----------
    bands : tuple of BandByHand
    no_bands_mm : tuple of float
        Places at which the program sees a band and the person does not.
    end_px : (float, float) or None
        Where the near edge of the end face lies, in the stored file's grid.
    hand_u_mm : float
        Standard uncertainty of one place set by hand, without scale, pose and end face.
    by, why, when : str or None
        `when` is ISO 8601.
    photo_sha256 : str or None
        The photo that they were made for.
    """

    bands: tuple[BandByHand, ...] = ()
    no_bands_mm: tuple[float, ...] = ()
    end_px: tuple[float, float] | None = None
    hand_u_mm: float = DEFAULT_HAND_U_MM
    by: str | None = None
    why: str | None = None
    when: str | None = None
    photo_sha256: str | None = None


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
    rule_class : {"I", "II", "III"} or None
        EU class of the rule; None: a steel rule that bears none.
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
    corrections : Corrections or None
        What a person set by hand.
    """

    diameter_mm: float | None = None
    diameter_u_mm: float = DEFAULT_DIAMETER_U_MM
    lens_path: Path | None = None
    scale: str = "auto"
    pitch_mm: float | None = None
    rule_class: str | None = None
    card_path: Path | None = None
    scale_height_mm: float | None = None
    scale_height_u_mm: float = DEFAULT_HEIGHT_U_MM
    end_side: str = "auto"
    temperatures: Temperatures = NOT_STATED
    seal_path: Path | None = None
    corrections: Corrections | None = None
