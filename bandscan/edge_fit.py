"""Long straight edges in a strip of the photo beside a baseline, found and placed to sub-pixel.

A strip is read in linear light along a baseline that is straight in undistorted
coordinates: columns are positions s along it, rows are offsets o square to it, outward.
A row of blocks (means over some columns) is compared with a soft step on a sloping
ground, so that a step as sharp as the photo counts and a soft change of shading, as a
reflection on metal or a shadow has, does not.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.model import Photo
from bandscan.sampling import sample_strip
from calib.camera import Camera, FloatArray

BLOCK_PX = 48
_MASK_STEP_PX = 4
_SHARP_PX = (1.0, 2.0)  # blur of a photo in focus, and of one just usable
_KERNEL_REACH = 3.0  # half length of a step's comparison, in blurs
_EDGE_REACH_PX = 10  # either side of an outline that is compared: 4 blurs and some of the ground
_SURE_LOG = 3.0  # logarithm of the ratio to the usual one at which evidence is full
_DOUBT = 0.4  # evidence against, at most: chance makes no edge but may hide one
_QUANTUM = 1e-5  # linear light; a block's mean of JPEG values is not more exact
_ASKEW = 0.02  # standard deviation of that
_SLOPES = np.linspace(-0.06, 0.06, 41)  # a line that the coarse search found may lie askew
_SUPPORT = 0.1  # mean evidence that a line needs to go on; chance gives 0 +- 0.05 over 25 blocks
_CHANCE_SCATTER = 0.25  # standard deviation of a block's evidence by chance
_EARLY_SHARE = 0.7  # chamfer, centre of the first block and chance take some of it
_BEGUN = 0.5  # a block's evidence that chance does not give
_GAP_BLOCKS = 6  # a groove or a stretch without contrast; a shoulder's edge begins later
_UNLIKELY = 1e-3  # of the greatest weight: no edge there is tried
_CANDIDATES = 8
_SAME_LINE_PX = 6


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Baseline:
    """A line in undistorted pixel coordinates, and how a strip beside it is read.

    Parameters
    ----------
    camera : Camera
    origin, along, outward : ndarray, shape (2,)
        Start of the line and unit vectors along it and square to it.
    """

    camera: Camera
    origin: FloatArray
    along: FloatArray
    outward: FloatArray

    def to_photo(self, s: FloatArray, o: FloatArray) -> FloatArray:
        """Pixels of the photo at positions along and offsets outward, shape (..., 2)."""
        ideal = self.origin + s[..., None] * self.along + o[..., None] * self.outward
        return to_photo(self.camera, ideal)

    def from_photo(self, points_px: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Positions along and offsets outward of pixels of the photo."""
        ideal = undistorted(self.camera, points_px) - self.origin
        return ideal @ self.along, ideal @ self.outward

    def moved(self, offset: float, slope: float) -> Baseline:
        """The line o = offset + slope s."""
        along = self.along + slope * self.outward
        along = along / np.linalg.norm(along)
        outward = self.outward - slope * self.along
        return Baseline(
            camera=self.camera,
            origin=self.origin + offset * self.outward,
            along=along,
            outward=outward / np.linalg.norm(outward),
        )

    def read(
        self, photo: Photo, s: FloatArray, o: FloatArray, avoid: Sequence[FloatArray] = ()
    ) -> NDArray[np.float32]:
        """Linear light of a strip, shape (len(o), len(s)); NaN outside the photo.

        The lens is applied along the line and, to first order, across it. NaN also in the
        polygons `avoid`, to 4 px; positions `s` are a pixel apart.
        """
        zero = np.zeros_like(s)
        reach = max(float(np.abs(o).max()), 1.0)
        on_line = self.to_photo(s, zero)
        per_px = (self.to_photo(s, zero + reach / 2.0) - on_line) / (reach / 2.0)
        column = o[:, None].astype(np.float32)
        x, y = (
            on_line[:, k].astype(np.float32) + column * per_px[:, k].astype(np.float32)
            for k in (0, 1)
        )
        values = sample_strip(photo, x, y)
        if avoid:
            _hide(values, x, y, avoid)
        return values


