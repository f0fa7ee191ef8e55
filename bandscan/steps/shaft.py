"""Find the shaft in a photo: its two silhouettes along the seal land, its end, its breaks."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan import edge_fit, outline_search, silhouette_fit
from bandscan.edge_fit import Baseline, EdgeLine
from bandscan.errors import NoShaftError
from bandscan.expected_width import ExpectedWidth
from bandscan.model import Outline, Photo
from bandscan.outline_search import RoughShaft
from bandscan.side_fit import Known, fit_sides
from calib.camera import Camera, FloatArray

# The coarse search places the end to 1.5 of its blocks: this share of the photo's long side.
_END_KNOWN = 1.5 * 12.0 / outline_search.SEARCH_LONG_SIDE_PX
_APPROACH_PX = 200.0  # length of strip beyond the end
_GROUND_PX = 80.0  # length of ground beyond the end that shows how rough the ground looks
_INSIDE, _OUTSIDE = 0.25, 0.65  # of the rough width: where the silhouettes are sought
# Height of a chamfer at each side, of the rough width, which is some 0.8 of the true one;
# lead-in chamfers take 0.025 to 0.075 of the diameter (ISO 6194-1, from memory).
_CHAMFER_HEIGHT = 0.1
_USUAL_CHAMFER = 0.12  # scale of its distribution
_CHAMFER_LENGTH = 0.1  # of the width; the fit throws out what is left of a longer one
_BULGE = 0.1  # of the width: how far the end's ellipse lies before or behind its ends
_BEFORE_PX = 200.0  # beyond the end, where an edge that goes on is not the shaft's
_REACH_KNOWN_PX = 8.0
_EDGE_ROWS = 0.02  # of the width: an edge of the end goes on so far at least
_END_BLUR_PX = 1.5
_CHANCE = 0.05  # of the rows show an edge across the axis by chance
_SOME_END, _HALF_END, _PLAIN_END = 0.3, 0.5, 0.8  # share of the metal's rows with an end
_END_ODDS = 4.5  # to one that metal has ended
_END_SURE = 6.0  # over the median of the ground: 4 standard deviations
_OUTER_SHARE = 0.7  # of the plainest edge's score; its own side lobes reach 0.65
_EARLY_LENGTH = 0.6  # of the rough width
_FIRST_LENGTH = 0.8  # of the width: lands of seals are longer (ISO 6194-1, from memory)
_ALTERNATIVES = 3  # lines of a side that are tried in place of the chosen one

_SIDES = {"left": (-1.0, 0.0), "right": (1.0, 0.0), "top": (0.0, -1.0), "bottom": (0.0, 1.0)}


def find_outlines(
    photo: Photo, camera: Camera, rough: RoughShaft, known: Known, *, end_side: str = "auto"
) -> Iterator[Outline]:
    """Find the shaft's silhouettes along the land that begins at its end.

    Parameters
    ----------
    photo : Photo
    camera : Camera
        Straight edges are straight in its undistorted coordinates.
    rough : RoughShaft
        Where the shaft was first seen.
    known : Known
        What else is known of its sides.
    end_side : {"auto", "left", "right", "top", "bottom"}
        Side of the picture, as stored, on which the shaft's end lies.

    Yields
    ------
    Outline
        The likeliest first, then others in which one side is another line. The points of each
        side lie on the smooth curve through its edge, one for each 60 px that bear it out;
        `u_px` holds for the offset of that curve.

    Raises
    ------
    NoShaftError
        No part of one side lies free.
    NoEndError
        The shaft's end is not in the picture, or not on the side that was named.
    """
    sides_px = _from_end(photo, rough, end_side)
    known_px = _END_KNOWN * max(photo.width_px, photo.height_px)
    width = float(np.linalg.norm(sides_px[0] - sides_px[1], axis=1).mean())
    strips = [
        _read_strip(photo, camera, sides_px[k], sides_px[1 - k], known_px, known.avoid)
        for k in (0, 1)
    ]
    end_s = _find_end(photo, strips[0], known_px)
    choices = [_choose_lines(strip, known_px, end_s, known.width) for strip in strips]
    start_s = end_s + _CHAMFER_LENGTH * width

    def outline(lines: tuple[EdgeLine, EdgeLine]) -> Outline | None:
        plain = max(lines, key=lambda line: line.share)
        to = max(plain.reach_px, start_s + silhouette_fit.SEGMENT_PX)
        low, high = (min(to, float(strip.s[-1])) for strip in strips)
        sides = fit_sides(
            photo,
            (_moved(strips[0], lines[0]), _moved(strips[1], lines[1])),
            ((start_s, low), (start_s, high)),
            width_px=width,
            first_px=_FIRST_LENGTH * width,
            known=known,
        )
        if sides is None:
            return None
        silhouettes = [side.silhouette for side in sides]
        return Outline(
            sides=(silhouettes[0], silhouettes[1]),
            **_axis_points(strips, lines, end_s, min(float(side.s[-1]) for side in sides)),
        )

    first = outline((choices[0][0], choices[1][0]))
    if first is None:
        raise _lost(strips[0])
    yield first
    for k in range(1, 1 + _ALTERNATIVES):
        for pair in ((choices[0][k:], choices[1][:1]), (choices[0][:1], choices[1][k:])):
            other = outline((pair[0][0], pair[1][0])) if pair[0] and pair[1] else None
            if other is not None:
                yield other


def _moved(strip: _Strip, line: EdgeLine) -> Baseline:
    return strip.base.moved(line.offset_px, line.slope)


def _lost(strip: _Strip) -> NoShaftError:
    return NoShaftError(
        f"A shaft some {strip.width_px:.0f} px wide was seen, but no part of one side of its "
        "outline lies free in the photo.",
        "Photograph it with both sides in the picture and nothing lying over them.",
    )


def _from_end(photo: Photo, rough: RoughShaft, end_side: str) -> FloatArray:
    """The rough sides, end points ordered from the shaft's end inward."""
    shares = rough.beyond
    middle = rough.sides_px.mean(axis=0)
    ends = [
        k
        for k in (0, 1)
        if (share := shares[k]) is not None and share < outline_search.METAL_GOES_ON
    ]
    if end_side != "auto":
        if end_side not in _SIDES:
            raise ValueError(f"end_side must be auto or one of {sorted(_SIDES)}, got {end_side!r}")
        outward = np.array([middle[0] - middle[1], middle[1] - middle[0]]) @ _SIDES[end_side]
        ends = [k for k in ends if outward[k] > 0.0]
    if not ends:
        raise rough.no_end(end_side)
    # Seldom both ends seem free: a shaft usually runs on to the frame on its far side.
    frame_px = np.array([photo.width_px, photo.height_px]) - 1.0
    room = np.minimum(middle, frame_px - middle).min(axis=1)
    end = max(ends, key=lambda k: room[k])
    return rough.sides_px if end == 0 else rough.sides_px[:, ::-1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Strip:
    """What lies beside one rough side of the shaft."""

    base: Baseline
    s: FloatArray
    o: FloatArray
    values: NDArray[np.float32]
    width_px: float


def _read_strip(
    photo: Photo,
    camera: Camera,
    side_px: FloatArray,
    other_px: FloatArray,
    known_px: float,
    avoid: Sequence[FloatArray],
) -> _Strip:
    base = edge_fit.baseline_through(camera, side_px, other_px.mean(axis=0))
    width = float(np.linalg.norm(side_px - other_px, axis=1).mean())
    length = float(np.linalg.norm(side_px[1] - side_px[0]))
    s = np.arange(-math.ceil(known_px + _APPROACH_PX), math.floor(length), dtype=float)
    o = np.arange(-math.ceil(_INSIDE * width), math.ceil(_OUTSIDE * width), dtype=float)
    values = base.read(photo, s, o, avoid)
    return _Strip(base=base, s=s, o=o, values=values, width_px=width)


def _choose_lines(
    strip: _Strip, known_px: float, end_s: float, expected: ExpectedWidth | None
) -> list[EdgeLine]:
    """What may be the silhouette among the edges beside the shaft, the likeliest first.

    The end tells how far out metal goes: there, and not beside it, an edge lies across
    the axis. The silhouette is at most a chamfer's height further out.
    """
    clear_s = min(end_s - _BULGE * strip.width_px - 10.0, -0.5 * known_px)
    chamfer = _CHAMFER_HEIGHT * strip.width_px
    reach = _metal_reach(strip, known_px, end_s)
    weight = _weights(strip, reach, chamfer)
    if expected is not None:
        weight = weight * np.exp(-expected.against(strip.width_px + strip.o))
    lines = edge_fit.find_edge_lines(
        strip.values,
        strip.s,
        strip.o,
        before_px=(clear_s - _BEFORE_PX, clear_s),
        early_px=max(_EARLY_LENGTH * strip.width_px, 3.0 * edge_fit.BLOCK_PX),
        weight=weight,
    )
    if not lines:
        reach_px = float(strip.s[-1])
        return [EdgeLine(offset_px=0.0, slope=0.0, reach_px=reach_px, score=0.0, share=0.0)]
    score = np.array([line.score for line in lines])
    place = np.array([line.at(lines[0].reach_px / 2.0) for line in lines])
    confirmed = reach is not None and reach.share > _HALF_END
    # Stripes of reflection run inside the outline: of two plain edges the outer one is meant,
    # if the end reaches that far.
    further = place - place[0]  # the plainest comes first
    plain = (score >= _OUTER_SHARE * score[0]) & (further <= (chamfer if confirmed else 0.0))
    chosen = int(np.where(plain, place, -np.inf).argmax())
    return [lines[chosen], *(line for k, line in enumerate(lines) if k != chosen)]


def _weights(strip: _Strip, reach: _Reach | None, chamfer_px: float) -> FloatArray:
    """How likely the silhouette is to lie at each offset of a strip.

    Outside the outermost metal seen at the end by no more than a chamfer; where that could
    not be seen, rather outside the rough side than far inside it.
    """
    if reach is None:
        inside = np.minimum((strip.o + chamfer_px) / (0.2 * strip.width_px), 0.0)
        return np.asarray(np.exp(inside))
    beyond = strip.o - reach.metal_to_px
    inside = np.minimum((beyond + _REACH_KNOWN_PX) / _REACH_KNOWN_PX, 0.0)
    # Small chamfers are the rule. Where the end shows on fewer rows, more of the metal may be
    # as bright as the ground.
    small = -np.maximum(beyond - 1.5 * _REACH_KNOWN_PX, 0.0) / (_USUAL_CHAMFER * strip.width_px)
    chamfers = 3.0 if reach.share < _HALF_END else 1.0 if reach.share < _PLAIN_END else 0.5
    outside = np.minimum((chamfer_px + _REACH_KNOWN_PX - beyond) / (chamfers * chamfer_px), 0.0)
    outside += small if reach.share > _HALF_END else 0.0
    return np.asarray(np.exp(inside + outside))


def _crossings(
    values: NDArray[np.float32], ground: NDArray[np.bool_], width_px: float
) -> NDArray[np.bool_]:
    """Where an edge lies across the rows of a strip, too high for the ground's noise.

    `ground` marks the columns beyond the end; noise is averaged over 31 rows. An edge
    that runs more along than across is not meant: a rule or a card beside the shaft.
    """
    known = np.nan_to_num(values)
    kernel = edge_fit.step_kernel(_END_BLUR_PX, 1.0).astype(np.float32)
    across = np.abs(cv2.filter2D(cv2.blur(known, (1, 5)), -1, kernel[None]))
    along = np.abs(cv2.filter2D(cv2.blur(known, (5, 1)), -1, kernel[:, None]))
    usual = cv2.blur(np.median(across[:, ground], axis=1)[:, None], (1, 31))
    crossed = ((across > _END_SURE * usual + 1e-6) & (across > along)).astype(np.uint8)
    # An edge goes on from row to row, slanting by up to 45 degrees; grain of the bench does not.
    reach = max(3, round(_EDGE_ROWS * width_px))
    wide = cv2.dilate(crossed, np.ones((1, reach), np.uint8))
    lasting = cv2.morphologyEx(wide, cv2.MORPH_OPEN, np.ones((reach, 1), np.uint8))
    return np.asarray((crossed > 0) & (lasting > 0))


@dataclass(frozen=True, slots=True, kw_only=True)
class _Reach:
    """Outermost offset at which the end crosses the rows, and its share of the metal's rows."""

    metal_to_px: float
    share: float


def _metal_reach(strip: _Strip, known_px: float, end_s: float) -> _Reach | None:
    """How far out metal goes at the end; None where the end does not show."""
    bulge = _BULGE * strip.width_px
    near = (strip.s > end_s - bulge - 5.0) & (
        strip.s < end_s + bulge + _CHAMFER_LENGTH * strip.width_px
    )
    ground = (strip.s < -known_px) & (strip.s > -known_px - _GROUND_PX)
    crossings = _crossings(strip.values, ground, strip.width_px)
    crossed = np.asarray(crossings[:, near].any(axis=1))
    share = float(np.clip(crossed[strip.o < 0.0].mean(), _CHANCE, 1.0 - _CHANCE))
    if share < _SOME_END:
        return None
    gain = np.where(crossed, math.log(share / _CHANCE), math.log((1.0 - share) / (1.0 - _CHANCE)))
    inner = int(np.searchsorted(strip.o, -0.05 * strip.width_px))
    total = np.cumsum(gain[inner:] / 10.0)  # rows within the blur and the mean repeat each other
    fallen = np.flatnonzero(np.maximum.accumulate(total) - total > math.log(_END_ODDS))
    stop = int(fallen[0]) if fallen.size else len(total) - 1
    metal_to = float(strip.o[inner + int(total[: stop + 1].argmax())])
    return _Reach(metal_to_px=metal_to, share=share)


def _find_end(photo: Photo, strip: _Strip, known_px: float) -> float:
    """Position s at which the outline closes in the middle of the shaft, to some pixels."""
    s = np.arange(-math.ceil(known_px + _GROUND_PX), math.ceil(known_px), dtype=float)
    o = np.arange(-0.7 * strip.width_px, -0.3 * strip.width_px)
    crossings = _crossings(strip.base.read(photo, s, o), s < -known_px, strip.width_px)
    crossed = crossings & (s >= -known_px)
    found = crossed.any(axis=1)
    return float(np.median(s[crossed[found].argmax(axis=1)])) if found.any() else 0.0


def _axis_points(
    strips: list[_Strip], lines: tuple[EdgeLine, EdgeLine], end_s: float, land_end_s: float
) -> dict[str, FloatArray]:
    """The outline's end on the axis, and the direction inward."""

    def on_axis(s: float) -> FloatArray:
        points = [
            strip.base.to_photo(np.array(s), np.array(line.at(s)))
            for strip, line in zip(strips, lines, strict=True)
        ]
        return np.asarray((points[0] + points[1]) / 2.0)

    end, inner = on_axis(end_s), on_axis(land_end_s)
    return {"end_px": end, "inward_px": (inner - end) / np.linalg.norm(inner - end)}
