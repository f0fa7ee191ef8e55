"""Is the photo good enough: resolution, sharpness, light, view and scale."""

from __future__ import annotations

import math

import numpy as np

from bandscan.cylinder import ShaftPose
from bandscan.errors import BlurredError, ClippedError, TooCoarseError
from bandscan.model import Strip
from bandscan.result import QualityFigure, ScaleResult
from calib.camera import FloatArray

# A band of 0.6 mm needs three pixels to be told from a line.
MIN_PX_PER_MM = 5.0
GOOD_PX_PER_MM = 12.0
# Width over which the metal's own texture is smeared: half the narrowest band is the limit.
MAX_BLUR_MM = 0.35
GOOD_BLUR_MM = 0.2
# Clipped light carries no texture and no band; with this share gone the land is not surveyed.
MAX_CLIPPED_SHARE = 0.5
GOOD_CLIPPED_SHARE = 0.15
_CLIPPED_LEVEL = 0.97
_DETREND_MM = 3.0
# Darker metal drowns in noise: 3 % of full well is a signal to noise of about 10 on a small sensor
# (common practice, no published source).
GOOD_LEVEL = 0.03
# Beyond this the far end of the land is seen too flatly, and the scale's height counts for more.
GOOD_VIEW_DEG = 15.0
# Graduations finer than this blur into each other; squares smaller than 45 px have markers
# whose bits are under 5 px (both common practice, no published source).
GOOD_GRADUATION_PX, GOOD_SQUARE_PX = 10.0, 45.0


def judge_quality(
    strip: Strip, *, land_mm: tuple[float, float], arc_rad: tuple[float, float]
) -> list[QualityFigure]:
    """Figures of a strip with advice; see `refuse_if_hopeless` for the limits that refuse.

    Parameters
    ----------
    strip : Strip
    land_mm : (float, float)
        Ground land on the strip.
    arc_rad : (float, float)
        Arc that is measured.
    """
    columns = (strip.axial_mm > land_mm[0]) & (strip.axial_mm < land_mm[1])
    rows = (strip.angle_rad >= arc_rad[0]) & (strip.angle_rad <= arc_rad[1])
    values = np.asarray(strip.values[np.ix_(rows, columns)], dtype=float)
    step_mm = float(strip.axial_mm[1] - strip.axial_mm[0])
    finite = values[np.isfinite(values)]
    clipped = float((finite > _CLIPPED_LEVEL).mean()) if finite.size else 1.0
    blur_mm = texture_length_mm(values, step_mm)
    return [
        QualityFigure(
            name="resolution",
            value=1.0 / step_mm,
            unit="px/mm",
            good=1.0 / step_mm >= GOOD_PX_PER_MM,
            advice="Move closer, so that the seal land fills more of the picture.",
        ),
        QualityFigure(
            name="sharpness",
            value=blur_mm,
            unit="mm",
            good=blur_mm <= GOOD_BLUR_MM,
            advice="Tap on the shaft to focus there, rest the camera, and photograph again.",
        ),
        QualityFigure(
            name="glare on the land",
            value=100.0 * clipped,
            unit="%",
            good=clipped <= GOOD_CLIPPED_SHARE,
            advice="Turn the lamp away or expose less, until the metal is grey and not white.",
        ),
        _exposure(finite),
    ]


def _exposure(values: FloatArray) -> QualityFigure:
    level = float(np.median(values)) if values.size else 0.0
    return QualityFigure(
        name="exposure of the land",
        value=100.0 * level,
        unit="%",
        good=level >= GOOD_LEVEL,
        advice="Give more light, or tap on the shaft so that the camera exposes for it.",
    )


def judge_view(pose: ShaftPose, *, land_mm: tuple[float, float]) -> QualityFigure:
    """How far from square to the axis the camera looks at the middle of the land."""
    sight = pose.origin_mm + 0.5 * (land_mm[0] + land_mm[1]) * pose.direction
    angle = math.degrees(math.asin(abs(sight @ pose.direction) / float(np.linalg.norm(sight))))
    return QualityFigure(
        name="view off square",
        value=angle,
        unit="deg",
        good=angle <= GOOD_VIEW_DEG,
        advice="Hold the camera level above the seal land, looking square to the shaft.",
    )


def judge_scale(scale: ScaleResult) -> QualityFigure | None:
    """Whether a rule or card is large enough in the photo; None for the diameter."""
    if scale.pitch_mm is None:
        return None
    pixels = scale.pitch_mm / scale.mm_per_px
    limit, mark = (
        (GOOD_SQUARE_PX, "square") if scale.kind == "card" else (GOOD_GRADUATION_PX, "graduation")
    )
    return QualityFigure(
        name="scale legibility",
        value=pixels,
        unit="px",
        good=pixels >= limit,
        advice=f"Move closer: {limit:.0f} px from {mark} to {mark} are wanted.",
    )


def refuse_if_hopeless(figures: list[QualityFigure]) -> None:
    """Raise where a band could not be seen or placed.

    Raises
    ------
    TooCoarseError, BlurredError, ClippedError
    """
    by_name = {figure.name: figure for figure in figures}
    resolution, blur, glare = (
        by_name[name] for name in ("resolution", "sharpness", "glare on the land")
    )
    if resolution.value < MIN_PX_PER_MM:
        raise TooCoarseError(
            f"The shaft is resolved by {resolution.value:.1f} pixels per mm; "
            f"{MIN_PX_PER_MM:.0f} are needed to see a band of 0.6 mm.",
            resolution.advice,
        )
    if glare.value > 100.0 * MAX_CLIPPED_SHARE:
        raise ClippedError(
            f"{glare.value:.0f} % of the seal land is clipped to white; no more than "
            f"{100 * MAX_CLIPPED_SHARE:.0f} % may be.",
            glare.advice,
        )
    if blur.value > MAX_BLUR_MM:
        raise BlurredError(
            f"The metal's texture is smeared over {blur.value:.2f} mm; "
            f"{MAX_BLUR_MM:.2f} mm is the limit.",
            blur.advice,
        )


def texture_length_mm(values: FloatArray, step_mm: float) -> float:
    """Axial lag at which the texture's correlation has fallen to one half, mm.

    Parameters
    ----------
    values : ndarray, shape (rows, columns)
        Linear light.
    step_mm : float
        From column to column.

    Notes
    -----
    Ground metal is streaked finely along the axis, so that what correlates neighbouring
    columns is mostly the blur of the picture.
    """
    logs = np.log(np.nan_to_num(values, nan=0.0) + 0.01)
    window = max(3, round(_DETREND_MM / step_mm))
    if logs.shape[1] < 3 * window or logs.shape[0] == 0:
        return 0.0
    total = np.cumsum(np.pad(logs, ((0, 0), (1, 0))), axis=1)
    smooth = (total[:, window:] - total[:, :-window]) / window
    half = window // 2
    fine = logs[:, half : half + smooth.shape[1]] - smooth
    limit = 3.0 * np.median(np.abs(fine), axis=1, keepdims=True)
    fine = np.clip(fine, -limit, limit)  # bands and grooves are not texture
    fine = fine - fine.mean(axis=1, keepdims=True)
    lags = min(fine.shape[1] // 2, math.ceil(1.5 / step_mm))
    power = np.median((fine * fine).mean(axis=1))
    if power <= 0.0:
        return 0.0
    for lag in range(1, lags):
        products = (fine[:, lag:] * fine[:, :-lag]).mean(axis=1)
        ratio = float(np.median(products / ((fine * fine).mean(axis=1) + 1e-12)))
        if ratio < 0.5:
            return lag * step_mm
    return float(lags * step_mm)
