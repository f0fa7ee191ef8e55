"""Search of an unrolled surface for rings that differ from the ground metal beside them.

A polished band shows at its two edges the same change of appearance, once each way: darker
at one angle, brighter at another, calmer in texture throughout. Ground metal has streaks
round the shaft that also change the appearance from column to column, but in the few ways
in which a streak can. So each boundary between columns is described by a vector (the step of
log brightness in every row, and of texture in groups of rows), the ordinary variation of these
vectors is estimated robustly and whitened away, and an interval scores by how well the step at
one end is the opposite of the step at the other.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from bandscan.band_split import parts
from bandscan.model import Strip
from calib.camera import FloatArray

MIN_WIDTH_MM = 0.5  # narrowest band sought; lips leave 0.6 mm and more
MAX_WIDTH_MM = 9.0  # widest band sought
_SEARCH_PX_PER_MM = 12.0  # seven columns on the narrowest band; finer ones only cost time
_WINDOW_MM = 0.4  # averaged on either side of an edge: less than the narrowest band
_TEXTURE_WINDOW_MM = 0.6
_GAP_MM = 0.1  # left out at the edge itself, which is soft
_DARK_LEVEL = 0.01  # linear light below which noise, not metal, makes the logarithm
_SOFT_MM = 0.25  # of a soft edge that is kept out of the texture inside
_FEWEST_TEXTURE_COLUMNS = 4
_TEXTURE_GROUP = 4  # rows whose texture is averaged
_SHRINKAGE = 0.2  # share of the identity in the correlation of the steps
_USUAL_SHARE = 0.7  # of the columns taken to be ordinary ground metal
_AROUND_MM = 20.0  # on either side, of which more than half is ground metal
_LOCAL_MM = 6.0  # half range over which the ordinary variation is levelled
_STEP_CAP = 8.0  # robust limits in standard deviations: one row never decides
_PAIR_CAP = 6.0
_PEAK_RADIUS_MM = 0.3
_MOST_PEAKS = 60  # more than any shaft shows; keeps a noisy strip from taking long
# What a candidate must reach: its score (robust standard deviations over all intervals of one
# width on the same strip) times the likeness of its two edges over the texture inside. Ground
# metal, rust and stains reach 12 among some 10^5 chance pairs; weak bands begin at 15.
_LEAST_MERIT = 13.5
_LEAST_SCORE = 12.0
_MOST_TEXTURE = 1.05  # a polished band is not rougher than what lies beside it
_UNKNOWN_TEXTURE = 2.0  # a narrow interval must stand out twice as much to make up for it
# Of a narrow interval its soft edges leave little; what they add makes it look rougher, so what is
# plainly calm is believed. Ray-cast scenes: bands 0.35 to 0.7, 0.84 and more for all but a few
# intervals of ground metal.
_LEAST_GAP, _NARROW_CALM = 2, 0.6
_LEAST_DEPARTURE = 0.7  # a band may lie beside odd metal; a gap between bands is below 0.5
_GAP_DEPARTURE, _GAP_LIKENESS = 0.3, 0.6  # as usual metal, and with both its edges
# What is so much calmer than the metal beside it is no gap, which is rougher than the bands beside
# it: where bands take most of a stretch they look like its usual metal.
_PLAINLY_CALM = 0.8
# Of a band as it is told to be just found: its width, and its texture over that beside it.
USUAL_WIDTH_MM, _USUAL_CALM = 2.0, 0.8
_LOBES = (1.5, 3.0, 5.0)  # of light and dark over the rows; what a room shows, common practice
# The search alone would be content with some 0.08; what a band must show round the turn to be told
# from streaks and stains asks for more. Contrast at which half are found, by that of the search:
# logistic curve over 354 bands of 210 ray-cast scenes; see tests/studies/README.md for others.
_HALF_FOUND, _HALF_FOUND_POWER = 0.60, 0.28
_APART_MM = 0.25  # bands nearer to each other than this could not be told from one
_LEAST_SQUARENESS = 0.5  # half-way between a ring and a patch whose outline wanders
# A patch has edges that are less alike and less sudden, and is hardly calmer than the metal beside
# it. Likeness times squareness over texture, common practice, no published source: on rendered
# photos 0.36 to 0.49 for stains that pass for bands else, 0.58 and more for bands.
_LEAST_RING = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """An interval whose two ends mirror each other.

    Parameters
    ----------
    start_mm, end_mm : float
        Its ends.
    columns : (int, int)
        First column and the one after the last, of the strip that was searched.
    score : float
        Likeness of the two steps in robust standard deviations of chance pairs.
    likeness : float
        Correlation of the two (whitened) steps, -1 to 1.
    texture : float
        Texture inside over texture beside it, median over the rows: below 1 is calmer; NaN where
        the interval is too narrow to tell.
    squareness : float
        Share of the difference between inside and beside that comes at the two edges at once:
        1 for a ring round the shaft, less for a patch with an outline of its own.
    departure : float
        How far the inside departs from the usual metal around, over how far the metal beside
        does (on the side where it is less): below 1 for ground metal left between two bands.
    """

    start_mm: float
    end_mm: float
    columns: tuple[int, int]
    score: float
    likeness: float
    texture: float
    squareness: float
    departure: float

    @property
    def merit(self) -> float:
        """Score, likeness of the edges and calm inside, in one figure."""
        texture = _UNKNOWN_TEXTURE if math.isnan(self.texture) else max(self.texture, 0.1)
        return self.score * self.likeness / texture

    @property
    def ring(self) -> float:
        """How much it is a ring rather than a patch."""
        texture = 1.0 if math.isnan(self.texture) else max(self.texture, 0.1)
        return self.likeness * self.squareness / texture

    @property
    def stands_out(self) -> bool:
        """Whether it can be a polished band."""
        return (
            self.merit >= _LEAST_MERIT
            and not self.texture > _MOST_TEXTURE
            and self.squareness >= _LEAST_SQUARENESS
            and self.ring >= _LEAST_RING
            and (self.departure >= _LEAST_DEPARTURE or self.texture < _PLAINLY_CALM)
        )

    @property
    def is_gap(self) -> bool:
        """Whether it is ground metal left between two bands, plainly."""
        return (
            self.departure < _GAP_DEPARTURE
            and self.likeness > _GAP_LIKENESS
            and not self.texture < _PLAINLY_CALM
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Search:
    """What a search gave.

    Parameters
    ----------
    candidates : tuple of Candidate
        Intervals that do not touch, chosen to make the sum of merits greatest; in order along
        the shaft.
    least_contrast : float or None
        Rms contrast over the turn (relative change of light from beside a band to inside it) at
        which half of the bands 2 mm wide are found on this strip; None where nothing was searched.
    """

    candidates: tuple[Candidate, ...] = ()
    least_contrast: float | None = None


def search(strip: Strip, *, land_mm: tuple[float, float]) -> Search:
    """Find the intervals of a strip that stand out from the ground metal and are calmer.

    Parameters
    ----------
    strip : Strip
        Unrolled surface.
    land_mm : (float, float)
        Range of axial positions in which to look.

    Returns
    -------
    Search
    """
    whole, pool, strip = strip, _pool(strip), _pooled(strip)
    px_per_mm = 1.0 / (strip.axial_mm[1] - strip.axial_mm[0])
    boundary_mm = np.append(strip.axial_mm, strip.axial_mm[-1] + 1.0 / px_per_mm) - 0.5 / px_per_mm
    logs = _logs(strip)
    ripple, fine_ripple = _Ripple.of(strip), _Ripple.of(whole)
    steps, usable = _step_vectors(logs, strip, px_per_mm)
    margin = _WINDOW_MM + _GAP_MM
    usable &= (boundary_mm > land_mm[0] + margin) & (boundary_mm < land_mm[1] - margin)
    if usable.sum() < 3.0 * MIN_WIDTH_MM * px_per_mm + steps.shape[0]:
        return Search()
    whitening = _Whitening.of(steps, usable)
    whitened = _level(whitening.apply(steps), usable, px_per_mm)
    pairs = _pair_scores(whitened, usable, px_per_mm)
    spread = 1.4826 * np.median(np.abs(steps[: logs.shape[0], usable]), axis=1) + 1e-9
    scaled = logs / spread[:, None]
    candidates = []
    for row, start in _peaks(pairs.scores, _columns(_PEAK_RADIUS_MM, px_per_mm, 2)):
        end = start + pairs.first + row
        if not np.isfinite(strip.values[:, start:end]).all():
            continue
        squareness, departure = _shape(scaled, usable, (start, end), px_per_mm)
        texture = ripple.texture(start, end)
        if math.isnan(texture):
            texture = fine_ripple.texture_of_narrow(pool * start, pool * end)
        candidates.append(
            Candidate(
                start_mm=float(boundary_mm[start]),
                end_mm=float(boundary_mm[end]),
                columns=(start, end),
                score=float(pairs.scores[row, start]),
                likeness=float(pairs.likeness[row, start]),
                texture=texture,
                squareness=squareness,
                departure=departure,
            )
        )
    gaps = [candidate for candidate in candidates if candidate.is_gap]
    bands = [
        candidate
        for candidate in candidates
        if candidate.stands_out and not any(_lies_within(gap, candidate) for gap in gaps)
    ]
    least = pairs.least_energy(_columns(USUAL_WIDTH_MM, px_per_mm, 1))
    return Search(
        candidates=tuple(
            replace(one, start_mm=float(boundary_mm[start]), end_mm=float(boundary_mm[end]))
            for one in _best_disjoint(bands)
            for start, end in parts(scaled, one.columns, px_per_mm, MIN_WIDTH_MM)
        ),
        least_contrast=_HALF_FOUND
        * math.sqrt(least / whitening.energy_per_contrast(logs.shape[0])) ** _HALF_FOUND_POWER,
    )


def _lies_within(gap: Candidate, candidate: Candidate) -> bool:
    """Whether metal lies on either side of a gap that belongs to the candidate."""
    return (
        candidate.start_mm + MIN_WIDTH_MM < gap.start_mm
        and gap.end_mm < candidate.end_mm - MIN_WIDTH_MM
    )


def _logs(strip: Strip) -> FloatArray:
    return np.asarray(np.log(np.maximum(np.nan_to_num(strip.values), 0.0) + _DARK_LEVEL))


def _pool(strip: Strip) -> int:
    """Columns that are averaged for the search."""
    return max(1, int(1.0 / (strip.axial_mm[1] - strip.axial_mm[0]) / _SEARCH_PX_PER_MM))


def _pooled(strip: Strip) -> Strip:
    """The strip with neighbouring columns averaged down to what the search needs."""
    pool = _pool(strip)
    if pool < 2:
        return strip
    count = strip.axial_mm.size // pool
    rows = strip.values.shape[0]
    return Strip(
        values=strip.values[:, : count * pool].reshape(rows, count, pool).mean(axis=2),
        axial_mm=strip.axial_mm[: count * pool].reshape(count, pool).mean(axis=1),
        angle_rad=strip.angle_rad,
    )


def _columns(length_mm: float, px_per_mm: float, least: int) -> int:
    return max(least, round(length_mm * px_per_mm))


def _step_vectors(
    logs: FloatArray, strip: Strip, px_per_mm: float
) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Steps of brightness and texture at every boundary, shape (features, columns + 1)."""
    ripple = np.abs(logs[:, 2:] - logs[:, :-2])
    floor = np.quantile(ripple, 0.25, axis=1, keepdims=True) + 1e-4
    texture = np.zeros_like(logs)
    texture[:, 1:-1] = ripple
    texture = np.log(texture + floor)
    texture = texture.reshape(-1, _TEXTURE_GROUP, texture.shape[1]).mean(axis=1)
    gap = _columns(_GAP_MM, px_per_mm, 1)
    steps = np.concatenate(
        [
            _window_steps(logs, _columns(_WINDOW_MM, px_per_mm, 3), gap),
            _window_steps(texture, _columns(_TEXTURE_WINDOW_MM, px_per_mm, 4), gap),
        ]
    )
    reach = _columns(_TEXTURE_WINDOW_MM, px_per_mm, 4) + gap
    hidden = np.cumsum(np.append(0, ~np.isfinite(strip.values).all(axis=0)))
    usable = np.zeros(steps.shape[1], dtype=bool)
    usable[reach:-reach] = hidden[2 * reach :] == hidden[: -2 * reach]
    return steps, usable


