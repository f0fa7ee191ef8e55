"""Sub-pixel place of a cylinder's silhouette, where metal meets whatever lies behind it.

The light of the ground behind is taken as straight in the offset, that of the metal as a
polynomial of its own; both, joined at the edge and blurred by the photo, are fitted to the mean
profiles of short lengths of the silhouette. Where metal and ground are equally bright the edge
still shows as a bend. (Next to its silhouette a surface turns fastest, by the root of the depth;
a model in that root follows shades inside the metal as well, and puts the edge there.)
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from calib.camera import FloatArray
from calib.lens import LensCalibration

SPACING_PX = 0.5  # of the samples across the edge
SEGMENT_PX = 60  # length of one mean profile: longer than the streaks are apart
_BLURS_PX = (
    0.6,
    0.75,
    0.9,
    1.05,
    1.25,
    1.5,
    1.75,
    2.1,
    2.5,
    3.0,
)  # of a photo that is fit to be measured
_FINE = 4  # samples of the model in one of the profile
_TILT_PX = np.arange(-3.0, 3.01, 0.125)  # ends of the line against its middle
_BOWS = np.arange(-2.0, 2.01, 1.0)  # middle against the ends, in standard uncertainties of it
_CAP = 25.0  # a segment that disagrees by more than 5 standard deviations is not believed
_AGREE_PX = 1.0  # a place off the common line by more is another edge
_CONTRADICTS = 9.0  # three standard deviations
_MIN_U_PX = 0.05  # of any edge: pixels, JPEG and demosaicing (common practice)


@dataclass(frozen=True, slots=True, kw_only=True)
class Window:
    """How much of the profile is explained, and by how flexible a model.

    Parameters
    ----------
    inside_px, outside_px : float
        Reach of the profile either way.
    degree : int
        Highest power of the depth inside.
    search_px : (float, float)
        Offsets at which the edge is sought.
    step_px : float
        Spacing of these.
    """

    inside_px: float
    outside_px: float
    degree: int
    search_px: tuple[float, float]
    step_px: float = 0.25

    @property
    def offsets_px(self) -> FloatArray:
        """Offsets of the profile's samples."""
        low = math.floor(self.inside_px / SPACING_PX)
        high = math.floor(self.outside_px / SPACING_PX)
        return np.arange(-low, high + 1, dtype=float) * SPACING_PX

    @property
    def edges_px(self) -> FloatArray:
        """Offsets at which the edge is tried."""
        count = round((self.search_px[1] - self.search_px[0]) / self.step_px)
        return self.search_px[0] + np.arange(count + 1, dtype=float) * self.step_px


@dataclass(frozen=True, slots=True, kw_only=True)
class Prior:
    """What is known of a side before it is fitted.

    Parameters
    ----------
    tilt_px : float
        Its expected offset at the ends of the baseline against the middle, and
    tilt_u_px : float
        the standard uncertainty of that.
    bow_u_px : float
        Standard uncertainty of its middle against its ends: 0 where the lens is known.
    """

    tilt_px: float = 0.0
    tilt_u_px: float = 3.0
    bow_u_px: float = 1.0


_UNKNOWN = Prior()
_LEAST_BOW_PX = 0.1  # of a picture whose lens is known


def prior_of(lens: LensCalibration) -> Prior:
    """How far a straight side may seem bent through a lens, for lack of knowledge of it.

    A line at a quarter of the half frame from its centre, over half the frame's length: radial
    distortion k1 r^2 lifts its middle against its ends by k1 d h^2 (normalised), own derivation.
    """
    camera = lens.camera
    half = max(camera.width_px, camera.height_px) / 2.0 / camera.fx_px
    bow_px = camera.fx_px * math.sqrt(lens.covariance[4, 4]) * half**3 / 16.0
    return Prior(bow_u_px=math.hypot(_LEAST_BOW_PX, bow_px))


