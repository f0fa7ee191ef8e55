"""How wide a shaft must look in the picture, by its diameter and a scale beside it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from calib.camera import FloatArray

# Shares of the width that it would have level with the scale. A scale lies on the bench, level
# with the axis or on top, the shaft on the bench or on blocks: all as likely between the first and
# the last but one, none beyond the outer ones; common practice, no published source.
_NARROWEST, _NARROW, _WIDE, _WIDEST = np.log([0.65, 0.85, 1.25, 1.65])
_LINES_UNLIKELY = 4.0  # logarithm of the odds against lines so far apart


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedWidth:
    """Width of the shaft in the picture as far as diameter and scale tell it.

    Parameters
    ----------
    level_px : float
        Width with the axis level with the scale, or at the height that is stated.
    """

    level_px: float

    def unlike(self, width_px: ArrayLike) -> FloatArray:
        """How little a width may be the shaft's: 0 as expected, 1 not to be expected.

        No more than 1: what a person states may be wrong, and must not outweigh what shows.
        """
        wider = np.log(np.maximum(np.asarray(width_px, dtype=float), 1.0) / self.level_px)
        below = (_NARROW - wider) / (_NARROW - _NARROWEST)
        above = (wider - _WIDE) / (_WIDEST - _WIDE)
        return np.asarray(np.clip(np.maximum(below, above), 0.0, 1.0))

    def against(self, width_px: ArrayLike) -> FloatArray:
        """Logarithm of the odds against lines so far apart being the shaft's sides."""
        return _LINES_UNLIKELY * self.unlike(width_px)

    def at_scale(self, scale: float) -> ExpectedWidth:
        """The same in a picture reduced by `scale`."""
        return ExpectedWidth(level_px=scale * self.level_px)
