"""Second opinions on the shaft's outline: pairs of lines that may be its silhouettes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from bandscan import edge_fit, sharp_lines
from bandscan.errors import NoShaftError
from bandscan.expected_width import ExpectedWidth
from bandscan.model import Outline, Photo
from bandscan.outline_search import RoughShaft
from bandscan.sampling import sample_strip
from bandscan.side_fit import Known, fit_sides
from calib.camera import Camera, FloatArray

# The strip is read so that the rough shaft is this many samples wide, whatever the photo's size.
_WIDTH_SAMPLES = 350.0
_BEFORE = 0.6  # of the rough width: read before the end, where a silhouette has stopped
_REACH = 1.15  # of the rough width, either side of its middle: the silhouettes lie inside
_INNERMOST = 0.35  # of the rough width from its middle: silhouettes lie outside
_STARTS = (0.22, 0.5, 0.8)  # of the width: where lines are looked for; the rough end may be off
_BESIDE = (0.02, 0.14)  # of the width outside a line: no rings there if it is the silhouette
_MOST_PAIRS = 5
_SAME_PAIR = 5.0  # samples
_ASKEW = 0.03  # of tilt: the rough shaft's direction is truer than that
_LOPSIDED = 0.6  # logarithm: one side at most 1.8 times as far from the rough middle
_USUAL_LOPSIDED = 0.4
_WIDEST = 1.85  # of the rough width, which is at worst that of the lit part of the metal
_MOST_BEYOND = 0.6  # of metal beyond an end: more is metal that goes on
_STEEPEST = 0.35  # tangent of the axis out of the picture plane; steeper views show no bands
_SHORTEST = 0.5  # of the width: less land holds no lines to be told
_FIRST_LENGTH = 1.0  # of the width: of land that is taken to be one line
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
        sides = edge_fit.undistorted(camera, rough.sides_px)
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
        return edge_fit.to_photo(self.camera, point)


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
    photo: Photo, camera: Camera, rough: RoughShaft, known: Known, *, end_side: str = "auto"
) -> Iterator[Outline]:
    """Find what else can be the shaft's silhouettes along the land that begins at its end.

    Parameters and errors are those of `bandscan.steps.shaft.find_outlines`.

    Yields
    ------
    Outline
        The likeliest first; each is fitted when it is asked for. A dark flank of the metal, the
        gap to a rule, or the rule's edge run beside the outline like it; which is the true one
        shows at the shaft's end.
    """
    pairs: list[_Pair] = []
    for end in _ends(rough, end_side):
        beyond = rough.beyond[end]
        assert beyond is not None
        frame = _Frame.of(camera, rough, end)
        for pair in _candidates(photo, frame, known):
            pairs.append(replace(pair, merit=pair.merit * (1.0 - beyond) ** 2))
    pairs.sort(key=lambda pair: -pair.merit)
    distinct: list[_Pair] = []
    for pair in pairs:
        if len(distinct) < _MOST_PAIRS and all(pair.differs(other) for other in distinct):
            distinct.append(pair)
    if not distinct:
        raise rough.no_end(end_side)
    seen = False
    for pair in distinct:
        outline = _outline(photo, pair, known)
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


def _candidates(photo: Photo, frame: _Frame, known: Known) -> list[_Pair]:
    """Pairs of lines that may be the silhouettes."""
    step = frame.unit_px
    if frame.length < _SHORTEST * frame.width:
        return []
    s = np.arange(-_BEFORE * frame.width, frame.length, step)
    s = s[: s.size // sharp_lines.POOL * sharp_lines.POOL]
    o = np.arange(-_REACH * frame.width, _REACH * frame.width, step)
    points = _grid(frame, s, o)
    values = sample_strip(photo, points[..., 0], points[..., 1])
    values[_inside_any(points, known.avoid, step)] = np.nan
    pooled = values.reshape(o.size, -1, sharp_lines.POOL).mean(axis=2)
    evidence, hidden = sharp_lines.edge_evidence(pooled)
    rings = sharp_lines.ring_likeness(values[:, ::2], s[::2], frame.width)
    pairs: list[_Pair] = []
    for start in _STARTS:
        if start * frame.width >= 0.5 * frame.length:
            continue
        first = int((start * frame.width - s[0]) / (sharp_lines.BLOCK * sharp_lines.POOL * step))
        start_s = s[0] + (first + 0.5) * sharp_lines.BLOCK * sharp_lines.POOL * step
        lines = []
        for side in (-1.0, 1.0):
            rows = np.flatnonzero(o * side > _INNERMOST * frame.width)
            for row, tilt, score, stop in sharp_lines.find_sharp_lines(
                evidence, hidden, rows, first, frame.width / step
            ):
                metal = _metal_beside(rings, row, side, frame.width / step)
                lines.append(
                    _Line(
                        at=float(o[row]), start_s=start_s, tilt=tilt, score=score, stop=stop,
                        metal=metal,
                    )
                )  # fmt: skip
        pairs += _pairs(lines, frame, known.width)[:_MOST_PAIRS]
    return pairs


def _metal_beside(rings: FloatArray, row: int, side: float, width_samples: float) -> float:
    """Ring likeness just outside a line."""
    near, far = (round(share * width_samples) for share in _BESIDE)
    beside = np.arange(near, far) * int(side) + row
    beside = beside[(beside >= 0) & (beside < rings.size)]
    return float(rings[beside].mean()) if beside.size else 0.0


def _pairs(lines: list[_Line], frame: _Frame, expected: ExpectedWidth | None) -> list[_Pair]:
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
            if expected is not None:
                merit *= math.exp(-expected.against(high.at - low.at))
            pairs.append(_Pair(frame=frame, low=low, high=high, merit=merit))
    return sorted(pairs, key=lambda pair: -pair.merit)


def _outline(photo: Photo, pair: _Pair, known: Known) -> Outline | None:
    """A pair of lines to sub-pixel; None where a side cannot be seen."""
    frame = pair.frame
    ends = np.array([0.0, frame.length])
    lines = [frame.pixels(ends, line.offset(ends)) for line in (pair.low, pair.high)]
    middle = frame.pixels(ends, np.zeros(2))
    bases = [edge_fit.baseline_through(frame.camera, line, middle.mean(axis=0)) for line in lines]
    width = float((pair.high.offset(ends) - pair.low.offset(ends)).mean())
    land = (sharp_lines.CHAMFER * frame.width, frame.length)
    sides = fit_sides(
        photo,
        (bases[0], bases[1]),
        (land, land),
        width_px=width,
        first_px=_FIRST_LENGTH * width,
        known=known,
    )
    if sides is None:
        return None
    silhouettes = [side.silhouette for side in sides]
    return Outline(
        sides=(silhouettes[0], silhouettes[1]),
        end_px=middle[0],
        inward_px=(middle[1] - middle[0]) / np.linalg.norm(middle[1] - middle[0]),
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
    points_px: FloatArray, polygons: Sequence[FloatArray], margin_px: float
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
            here &= points_px @ normal > a @ normal - margin_px
        inside |= here
    return inside