@cache
def _bases(window: Window) -> FloatArray:
    """Orthonormal bases of the model, shape (blurs, edges, parameters, samples)."""
    spacing = SPACING_PX / _FINE
    reach = round(4.0 * _BLURS_PX[-1] / spacing)
    offsets = window.offsets_px
    x = offsets[0] + np.arange(-reach, (len(offsets) - 1) * _FINE + reach + 1) * spacing
    away = x[None, :] - window.edges_px[:, None]
    inside = np.clip(0.5 - away / spacing, 0.0, 1.0)  # share of a fine sample that is metal
    depth = np.maximum(-away, 0.0) / window.inside_px
    columns = [inside * depth**k for k in range(window.degree + 1)]
    columns += [(away / window.outside_px) ** k for k in range(2)]
    sharp = np.stack(columns, axis=-1)  # edges, fine samples, parameters
    flat = np.swapaxes(sharp, 0, 1).reshape(x.size, -1)
    away = np.abs(x - offsets[:, None])
    bases = []
    for blur in _BLURS_PX:
        taps = np.where(away < 4.0 * blur + spacing / 2.0, np.exp(-0.5 * (away / blur) ** 2), 0.0)
        taps /= taps.sum(axis=1, keepdims=True)
        soft = (taps @ flat).reshape(len(offsets), *sharp.shape[::2])
        bases.append(np.transpose(np.linalg.qr(np.swapaxes(soft, 0, 1))[0], (0, 2, 1)))
    return np.stack(bases)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SilhouetteFit:
    """A silhouette beside a baseline: o = offset + tilt t + bow (1 - t^2), t from -1 to 1.

    Parameters
    ----------
    u_px : float
        Standard uncertainty of the mean offset.
    blur_px : float
        Blur of the photo that fits best.
    agree : ndarray of bool, shape (segments,)
        Segments that bear the common line out.
    """

    offset_px: float
    tilt_px: float
    bow_px: float
    u_px: float
    blur_px: float
    agree: NDArray[np.bool_]

    @property
    def middle_px(self) -> float:
        """Mean offset."""
        return self.offset_px + 2.0 / 3.0 * self.bow_px

    def at(self, t: FloatArray) -> FloatArray:
        """Offset at relative positions t along the segments."""
        return np.asarray(self.offset_px + self.tilt_px * t + self.bow_px * (1.0 - t * t))


