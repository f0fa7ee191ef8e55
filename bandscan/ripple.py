"""How far neighbouring columns of an unrolled surface differ: what polishing takes away."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandscan.model import Strip
from calib.camera import FloatArray

_DARK_LEVEL = 0.01  # linear light below which noise, not metal, makes the logarithm
_BESIDE_MM = 3.0  # from an interval, where the metal beside it is looked at
_SOFT_MM = 0.25  # of a soft edge that is kept out of the texture inside
_FEWEST_COLUMNS = 4
# Of a narrow interval its soft edges leave little; what they add makes it look rougher, so what is
# plainly calm is believed. Ray-cast scenes: bands 0.35 to 0.7, 0.84 and more for all but a few
# intervals of ground metal.
_LEAST_GAP, _NARROW_CALM = 2, 0.6


def log_light(strip: Strip) -> FloatArray:
    """Logarithm of the light, shape (rows, columns); dark where nothing was seen."""
    return np.asarray(np.log(np.maximum(np.nan_to_num(strip.values), 0.0) + _DARK_LEVEL))


def columns_of(length_mm: float, px_per_mm: float, least: int) -> int:
    """Columns that a length takes."""
    return max(least, round(length_mm * px_per_mm))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Ripple:
    """Difference of neighbouring columns, which polishing takes away.

    Parameters
    ----------
    size : ndarray, shape (rows, columns - 2)
        Column i stands for column i + 1 of the strip.
    seen : ndarray of bool, shape (columns - 2,)
    px_per_mm : float
    """

    size: FloatArray
    seen: NDArray[np.bool_]
    px_per_mm: float

    @classmethod
    def of(cls, strip: Strip) -> Ripple:
        """That of a strip."""
        logs = log_light(strip)
        seen = np.asarray(np.isfinite(strip.values).all(axis=0))
        return cls(
            size=np.abs(logs[:, 2:] - logs[:, :-2]),
            seen=seen[2:] & seen[1:-1] & seen[:-2],
            px_per_mm=1.0 / (strip.axial_mm[1] - strip.axial_mm[0]),
        )

    def texture(self, start: int, end: int) -> float:
        """Ripple inside an interval over that within 3 mm beside it.

        NaN for an interval so narrow that its soft edges leave nothing between them.
        """
        return self._ratio(start, end, self._soft)

    def texture_of_narrow(self, start: int, end: int) -> float:
        """The same of a narrow one, its soft edges left out in part; NaN unless it is calm."""
        gap = min(self._soft, (end - start - _FEWEST_COLUMNS) // 2)
        if gap < _LEAST_GAP:
            return math.nan
        ratio = self._ratio(start, end, gap)
        return ratio if ratio < _NARROW_CALM else math.nan

    @property
    def _soft(self) -> int:
        """Columns of a soft edge."""
        return columns_of(_SOFT_MM, self.px_per_mm, 1) + 1

    def _ratio(self, start: int, end: int, gap: int) -> float:
        beside, soft = int(_BESIDE_MM * self.px_per_mm), self._soft
        inside = self.size[:, start + gap - 1 : end - gap - 1]
        outside = np.concatenate(
            [
                self.size[:, low:high][:, self.seen[low:high]]
                for low, high in (
                    (max(0, start - beside), max(0, start - soft - 1)),
                    (end + soft, end + beside),
                )
            ],
            axis=1,
        )
        if min(inside.shape[1], outside.shape[1]) < _FEWEST_COLUMNS:
            return math.nan
        ratio = (np.median(inside, axis=1) + 1e-6) / (np.median(outside, axis=1) + 1e-6)
        return float(np.median(ratio))
