"""Which of the scales in a photo give its millimetres: one, both weighed, or the one that fits.

A height is stated for whatever scale lies beside the shaft. Where a rule and a card do, both are
at that height, or one of them is not, or is not as large as it says: then the diameter tells
which, and without a diameter nobody can.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from bandscan.errors import ScaleDisagreesError
from bandscan.model import Doubt, Outline
from bandscan.options import MeasureOptions
from bandscan.scaling import Scaled, ScaleReading, best_scale, build_chain
from calib.camera import Camera
from calib.joined_scales import join_scales
from calib.lens import LensCalibration
from calib.quantity import expanded_en
from calib.scale import ScalePlane

_APART_REMEDY = (
    "If they lie at different heights, name the one whose height is stated with --scale; else "
    "measure the card's 100 mm line and record it with bandscan card --measured. With --diameter "
    "it is told which of them is right."
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Apart:
    """Two scales that cannot both be as large and as high as stated.

    Parameters
    ----------
    readings : (ScaleReading, ScaleReading)
    en : float
        E_n of the two (ISO 13528).
    apart_mm : float
        By how much the second lies further from the camera than the first.
    log_apart : float
        The same as the logarithm of the ratio of their distances.
    """

    readings: tuple[ScaleReading, ScaleReading]
    en: float
    apart_mm: float
    log_apart: float

    @property
    def message(self) -> str:
        """What was seen."""
        first, second = (reading.result.kind for reading in self.readings)
        way = "further from" if self.apart_mm > 0.0 else "nearer to"
        return (
            f"Scales disagree (E_n = {self.en:.2f}, satisfactory up to 1): the {second} lies "
            f"{abs(self.apart_mm):.1f} mm {way} the camera than the {first}, or is "
            f"{100.0 * math.exp(-self.log_apart):.1f} % of the size it should have"
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScaleChoice:
    """What gives the millimetres.

    Parameters
    ----------
    scale : ScaleReading or None
        The only scale, the one known best, or both as one; None where there is none and where
        two contradict each other.
    compared : tuple of ScaleReading
        What the diameter is compared with.
    apart : Apart or None
        The contradiction.
    """

    scale: ScaleReading | None = None
    compared: tuple[ScaleReading, ...] = ()
    apart: Apart | None = None


def choose_scale(
    scales: Sequence[ScaleReading], camera: Camera, options: MeasureOptions
) -> ScaleChoice:
    """The scale to measure by, before a shaft is known.

    Parameters
    ----------
    scales : sequence of ScaleReading
        Those that were read and may be used, at most a card and a rule.
    camera : Camera
    options : MeasureOptions
    """
    best = best_scale(scales)
    if best is None or len(scales) == 1 or options.scale_height_mm is None:
        return ScaleChoice(scale=best, compared=tuple(scales))
    first, second = sorted(scales, key=lambda reading: _slopes_variance(reading.plane(camera)))
    joined = join_scales(first.plane(camera), second.plane(camera))
    away_mm = float(abs(second.plane(camera).normal @ second.plane(camera).point_mm))
    height_u = math.sqrt(2.0) * options.scale_height_u_mm / away_mm  # each at its own height
    en = expanded_en(joined.apart, 2.0 * joined.apart_u, 2.0 * height_u)
    if abs(en) > 1.0:
        return ScaleChoice(apart=_apart(first, second, abs(en), joined.apart, away_mm))

    def plane(of: Camera) -> ScalePlane:
        return join_scales(first.plane(of), second.plane(of)).plane

    both = replace(
        best,
        result=replace(
            best.result, kind="rule with card", relative_u=joined.plane.relative_u, pitch_mm=None
        ),
        plane=plane,
    )
    return ScaleChoice(scale=both, compared=(both,))


def _apart(
    first: ScaleReading, second: ScaleReading, en: float, log_apart: float, away_mm: float
) -> Apart:
    """The contradiction, told of the card: a print is the likelier to be wrong."""
    if first.result.kind == "card":
        first, second, log_apart = second, first, -log_apart
    return Apart(readings=(first, second), en=en, apart_mm=log_apart * away_mm, log_apart=log_apart)


def refuse_if_apart(choice: ScaleChoice) -> None:
    """Refuse two scales of which no diameter tells which is right.

    Raises
    ------
    ScaleDisagreesError
    """
    if choice.apart is not None:
        raise ScaleDisagreesError(f"{choice.apart.message}.", _APART_REMEDY)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """The measurement model with its millimetres.

    Parameters
    ----------
    scaled : Scaled
    compared : ScaleReading or None
        The scale that its agreement is of: of several the one that the diameter fits worst.
    doubts : tuple of Doubt
        A reservation about a scale that was left out.
    """

    scaled: Scaled
    compared: ScaleReading | None
    doubts: tuple[Doubt, ...] = ()


def weigh(
    choice: ScaleChoice, outline: Outline, lens: LensCalibration, options: MeasureOptions
) -> Weighed:
    """The measurement model of an outline with its millimetres.

    Of two scales that contradict each other that one is used which fits the diameter better.
    """
    if choice.apart is None:
        scaled = build_chain(outline, lens, choice.scale, options)
        tried = [(one, build_chain(outline, lens, one, options)) for one in choice.compared]
        compared, worst = max(tried, key=_misfit, default=(None, scaled))
        return Weighed(scaled=replace(scaled, agreement=worst.agreement), compared=compared)
    tried = [(one, build_chain(outline, lens, one, options)) for one in choice.apart.readings]
    (used, scaled), (other, _) = sorted(tried, key=_misfit)
    doubt = Doubt(
        code="scales-apart",
        message=f"{choice.apart.message}. The {used.result.kind} is the one that fits the "
        f"diameter better; the {other.result.kind} was left out.",
    )
    return Weighed(scaled=scaled, compared=used, doubts=(doubt,))


def _misfit(tried: tuple[ScaleReading, Scaled]) -> float:
    agreement = tried[1].agreement
    return 0.0 if agreement is None else abs(agreement.en)


def _slopes_variance(plane: ScalePlane) -> float:
    return float(plane.covariance[1, 1] + plane.covariance[2, 2])
