"""Where a reduced photo looks like turned or ground metal, cell by cell.

Metal that is round and was ground on centres shows two regularities at once, and nothing else on a
bench shows both over a solid block: fine streaks run round the shaft, so a row of the picture
parallel to the axis looks like the next one; and what the shaft mirrors lies in stripes parallel to
the axis, so the brightness changes across the axis nearly everywhere.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

FloatImage = NDArray[np.float32]

LOG_SCALE = 40.0  # keeps the logarithm in numbers like grey levels
BLOCK_PX = 12  # length along the axis over which a row is averaged
_SEEN = 0.9  # share of a cell that must lie in the photo
_LAG_PX = 4  # rows compared lie this far apart: beyond the blur of photo and reduction
_STREAK_BOX_PX = (41, 7)  # some 90 independent samples: correlation noise 0.1
_STREAK_NOISE = 0.2  # two standard deviations of the correlation by chance
_STREAK_SURE = 0.6
_GRADIENT_NOISE = 2.0  # standard deviations of the background's gradient
_GRADIENT_SURE = 6.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turned:
    """The search picture turned so that a direction runs along its rows."""

    logs: FloatImage
    usable: FloatImage
    frame: FloatImage
    matrix: FloatArray  # shape (2, 3): photo at search scale to turned picture

    def back(self, points: FloatArray) -> FloatArray:
        """Points of the turned picture in the reduced one, shape (n, 2)."""
        return np.asarray((points - self.matrix[:, 2]) @ self.matrix[:, :2])


def turn(logs: FloatImage, usable: NDArray[np.uint8], angle_rad: float) -> Turned:
    """Turn the reduced photo.

    Parameters
    ----------
    logs : ndarray, shape (height, width)
        Logarithm of its grey levels, times `LOG_SCALE`.
    usable : ndarray of uint8, shape (height, width)
        1 where there may be a shaft.
    angle_rad : float
        Direction that is to run along the rows.
    """
    height, width = logs.shape
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    rotation = np.array([[c, s], [-s, c]])
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]])
    turned = corners @ rotation.T
    low = np.floor(turned.min(axis=0))
    size = np.ceil(turned.max(axis=0) - low).astype(int) + 1
    matrix = np.column_stack([rotation, -low])
    shape = (int(size[0]), int(size[1]))
    return Turned(
        logs=np.asarray(
            cv2.warpAffine(logs, matrix, shape, borderMode=cv2.BORDER_REPLICATE), np.float32
        ),
        usable=cv2.warpAffine(usable, matrix, shape, flags=cv2.INTER_NEAREST).astype(np.float32),
        frame=cv2.warpAffine(np.ones_like(usable), matrix, shape, flags=cv2.INTER_NEAREST).astype(
            np.float32
        ),
        matrix=matrix,
    )


def _block_means(values: FloatImage) -> FloatImage:
    """Means over `BLOCK_PX` columns, shape (rows, blocks)."""
    blocks = values.shape[1] // BLOCK_PX
    whole = values[:, : blocks * BLOCK_PX].reshape(values.shape[0], blocks, BLOCK_PX)
    return np.asarray(whole.mean(axis=2))


def _streaks(turned: Turned) -> FloatImage:
    """Share of each cell whose rows repeat a few rows further on, 0 to 1."""
    fine = (turned.logs - cv2.blur(turned.logs, (9, 1))) * turned.usable
    later = np.zeros_like(fine)
    later[:-_LAG_PX] = fine[_LAG_PX:]
    energy = np.maximum(cv2.blur(fine * fine, _STREAK_BOX_PX), 0.0)
    energy_later = np.zeros_like(energy)
    energy_later[:-_LAG_PX] = energy[_LAG_PX:]
    quantisation = 1.0 / 12.0 * (LOG_SCALE / 64.0) ** 2  # of a grey level, at a dark one
    alike = cv2.blur(fine * later, _STREAK_BOX_PX)
    correlation = alike / (np.sqrt(energy * energy_later) + quantisation)
    correlation = np.roll(correlation, _LAG_PX // 2, axis=0)
    sure = (correlation - _STREAK_NOISE) / (_STREAK_SURE - _STREAK_NOISE)
    cells = _block_means(np.asarray(np.clip(sure, 0.0, 1.0) * turned.usable, np.float32))
    return np.asarray(cv2.blur(cells, (3, 9)), np.float32)


def _across(turned: Turned, smoothing_px: float) -> tuple[FloatImage, NDArray[np.bool_]]:
    """Slope of the logarithm across the axis over its usual size, and where it is known."""
    size = int(6.0 * smoothing_px) | 1
    smooth = cv2.GaussianBlur(turned.logs, (1, size), smoothing_px)
    slope = np.asarray(cv2.Sobel(smooth, cv2.CV_32F, 0, 1, ksize=1), np.float32)
    inner = np.asarray(cv2.erode(turned.usable, np.ones((size, 5), np.uint8)), np.float32)
    means = np.abs(_block_means(slope * inner))
    seen = _block_means(inner) > _SEEN
    noise = float(np.median(means[seen])) / 0.6745 if seen.any() else 1.0
    return np.where(seen, means / max(noise, 1e-3), 0.0).astype(np.float32), seen


def _sure(slope: FloatImage) -> FloatImage:
    sure = (slope - _GRADIENT_NOISE) / (_GRADIENT_SURE - _GRADIENT_NOISE)
    return np.asarray(np.clip(sure, 0.0, 1.0), np.float32)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cells:
    """Evidence by row and block."""

    streaks: FloatImage
    striped: FloatImage
    metal: FloatImage
    seen: NDArray[np.bool_]
    edges: FloatImage

    @property
    def middle_px(self) -> FloatArray:
        """Middles of the blocks along the rows, from the middle of the picture."""
        blocks = self.seen.shape[1]
        return np.asarray((np.arange(blocks) - (blocks - 1) / 2.0) * BLOCK_PX)


def read_cells(turned: Turned) -> Cells:
    """Evidence of each row and block of a turned picture."""
    fine, seen = _across(turned, 1.0)
    broad, _ = _across(turned, 3.0)  # the soft shading of a shaft that fills the photo
    streaks = _streaks(turned)
    striped = np.clip(1.5 * cv2.blur(np.maximum(_sure(fine), _sure(broad)), (3, 15)), 0.0, 1.0)
    crest = fine >= cv2.dilate(fine, np.ones((5, 1), np.uint8)) - 1e-6
    edges = cv2.dilate(np.where(crest, _sure(fine), 0.0), np.ones((3, 1), np.uint8))
    return Cells(
        streaks=streaks,
        striped=np.where(seen, striped, 0.0).astype(np.float32),
        metal=np.where(seen, 1.0 - (1.0 - streaks) * (1.0 - striped), 0.0).astype(np.float32),
        seen=_block_means(turned.frame) > _SEEN,
        edges=np.where(seen, edges, 0.0).astype(np.float32),
    )


class RowSums:
    """Sums of cells between two rows of each block, by cumulative sums."""

    def __init__(self, cells: FloatArray) -> None:
        self.total = np.concatenate([np.zeros((1, cells.shape[1])), np.cumsum(cells, axis=0)])

    def between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        """Sums between rows `low` and `high`, both of shape (..., blocks)."""
        limit = self.total.shape[0] - 1
        first = np.clip(np.rint(low).astype(int), 0, limit)
        last = np.maximum(np.clip(np.rint(high).astype(int), 0, limit), first)
        block = np.arange(self.total.shape[1])
        return np.asarray(self.total[last, block] - self.total[first, block])
