"""Where in the photo a shaft lies, roughly: a solid block of turned or ground metal.

The search runs on a reduced copy. Metal that is round and was ground on centres shows
two regularities at once, and nothing else on a bench shows both over a solid block:

* fine streaks run round the shaft, so a row of the picture parallel to the axis looks
  like the next one (their high-passed values correlate);
* what the shaft mirrors lies in stripes parallel to the axis, so the brightness changes
  across the axis nearly everywhere, and much more across than along it.

A rule has marks in a narrow strip and is plain between its edges; wood grain has one
direction only; a shadow or a table edge is a single line.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.errors import NoEndError, NoShaftError
from bandscan.expected_width import ExpectedWidth
from bandscan.model import Photo
from calib.camera import FloatArray

SEARCH_LONG_SIDE_PX = 650  # the narrowest shaft worth measuring (200 px of 4032) is 32 px here
FloatImage = NDArray[np.float32]

_DARK_OFFSET = 8.0  # grey levels added before the logarithm: read noise and JPEG steps
_LOG_SCALE = 40.0  # keeps the logarithm in numbers like grey levels
_MIN_SEGMENT_PX = 20.0  # line segments that may tell a direction
_DIRECTIONS = 4  # shaft axis, square to it, and those of a rule and of wood grain
_BLOCK_PX = 12  # length along the axis over which a row is averaged
_SEEN = 0.9  # share of a cell that must lie in the photo
_LAG_PX = 4  # rows compared lie this far apart: beyond the blur of photo and reduction
_STREAK_BOX_PX = (41, 7)  # some 90 independent samples: correlation noise 0.1
_STREAK_NOISE = 0.2  # two standard deviations of the correlation by chance
_STREAK_SURE = 0.6
_GRADIENT_NOISE = 2.0  # standard deviations of the background's gradient
_GRADIENT_SURE = 6.0
_LINES = 60  # straight edges kept per direction
_PAIRS = 150  # pairs of them that are looked at closely
_SLOPES = np.linspace(-0.09, 0.09, 19)  # silhouettes converge by some degrees in perspective
_LINE_SUPPORT = 0.3  # of its length an edge must be seen on to go on
_SAME_LINE_PX = 3
_MIN_WIDTH_PX = 20
METAL_GOES_ON = 0.5  # of the evidence inside: more of it beyond is the same shaft
_STEP_BLOCKS = 3  # metal that goes on so far beyond a run has another outline there
_CHECKED = 5  # best pairs of which one must be brighter and darker across as metal is
_MIN_BLOCKS = 5  # 60 px of 650
_METAL_SHARE = 0.6  # of a round shaft's picture that looks like metal at the least
_HALF = 0.45  # streaks in a row: between what bench (0) and metal (1) show
_SOLID_WEIGHT, _ON_WEIGHT, _FILL_WEIGHT, _BESIDE_WEIGHT, _AREA_POWER = 2.0, 0.4, 1.0, 0.2, 0.12
_WIDTH_WEIGHT = 0.5
_LEAST_LENGTH = 1.2  # of the width: on less a side's direction is told too poorly to draw an end
_ALONG_RULES = 0.5  # variance across the axis over variance across plus along


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RoughShaft:
    """A shaft as first seen, in pixels of the full photo.

    Parameters
    ----------
    sides_px : ndarray, shape (2, 2, 2)
        Two nearly parallel lines [side, end point, xy] between which all is metal, at or
        inside the silhouettes; end points of the same index lie across from each other.
    beyond : tuple of 2 (float or None)
        Metal-like surface beyond either end of the lines over that between them; None at
        the frame.
    score : float
        How much it looks like a shaft; only for comparison.
    """

    sides_px: FloatArray
    beyond: tuple[float | None, float | None]
    score: float

    def widened(self, factor: float) -> RoughShaft:
        """Sides so much further from the middle."""
        middle = self.sides_px.mean(axis=0)
        return replace(self, sides_px=middle + factor * (self.sides_px - middle))

    def lengthened(self) -> RoughShaft:
        """Long enough to tell the direction of its sides, where metal goes on.

        Where the land ends before, the fits of its sides do.
        """
        width = float(np.linalg.norm(self.sides_px[0] - self.sides_px[1], axis=1).mean())
        middle = self.sides_px.mean(axis=0)
        length = float(np.linalg.norm(middle[1] - middle[0]))
        missing = _LEAST_LENGTH * width / max(length, 1.0) - 1.0
        sides = self.sides_px.copy()
        for end in (0, 1):
            share = self.beyond[end]
            if missing > 0.0 and share is not None and share >= METAL_GOES_ON:
                sides[:, end] += missing * (middle[end] - middle[1 - end])
        return replace(self, sides_px=sides)

    def no_end(self, end_side: str) -> NoEndError:
        """The refusal where no end of it is seen, or not on the side that was named."""
        middle = self.sides_px.mean(axis=0)
        width = float(np.linalg.norm(self.sides_px[0] - self.sides_px[1], axis=1).mean())
        seen = [
            f"({x:.0f}, {y:.0f}) px: "
            + ("cut off by the frame" if share is None else f"{share:.0%} of what follows is metal")
            for (x, y), share in zip(middle, self.beyond, strict=True)
        ]
        where = "" if end_side == "auto" else f" on the {end_side} side"
        return NoEndError(
            f"The shaft's end was not seen{where}: a shaft some {width:.0f} px wide runs from "
            f"{seen[0]}, to {seen[1]}.",
            "Photograph the shaft with its end face edge well inside the picture"
            + ("." if end_side == "auto" else ", or name another side with --end."),
        )


def rough_shaft(
    photo: Photo, avoid: Sequence[FloatArray], expected: ExpectedWidth | None = None
) -> RoughShaft:
    """The part of a photo that looks most like a shaft; parameters as for `find_rough_shaft`.

    Raises
    ------
    NoShaftError
        Nothing looks like a shaft of ground metal.
    """
    rough = find_rough_shaft(photo.grey, avoid, expected)
    if rough is None:
        raise NoShaftError(
            f"No shaft was seen in the {photo.width_px} x {photo.height_px} px photo: no block of "
            "it has both the fine streaks of ground metal and stripes of reflection along them.",
            "Photograph the bare shaft from above so that it fills at least a tenth of the "
            "picture, in soft light and in focus.",
        )
    return rough


def find_rough_shaft(
    grey: NDArray[np.uint8] | NDArray[np.uint16],
    avoid: Sequence[FloatArray],
    expected: ExpectedWidth | None = None,
) -> RoughShaft | None:
    """The part of a photo that looks most like a shaft.

    Parameters
    ----------
    grey : ndarray, shape (height, width)
        Stored grey values.
    avoid : sequence of ndarray, shape (n, 2)
        Polygons, px, in which there is no shaft.
    expected : ExpectedWidth, optional
        What diameter and scale tell of its width.

    Returns
    -------
    RoughShaft or None
        None where nothing looks like a shaft.
    """
    scale = min(1.0, SEARCH_LONG_SIDE_PX / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    levels = small.astype(np.float32) * (255.0 / float(np.iinfo(grey.dtype).max))
    logs = np.asarray(np.log(levels + _DARK_OFFSET) * _LOG_SCALE, dtype=np.float32)
    usable = np.ones(small.shape, np.uint8)
    for polygon in avoid:
        corners = (np.asarray(polygon) + 0.5) * scale - 0.5
        cv2.fillPoly(usable, [np.rint(corners).astype(np.int32)], 0)
    here = None if expected is None else expected.at_scale(scale)
    found = [_best_pair(_turn(logs, usable, angle), here) for angle in _directions(logs, usable)]
    likely = [rough for rough in found if rough is not None]
    if not likely:
        return None
    best = max(likely, key=lambda rough: rough.score)
    return RoughShaft(
        sides_px=(best.sides_px + 0.5) / scale - 0.5, beyond=best.beyond, score=best.score
    ).lengthened()


def _directions(logs: FloatImage, usable: NDArray[np.uint8]) -> list[float]:
    """Main directions of straight edges in the picture, radians, most edge length first."""
    span = max(float(np.ptp(logs)), 1.0)
    stretched = ((logs - logs.min()) * (255.0 / span)).astype(np.uint8)
    segments = cv2.createLineSegmentDetector(cv2.LSD_REFINE_STD, 1.0).detect(stretched)[0]
    if segments is None:
        return []
    ends = segments.reshape(-1, 2, 2)
    step = ends[:, 1] - ends[:, 0]
    length = np.hypot(step[:, 0], step[:, 1])
    column, row = np.clip(
        ends.mean(axis=1).astype(int).T, 0, np.array(logs.shape[::-1])[:, None] - 1
    )
    keep = (length > _MIN_SEGMENT_PX) & (usable[row, column] > 0)
    degrees = np.degrees(np.arctan2(step[keep, 1], step[keep, 0])) % 180.0
    length = length[keep]
    found: list[float] = []
    around = np.exp(-0.5 * (np.arange(-6, 7) / 2.0) ** 2)  # segments scatter by 2 degrees
    for _ in range(_DIRECTIONS):
        votes = np.bincount(np.rint(degrees).astype(int) % 180, length, minlength=180)
        smooth = np.convolve(np.concatenate([votes[-6:], votes, votes[:6]]), around, "valid")
        if not smooth.max() > 0.0:
            break
        away = (degrees - float(smooth.argmax()) + 90.0) % 180.0 - 90.0
        near = np.abs(away) < 5.0
        if near.any():
            found.append(
                math.radians(smooth.argmax() + np.average(away[near], weights=length[near]))
            )
        degrees, length = degrees[np.abs(away) > 12.0], length[np.abs(away) > 12.0]
    return found


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Turned:
    """The search picture turned so that a direction runs along its rows."""

    logs: FloatImage
    usable: FloatImage
    frame: FloatImage
    matrix: FloatArray  # shape (2, 3): photo at search scale to turned picture

    def back(self, points: FloatArray) -> FloatArray:
        return np.asarray((points - self.matrix[:, 2]) @ self.matrix[:, :2])


def _turn(logs: FloatImage, usable: NDArray[np.uint8], angle_rad: float) -> _Turned:
    height, width = logs.shape
    c, s = math.cos(angle_rad), math.sin(angle_rad)
    rotation = np.array([[c, s], [-s, c]])
    corners = np.array([[0, 0], [width - 1, 0], [0, height - 1], [width - 1, height - 1]])
    turned = corners @ rotation.T
    low = np.floor(turned.min(axis=0))
    size = np.ceil(turned.max(axis=0) - low).astype(int) + 1
    matrix = np.column_stack([rotation, -low])
    shape = (int(size[0]), int(size[1]))
    return _Turned(
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
    """Means over `_BLOCK_PX` columns, shape (rows, blocks)."""
    blocks = values.shape[1] // _BLOCK_PX
    whole = values[:, : blocks * _BLOCK_PX].reshape(values.shape[0], blocks, _BLOCK_PX)
    return np.asarray(whole.mean(axis=2))


def _streaks(turned: _Turned) -> FloatImage:
    """Share of each cell whose rows repeat a few rows further on, 0 to 1."""
    fine = (turned.logs - cv2.blur(turned.logs, (9, 1))) * turned.usable
    later = np.zeros_like(fine)
    later[:-_LAG_PX] = fine[_LAG_PX:]
    energy = np.maximum(cv2.blur(fine * fine, _STREAK_BOX_PX), 0.0)
    energy_later = np.zeros_like(energy)
    energy_later[:-_LAG_PX] = energy[_LAG_PX:]
    quantisation = 1.0 / 12.0 * (_LOG_SCALE / 64.0) ** 2  # of a grey level, at a dark one
    alike = cv2.blur(fine * later, _STREAK_BOX_PX)
    correlation = alike / (np.sqrt(energy * energy_later) + quantisation)
    correlation = np.roll(correlation, _LAG_PX // 2, axis=0)
    sure = (correlation - _STREAK_NOISE) / (_STREAK_SURE - _STREAK_NOISE)
    cells = _block_means(np.asarray(np.clip(sure, 0.0, 1.0) * turned.usable, np.float32))
    return np.asarray(cv2.blur(cells, (3, 9)), np.float32)


def _across(turned: _Turned, smoothing_px: float) -> tuple[FloatImage, NDArray[np.bool_]]:
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
class _Cells:
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
        return np.asarray((np.arange(blocks) - (blocks - 1) / 2.0) * _BLOCK_PX)


def _read_cells(turned: _Turned) -> _Cells:
    fine, seen = _across(turned, 1.0)
    broad, _ = _across(turned, 3.0)  # the soft shading of a shaft that fills the photo
    streaks = _streaks(turned)
    striped = np.clip(1.5 * cv2.blur(np.maximum(_sure(fine), _sure(broad)), (3, 15)), 0.0, 1.0)
    crest = fine >= cv2.dilate(fine, np.ones((5, 1), np.uint8)) - 1e-6
    edges = cv2.dilate(np.where(crest, _sure(fine), 0.0), np.ones((3, 1), np.uint8))
    return _Cells(
        streaks=streaks,
        striped=np.where(seen, striped, 0.0).astype(np.float32),
        metal=np.where(seen, 1.0 - (1.0 - streaks) * (1.0 - striped), 0.0).astype(np.float32),
        seen=_block_means(turned.frame) > _SEEN,
        edges=np.where(seen, edges, 0.0).astype(np.float32),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Lines:
    """Straight edges: row at each block, and how well each block supports it."""

    rows: FloatArray  # shape (lines, blocks)
    support: FloatArray  # shape (lines, blocks)


def _find_lines(cells: _Cells) -> _Lines:
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
    return _Lines(
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


class _RowSums:
    """Sums of cells between two rows of each block, by cumulative sums."""

    def __init__(self, cells: FloatArray) -> None:
        self.total = np.concatenate([np.zeros((1, cells.shape[1])), np.cumsum(cells, axis=0)])

    def between(self, low: FloatArray, high: FloatArray) -> FloatArray:
        limit = self.total.shape[0] - 1
        first = np.clip(np.rint(low).astype(int), 0, limit)
        last = np.maximum(np.clip(np.rint(high).astype(int), 0, limit), first)
        block = np.arange(self.total.shape[1])
        return np.asarray(self.total[last, block] - self.total[first, block])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pairs:
    """Pairs of lines with the run of blocks on which each looks most like a shaft."""

    low: FloatArray  # shape (pairs, blocks)
    high: FloatArray
    first: NDArray[np.int_]
    last: NDArray[np.int_]
    score: FloatArray

    def best(self, order: NDArray[np.int_], score: FloatArray) -> _Pairs:
        return _Pairs(
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


def _pair_up(
    lines: _Lines,
    cells: _Cells,
    expected: ExpectedWidth | None,
    window: tuple[int, int] | None = None,
) -> _Pairs:
    apart = lines.rows[None] - lines.rows[:, None]
    width = apart.mean(axis=2)
    fits = (width > _MIN_WIDTH_PX) & (apart.min(axis=2) > 0.6 * _MIN_WIDTH_PX)
    fits &= np.abs(apart[..., -1] - apart[..., 0]) < 0.35 * width  # perspective, whole photo
    a, b = np.nonzero(fits)
    low, high = lines.rows[a], lines.rows[b]
    both = lines.support[a] + lines.support[b]
    metal_sums = _RowSums((cells.metal * cells.seen).astype(float))
    seen_rows = _RowSums(cells.seen.astype(float)).between(low, high)
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
    score[last - first < _MIN_BLOCKS] = -np.inf
    return _Pairs(
        low=low, high=high, first=first, last=last, score=np.where(np.isnan(score), -np.inf, score)
    )


def _rate(pairs: _Pairs, cells: _Cells) -> _Pairs:
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
    area = width.mean(axis=1) * (near.last - near.first) * float(_BLOCK_PX)
    score = (near.score + _FILL_WEIGHT * filled - _BESIDE_WEIGHT * beside) * area**_AREA_POWER
    best = np.argsort(-score)
    return near.best(best, score[best])


def _best_pair(turned: _Turned, expected: ExpectedWidth | None) -> RoughShaft | None:
    cells = _read_cells(turned)
    lines = _find_lines(cells)
    if len(lines.rows) < 2:
        return None
    pairs = _plausible(_rate(_pair_up(lines, cells, expected), cells), turned)
    if not pairs:
        return None
    for pair in pairs:  # the best may be a shoulder: the land before it has an end
        rough = _rough(turned, cells, pair, pair.score)
        if any(share is not None and share < METAL_GOES_ON for share in rough.beyond):
            return rough
    pair = pairs[0]
    rough = _rough(turned, cells, pair, pair.score)
    reach = _follow(cells, pair)
    for at_first in (True, False):
        beyond = pair.first - reach[0] if at_first else reach[1] - pair.last
        if beyond > _STEP_BLOCKS:  # the shaft goes on with another diameter: take that end
            length = max(math.ceil((pair.high - pair.low).mean() / _BLOCK_PX), 2 * _MIN_BLOCKS)
            window = (reach[0], reach[0] + length) if at_first else (reach[1] - length, reach[1])
            near_end = _plausible(_rate(_pair_up(lines, cells, expected, window), cells), turned)
            if near_end and _metal_ends(cells, near_end[0], at_first=at_first):
                return _rough(turned, cells, near_end[0], pair.score)
    return rough


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """One pair of lines and its run of blocks [first, last)."""

    low: FloatArray
    high: FloatArray
    first: int
    last: int
    score: float


def _plausible(rated: _Pairs, turned: _Turned) -> list[_Pair]:
    """The best pairs across which brightness changes as a round body's does."""
    found = []
    for k in range(min(len(rated.score), _CHECKED)):
        first, last = int(rated.first[k]), int(rated.last[k])
        low, high = rated.low[k], rated.high[k]
        if rated.score[k] <= 0.0:
            break
        if _across_share(turned, low[first:last], high[first:last], first) >= _ALONG_RULES:
            found.append(
                _Pair(low=low, high=high, first=first, last=last, score=float(rated.score[k]))
            )
    return found


