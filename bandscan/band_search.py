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
from numpy.typing import NDArray

from bandscan.band_split import parts
from bandscan.model import Strip
from bandscan.ripple import Ripple, columns_of, log_light
from bandscan.step_pairs import (
    GAP_MM,
    PAIR_CAP,
    WINDOW_MM,
    Whitening,
    level,
    pair_scores,
    step_vectors,
)
from calib.camera import FloatArray

MIN_WIDTH_MM = 0.5  # narrowest band sought; lips leave 0.6 mm and more
MAX_WIDTH_MM = 9.0  # widest band sought
_SEARCH_PX_PER_MM = 12.0  # seven columns on the narrowest band; finer ones only cost time
_AROUND_MM = 20.0  # on either side, of which more than half is ground metal
_PEAK_RADIUS_MM = 0.3
_MOST_PEAKS = 60  # more than any shaft shows; keeps a noisy strip from taking long
# What a candidate must reach: its score (robust standard deviations over all intervals of one
# width on the same strip) times the likeness of its two edges over the texture inside. Ground
# metal, rust and stains reach 12 among some 10^5 chance pairs; weak bands begin at 15.
_LEAST_MERIT = 13.5
_LEAST_SCORE = 12.0
_MOST_TEXTURE = 1.05  # a polished band is not rougher than what lies beside it
_UNKNOWN_TEXTURE = 2.0  # a narrow interval must stand out twice as much to make up for it
_LEAST_DEPARTURE = 0.7  # a band may lie beside odd metal; a gap between bands is below 0.5
_GAP_DEPARTURE, _GAP_LIKENESS = 0.3, 0.6  # as usual metal, and with both its edges
# What is so much calmer than the metal beside it is no gap, which is rougher than the bands beside
# it: where bands take most of a stretch they look like its usual metal.
_PLAINLY_CALM = 0.8
# Of a band as it is told to be just found: its width, and its texture over that beside it.
USUAL_WIDTH_MM, _USUAL_CALM = 2.0, 0.8
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
    logs = log_light(strip)
    ripple, fine_ripple = Ripple.of(strip), Ripple.of(whole)
    steps, usable = step_vectors(logs, strip, px_per_mm)
    margin = WINDOW_MM + GAP_MM
    usable &= (boundary_mm > land_mm[0] + margin) & (boundary_mm < land_mm[1] - margin)
    if usable.sum() < 3.0 * MIN_WIDTH_MM * px_per_mm + steps.shape[0]:
        return Search()
    whitening = Whitening.of(steps, usable)
    whitened = level(whitening.apply(steps), usable, px_per_mm)
    pairs = pair_scores(whitened, usable, px_per_mm, (MIN_WIDTH_MM, MAX_WIDTH_MM))
    spread = 1.4826 * np.median(np.abs(steps[: logs.shape[0], usable]), axis=1) + 1e-9
    scaled = logs / spread[:, None]
    candidates = []
    for row, start in _peaks(pairs.scores, columns_of(_PEAK_RADIUS_MM, px_per_mm, 2)):
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
    least = pairs.least_energy(
        columns_of(USUAL_WIDTH_MM, px_per_mm, 1), _LEAST_SCORE, _LEAST_MERIT * _USUAL_CALM
    )
    return Search(
        candidates=tuple(
            replace(one, start_mm=float(boundary_mm[start]), end_mm=float(boundary_mm[end]))
            for one in _best_disjoint(bands)
            for start, end in parts(scaled, one.columns, px_per_mm, MIN_WIDTH_MM, usable[:-1])
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


def _shape(
    scaled: FloatArray, usable: NDArray[np.bool_], interval: tuple[int, int], px_per_mm: float
) -> tuple[float, float]:
    """Squareness and departure of an interval, from log brightness in units of usual steps."""
    start, end = interval
    gap = columns_of(GAP_MM, px_per_mm, 1)
    window = columns_of(WINDOW_MM, px_per_mm, 3)

    def mean(low: int, high: int) -> FloatArray:
        return np.asarray(scaled[:, max(0, low) : max(high, low + 1)].mean(axis=1))

    inside = mean(start + gap, end - gap)
    before, after = mean(start - gap - window, start - gap), mean(end + gap, end + gap + window)
    at_start = mean(start + gap, start + gap + window) - before
    at_end = mean(end - gap - window, end - gap) - after
    shares = []
    for step, whole in ((at_start, inside - before), (at_end, inside - after)):
        all_of_it = np.clip(whole, -PAIR_CAP, PAIR_CAP)
        at_once = np.clip(step, -PAIR_CAP, PAIR_CAP)
        shares.append(float(all_of_it @ at_once / (all_of_it @ all_of_it + 1e-9)))
    around = int(_AROUND_MM * px_per_mm)
    columns = np.arange(max(0, start - around), min(usable.size - 1, end + around), 4)
    usual = np.median(scaled[:, columns[usable[columns]]], axis=1)
    away = np.clip(inside - usual, -PAIR_CAP, PAIR_CAP)
    sides = [np.clip(side - usual, -PAIR_CAP, PAIR_CAP) for side in (before, after)]
    nearest = min(float(side @ side) for side in sides)
    return min(shares), float(away @ away / (nearest + 1e-9))