def _window_steps(values: FloatArray, window: int, gap: int) -> FloatArray:
    """Mean of the window right of each boundary minus that left of it; 0 near the ends."""
    total = np.zeros((values.shape[0], values.shape[1] + 1))
    np.cumsum(values, axis=1, out=total[:, 1:])
    at = np.arange(window + gap, values.shape[1] - window - gap + 1)
    steps = np.zeros_like(total)
    right = total[:, at + gap + window] - total[:, at + gap]
    left = total[:, at - gap] - total[:, at - gap - window]
    steps[:, at] = (right - left) / window
    return steps


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Whitening:
    """Scales and decorrelates steps so that those of ordinary ground metal have unit variance.

    Parameters
    ----------
    spread : ndarray, shape (features,)
        By which steps are divided, and then capped.
    inverse : ndarray, shape (features, features)
        By which they are multiplied then.
    """

    spread: FloatArray
    inverse: FloatArray

    @classmethod
    def of(cls, steps: FloatArray, usable: NDArray[np.bool_]) -> _Whitening:
        spread = 1.4826 * np.median(np.abs(steps[:, usable]), axis=1) + 1e-9
        scaled = np.clip(steps / spread[:, None], -_STEP_CAP, _STEP_CAP)
        energy = np.minimum(scaled**2, _PAIR_CAP).mean(axis=0)
        inverse = np.eye(len(spread))
        for _ in range(2):
            usual = usable & (energy <= np.quantile(energy[usable], _USUAL_SHARE))
            sample = np.clip(scaled[:, usual], -4.0, 4.0)
            covariance = sample @ sample.T / sample.shape[1]
            scale = np.sqrt(np.diag(covariance)) + 1e-9
            correlation = (1.0 - _SHRINKAGE) * covariance / np.outer(scale, scale)
            correlation += _SHRINKAGE * np.eye(len(scale))
            inverse = np.linalg.inv(np.linalg.cholesky(correlation)) / scale
            energy = np.minimum((inverse @ scaled) ** 2, 9.0).mean(axis=0)
        return cls(spread=spread, inverse=inverse / math.sqrt(float(np.median(energy[usable]))))

    def apply(self, steps: FloatArray) -> FloatArray:
        """Whitened steps, shape (features, columns + 1)."""
        capped = np.clip(steps / self.spread[:, None], -_STEP_CAP, _STEP_CAP)
        return np.asarray(self.inverse @ capped)

    def energy_per_contrast(self, rows: int) -> float:
        """Mean square of the whitened step of a band whose rms contrast is 1.

        The band is brighter and darker in some lobes over the rows; its calm is not counted.
        """
        turn = 2.0 * math.pi * np.arange(rows) / rows
        steps = np.zeros((len(self.spread), 2 * len(_LOBES)))
        steps[:rows] = np.stack(
            [math.sqrt(2.0) * wave(lobes * turn) for lobes in _LOBES for wave in (np.sin, np.cos)],
            axis=1,
        )
        return float(((self.inverse @ (steps / self.spread[:, None])) ** 2).mean())


