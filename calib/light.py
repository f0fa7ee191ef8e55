"""From stored grey values to linear light, where edges must be located.

References
----------
IEC 61966-2-1 (sRGB): the transfer function and its constants.
"""

from __future__ import annotations

from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray


@cache
def _table(levels: int) -> NDArray[np.float32]:
    encoded = np.arange(levels) / (levels - 1)
    linear = np.where(encoded <= 0.04045, encoded / 12.92, ((encoded + 0.055) / 1.055) ** 2.4)
    table = linear.astype(np.float32)
    table.setflags(write=False)
    return table


LEVELS = 65535  # of `linear_levels` at white


def linear_levels(grey: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Decode sRGB grey values, shape (height, width), to whole steps of 1 / `LEVELS`.

    That is half the memory of `linear_light`, and a hundredth of an 8-bit photo's own steps.
    """
    table = np.rint(_table(int(np.iinfo(grey.dtype).max) + 1) * LEVELS).astype(np.uint16)
    if grey.dtype == np.uint8 and grey.size:
        return np.asarray(cv2.LUT(grey, table), dtype=np.uint16)
    return np.asarray(table[grey])


def linear_light(
    grey: NDArray[np.uint8] | NDArray[np.uint16],
) -> NDArray[np.float32]:
    """Decode sRGB grey values.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, any shape
        Stored values.

    Returns
    -------
    ndarray of float32, same shape
        0 (black) to 1 (white), proportional to the light.
    """
    table = _table(int(np.iinfo(grey.dtype).max) + 1)
    if grey.dtype == np.uint8 and grey.ndim == 2 and grey.size:
        return np.asarray(cv2.LUT(grey, table), dtype=np.float32)  # ten times as fast
    return table[grey]