def undistorted(camera: Camera, points_px: FloatArray) -> FloatArray:
    """Pixels as the same camera without distortion would show them."""
    return np.asarray(
        camera.undistort(points_px) * (camera.fx_px, camera.fy_px) + (camera.cx_px, camera.cy_px)
    )


def to_photo(camera: Camera, ideal: FloatArray) -> FloatArray:
    """Inverse of `undistorted`."""
    normal = (ideal - (camera.cx_px, camera.cy_px)) / (camera.fx_px, camera.fy_px)
    return np.asarray(
        camera.distort(normal) * (camera.fx_px, camera.fy_px) + (camera.cx_px, camera.cy_px)
    )


def baseline_through(camera: Camera, ends_px: FloatArray, inside_px: FloatArray) -> Baseline:
    """The line through two pixels, outward being away from `inside_px`."""
    ends, inside = undistorted(camera, ends_px), undistorted(camera, inside_px)
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    outward = np.array([-along[1], along[0]])
    if outward @ (inside - ends[0]) > 0.0:
        outward = -outward
    return Baseline(camera=camera, origin=ends[0], along=along, outward=outward)


def step_kernel(blur: float, spacing: float) -> FloatArray:
    """Weights that give the height of a soft step, blind to level and slope.

    Parameters
    ----------
    blur : float
        Standard deviation of the step's blur, px.
    spacing : float
        Distance of samples, px.
    """
    reach = round((_KERNEL_REACH * blur + 0.5) / spacing)
    x = np.arange(-reach, reach + 1) * spacing
    step = np.array([math.erf(v / blur / math.sqrt(2.0)) for v in x]) / 2.0
    ground = np.stack([np.ones_like(x), x], axis=1)
    weights = step - ground @ np.linalg.lstsq(ground, step, rcond=None)[0]
    return np.asarray(weights / (weights @ weights))


