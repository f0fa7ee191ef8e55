"""Lines of sharp edges in a strip along the shaft, and where the metal's rings are.

The strip's rows run along the rough shaft, its columns are samples pooled along them; an edge
across the rows that begins at the shaft's end, and not before, may be a silhouette.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray

BLOCK = 12  # columns joined in one block
POOL = 4  # samples along the axis averaged into a column, in linear light
_TILTS = np.arange(-0.08, 0.0801, 0.004)  # silhouettes converge by some degrees in perspective
_EDGE_SIGMAS = (1.0, 2.5)  # samples: blur of an outline in focus, and some way behind it
_EDGE_REACH = 9  # samples: an edge that is spread wider is shading, not an outline
_SHARES = (0.4, 0.85)  # explained by an edge: between them it counts as nothing and as certain
_LEAST_RIPPLE = 0.006  # of the logarithm: what rounding to grey levels leaves
_BESIDE_CHANCE = 0.45  # evidence that a block must exceed to speak for the line
CHAMFER = 0.22  # of the width: chamfer and rounding of the ellipse, kept out at the end
_LEAST_LENGTH = 0.6  # of the width; lands of seals are longer
_LEAST_FIRST = 0.4  # evidence in that first length
_MOST_BEFORE = 0.3  # evidence before the end: rules, cards and shadows go on, a silhouette stops
_SAME_LINE = 9  # samples
_BUNDLE_BLOCKS = 20
_MOST_LINES = 6
_LOBE = 0.7  # of the strongest edge within the filter's reach: less is its side lobe
_LAG = 5  # rows: further than a camera's noise reduction spreads
_SKEW = 2  # columns by which a ring leans over that lag
_RIPPLE_COLUMNS = 15
_TEXTURE_LENGTH = 2.2  # of the width: metal near the end whose rings are looked at
_DARK_LEVEL = 0.002


def edge_evidence(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """How surely each block has an edge across at each row, 0 to 1; and what is hidden.

    The profile of a block is compared with a smooth curve (a parabola over the filter's reach):
    of what the curve leaves, the share that a soft step explains.
    """
    rows, blocks = values.shape[0], values.shape[1] // BLOCK
    pooled = values[:, : blocks * BLOCK].reshape(rows, blocks, BLOCK).mean(axis=2)
    hidden = np.isnan(pooled)
    logs = np.log(np.where(hidden, 1.0, pooled) + _DARK_LEVEL).astype(np.float32)
    smooth, steps = _filters()
    size = smooth.shape[1]

    def correlate(kernel: FloatArray) -> NDArray[np.float32]:
        column = kernel[:, None].astype(np.float32)
        filtered = cv2.filter2D(logs, -1, column, borderType=cv2.BORDER_REPLICATE)
        return np.asarray(filtered, dtype=np.float32)

    power = cv2.boxFilter(logs * logs, -1, (1, size), normalize=False)
    left = power - sum(correlate(kernel) ** 2 for kernel in smooth)
    left = np.maximum(left, size * _LEAST_RIPPLE**2)
    explained = np.max([correlate(kernel) ** 2 for kernel in steps], axis=0)
    share = explained / left
    around = np.ones((size // 2, 1), np.uint8)
    share[share < _LOBE * cv2.dilate(share, around)] = 0.0
    reach = cv2.dilate(hidden.astype(np.uint8), np.ones((size // 2, 1), np.uint8)) > 0
    evidence = np.clip((share - _SHARES[0]) / (_SHARES[1] - _SHARES[0]), 0.0, 1.0)
    evidence[reach] = 0.0
    return evidence.astype(np.float32), reach


def _filters() -> tuple[FloatArray, FloatArray]:
    """Orthonormal smooth curves, and soft steps square to them, over the filter's reach."""
    at = np.arange(-_EDGE_REACH, _EDGE_REACH + 1, dtype=float)
    smooth = np.linalg.qr(np.stack([at**0, at, at**2], axis=1))[0].T
    steps = []
    for sigma in _EDGE_SIGMAS:
        step = np.tanh(0.8 * at / sigma)
        step = step - smooth.T @ (smooth @ step)
        steps.append(step / np.linalg.norm(step))
    return smooth, np.array(steps)


def ring_likeness(values: NDArray[np.float32], s: FloatArray, width: float) -> FloatArray:
    """Correlation of the fine ripple along each row with that some rows on, 0 to 1.

    Grinding streaks run round the shaft, so that they go on from row to row; the noise of
    bench and shadow does not.
    """
    near = (s > CHAMFER * width) & (s < _TEXTURE_LENGTH * width)
    part = values[:, near]
    logs = np.log(np.nan_to_num(part, nan=1.0) + 2.0 * _DARK_LEVEL).astype(np.float32)
    ripple = logs - cv2.blur(logs, (_RIPPLE_COLUMNS, 1))
    ripple[np.isnan(part)] = 0.0
    limit = 3.0 * np.median(np.abs(ripple), axis=1, keepdims=True) + 1e-6
    ripple = cv2.blur(np.clip(ripple, -limit, limit), (1, 3))
    here, further = ripple[:-_LAG], ripple[_LAG:]
    power = np.sqrt((here**2).mean(axis=1) * (further**2).mean(axis=1)) + 1e-9
    likeness = np.zeros(len(values))
    for skew in range(-_SKEW, _SKEW + 1):
        product = (here * np.roll(further, skew, axis=1)).mean(axis=1) / power
        middle = slice(_LAG // 2, _LAG // 2 + len(product))
        likeness[middle] = np.maximum(likeness[middle], product)
    return np.convolve(likeness, np.full(5, 0.2), mode="same")


def find_sharp_lines(
    evidence: NDArray[np.float32],
    hidden: NDArray[np.bool_],
    rows: NDArray[np.intp],
    first: int,
    width_samples: float,
) -> list[tuple[int, float, float, float]]:
    """Lines from block `first` on, and not before: row there, tilt, score, stop; best first."""
    blocks = evidence.shape[1]
    near = np.maximum(evidence, np.maximum(np.roll(evidence, 1, 0), np.roll(evidence, -1, 0)))
    per_width = width_samples / (BLOCK * POOL)
    least = max(3, round(_LEAST_LENGTH * per_width))
    inward = np.arange(first, blocks)
    before = np.arange(0, max(1, first - 1 - round(CHAMFER * per_width)))
    if inward.size < least:
        return []
    scores = np.full((_TILTS.size, rows.size), -1.0)
    stop = np.zeros_like(scores)
    for index, tilt in enumerate(_TILTS):
        support, known = _support(near, hidden, rows, tilt, inward - first, inward)
        gain = np.cumsum(np.where(known, support - _BESIDE_CHANCE, 0.0), axis=1)
        count = known[:, :least].sum(axis=1)
        begin = support[:, :least].sum(axis=1) / np.maximum(count, 1)
        earlier, _ = _support(near, hidden, rows, tilt, before - first, before)
        stop[index] = begin - earlier.mean(axis=1)
        stops = earlier.mean(axis=1) < _MOST_BEFORE
        enough = 2 * count >= least
        best = gain[:, least - 1 :].max(axis=1)
        scores[index] = np.where(enough & stops & (begin >= _LEAST_FIRST), best, -1.0)
    return _distinct(scores, stop, rows, blocks - first)


def _support(
    near: NDArray[np.float32],
    hidden: NDArray[np.bool_],
    rows: NDArray[np.intp],
    tilt: float,
    away: NDArray[np.intp],
    blocks: NDArray[np.intp],
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Evidence of lines through `rows`, shape (rows, blocks), and where it is known."""
    place = rows[:, None] + np.rint(tilt * BLOCK * POOL * away).astype(int)[None, :]
    inside = (place >= 0) & (place < near.shape[0])
    place = np.clip(place, 0, near.shape[0] - 1)
    known = inside & ~hidden[place, blocks[None, :]]
    return np.where(known, near[place, blocks[None, :]], 0.0), known


def _distinct(
    scores: FloatArray, stop: FloatArray, rows: NDArray[np.intp], blocks: int
) -> list[tuple[int, float, float, float]]:
    """The best line of each bundle that crosses or nearly coincides."""
    rest = scores.copy()
    lines: list[tuple[int, float, float, float]] = []
    length = min(blocks, _BUNDLE_BLOCKS) * BLOCK * POOL
    while len(lines) < _MOST_LINES:
        tilt, row = (int(i) for i in np.unravel_index(int(np.argmax(rest)), rest.shape))
        if rest[tilt, row] <= 0.0:
            break
        lines.append(
            (int(rows[row]), float(_TILTS[tilt]), float(rest[tilt, row]), float(stop[tilt, row]))
        )
        near = rows[None, :] - rows[row]
        far = near + (_TILTS - _TILTS[tilt])[:, None] * length
        rest[(np.abs(near) < _SAME_LINE) | (np.abs(far) < _SAME_LINE) | (near * far < 0.0)] = -1.0
    return lines
