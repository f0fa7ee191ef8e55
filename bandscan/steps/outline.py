"""Second opinions on the shaft's outline: pairs of lines that may be its silhouettes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandscan import edge_fit, silhouette_fit
from bandscan.errors import NoEndError, NoShaftError
from bandscan.model import Outline, Photo
from bandscan.outline_search import RoughShaft
from bandscan.sampling import sample_linear
from bandscan.side_fit import fit_sides
from bandscan.silhouette_fit import Prior
from calib.camera import Camera, FloatArray

# The strip is read so that the rough shaft is this many samples wide, whatever the photo's size.
_WIDTH_SAMPLES = 350.0
_BEFORE = 0.6  # of the rough width: read before the end, where a silhouette has stopped
_REACH = 1.15  # of the rough width, either side of its middle: the silhouettes lie inside
_INNERMOST = 0.35  # of the rough width from its middle: silhouettes lie outside
_POOL = 4  # samples along the axis averaged into a column, in linear light
_BLOCK = 12  # columns joined in one block
_TILTS = np.arange(-0.08, 0.0801, 0.004)  # silhouettes converge by some degrees in perspective
_EDGE_SIGMAS = (1.0, 2.5)  # samples: blur of an outline in focus, and some way behind it
_EDGE_REACH = 9  # samples: an edge that is spread wider is shading, not an outline
_SHARES = (0.4, 0.85)  # explained by an edge: between them it counts as nothing and as certain
_LEAST_RIPPLE = 0.006  # of the logarithm: what rounding to grey levels leaves
_BESIDE_CHANCE = 0.45  # evidence that a block must exceed to speak for the line
_CHAMFER = 0.22  # of the width: chamfer and rounding of the ellipse, kept out at the end
_STARTS = (0.22, 0.5, 0.8)  # of the width: where lines are looked for; the rough end may be off
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
_BESIDE = (0.02, 0.14)  # of the width outside a line: no rings there if it is the silhouette
_MOST_PAIRS = 5
_SAME_PAIR = 5.0  # samples
_ASKEW = 0.03  # of tilt: the rough shaft's direction is truer than that
_LOPSIDED = 0.6  # logarithm: one side at most 1.8 times as far from the rough middle
_USUAL_LOPSIDED = 0.4
_WIDEST = 1.85  # of the rough width, which is at worst that of the lit part of the metal
_MOST_BEYOND = 0.6  # of metal beyond an end: more is metal that goes on
_STEEPEST = 0.35  # tangent of the axis out of the picture plane; steeper views show no bands
_DARK_LEVEL = 0.002
_FIRST_LENGTH = 1.0  # of the width: of land that is taken to be one line
_AROUND_PX = 60.0  # of the photo beside a line
_SIDE_VECTORS = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Coordinates along (s) and across (o) the rough shaft, in undistorted pixels."""

    camera: Camera
    origin: FloatArray
    along: FloatArray
    across: FloatArray
    length: float
    width: float

    @classmethod
    def of(cls, camera: Camera, rough: RoughShaft, end: int) -> _Frame:
        """Origin in the middle of end `end` (0 or 1), s growing into the shaft."""
        sides = _ideal_px(camera, rough.sides_px)
        middle = sides.mean(axis=0)
        start, other = middle[end], middle[1 - end]
        length = float(np.linalg.norm(other - start))
        along = (other - start) / length
        across = np.array([-along[1], along[0]])
        width = float(np.abs((sides[0] - sides[1]) @ across).mean())
        return cls(
            camera=camera, origin=start, along=along, across=across, length=length, width=width
        )

    @property
    def unit_px(self) -> float:
        """Pixels of one sample."""
        return max(1.0, self.width / _WIDTH_SAMPLES)

    def pixels(self, s: FloatArray, o: FloatArray) -> FloatArray:
        """Stored pixels of points, broadcast over s and o."""
        point = self.origin + s[..., None] * self.along + o[..., None] * self.across
        return _stored_px(self.camera, point)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Line:
    """A straight sharp edge.

    Parameters
    ----------
    at : float
        Offset across at `start_s`.
    tilt : float
        Change of the offset with s.
    score : float
        Evidence along it.
    stop : float
        Evidence on its first stretch less that before the shaft end.
    metal : float
        Ring likeness just outside.
    """

    at: float
    start_s: float
    tilt: float
    score: float
    stop: float
    metal: float

    @property
    def merit(self) -> float:
        """How much it looks like a silhouette."""
        return self.score * max(0.0, 1.0 - self.metal) * max(self.stop, 0.1)

    def offset(self, s: ArrayLike) -> FloatArray:
        """Offset across at places along."""
        return np.asarray(self.at + self.tilt * (np.asarray(s, dtype=float) - self.start_s))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pair:
    """Two lines that may be the silhouettes."""

    frame: _Frame
    low: _Line
    high: _Line
    merit: float

    def differs(self, other: _Pair) -> bool:
        """Whether it is another pair in the picture."""
        if self.frame is not other.frame:
            return True
        reach = _SAME_PAIR * self.frame.unit_px
        return (
            abs(float(self.low.offset(0.0) - other.low.offset(0.0))) > reach
            or abs(float(self.high.offset(0.0) - other.high.offset(0.0))) > reach
        )