def _hide(
    values: NDArray[np.float32],
    x_px: NDArray[np.float32],
    y_px: NDArray[np.float32],
    avoid: Sequence[FloatArray],
) -> None:
    """Set to NaN what lies in polygons of the photo; x and y are the strip's pixels."""
    corner = np.stack([x_px[[0, 0, -1, -1], [0, -1, 0, -1]], y_px[[0, 0, -1, -1], [0, -1, 0, -1]]])
    low = np.floor(corner.min(axis=1)) - 2.0 * _MASK_STEP_PX  # a strip bows by less than a step
    size = np.ceil(corner.max(axis=1) - low).astype(int) + 2 * _MASK_STEP_PX
    near = [
        p for p in avoid if (p.max(axis=0) >= low).all() and (p.min(axis=0) <= low + size).all()
    ]
    if not near:
        return
    mask = np.zeros(
        (int(size[1] // _MASK_STEP_PX) + 2, int(size[0] // _MASK_STEP_PX) + 2), np.uint8
    )
    for polygon in near:
        corners = (polygon - low) / _MASK_STEP_PX
        cv2.fillPoly(mask, [np.rint(corners).astype(np.int32)], 1)
    x, y = (
        (plane[:, ::_MASK_STEP_PX] - np.float32(low[k])) / np.float32(_MASK_STEP_PX)
        for k, plane in enumerate((x_px, y_px))
    )
    hidden = cv2.remap(mask, x, y, cv2.INTER_NEAREST) > 0
    if hidden.any():
        values[np.repeat(hidden, _MASK_STEP_PX, axis=1)[:, : values.shape[1]]] = np.nan


def _block_means(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each `BLOCK_PX` columns, shape (offsets, blocks); NaN where one is not whole."""
    count = values.shape[1] // BLOCK_PX
    cells = np.ascontiguousarray(values[:, : count * BLOCK_PX]).reshape(-1, BLOCK_PX)
    weights = np.full(BLOCK_PX, 1.0 / BLOCK_PX, np.float32)
    return np.asarray((cells @ weights).reshape(values.shape[0], count))


@cache
def _edge_bank(blur_px: float) -> tuple[FloatArray, FloatArray]:
    """What an outline adds to a smooth profile, and the smooth profiles; columns orthonormal.

    The outline of a round body: a parabola in the square root of the depth inside, a
    slope outside (see `bandscan.silhouette_fit`). Smooth is a cubic in the offset.
    """
    fine = 8
    reach = _EDGE_REACH_PX + math.ceil(4.0 * blur_px)
    x = np.arange(-reach * fine, reach * fine + 1) / fine
    inside = x < 0.0
    root = np.sqrt(np.maximum(-x, 0.0) / _EDGE_REACH_PX)
    sharp = [np.where(inside, root**k, 0.0) for k in range(3)]
    sharp += [np.where(inside, 0.0, (x / _EDGE_REACH_PX) ** k) for k in range(2)]
    half = math.ceil(4.0 * blur_px) * fine
    taps = np.exp(-0.5 * (np.arange(-half, half + 1) / (fine * blur_px)) ** 2)
    taps /= taps.sum()
    soft = np.stack([np.convolve(column, taps, "valid")[::fine] for column in sharp], axis=1)
    offset = np.arange(-_EDGE_REACH_PX, _EDGE_REACH_PX + 1.0) / _EDGE_REACH_PX
    smooth = np.linalg.qr(np.stack([offset**k for k in range(4)], axis=1))[0]
    left, size, _ = np.linalg.svd(soft - smooth @ (smooth.T @ soft), full_matrices=False)
    return left[:, size > 1e-3 * size[0]], smooth


def _energy(means: NDArray[np.float32], bank: FloatArray) -> NDArray[np.float32]:
    total = np.zeros_like(means)
    for kernel in bank.T:
        total += cv2.filter2D(means, -1, kernel[:, None].astype(np.float32)) ** 2
    return total


def _evidence(values: NDArray[np.float32]) -> NDArray[np.float32]:
    """How surely each block has an outline at each offset, 0 to 1.

    The ratio of variances (F) of the profile explained by an outline beyond a smooth
    course, to what neither explains, against that of the picture at large.
    """
    means = _block_means(values)
    reach = np.ones((2 * _EDGE_REACH_PX + 1, 1), np.uint8)
    unknown = cv2.dilate(np.isnan(means).astype(np.uint8), reach)
    known = np.nan_to_num(means)
    known -= known.mean(axis=0, keepdims=True)  # the sums of squares below lose fewer digits
    squares = cv2.filter2D(known * known, -1, reach.astype(np.float32))
    best = np.zeros_like(known)
    for blur in _SHARP_PX:
        outline, smooth = _edge_bank(blur)
        rest = squares - _energy(known, smooth)
        gained = _energy(known, outline)
        free = len(outline) - smooth.shape[1] - outline.shape[1]
        left = np.maximum((rest - gained) / free, _QUANTUM**2)
        best = np.maximum(best, np.log(np.maximum(gained / (outline.shape[1] * left), 1.0)))
    usual = float(np.median(best[unknown == 0])) if (unknown == 0).any() else 0.0
    sure = np.clip((best - usual) / _SURE_LOG, -_DOUBT, 1.0)
    return np.where(unknown > 0, np.float32(0.0), sure).astype(np.float32)


@dataclass(frozen=True, slots=True, kw_only=True)
class EdgeLine:
    """A straight edge o = offset + slope s, from about s = 0 to `reach_px`.

    Parameters
    ----------
    score : float
        Significance: excess of the mean evidence over chance times the root of the number
        of blocks, less where the edge goes on before s = 0.
    share : float
        Mean evidence of its blocks, 0 to 1.
    """

    offset_px: float
    slope: float
    reach_px: float
    score: float
    share: float

    def at(self, s: float) -> float:
        """Offset at a position."""
        return self.offset_px + self.slope * s


def find_edge_lines(
    values: NDArray[np.float32],
    s: FloatArray,
    o: FloatArray,
    *,
    before_px: tuple[float, float],
    early_px: float,
    weight: FloatArray,
) -> list[EdgeLine]:
    """Straight edges along a strip that begin near s = 0, the plainest first.

    Parameters
    ----------
    values : ndarray, shape (len(o), len(s))
        Strip, with spacing 1 px both ways.
    s, o : ndarray
        Positions along the baseline and offsets.
    before_px : (float, float)
        Range of s in which an edge of the shaft has not begun; a rule's goes on there.
    early_px : float
        Length from s = 0 on along which the edge must show as well as further on; the edge
        of a part of another diameter does not.
    weight : ndarray, shape (len(o),)
        How likely an edge is to lie at each offset, 0 to 1; multiplies its score.
    """
    evidence = _evidence(values)
    middle = s[0] + (np.arange(evidence.shape[1]) + 0.5) * BLOCK_PX
    tried = np.flatnonzero(weight > _UNLIKELY * weight.max()).astype(np.int32)
    shift = np.rint(_SLOPES[:, None] * middle).astype(np.int32)
    rows = tried[None, :, None] + shift[:, None, :]
    outside = (rows < 0) | (rows >= len(o))
    np.clip(rows, 0, len(o) - 1, out=rows)
    support = evidence[rows, np.arange(len(middle))]
    support[outside] = 0.0
    share, score, last = _runs(support[:, :, middle > 0.0])
    early = support[:, :, (middle > 0.0) & (middle < early_px)].mean(axis=2)
    score *= np.clip(early / (_EARLY_SHARE * np.maximum(share, 0.1)), 0.0, 1.0)
    before = support[:, :, (middle > before_px[0]) & (middle < before_px[1])]
    if before.shape[2]:
        chance = _CHANCE_SCATTER / math.sqrt(before.shape[2])
        going_on = np.maximum(before.mean(axis=2) - chance, 0.0)
        score *= np.clip(1.0 - 2.0 * going_on / np.maximum(share, 0.1), 0.0, 1.0)
    score *= weight[tried] * np.exp(-0.5 * (_SLOPES / _ASKEW) ** 2)[:, None]
    return _pick_lines(score, share, middle[middle > 0.0][last], o[tried])


def _runs(support: NDArray[np.float32]) -> tuple[FloatArray, FloatArray, NDArray[np.int_]]:
    """Mean evidence, significance and last block of the run from the first block on."""
    number = np.arange(1, support.shape[2] + 1, dtype=np.float32)
    total = np.cumsum(support, axis=2)
    gain = total - _SUPPORT * number
    highest = np.maximum.accumulate(np.maximum(gain, 0.0), axis=2)
    faint = 3.0 * _CHANCE_SCATTER * (1.0 - np.clip(total / number, 0.0, 1.0))
    fallen = highest - gain > _SUPPORT * _GAP_BLOCKS + np.where(highest > _BEGUN, faint, 0.0)
    gain[np.logical_or.accumulate(fallen, axis=2)] = -1.0
    last = gain.argmax(axis=2)
    at_last = last[..., None]
    share = np.take_along_axis(total, at_last, axis=2)[..., 0] / (last + 1)
    best = np.take_along_axis(gain, at_last, axis=2)[..., 0]
    return share, np.maximum(best, 0.0) / np.sqrt(last + 1.0), last


def _pick_lines(
    score: FloatArray, share: FloatArray, reach: FloatArray, o: FloatArray
) -> list[EdgeLine]:
    picked: list[EdgeLine] = []
    left = score.copy()
    offset = o[None, :]
    slope = _SLOPES[:, None]
    while len(picked) < _CANDIDATES and left.max() > 0.0:
        k = np.unravel_index(int(left.argmax()), left.shape)
        line = EdgeLine(
            offset_px=float(o[k[1]]),
            slope=float(_SLOPES[k[0]]),
            reach_px=float(reach[k]),
            score=float(score[k]),
            share=float(share[k]),
        )
        picked.append(line)
        half = line.reach_px / 2.0
        apart = np.abs(offset + slope * half - line.offset_px - line.slope * half)
        left[apart <= _SAME_LINE_PX] = 0.0
    return picked
