"""The end's shape to sub-pixel: edge points across its outline, joined by least squares.

The curves of the current shape are crossed by short profiles along their normals.
Neighbouring profiles are averaged into blocks (which beats noise and grinding streaks),
an edge is located in each block, and the blocks' offsets are joined in a robust fit of the
shape. Repeated with the new shape until it stands.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.end_profiles import SAMPLE_PX, Profiler, local_peaks, slopes_of_blocks
from bandscan.end_shape import AxisPlane, Drawing, EndShape, Piece, draw, tangent_angle
from calib.camera import FloatArray

OUTLINE = (Piece.RIM, Piece.FLANK, Piece.SHOULDER)
_TWO_SIDED = (Piece.FLANK, Piece.SHOULDER)

_BLOCKS_LONG = 24  # along an arc, 6 to 8 degrees each: the contrast seldom turns over within one
_ARC_SHARE = 0.95  # of an arc's visible half angle: beyond it runs along the outline
_CHAMFER_EDGES = 3  # the chamfer's own among a band's and the strongest streaks
_BLOCKS_SHORT = 4  # along each side's flank and shoulder
_LEAST_BLOCK_PX = 6.0  # shorter blocks share their noise (demosaicing, JPEG's 8 x 8 blocks)
_PROFILES_A_BLOCK = 12  # at most; about one a pixel where there are fewer pixels
_EDGE_SIGMAS_PX = (1.0, 2.0, 4.0)  # Gaussian derivatives tried: sharp to plainly out of focus
_WIDER_IF = 1.2  # a wider derivative must tell this much more about the place
_SNR_LEAST = 4.0  # an edge weaker than this is not one
_SNR_FULL = 20.0  # more does not help: the blocks scatter by other causes
_CLUTTER_PX = 6.0  # beyond an edge, looked at for slopes that are not the edge's

# Of the sides' distance from the axis: the 7 % of the width further out hold the corner.
_NEAR_SIDE = 0.85

_ROUNDS = 5
_SETTLED_PX = 0.02  # a fit that moves no curve further than this has settled
_NARROWING = 0.6  # of the window, round by round
# The search knows the chamfer's length to about a third.
_STEEPEST = 2.0  # height of a chamfer by its length: 63 degrees from the axis
_LENGTH_PRIOR = 0.3
_REWEIGHTINGS = 5  # then the weights stand to a per cent
_TUKEY = 4.685  # 95 % efficiency for normal errors (Beaton & Tukey 1974)
# Blocks on one and the same edge scatter by 0.1 to 0.4 px, from demosaicing, JPEG and
# what the metal mirrors. Less is luck, more is not one edge.
_SCATTER_MIN_PX, _SCATTER_MAX_PX = 0.05, 0.5
_SCATTER_USUAL_PX = 0.25
_SCATTER_SHARP_PX = 0.12


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Crossings:
    """Edges found across the curves, one a block.

    Parameters
    ----------
    offset_px : ndarray, shape (b,)
        From the drawn curve along its normal.
    noise_px : ndarray, shape (b,)
        Standard deviation of the offset from the block's own noise; inf where no edge.
    length_px : ndarray, shape (b,)
        Length of curve.
    piece : ndarray of int, shape (b,)
    beside : ndarray, shape (b,)
        Distance from the axis, of the furthest of the outline: -1 to 1.
    slopes : ndarray, shape (b, 5)
        Derivative of the curve's place along its normal (px) by face, height, length (mm),
        sideways shift and place of the camera along the axis (mm).
    width_px : ndarray, shape (b,)
        Standard deviation of the edge's slope as the derivative shows it.
    sigma_px : float
        Width of the derivative that found most.
    """

    offset_px: FloatArray
    noise_px: FloatArray
    length_px: FloatArray
    piece: NDArray[np.intp]
    beside: FloatArray
    slopes: FloatArray
    width_px: FloatArray
    sigma_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EndFit:
    """A fitted end.

    Parameters
    ----------
    shape : EndShape
        With one entry.
    covariance : ndarray, shape (3, 3)
        Of face, height, length in mm^2: noise and scatter between blocks.
    scatter_px : float
        Robust standard deviation of the blocks about the fit.
    support : dict
        Share of each piece's length that has an edge agreeing with the fit, 0 to 1.
    merit : float
        The same for the whole outline.
    least_side : float
        The same near one side of the outline, the lesser of the two.
    closeness : float
        The same with the narrow tolerance of a sharp, plain edge: tells shapes apart.
    blocks : int
        Number of blocks that agree.
    sigma_px : float
        Width of the derivative that found the edges best.
    width_px : float
        Median standard deviation of the edges' slopes as that derivative shows them.
    pixel_mm : float
        Size of a pixel in the axis plane at the end.
    sideways_px, sideways_u_px : float
        By how much the end shows beside the axis, by its edges alone.
    strain : float
        By how much the axis had to give: sum of squares of its shift and lean over their
        standard uncertainties.
    """

    shape: EndShape
    covariance: FloatArray
    scatter_px: float
    support: dict[Piece, float]
    merit: float
    least_side: float
    closeness: float
    blocks: int
    sigma_px: float
    width_px: float
    pixel_mm: float
    sideways_px: float
    sideways_u_px: float
    strain: float


def fit_end(
    profiler: Profiler,
    start: EndShape,
    *,
    reach_px: float,
    pieces: tuple[Piece, ...] = OUTLINE,
    length_u_mm: float | None = None,
    sigma_px: float | None = None,
) -> EndFit:
    """Fit the shape of the end to its edges in the photo.

    Parameters
    ----------
    start : EndShape
        With one entry, right to about `reach_px`.
    reach_px : float
        How far from the curves an edge is sought in the first round.
    pieces : tuple of Piece
        Curves that take part.
    length_u_mm : float, optional
        Standard uncertainty of the chamfer's length in `start`.
    sigma_px : float, optional
        Width of the derivative, where an earlier fit has told it.
    """
    shape, sideways, lean = start, 0.0, 0.0
    pixel_mm = profiler.pixel_mm(start)
    length_u = length_u_mm or _LENGTH_PRIOR * float(start.length_mm[0])
    sigmas = (sigma_px,) if sigma_px else _EDGE_SIGMAS_PX
    for round_ in range(_ROUNDS):
        window = max(reach_px * _NARROWING**round_, 2.5 * sigmas[0])
        search = _Search(window_px=window, sigmas_px=sigmas)
        seen_from = replace(profiler.plane, camera_mm=profiler.plane.camera_mm + lean)
        crossings = _cross(profiler, seen_from, shape, sideways, pieces, pixel_mm, search)
        sigmas = (crossings.sigma_px,)
        prior = (
            (2, float(start.length_mm[0] - shape.length_mm[0]), length_u),
            (3, -sideways, profiler.sideways_u_px * pixel_mm),
            (4, -lean, profiler.lean_u_mm),
        )
        fit = _join(crossings, prior, max(_SCATTER_MAX_PX, window / 4.0))
        limit = np.array([reach_px, reach_px, reach_px, 1.0, np.inf]) * pixel_mm
        change = np.clip(fit.change, -3.0 * limit, 3.0 * limit)
        shape = moved(profiler.plane, shape, change)
        sideways += float(change[3])
        lean += float(change[4])
        settled = np.abs(crossings.slopes @ change).max(initial=0.0) < _SETTLED_PX
        if settled and window <= 2.5 * sigmas[0]:
            break
    support = {
        piece: float(np.average(fit.agreement[own], weights=crossings.length_px[own]))
        for piece in pieces
        if (own := crossings.piece == piece).any()
    }
    # Bands are read on the near side without the lean: there the rim stays where the fit has it.
    # Where the face is seen it is the rim's far side that shows, and the lean tells the near one.
    growth = profiler.plane.growth(shape)
    unlean = np.eye(5)[:3]
    unlean[0, 4] = 1.0 / growth - 1.0
    return EndFit(
        shape=replace(shape, face_mm=shape.face_mm + unlean[0, 4] * lean),
        covariance=unlean @ fit.covariance @ unlean.T,
        scatter_px=fit.scatter_px,
        support=support,
        merit=float(np.average(fit.agreement, weights=crossings.length_px)),
        least_side=min(_beside(fit.agreement, crossings, side) for side in (-1.0, 1.0)),
        closeness=float(np.average(fit.closeness, weights=crossings.length_px)),
        blocks=int((fit.agreement > 0.0).sum()),
        sigma_px=crossings.sigma_px,
        width_px=float(np.median(crossings.width_px)),
        pixel_mm=pixel_mm,
        strain=(sideways / profiler.sideways_u_px / pixel_mm) ** 2
        + (lean / profiler.lean_u_mm) ** 2,
        **_by_edges_alone(
            sideways / pixel_mm, math.sqrt(fit.covariance[3, 3]) / pixel_mm, profiler.sideways_u_px
        ),
    )


def _beside(agreement: FloatArray, crossings: Crossings, side: float) -> float:
    """Share of the outline near a side of it, -1 or 1, that has an edge agreeing with the fit."""
    near = side * crossings.beside > _NEAR_SIDE
    weights = crossings.length_px * near
    return float((agreement * weights).sum() / max(weights.sum(), 1e-9))


def _by_edges_alone(value_px: float, u_px: float, prior_u_px: float) -> dict[str, float]:
    """The estimate of the shift with what the outline says of it (0) taken out again."""
    weight = max(u_px**-2 - prior_u_px**-2, 1e-3 * u_px**-2)
    return {
        "sideways_px": value_px * u_px**-2 / weight,
        "sideways_u_px": 1.0 / math.sqrt(weight),
    }


def arc_beyond(profiler: Profiler, fit: EndFit, reach_px: float) -> float | None:
    """Distance to another arc beyond the fitted rim, px; None where there is none.

    It must show in half of the blocks, and in more of them than chance puts at any one
    distance (3 standard deviations of a binomial share).
    """
    plane, shape = profiler.plane, fit.shape
    drawing = draw(plane, shape, {Piece.RIM: _BLOCKS_LONG * _PROFILES_A_BLOCK})
    nearest = 2.5 * fit.sigma_px
    offsets = np.arange(-nearest, reach_px + _CLUTTER_PX, SAMPLE_PX)
    light = profiler.profiles(drawing, offsets, fit.pixel_mm)
    light = light.reshape(_BLOCKS_LONG, _PROFILES_A_BLOCK, -1)
    response, error = slopes_of_blocks(light, fit.sigma_px)
    edge = local_peaks(response) & (np.abs(response) > _SNR_LEAST * error)
    width = 2 * round(1.5 / SAMPLE_PX) + 1
    near = cv2.dilate(edge.astype(np.uint8), np.ones((1, width), np.uint8)) > 0
    share = near.mean(axis=0)
    beyond = (offsets >= nearest) & (offsets <= reach_px)
    if not beyond.any():  # nothing lies between a wide edge and the reach
        return None
    chance = float(share[beyond].mean())
    least = max(0.5, chance + 3.0 * math.sqrt(chance * (1.0 - chance) / _BLOCKS_LONG))
    middle = cv2.blur(share[None, :], (width, 1))[0]  # of equal shares the middle one
    best = int(np.argmax(np.where(beyond & (share >= least), share + middle, 0.0)))
    return float(offsets[best]) if share[best] >= least else None


def chamfer_edges(profiler: Profiler, fit: EndFit, from_mm: float, to_mm: float) -> FloatArray:
    """Lengths of chamfer at which a circle of the land's radius shows most, mm, best first.

    The share of the visible arc with an edge there counts, each block with its signal to
    noise up to a limit; at most `_CHAMFER_EDGES`, none that shows half as much as the first.
    """
    plane, shape = profiler.plane, fit.shape
    half = min(tangent_angle(plane, shape)[0], math.acos(plane.pose.radius_mm / plane.distance_mm))
    angle = _ARC_SHARE * half * np.linspace(-1.0, 1.0, _BLOCKS_LONG * _PROFILES_A_BLOCK)
    length = np.arange(from_mm, to_mm, SAMPLE_PX * fit.pixel_mm)
    axial = shape.face_mm[0] + length
    x, w = plane.circle(axial[None, :], plane.pose.radius_mm, angle[:, None])
    light = profiler.lines(x, w).reshape(_BLOCKS_LONG, _PROFILES_A_BLOCK, -1)
    response, error = slopes_of_blocks(light, fit.sigma_px)
    snr = np.minimum(np.abs(response) / error, _SNR_FULL)
    plain = np.where(local_peaks(response) & (snr >= _SNR_LEAST), snr, 0.0).sum(axis=0)
    total = cv2.GaussianBlur(plain[None, :], (0, 0), sigmaX=1.0 / SAMPLE_PX, sigmaY=1e-3)[0]
    reach = 2 * round(4.0 / SAMPLE_PX) + 1
    highest = cv2.dilate(total[None, :], np.ones((1, reach)))[0]
    peaks = np.flatnonzero((total == highest) & (total > 0.0))
    order = peaks[np.argsort(-total[peaks])][:_CHAMFER_EDGES]
    return np.asarray(length[order[total[order] > 0.5 * total[order].max(initial=0.0)]])


def moved(plane: AxisPlane, shape: EndShape, change: FloatArray) -> EndShape:
    """The shape with face, height and length changed by mm, kept to what is made.

    Height and length stay positive, and a chamfer is not steeper than `_STEEPEST`.
    """
    least = 1e-3 * plane.pose.radius_mm
    height = np.maximum(shape.height_mm + change[1], least)
    length = np.maximum(shape.length_mm + change[2], np.maximum(height / _STEEPEST, least))
    return replace(shape, face_mm=shape.face_mm + change[0], height_mm=height, length_mm=length)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    window_px: float
    sigmas_px: tuple[float, ...]


def _cross(
    profiler: Profiler,
    plane: AxisPlane,
    shape: EndShape,
    sideways_mm: float,
    pieces: tuple[Piece, ...],
    pixel_mm: float,
    search: _Search,
) -> Crossings:
    blocks, per_block = _blocks(plane, shape, pieces, pixel_mm)
    samples = {piece: blocks[piece] * per_block for piece in blocks}
    drawing, slopes = _with_slopes(plane, shape, samples)
    reach = search.window_px + 5.5 * max(search.sigmas_px) + _CLUTTER_PX
    steps = math.ceil(reach / SAMPLE_PX)
    offsets = np.arange(-steps, steps + 1, dtype=float) * SAMPLE_PX
    light = profiler.profiles(drawing, offsets, pixel_mm, sideways_mm)
    light = light.reshape(-1, per_block, offsets.size)
    best_found, best_sigma, best_merit = None, search.sigmas_px[0], -1.0
    for sigma in search.sigmas_px:
        found = _locate(light, offsets, sigma, search)
        merit = float((1.0 / (found[1] ** 2 + _SCATTER_USUAL_PX**2)).sum())
        if merit > _WIDER_IF * best_merit:
            best_found, best_sigma, best_merit = found, sigma, merit
    assert best_found is not None
    beside = drawing.w_mm[0].reshape(-1, per_block).mean(axis=1)
    return Crossings(
        offset_px=best_found[0],
        noise_px=best_found[1],
        width_px=best_found[2],
        length_px=drawing.length_mm[0].reshape(-1, per_block).sum(axis=1) / pixel_mm,
        piece=drawing.piece.reshape(-1, per_block)[:, 0],
        beside=beside / np.abs(drawing.w_mm[0]).max(),
        slopes=slopes.reshape(-1, per_block, 5).mean(axis=1) / pixel_mm,
        sigma_px=best_sigma,
    )


def _blocks(
    plane: AxisPlane, shape: EndShape, pieces: tuple[Piece, ...], pixel_mm: float
) -> tuple[dict[Piece, int], int]:
    """Number of blocks along (each side of) each piece, and of profiles in any block."""
    rough = draw(plane, shape, dict.fromkeys(pieces, 32))
    blocks = {}
    for piece in pieces:
        sides = 2 if piece in _TWO_SIDED else 1
        length = rough.length_mm[0][rough.piece == piece].sum() / pixel_mm / sides
        wanted = _BLOCKS_SHORT if sides == 2 else _BLOCKS_LONG
        if (count := int(min(wanted, length / _LEAST_BLOCK_PX))) >= 1:
            blocks[piece] = count
    return blocks, _PROFILES_A_BLOCK


def _with_slopes(
    plane: AxisPlane, shape: EndShape, samples: dict[Piece, int]
) -> tuple[Drawing, FloatArray]:
    """The drawn end, and how its curves move along their normals by each parameter, (m, 5)."""
    delta = 1e-5 * plane.pose.radius_mm
    steps = np.vstack([np.zeros(3), delta * np.eye(3)])
    drawn = draw(plane, moved(plane, shape, steps.T), samples)
    nx, nw = drawn.nx[0], drawn.nw[0]
    along = (drawn.x_mm[1:] - drawn.x_mm[0]) * nx + (drawn.w_mm[1:] - drawn.w_mm[0]) * nw
    leaning = draw(replace(plane, camera_mm=plane.camera_mm + delta), shape, samples)
    by_lean = (leaning.x_mm[0] - drawn.x_mm[0]) * nx + (leaning.w_mm[0] - drawn.w_mm[0]) * nw
    slopes = np.stack([*(along / delta), nw, by_lean / delta], axis=1)
    return drawn.first(), slopes


def _locate(
    light: NDArray[np.float32], offsets: FloatArray, sigma_px: float, search: _Search
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Steepest place of each block's mean profile.

    Parameters
    ----------
    light : ndarray, shape (b, p, n)
        Blocks of profiles.

    Returns
    -------
    offset_px, noise_px, width_px : ndarray, shape (b,)
    """
    blocks, _, count = light.shape
    response, error = slopes_of_blocks(light, sigma_px)
    inside = np.abs(offsets) <= search.window_px
    snr = np.minimum(np.abs(response) / error, _SNR_FULL) * local_peaks(response) * inside
    nearer = np.exp(-0.5 * (offsets / search.window_px) ** 2)  # of two equal edges the nearer one
    top = np.argmax(snr * nearer, axis=1)
    top = np.clip(top, 1, count - 2)
    rows = np.arange(blocks)
    sign = np.sign(response[rows, top])
    left, mid, right = (sign * response[rows, top + k] for k in (-1, 0, 1))
    bend = left - 2.0 * mid + right
    peaked = bend < 0.0
    shift = np.where(peaked, 0.5 * (left - right) / np.where(peaked, bend, -1.0), 0.0)
    # What slopes beyond the edge is clutter that also lies under the edge and shifts it.
    beyond = offsets[None, :] - offsets[top][:, None]
    beyond = (beyond > 2.5 * sigma_px) & (beyond < 2.5 * sigma_px + _CLUTTER_PX)
    clutter = (response**2 * beyond).sum(axis=1) / np.maximum(beyond.sum(axis=1), 1)
    total = np.sqrt(error[rows, top] ** 2 + clutter)
    whole = np.isfinite(light).all(axis=(1, 2))
    good = (mid > _SNR_LEAST * error[rows, top]) & whole & peaked & (np.abs(shift) <= 1.0)
    noise = np.where(good, sigma_px * total / np.maximum(mid, 1e-9), np.inf)
    # near its peak a slope is a Gaussian: its bend tells its width
    width = SAMPLE_PX * np.sqrt(np.where(peaked, mid / np.where(peaked, -bend, 1.0), 1.0))
    return offsets[top] + shift * SAMPLE_PX, noise, width


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Joined:
    change: FloatArray
    covariance: FloatArray
    agreement: FloatArray
    closeness: FloatArray
    scatter_px: float


