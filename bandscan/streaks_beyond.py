"""Whether the streaks of ground metal go on beyond a line that is taken for the shaft's side."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.errors import NoShaftError
from bandscan.model import Outline, Photo, Silhouette
from bandscan.sampling import sample_linear
from calib.camera import FloatArray

# Rows in pairs, one on either side of a line and as far from it; shares of the shaft's width.
_AWAY = 0.012 + 0.006 * np.arange(6)
_LENGTH = 1.6  # of the width, from the shaft's end
_RIPPLE = 0.05  # of the width: finer than this along the shaft is streaks
_STEEPEST, _SLOPES = 1.0, 41  # of the streaks against square to the side, towards either end
_DARK_LEVEL = 0.004
# Correlation over a line. Common practice, no published source: 0.22 at most at 260 true sides of
# drawn scenes and 0.10 at those of rendered photos; 0.24 and more at most lines inside the metal.
_GOES_ON = 0.24


def check_metal_stops(photo: Photo, outline: Outline) -> None:
    """Refuse an outline beside which the metal goes on.

    Raises
    ------
    NoShaftError
        Where beyond a side there are streaks as inside.
    """
    first, second = outline.sides
    if streaks_go_on(photo, first, second) or streaks_go_on(photo, second, first):
        raise NoShaftError(
            "Beyond the line that looks most like a side of the shaft, ground metal goes on.",
            "Lay the shaft on a ground that is plainly brighter or darker than its flanks.",
        )


def streaks_go_on(photo: Photo, side: Silhouette, other: Silhouette) -> bool:
    """Whether the same streaks show on both sides of a line, so that it is not the shaft's side.

    Streaks run round the shaft and stop at its outline. A stripe that the shaft mirrors can look
    like its side where the metal beyond is as bright as the bench; the streaks cross it.

    Parameters
    ----------
    photo : Photo
    side, other : Silhouette
        The line in question, and that on the other side.
    """
    square = outward(side, other)
    width_px = float((side.points_px.mean(axis=0) - other.points_px.mean(axis=0)) @ square)
    return _likeness(photo, side.points_px, square, width_px) > _GOES_ON


def outward(side: Silhouette, other: Silhouette) -> FloatArray:
    """Unit vector square to a side, away from the other; pixels."""
    along = side.points_px[-1] - side.points_px[0]
    square = np.array([-along[1], along[0]]) / max(float(np.linalg.norm(along)), 1e-9)
    away = side.points_px.mean(axis=0) - other.points_px.mean(axis=0)
    return np.asarray(square if square @ away > 0.0 else -square)


def _likeness(photo: Photo, line_px: FloatArray, square: FloatArray, width_px: float) -> float:
    """Correlation of the ripple along a line, outside with inside, at the likeliest slope."""
    length = float(np.linalg.norm(line_px[-1] - line_px[0]))
    longest = min(length, _LENGTH * width_px)
    if not longest >= 2.0:  # a lens that folds the picture over leaves no line: not a number
        return 0.0
    count = int(longest)
    knot = np.linspace(0.0, (len(line_px) - 1) * count / length, count)
    knots = np.arange(len(line_px))
    along = np.column_stack([np.interp(knot, knots, line_px[:, k]) for k in (0, 1)])
    away_px = _AWAY * width_px
    outer, inner = (
        _ripple(sample_linear(photo, along + way[:, None, None] * square), width_px)
        for way in (away_px, -away_px)
    )
    slopes = np.linspace(-_STEEPEST, _STEEPEST, _SLOPES)
    found = np.zeros(_SLOPES)
    for a, b, apart_px in zip(inner, outer, 2.0 * away_px, strict=True):
        lags, likeness = _by_lag(a, b, int(_STEEPEST * apart_px) + 1)
        found += np.interp(slopes * apart_px, lags, likeness)
    return float(found.max()) / _AWAY.size


def _ripple(light: NDArray[np.float32], width_px: float) -> NDArray[np.float32]:
    """The fine part of the logarithm along each row, its outliers cut."""
    logs = np.log(np.maximum(np.nan_to_num(light, nan=1.0), 0.0) + _DARK_LEVEL)
    fine = logs - cv2.blur(logs, (max(9, int(_RIPPLE * width_px) | 1), 1))
    limit = 3.0 * np.median(np.abs(fine), axis=1, keepdims=True) + 1e-6
    return np.asarray(np.clip(fine, -limit, limit), dtype=np.float32)


def _by_lag(
    one: NDArray[np.float32], other: NDArray[np.float32], most: int
) -> tuple[FloatArray, FloatArray]:
    """Correlation of two rows at each lag up to `most`."""
    size = cv2.getOptimalDFTSize(one.size + most + 1)
    product = np.conj(np.fft.rfft(one, size)) * np.fft.rfft(other, size)
    sums = np.fft.irfft(product, size)
    lags = np.arange(-most, most + 1)
    power = float(np.sqrt((one @ one) * (other @ other))) + 1e-9
    return lags.astype(float), np.asarray(sums[lags] / power)