def _rough(turned: _Turned, cells: _Cells, pair: _Pair, score: float) -> RoughShaft:
    middle = cells.middle_px
    half = _BLOCK_PX / 2.0
    ends = np.array([middle[pair.first] - half, middle[pair.last - 1] + half])
    columns = ends + (len(middle) * _BLOCK_PX - 1) / 2.0
    rows = [np.polyval(np.polyfit(middle, side, 1), ends) for side in (pair.low, pair.high)]
    sides = [turned.back(np.column_stack([columns, row])) for row in rows]
    return RoughShaft(sides_px=np.stack(sides), beyond=_metal_beyond(cells, pair), score=score)


def _core(
    kind: FloatImage, cells: _Cells, pair: _Pair, inset: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Mean of a kind of evidence in each block between the lines less an inset; where seen."""
    edge = inset * (pair.high - pair.low)
    low, high = pair.low + edge, pair.high - edge
    seen = _RowSums(cells.seen.astype(float)).between(low, high)
    shown = _RowSums((kind * cells.seen).astype(float)).between(low, high)
    return shown / np.maximum(seen, 1.0), seen > 0.5 * (high - low)


def _follow(cells: _Cells, pair: _Pair) -> tuple[int, int]:
    """How far metal goes on along the middle of a pair, in blocks [first, last)."""
    share, seen = _core(cells.striped, cells, pair, 0.25)
    inside = float(share[pair.first : pair.last].mean())
    metal = (share > METAL_GOES_ON * inside) & seen
    first, last = pair.first, pair.last
    while first > 0 and metal[max(first - 2, 0) : first].any():
        first -= 1
    while last < len(metal) and metal[last : last + 2].any():
        last += 1
    return first, last


def _metal_ends(cells: _Cells, pair: _Pair, *, at_first: bool) -> bool:
    share = _metal_beyond(cells, pair)[0 if at_first else 1]
    return share is not None and share < METAL_GOES_ON


def _metal_beyond(cells: _Cells, pair: _Pair) -> tuple[float | None, float | None]:
    """Metal beyond either end of the run over that within it; None at the frame.

    The geometric mean of stripes and of both kinds: grain of the bench across the axis
    looks like streaks, its shadows like stripes.
    """
    striped, whole = _core(cells.striped, cells, pair, 0.15)
    metal, _ = _core(cells.metal, cells, pair, 0.15)
    share = np.sqrt(striped * metal)
    first, last = pair.first, pair.last
    inside = max(float(share[first:last].mean()), 1e-6)
    found: list[float | None] = []
    for low, high in ((max(first - 6, 0), max(first - 1, 0)), (last + 1, last + 6)):
        part = share[low:high][whole[low:high]]
        found.append(min(float(part.mean()) / inside, 1.0) if part.size >= 2 else None)
    return found[0], found[1]


def _across_share(turned: _Turned, low: FloatArray, high: FloatArray, first: int) -> float:
    """Variance of the mean profile across the axis, over that across plus that along it."""
    columns = (np.arange(len(low)) + first + 0.5) * _BLOCK_PX
    rows = low + (high - low) * np.linspace(0.05, 0.95, 48)[:, None]
    values = cv2.remap(
        cv2.blur(turned.logs, (_BLOCK_PX, 1)),
        np.broadcast_to(columns, rows.shape).astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
    )
    across, along = float(values.mean(axis=1).var()), float(values.mean(axis=0).var())
    return across / max(across + along, 1e-12)