def rival_outlines(
    photo: Photo,
    camera: Camera,
    rough: RoughShaft,
    *,
    end_side: str = "auto",
    avoid: Sequence[FloatArray] | None = None,
    prior: Prior | None = None,
    normal: FloatArray | None = None,
) -> Iterator[Outline]:
    """Find what can be the shaft's silhouettes along the land that begins at its end.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        Straight edges are straight in its undistorted coordinates.
    rough : RoughShaft
        Where the shaft was first seen.
    end_side : {"auto", "left", "right", "top", "bottom"}
        Side of the picture, as stored, on which the shaft's end lies.
    avoid : sequence of ndarray, shape (n, 2), optional
        Polygons, px, known not to be shaft: a card, a rule.
    prior : Prior, optional
        How far the sides may be bent.
    normal : ndarray, shape (3,), optional
        Normal of the scale's plane in the camera frame, to which the axis is square.

    Yields
    ------
    Outline
        The likeliest first; each is fitted when it is asked for. A dark flank of the metal, the
        gap to a rule, or the rule's edge run beside the outline like it; which is the true one
        shows at the shaft's end.

    Raises
    ------
    NoShaftError
        One of its sides cannot be seen.
    NoEndError
        The shaft's end is not in the picture, or not on the side that was named.
    """
    polygons = list(avoid) if avoid is not None else []
    pairs: list[_Pair] = []
    for end in _ends(rough, end_side):
        beyond = rough.beyond[end]
        assert beyond is not None
        frame = _Frame.of(camera, rough, end)
        for pair in _candidates(photo, frame, polygons):
            pairs.append(replace(pair, merit=pair.merit * (1.0 - beyond) ** 2))
    pairs.sort(key=lambda pair: -pair.merit)
    distinct: list[_Pair] = []
    for pair in pairs:
        if len(distinct) < _MOST_PAIRS and all(pair.differs(other) for other in distinct):
            distinct.append(pair)
    if not distinct:
        raise _no_end(rough, end_side)
    seen = False
    for pair in distinct:
        outline = _outline(photo, pair, polygons, prior or Prior(), normal)
        if outline is not None:
            seen = True
            yield outline
    if not seen:
        raise NoShaftError(
            "One side of the shaft's outline cannot be made out against what lies behind it.",
            "Lay the shaft on a ground that is plainly brighter or darker, with nothing lying "
            "over its sides.",
        )


def _ends(rough: RoughShaft, end_side: str) -> list[int]:
    """Ends of the rough shaft that lie inside the picture, and on the side that was named."""
    middle = rough.sides_px.mean(axis=0)
    ends = [
        end
        for end, beyond in enumerate(rough.beyond)
        if beyond is not None and beyond < _MOST_BEYOND
    ]
    if end_side == "auto":
        return ends
    side = np.array(_SIDE_VECTORS[end_side])
    return [end for end in ends if (middle[end] - middle[1 - end]) @ side > 0.0]


def _no_end(rough: RoughShaft, end_side: str) -> NoEndError:
    width = float(np.linalg.norm(rough.sides_px[0] - rough.sides_px[1], axis=1).mean())
    where = "" if end_side == "auto" else f" at the {end_side}"
    return NoEndError(
        f"A shaft some {width:.0f} px wide was seen, but no end of it{where}: its outline is not "
        "seen to stop inside the picture.",
        "Photograph again with the shaft end and some bench beyond it in the picture"
        + ("." if end_side == "auto" else ", or leave out --end."),
    )


