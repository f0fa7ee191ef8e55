"""Where in the photo a shaft lies, roughly: a solid block of turned or ground metal.

The search runs on a reduced copy, cell by cell (`metal_cells`), between straight edges
(`line_pairs`). A rule has marks in a narrow strip and is plain between its edges; wood grain has
one direction only; a shadow or a table edge is a single line.
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
from bandscan.line_pairs import MIN_BLOCKS, Pairs, find_lines, pair_up, rate
from bandscan.metal_cells import (
    BLOCK_PX,
    LOG_SCALE,
    Cells,
    FloatImage,
    RowSums,
    Turned,
    read_cells,
    turn,
)
from bandscan.model import Photo
from calib.camera import FloatArray

SEARCH_LONG_SIDE_PX = 650  # the narrowest shaft worth measuring (200 px of 4032) is 32 px here
_DARK_OFFSET = 8.0  # grey levels added before the logarithm: read noise and JPEG steps
_MIN_SEGMENT_PX = 20.0  # line segments that may tell a direction
_DIRECTIONS = 4  # shaft axis, square to it, and those of a rule and of wood grain
METAL_GOES_ON = 0.5  # of the evidence inside: more of it beyond is the same shaft
_STEP_BLOCKS = 3  # metal that goes on so far beyond a run has another outline there
_CHECKED = 5  # best pairs of which one must be brighter and darker across as metal is
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
    logs = np.asarray(np.log(levels + _DARK_OFFSET) * LOG_SCALE, dtype=np.float32)
    usable = np.ones(small.shape, np.uint8)
    for polygon in avoid:
        corners = (np.asarray(polygon) + 0.5) * scale - 0.5
        cv2.fillPoly(usable, [np.rint(corners).astype(np.int32)], 0)
    here = None if expected is None else expected.at_scale(scale)
    found = [_best_pair(turn(logs, usable, angle), here) for angle in _directions(logs, usable)]
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


def _best_pair(turned: Turned, expected: ExpectedWidth | None) -> RoughShaft | None:
    cells = read_cells(turned)
    lines = find_lines(cells)
    if len(lines.rows) < 2:
        return None
    pairs = _plausible(rate(pair_up(lines, cells, expected), cells), turned)
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
            length = max(math.ceil((pair.high - pair.low).mean() / BLOCK_PX), 2 * MIN_BLOCKS)
            window = (reach[0], reach[0] + length) if at_first else (reach[1] - length, reach[1])
            near_end = _plausible(rate(pair_up(lines, cells, expected, window), cells), turned)
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


def _plausible(rated: Pairs, turned: Turned) -> list[_Pair]:
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


def _rough(turned: Turned, cells: Cells, pair: _Pair, score: float) -> RoughShaft:
    middle = cells.middle_px
    half = BLOCK_PX / 2.0
    ends = np.array([middle[pair.first] - half, middle[pair.last - 1] + half])
    columns = ends + (len(middle) * BLOCK_PX - 1) / 2.0
    rows = [np.polyval(np.polyfit(middle, side, 1), ends) for side in (pair.low, pair.high)]
    sides = [turned.back(np.column_stack([columns, row])) for row in rows]
    return RoughShaft(sides_px=np.stack(sides), beyond=_metal_beyond(cells, pair), score=score)


def _core(
    kind: FloatImage, cells: Cells, pair: _Pair, inset: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Mean of a kind of evidence in each block between the lines less an inset; where seen."""
    edge = inset * (pair.high - pair.low)
    low, high = pair.low + edge, pair.high - edge
    seen = RowSums(cells.seen.astype(float)).between(low, high)
    shown = RowSums((kind * cells.seen).astype(float)).between(low, high)
    return shown / np.maximum(seen, 1.0), seen > 0.5 * (high - low)


def _follow(cells: Cells, pair: _Pair) -> tuple[int, int]:
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


def _metal_ends(cells: Cells, pair: _Pair, *, at_first: bool) -> bool:
    share = _metal_beyond(cells, pair)[0 if at_first else 1]
    return share is not None and share < METAL_GOES_ON


def _metal_beyond(cells: Cells, pair: _Pair) -> tuple[float | None, float | None]:
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


def _across_share(turned: Turned, low: FloatArray, high: FloatArray, first: int) -> float:
    """Variance of the mean profile across the axis, over that across plus that along it."""
    columns = (np.arange(len(low)) + first + 0.5) * BLOCK_PX
    rows = low + (high - low) * np.linspace(0.05, 0.95, 48)[:, None]
    values = cv2.remap(
        cv2.blur(turned.logs, (BLOCK_PX, 1)),
        np.broadcast_to(columns, rows.shape).astype(np.float32),
        rows.astype(np.float32),
        cv2.INTER_LINEAR,
    )
    across, along = float(values.mean(axis=1).var()), float(values.mean(axis=0).var())
    return across / max(across + along, 1e-12)
