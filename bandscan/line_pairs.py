"""Straight edges in the cells of a reduced photo, paired to what may be a shaft's outline."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bandscan.expected_width import ExpectedWidth
from bandscan.metal_cells import BLOCK_PX, Cells, RowSums
from calib.camera import FloatArray

_LINES = 60  # straight edges kept per direction
_PAIRS = 150  # pairs of them that are looked at closely
_SLOPES = np.linspace(-0.09, 0.09, 19)  # silhouettes converge by some degrees in perspective
_LINE_SUPPORT = 0.3  # of its length an edge must be seen on to go on
_SAME_LINE_PX = 3
_MIN_WIDTH_PX = 20
MIN_BLOCKS = 5  # 60 px of 650
_METAL_SHARE = 0.6  # of a round shaft's picture that looks like metal at the least
_HALF = 0.45  # streaks in a row: between what bench (0) and metal (1) show
_SOLID_WEIGHT, _ON_WEIGHT, _FILL_WEIGHT, _BESIDE_WEIGHT, _AREA_POWER = 2.0, 0.4, 1.0, 0.2, 0.12
_WIDTH_WEIGHT = 0.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lines:
    """Straight edges: row at each block, and how well each block supports it."""

    rows: FloatArray  # shape (lines, blocks)
    support: FloatArray  # shape (lines, blocks)


def find_lines(cells: Cells) -> Lines:
    """The straight edges that go on longest, of all slopes, the plainest first."""
    height, blocks = cells.edges.shape
    shift = np.rint(_SLOPES[:, None] * cells.middle_px).astype(np.int32)
    rows = np.arange(height, dtype=np.int32)[None, :, None] + shift[:, None, :]
    inside = (rows >= 0) & (rows < height)
    support = np.where(
        inside, cells.edges[np.clip(rows, 0, height - 1), np.arange(blocks)], np.float32(0.0)
    )
    runs = [_best_run(of_slope - _LINE_SUPPORT) for of_slope in support]
    score, first, last = (np.stack(part) for part in zip(*runs, strict=True))
    picked: list[tuple[int, int]] = []
    while len(picked) < _LINES:
        index, row = divmod(int(score.argmax()), height)
        if score[index, row] <= 0.0:
            break
        picked.append((index, row))
        at_first = np.abs(rows[:, :, first[index, row]] - rows[index, row, first[index, row]])
        final = last[index, row] - 1
        at_last = np.abs(rows[:, :, final] - rows[index, row, final])
        score[(at_first <= _SAME_LINE_PX) & (at_last <= _SAME_LINE_PX)] = 0.0
    index_row = np.array(picked, dtype=int).reshape(-1, 2)
    return Lines(
        rows=index_row[:, 1:] + _SLOPES[index_row[:, 0]][:, None] * cells.middle_px,
        support=support[index_row[:, 0], index_row[:, 1]],
    )


def _best_run(gain: FloatArray) -> tuple[FloatArray, NDArray[np.int_], NDArray[np.int_]]:
    """Sum, first and end (exclusive) of the run along the last axis with the largest sum."""
    total = np.concatenate([np.zeros((*gain.shape[:-1], 1)), np.cumsum(gain, axis=-1)], axis=-1)
    lowest = np.minimum.accumulate(total, axis=-1)
    last = (total - lowest).argmax(axis=-1)
    floor = np.take_along_axis(lowest, last[..., None], axis=-1)
    best = np.take_along_axis(total, last[..., None], axis=-1) - floor
    return best[..., 0], (total == floor).argmax(axis=-1), last


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pairs:
    """Pairs of lines with the run of blocks on which each looks most like a shaft."""

    low: FloatArray  # shape (pairs, blocks)
    high: FloatArray
    first: NDArray[np.int_]
    last: NDArray[np.int_]
    score: FloatArray

    def best(self, order: NDArray[np.int_], score: FloatArray) -> Pairs:
        """Some of the pairs, in that order and with these scores."""
        return Pairs(
            low=self.low[order],
            high=self.high[order],
            first=self.first[order],
            last=self.last[order],
            score=score,
        )


def _mean_over(values: FloatArray, first: NDArray[np.int_], last: NDArray[np.int_]) -> FloatArray:
    """Mean of each row of `values` over blocks [first, last), NaN for fewer than two."""
    total = np.concatenate([np.zeros((values.shape[0], 1)), np.cumsum(values, axis=1)], axis=1)
    row = np.arange(values.shape[0])
    first, last = np.clip(first, 0, values.shape[1]), np.clip(last, 0, values.shape[1])
    count = last - first
    mean = (total[row, last] - total[row, first]) / np.maximum(count, 1)
    return np.where(count >= 2, mean, np.nan)


def pair_up(
    lines: Lines,
    cells: Cells,
    expected: ExpectedWidth | None,
    window: tuple[int, int] | None = None,
) -> Pairs:
    """Pair edges that are as far apart and as parallel as a shaft's sides.

    Parameters
    ----------
    lines : Lines
    cells : Cells
    expected : ExpectedWidth or None
        What diameter and scale tell of its width, at the scale of the cells.
    window : (int, int), optional
        Blocks [first, last) in which the shaft is to lie.
    """
    apart = lines.rows[None] - lines.rows[:, None]
    width = apart.mean(axis=2)
    fits = (width > _MIN_WIDTH_PX) & (apart.min(axis=2) > 0.6 * _MIN_WIDTH_PX)
    fits &= np.abs(apart[..., -1] - apart[..., 0]) < 0.35 * width  # perspective, whole photo
    a, b = np.nonzero(fits)
    low, high = lines.rows[a], lines.rows[b]
    both = lines.support[a] + lines.support[b]
    metal_sums = RowSums((cells.metal * cells.seen).astype(float))
    seen_rows = RowSums(cells.seen.astype(float)).between(low, high)
    solid = metal_sums.between(low, high) / np.maximum(seen_rows, 1.0)
    margin = np.maximum(0.2 * (high - low), 8.0)
    beside = metal_sums.between(low - margin, low - 5.0) + metal_sums.between(
        high + 5.0, high + margin
    )
    gain = 4.0 * (solid - _METAL_SHARE) + both - 1.0 - 0.3 * beside / (margin - 5.0)
    gain[seen_rows < 0.6 * (high - low)] = -1.0
    if window is not None:
        gain[:, : max(window[0], 0)] = gain[:, window[1] :] = -1.0
    _, first, last = _best_run(gain)
    before = _mean_over(both, first - 6, first - 1)
    behind = _mean_over(both, last + 1, last + 6)
    going_on = np.fmin(before, behind)  # a rule's or a table's edge does not stop with the shaft
    going_on = np.where(np.isnan(going_on), 0.5, going_on)
    support = _mean_over(both, first, last)
    score = (
        0.25 * support
        + _SOLID_WEIGHT * (_mean_over(solid, first, last) - 0.75)
        - _ON_WEIGHT * going_on
    )
    if expected is not None:
        score -= _WIDTH_WEIGHT * expected.unlike(width[a, b])
    score[last - first < MIN_BLOCKS] = -np.inf
    return Pairs(
        low=low, high=high, first=first, last=last, score=np.where(np.isnan(score), -np.inf, score)
    )


def rate(pairs: Pairs, cells: Cells) -> Pairs:
    """Order the likeliest pairs by whether streaks fill the rows between the lines, and end there.

    Of each row the two blocks with the plainest streaks count: the end, a groove or a
    band is seen across the whole width, even where ground metal shows none.
    """
    order = np.argsort(-pairs.score)[:_PAIRS]
    order = order[np.isfinite(pairs.score[order])]
    near = pairs.best(order, pairs.score[order])
    width = near.high - near.low
    inner = np.linspace(0.02, 0.98, 40)[None, :, None]
    margin = np.maximum(0.15 * width, 6.0)[:, None] * np.linspace(0.0, 1.0, 8)[None, :, None]
    rows = np.concatenate(
        [
            near.low[:, None] + width[:, None] * inner,
            near.low[:, None] - 4.0 - margin,
            near.high[:, None] + 4.0 + margin,
        ],
        axis=1,
    )
    row = np.rint(rows).astype(int)
    height, blocks = cells.streaks.shape
    block = np.arange(blocks)
    value = cells.streaks[np.clip(row, 0, height - 1), block]
    run = (block >= near.first[:, None] - 1) & (block <= near.last[:, None])
    value = np.where((row >= 0) & (row < height) & run[:, None, :], value, 0.0)
    top = np.partition(value, -2, axis=2)[:, :, -2:].mean(axis=2)
    filled = top[:, :40].mean(axis=1) - _HALF
    beside = top[:, 40:48].mean(axis=1) + top[:, 48:].mean(axis=1)
    area = width.mean(axis=1) * (near.last - near.first) * float(BLOCK_PX)
    score = (near.score + _FILL_WEIGHT * filled - _BESIDE_WEIGHT * beside) * area**_AREA_POWER
    best = np.argsort(-score)
    return near.best(best, score[best])