def _candidates(photo: Photo, frame: _Frame, polygons: list[FloatArray]) -> list[_Pair]:
    """Pairs of lines that may be the silhouettes."""
    step = frame.unit_px
    s = np.arange(-_BEFORE * frame.width, frame.length, step)
    s = s[: s.size // _POOL * _POOL]
    o = np.arange(-_REACH * frame.width, _REACH * frame.width, step)
    points = _grid(frame, s, o)
    values = sample_linear(photo, points)
    values[_inside_any(points, polygons, step)] = np.nan
    pooled = values.reshape(o.size, -1, _POOL).mean(axis=2)
    evidence, hidden = _edge_evidence(pooled)
    rings = _ring_likeness(values[:, ::2], s[::2], frame.width)
    pairs: list[_Pair] = []
    for start in _STARTS:
        if start * frame.width >= 0.5 * frame.length:
            continue
        first = int((start * frame.width - s[0]) / (_BLOCK * _POOL * step))
        start_s = s[0] + (first + 0.5) * _BLOCK * _POOL * step
        lines = []
        for side in (-1.0, 1.0):
            rows = np.flatnonzero(o * side > _INNERMOST * frame.width)
            for row, tilt, score, stop in _sharp_lines(
                evidence, hidden, rows, first, frame.width / step
            ):
                metal = _metal_beside(rings, row, side, frame.width / step)
                lines.append(
                    _Line(
                        at=float(o[row]), start_s=start_s, tilt=tilt, score=score, stop=stop,
                        metal=metal,
                    )
                )  # fmt: skip
        pairs += _pairs(lines, frame)[:_MOST_PAIRS]
    return pairs


def _metal_beside(rings: FloatArray, row: int, side: float, width_samples: float) -> float:
    """Ring likeness just outside a line."""
    near, far = (round(share * width_samples) for share in _BESIDE)
    beside = np.arange(near, far) * int(side) + row
    beside = beside[(beside >= 0) & (beside < rings.size)]
    return float(rings[beside].mean()) if beside.size else 0.0


def _pairs(lines: list[_Line], frame: _Frame) -> list[_Pair]:
    """Pairs of lines that can be the silhouettes of one shaft, the likeliest first.

    Lines parallel to the axis in space have tilts that change linearly across the picture; a
    pair fixes that change, and must be one that a shaft along the frame can have.
    """
    pairs = []
    for low in (line for line in lines if line.at < 0.0):
        for high in (line for line in lines if line.at > 0.0):
            change = (high.tilt - low.tilt) / (high.at - low.at)
            lopsided = abs(math.log(-high.at / low.at))
            if (
                abs(change) * frame.camera.fx_px > _STEEPEST
                or abs(low.tilt - change * low.at) > _ASKEW
                or lopsided > _LOPSIDED
                or high.at - low.at > _WIDEST * frame.width
            ):
                continue
            merit = (low.merit + high.merit) * math.exp(-0.5 * (lopsided / _USUAL_LOPSIDED) ** 2)
            pairs.append(_Pair(frame=frame, low=low, high=high, merit=merit))
    return sorted(pairs, key=lambda pair: -pair.merit)


def _edge_evidence(values: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """How surely each block has an edge across at each row, 0 to 1; and what is hidden.

    The profile of a block is compared with a smooth curve (a parabola over the filter's reach):
    of what the curve leaves, the share that a soft step explains.
    """
    rows, blocks = values.shape[0], values.shape[1] // _BLOCK
    pooled = values[:, : blocks * _BLOCK].reshape(rows, blocks, _BLOCK).mean(axis=2)
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


def _ring_likeness(values: NDArray[np.float32], s: FloatArray, width: float) -> FloatArray:
    """Correlation of the fine ripple along each row with that some rows on, 0 to 1.

    Grinding streaks run round the shaft, so that they go on from row to row; the noise of
    bench and shadow does not.
    """
    near = (s > _CHAMFER * width) & (s < _TEXTURE_LENGTH * width)
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


def _sharp_lines(
    evidence: NDArray[np.float32],
    hidden: NDArray[np.bool_],
    rows: NDArray[np.intp],
    first: int,
    width_samples: float,
) -> list[tuple[int, float, float, float]]:
    """Lines from block `first` on, and not before: row there, tilt, score, stop; best first."""
    blocks = evidence.shape[1]
    near = np.maximum(evidence, np.maximum(np.roll(evidence, 1, 0), np.roll(evidence, -1, 0)))
    per_width = width_samples / (_BLOCK * _POOL)
    least = max(3, round(_LEAST_LENGTH * per_width))
    inward = np.arange(first, blocks)
    before = np.arange(0, max(1, first - 1 - round(_CHAMFER * per_width)))
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
    place = rows[:, None] + np.rint(tilt * _BLOCK * _POOL * away).astype(int)[None, :]
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
    length = min(blocks, _BUNDLE_BLOCKS) * _BLOCK * _POOL
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


def _outline(
    photo: Photo,
    pair: _Pair,
    polygons: list[FloatArray],
    prior: Prior,
    normal: FloatArray | None,
) -> Outline | None:
    """A pair of lines to sub-pixel; None where a side cannot be seen."""
    frame = pair.frame
    ends = np.array([0.0, frame.length])
    lines = [frame.pixels(ends, line.offset(ends)) for line in (pair.low, pair.high)]
    middle = frame.pixels(ends, np.zeros(2))
    bases = [edge_fit.baseline_through(frame.camera, line, middle.mean(axis=0)) for line in lines]
    width = float((pair.high.offset(ends) - pair.low.offset(ends)).mean())
    land = (_CHAMFER * frame.width, frame.length)
    sides = fit_sides(
        edge_fit.light_around(photo, np.concatenate(lines), _AROUND_PX),
        (bases[0], bases[1]),
        (land, land),
        width_px=width,
        first_px=_FIRST_LENGTH * width,
        prior=prior,
        normal=normal,
        avoid=polygons,
    )
    if sides is None:
        return None
    seen_to = max(float(side.s[-1]) for side in sides)
    silhouettes = [side.silhouette for side in sides]
    breaks = np.array([seen_to] if seen_to < frame.length - silhouette_fit.SEGMENT_PX else [])
    return Outline(
        sides=(silhouettes[0], silhouettes[1]),
        end_px=middle[0],
        inward_px=(middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0]),
        break_px=frame.pixels(breaks, np.zeros(breaks.size)),
    )


def _grid(frame: _Frame, s: FloatArray, o: FloatArray) -> FloatArray:
    """Stored pixels of a grid, exact at knots and bilinear between: a lens bends by < 0.01 px."""
    knots_s, knots_o = np.linspace(s[0], s[-1], 33), np.linspace(o[0], o[-1], 17)
    exact = frame.pixels(
        np.broadcast_to(knots_s[None, :], (17, 33)), np.broadcast_to(knots_o[:, None], (17, 33))
    ).astype(np.float32)
    x = ((s - s[0]) / (s[-1] - s[0]) * 32.0).astype(np.float32)
    y = ((o - o[0]) / (o[-1] - o[0]) * 16.0).astype(np.float32)
    map_x, map_y = np.meshgrid(x, y)
    return np.asarray(
        cv2.remap(exact, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE),
        dtype=float,
    )


def _inside_any(
    points_px: FloatArray, polygons: list[FloatArray], margin_px: float
) -> NDArray[np.bool_]:
    """Which points of a grid lie inside a convex polygon, or within a margin of it."""
    inside = np.zeros(points_px.shape[:-1], dtype=bool)
    for polygon in polygons:
        corners = np.asarray(polygon, dtype=float)
        middle = corners.mean(axis=0)
        here = np.ones_like(inside)
        for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
            normal = np.array([a[1] - b[1], b[0] - a[0]])
            normal = normal / (np.linalg.norm(normal) + 1e-9)
            if (middle - a) @ normal < 0.0:
                normal = -normal
            here &= (points_px - a) @ normal > -margin_px
        inside |= here
    return inside


def _ideal_px(camera: Camera, points_px: FloatArray) -> FloatArray:
    """Pixels as the same camera without distortion would show them."""
    focal, centre = (camera.fx_px, camera.fy_px), (camera.cx_px, camera.cy_px)
    return camera.undistort(points_px) * focal + centre


def _stored_px(camera: Camera, ideal_px: FloatArray) -> FloatArray:
    """Inverse of `_ideal_px`."""
    focal, centre = (camera.fx_px, camera.fy_px), (camera.cx_px, camera.cy_px)
    return camera.distort((ideal_px - centre) / focal) * focal + centre