def mean_profiles(values: NDArray[np.float32]) -> tuple[FloatArray, FloatArray]:
    """Mean profiles of segments of a strip and their noise variance.

    Parameters
    ----------
    values : ndarray, shape (offsets, positions)
        Strip beside the silhouette, NaN outside the photo.

    Returns
    -------
    profiles : ndarray, shape (offsets, segments)
        NaN for a segment that is not whole.
    variance : ndarray, shape (segments,)
        Of a profile's samples.
    """
    count = max(1, values.shape[1] // SEGMENT_PX)
    length = values.shape[1] // count
    cells = np.ascontiguousarray(values[:, : count * length]).reshape(-1, length)
    weights = np.full(length, 1.0 / length, np.float32)
    mean = cells @ weights
    square = np.einsum("ij,ij->i", cells - mean[:, None], cells - mean[:, None]) / length
    shape = (values.shape[0], count)
    variance = square.reshape(shape).mean(axis=0) / length
    return mean.reshape(shape).astype(float), np.maximum(variance.astype(float), 1e-10)


def fit_silhouette(
    profiles: FloatArray,
    variance: FloatArray,
    window: Window,
    prior: Prior = _UNKNOWN,
    most_blur_px: float = math.inf,
) -> SilhouetteFit | None:
    """Fit the edge to all segments at once.

    Parameters
    ----------
    profiles : ndarray, shape (samples of the window, segments)
    variance : ndarray, shape (segments,)
    window : Window
    prior : Prior
    most_blur_px : float
        No softer edge is believed; a reflection is soft where the outline is sharp.

    Returns
    -------
    SilhouetteFit or None
        None where no segment is whole.
    """
    whole = np.isfinite(profiles).all(axis=0) & np.isfinite(variance)
    if not whole.any():
        return None
    usable = [b <= max(most_blur_px, _BLURS_PX[0]) for b in _BLURS_PX]
    bases = _bases(window)[usable]
    squares, _ = _costs(profiles[:, whole], variance[whole], bases)
    blur = int(squares.min(axis=1).sum(axis=1).argmin())
    free = bases.shape[3] - bases.shape[2] - 1
    cost = squares[blur]  # edges, segments
    scale = np.maximum(cost.min(axis=0) / free, 1.0)
    drop = np.minimum((cost - cost.min(axis=0)) / scale, _CAP)
    t = np.linspace(-1.0, 1.0, whole.size)[whole] if whole.size > 1 else np.zeros(1)
    offset, tilt, bow, u_px = _common_line(drop, t, window, prior)
    place = offset + tilt * t + bow * (1.0 - t * t)
    near = np.abs(window.edges_px[:, None] - place) <= _AGREE_PX
    agree = np.zeros(whole.size, dtype=bool)
    agree[whole] = np.where(near, drop, _CAP).min(axis=0) < _CONTRADICTS
    return SilhouetteFit(
        offset_px=offset,
        tilt_px=tilt,
        bow_px=bow,
        u_px=u_px,
        blur_px=_BLURS_PX[blur],
        agree=agree,
    )


def borne_out(
    profiles: FloatArray, variance: FloatArray, window: Window, within_px: float
) -> NDArray[np.bool_]:
    """Which segments show an edge within `within_px` of 0, and none plainer elsewhere.

    Parameters
    ----------
    profiles : ndarray, shape (samples of the window, segments)
    variance : ndarray, shape (segments,)

    Returns
    -------
    ndarray of bool, shape (segments,)
        False also for a segment that is not whole.
    """
    whole = np.isfinite(profiles).all(axis=0) & np.isfinite(variance)
    near = np.abs(window.edges_px) <= within_px
    good = np.zeros(whole.size, dtype=bool)
    if whole.any():
        cost, scale = _costs(profiles[:, whole], variance[whole], _bases(window))
        least = cost.min(axis=0)  # over the blurs: shape (edges, segments)
        here = least[near].min(axis=0)
        smooth = np.vander(np.linspace(-1.0, 1.0, len(profiles)), 4)  # as many freedoms as metal
        left, _ = _costs(profiles[:, whole], variance[whole], np.linalg.qr(smooth)[0].T[None, None])
        elsewhere = (here - least.min(axis=0)) / scale
        gained = (left[0, 0] - here) / scale
        good[whole] = (elsewhere < _CONTRADICTS) & (gained > _CONTRADICTS)
    return good


def _costs(
    profiles: FloatArray, variance: FloatArray, bases: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Squares of what the model leaves, shape (blurs, edges, segments), and their scale."""
    scaled = profiles / np.sqrt(variance)
    blurs, edges, parameters, samples = bases.shape
    explained = (bases.reshape(-1, samples) @ scaled).reshape(blurs, edges, parameters, -1)
    squares = np.maximum((scaled**2).sum(axis=0) - (explained**2).sum(axis=2), 0.0)
    free = samples - parameters - 1
    return squares, np.maximum(squares.min(axis=(0, 1)) / free, 1.0)


def sums_along_lines(costs: FloatArray, shift: NDArray[np.intp]) -> FloatArray:
    """Sum of the segments' costs along lines that run across their places.

    Parameters
    ----------
    costs : ndarray, shape (places, segments)
    shift : ndarray of int, shape (lines, segments)
        By how many places each line is off its middle there; beyond the last place its cost
        holds.

    Returns
    -------
    ndarray, shape (lines, places)
    """
    far = int(np.abs(shift).max(initial=0))
    padded = np.pad(costs.T, ((0, 0), (far, far)), mode="edge")
    shifted = np.lib.stride_tricks.sliding_window_view(padded, len(costs), axis=1)
    total = np.zeros((len(shift), len(costs)))
    for segment, offset in zip(shifted, (shift + far).T, strict=True):
        total += segment[offset]
    return total


def _common_line(
    drop: FloatArray, t: FloatArray, window: Window, prior: Prior
) -> tuple[float, float, float, float]:
    """Offset, tilt and bow with the least total cost, and the offset's uncertainty."""
    edges = window.edges_px
    tilt, bow = (g.ravel() for g in np.meshgrid(_TILT_PX, prior.bow_u_px * _BOWS, indexing="ij"))
    if len(t) < 4:
        tilt, bow = np.zeros(1), np.zeros(1)
    shift = np.rint((tilt[:, None] * t + bow[:, None] * (1.0 - t * t)) / window.step_px).astype(int)
    total = sums_along_lines(drop, shift)
    total += (((tilt - prior.tilt_px) / prior.tilt_u_px) ** 2 + (bow / prior.bow_u_px) ** 2)[
        :, None
    ]
    shape = int(total.min(axis=1).argmin())
    curve = total[shape]
    edge = int(np.clip(curve.argmin(), 1, len(edges) - 2))
    before, here, after = curve[edge - 1 : edge + 2]
    bend = max(before - 2.0 * here + after, 1e-9)
    offset = edges[edge] + window.step_px * float(np.clip(0.5 * (before - after) / bend, -1.0, 1.0))
    near = edges[curve <= curve.min() + 1.0]
    flat = (edges[-1] - edges[0]) / math.sqrt(12.0)  # nothing known but the range searched
    u_px = max(window.step_px / math.sqrt(bend / 2.0), float(np.ptp(near)) / 2.0, _MIN_U_PX)
    u_px = min(u_px, float(flat))
    return float(offset), float(tilt[shape]), float(bow[shape]), float(u_px)