def _join(
    crossings: Crossings, prior: tuple[tuple[int, float, float], ...], scatter_max_px: float
) -> _Joined:
    """Robust least squares for the change of (face, height, length, sideways, lean) in mm."""
    usable = np.isfinite(crossings.noise_px)
    noise = np.where(usable, crossings.noise_px, 1.0)
    a, y = crossings.slopes, np.where(usable, crossings.offset_px, 0.0)
    weight, scatter = usable.astype(float), scatter_max_px
    for _ in range(_REWEIGHTINGS):
        variance = noise**2 + scatter**2
        full = weight / variance
        normal = (a.T * full) @ a
        right = (a.T * full) @ y
        for index, value, sigma in prior:
            normal[index, index] += 1.0 / sigma**2
            right[index] += value / sigma**2
        normal[np.diag_indices(5)] += 1e-6  # 1 m: where nothing was found nothing moves
        change = np.linalg.solve(normal, right)
        residual = y - a @ change
        spread = _middle(np.abs(residual[usable]))
        scatter = float(np.clip(1.4826 * spread, _SCATTER_MIN_PX, scatter_max_px))
        weight = usable * _biweight(residual / np.sqrt(variance))
    return _Joined(
        change=np.asarray(change),
        covariance=np.asarray(np.linalg.inv(normal)),
        agreement=usable * _biweight(residual / _SCATTER_USUAL_PX),
        closeness=usable * _biweight(residual / _SCATTER_SHARP_PX),
        scatter_px=scatter,
    )


def _middle(values: FloatArray) -> float:
    """Upper median, 0 of nothing."""
    half = values.size // 2
    return float(np.partition(values, half)[half]) if values.size else 0.0


def _biweight(ratio: FloatArray) -> FloatArray:
    return np.asarray(np.maximum(1.0 - (ratio / _TUKEY) ** 2, 0.0) ** 2)