def _level(whitened: FloatArray, usable: NDArray[np.bool_], px_per_mm: float) -> FloatArray:
    """Divide by the ordinary variation nearby, which differs along a shaft (light, rust)."""
    energy = np.where(usable, np.minimum(whitened**2, 9.0).mean(axis=0), np.nan)
    overall = np.nanmedian(energy)
    stride = max(1, int(px_per_mm / 4.0))
    half = int(_LOCAL_MM * px_per_mm / stride)
    sparse = np.pad(energy[::stride], half, constant_values=overall)
    sparse = np.where(np.isfinite(sparse), sparse, overall)
    local = np.median(sliding_window_view(sparse, 2 * half + 1), axis=1)
    level = np.interp(np.arange(energy.size), np.arange(local.size) * stride, local)
    return np.asarray(whitened / np.sqrt(np.maximum(level, 0.5 * overall)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Pairs:
    """Every interval: rows are widths from `first` columns on, columns are starts.

    Parameters
    ----------
    scores, likeness : ndarray, shape (widths, columns + 1)
    middle, spread : ndarray, shape (widths,)
        Of what chance pairs of steps share, from which scores are counted.
    """

    scores: FloatArray
    likeness: FloatArray
    first: int
    middle: FloatArray
    spread: FloatArray

    def least_energy(self, width: int) -> float:
        """Mean square of the whitened steps of a band so many columns wide that is just found.

        Chance adds 1 to the energy of its edges, against which they are alike.
        """
        row = min(max(width - self.first, 0), len(self.middle) - 1)
        middle, spread = float(self.middle[row]), float(self.spread[row])
        factor = _LEAST_MERIT * _USUAL_CALM * spread  # (m - middle) m = factor (m + 1)
        by_merit = 0.5 * (middle + factor + math.sqrt((middle + factor) ** 2 + 4.0 * factor))
        return max(by_merit, middle + _LEAST_SCORE * spread)


def _pair_scores(whitened: FloatArray, usable: NDArray[np.bool_], px_per_mm: float) -> _Pairs:
    capped = np.where(usable, np.clip(whitened, -_PAIR_CAP, _PAIR_CAP), 0.0).astype(np.float32)
    size = capped.shape[1]
    first = _columns(MIN_WIDTH_MM, px_per_mm, 4)
    last = min(_columns(MAX_WIDTH_MM, px_per_mm, 8), size - 2)
    mirrored = np.zeros((last - first + 1, size))
    for row, width in enumerate(range(first, last + 1)):
        pairs = np.einsum("ij,ij->j", capped[:, :-width], capped[:, width:])
        mirrored[row, : size - width] = -pairs / capped.shape[0]
    energy = np.einsum("ij,ij->j", capped, capped) / capped.shape[0]
    root = np.sqrt(energy)
    scores = np.zeros_like(mirrored)
    likeness = np.zeros_like(mirrored)
    middles, spreads = np.zeros(len(mirrored)), np.full(len(mirrored), np.inf)
    for row, width in enumerate(range(first, last + 1)):
        here = mirrored[row, : size - width]
        both = usable[: size - width] & usable[width:]
        if not both.any():
            continue
        sample = here[both][::2]  # neighbours are alike
        middles[row] = middle = np.median(sample)
        spreads[row] = spread = 1.4826 * np.median(np.abs(sample - middle)) + 1e-9
        scores[row, : size - width] = np.where(both, (here - middle) / spread, 0.0)
        product = root[: size - width] * root[width:] + 1e-9
        likeness[row, : size - width] = np.where(both, here / product, 0.0)
    return _Pairs(scores=scores, likeness=likeness, first=first, middle=middles, spread=spreads)


def _peaks(scores: FloatArray, radius: int) -> list[tuple[int, int]]:
    """Places (row, start) of the highest scores, none within `radius` of a higher one."""
    rest = scores.copy()
    peaks: list[tuple[int, int]] = []
    while len(peaks) < _MOST_PEAKS:
        row, start = (int(i) for i in np.unravel_index(int(np.argmax(rest)), rest.shape))
        if rest[row, start] < _LEAST_SCORE:
            break
        peaks.append((row, start))
        rows = slice(max(0, row - radius), row + radius + 1)
        rest[rows, max(0, start - radius) : start + radius + 1] = 0.0
    return peaks


def _best_disjoint(candidates: list[Candidate]) -> list[Candidate]:
    """Disjoint candidates with the greatest sum of merits (weighted interval scheduling)."""
    ordered = sorted(candidates, key=lambda candidate: candidate.end_mm)
    best: list[tuple[float, list[Candidate]]] = [(0.0, [])]
    for index, candidate in enumerate(ordered):
        before = index
        while before > 0 and ordered[before - 1].end_mm + _APART_MM > candidate.start_mm:
            before -= 1
        with_it = (best[before][0] + candidate.merit, [*best[before][1], candidate])
        best.append(max(best[index], with_it, key=lambda choice: choice[0]))
    return best[-1][1]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Ripple:
    """Difference of neighbouring columns, which polishing takes away.

    Parameters
    ----------
    size : ndarray, shape (rows, columns - 2)
        Column i stands for column i + 1 of the strip.
    seen : ndarray of bool, shape (columns - 2,)
    px_per_mm : float
    """

    size: FloatArray
    seen: NDArray[np.bool_]
    px_per_mm: float

    @classmethod
    def of(cls, strip: Strip) -> _Ripple:
        logs = _logs(strip)
        seen = np.asarray(np.isfinite(strip.values).all(axis=0))
        return cls(
            size=np.abs(logs[:, 2:] - logs[:, :-2]),
            seen=seen[2:] & seen[1:-1] & seen[:-2],
            px_per_mm=1.0 / (strip.axial_mm[1] - strip.axial_mm[0]),
        )

    def texture(self, start: int, end: int) -> float:
        """Ripple inside an interval over that within 3 mm beside it.

        NaN for an interval so narrow that its soft edges leave nothing between them.
        """
        return self._ratio(start, end, self._soft)

    def texture_of_narrow(self, start: int, end: int) -> float:
        """The same of a narrow one, its soft edges left out in part; NaN unless it is calm."""
        gap = min(self._soft, (end - start - _FEWEST_TEXTURE_COLUMNS) // 2)
        if gap < _LEAST_GAP:
            return math.nan
        ratio = self._ratio(start, end, gap)
        return ratio if ratio < _NARROW_CALM else math.nan

    @property
    def _soft(self) -> int:
        """Columns of a soft edge."""
        return _columns(_SOFT_MM, self.px_per_mm, 1) + 1

    def _ratio(self, start: int, end: int, gap: int) -> float:
        beside, soft = int(3.0 * self.px_per_mm), self._soft
        inside = self.size[:, start + gap - 1 : end - gap - 1]
        outside = np.concatenate(
            [
                self.size[:, low:high][:, self.seen[low:high]]
                for low, high in (
                    (max(0, start - beside), max(0, start - soft - 1)),
                    (end + soft, end + beside),
                )
            ],
            axis=1,
        )
        if min(inside.shape[1], outside.shape[1]) < _FEWEST_TEXTURE_COLUMNS:
            return math.nan
        ratio = (np.median(inside, axis=1) + 1e-6) / (np.median(outside, axis=1) + 1e-6)
        return float(np.median(ratio))


def _shape(
    scaled: FloatArray, usable: NDArray[np.bool_], interval: tuple[int, int], px_per_mm: float
) -> tuple[float, float]:
    """Squareness and departure of an interval, from log brightness in units of usual steps."""
    start, end = interval
    gap = _columns(_GAP_MM, px_per_mm, 1)
    window = _columns(_WINDOW_MM, px_per_mm, 3)

    def mean(low: int, high: int) -> FloatArray:
        return np.asarray(scaled[:, max(0, low) : max(high, low + 1)].mean(axis=1))

    inside = mean(start + gap, end - gap)
    before, after = mean(start - gap - window, start - gap), mean(end + gap, end + gap + window)
    at_start = mean(start + gap, start + gap + window) - before
    at_end = mean(end - gap - window, end - gap) - after
    shares = []
    for step, whole in ((at_start, inside - before), (at_end, inside - after)):
        all_of_it = np.clip(whole, -_PAIR_CAP, _PAIR_CAP)
        at_once = np.clip(step, -_PAIR_CAP, _PAIR_CAP)
        shares.append(float(all_of_it @ at_once / (all_of_it @ all_of_it + 1e-9)))
    around = int(_AROUND_MM * px_per_mm)
    columns = np.arange(max(0, start - around), min(usable.size - 1, end + around), 4)
    usual = np.median(scaled[:, columns[usable[columns]]], axis=1)
    away = np.clip(inside - usual, -_PAIR_CAP, _PAIR_CAP)
    sides = [np.clip(side - usual, -_PAIR_CAP, _PAIR_CAP) for side in (before, after)]
    nearest = min(float(side @ side) for side in sides)
    return min(shares), float(away @ away / (nearest + 1e-9))
