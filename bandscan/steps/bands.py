"""From the unrolled surface to polished bands: search, sort out, place both edges."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from bandscan.band_search import Candidate, search
from bandscan.model import BandEdge, BandReading, BandReadings, Strip
from bandscan.soft_step import TEN_TO_NINETY, StepFit, fit_step
from calib.camera import FloatArray

# Metal used on either side of an edge to fix its two levels.
_REACH_MM = 1.0
_REACH_SHARE = 0.6
_NOTCH_MARGIN_MM = 0.6  # a groove's rounded or shaded rims reach so far on either side
# A lip leaves a transition of some tenths of a millimetre; a heat tint fades over millimetres.
_MAX_EDGE_WIDTH_MM = 1.2
# Each edge of a ring shows in more rows than one streak joins (six), and both together in more
# than two streaks and a patch's outline do.
_LEAST_TELLING_ROWS, _LEAST_OF_BOTH = 7, 16
# Of the rows that show an edge, so many show both, once each way: 13 % at the least on bands of
# rendered photos. Two outlines of different patches seldom share rows.
_SHARED_ROWS = 0.10
# Stains of rendered photos show on up to 33 % of the rows, or in one piece of less than half of
# them (0.27 to 0.44; bands from 0.58 on), and only darken. So may a faint band: what is darker
# alone on so little of the turn is not called one.
_PART_OF_TURN, _PIECE_OF_TURN, _TELLING = 0.34, 0.5, 3.0
_TAILS = 0.1  # of the rows that show, at either end of the piece: chance
# The outline of a stain wanders from row to row, the edge of a band does not: scatter of the rows'
# own edges over the width of the common one, geometric mean of both edges. Common practice, no
# published source: 0.3 to 1.1 on bands of rendered photos, 2 to 5 on most patches. Edges that
# are straight may show here and there alone: 3 of 9 ray-cast bands that were lost, and no stain.
_MOST_RAGGED, _STRAIGHT = 1.3, 0.7
_DARK_LEVEL = 0.003  # linear light below which noise, not metal, makes the logarithm
_BESIDE_MM = (0.3, 1.0)  # from an edge, where the metal beside is looked at
# Bands of rendered photos are darker by 1.45 at most in the median of the angles, and brighter by
# 1.1 or more at some. What is darker by twice as much is no polish, whatever it mirrors somewhere.
_SHADE, _BRIGHTER, _DEEP_SHADE = math.log(1.65), math.log(1.05), 2.0 * math.log(1.45)
# The wall of a groove shows as a line darker than the metal on either side of it, at all angles:
# by 0.6 to 1.4 of the logarithm on rendered photos, edges of bands by 0.08 at most.
_WALL = 0.3
_WALL_AT_MM, _BESIDE_WALL_MM = 0.25, (0.3, 0.9)  # from the edge
_LEAST_WIDTH_MM = 0.5  # lips leave 0.6 mm and more
_MOST_U_SHARE = 0.3  # of the width: edges that uncertain are no edges
_BLUR_COLUMNS = 0.7  # standard deviation of lens, mosaic and sampling together, in pixels
_ONE_SIDED = 0.7  # share of telling rows that must agree to call a band brighter or darker


def find_bands(
    strip: Strip,
    *,
    land_mm: tuple[float, float],
    notches_mm: Sequence[tuple[float, float]],
    arc_rad: tuple[float, float],
) -> BandReadings:
    """Find the polished bands of a strip.

    Parameters
    ----------
    strip : Strip
        Unrolled surface.
    land_mm : (float, float)
        Axial range of the ground land, chamfer and shoulder excluded.
    notches_mm : sequence of (float, float)
        Axial ranges where the outline is cut in: grooves, which are not bands.
    arc_rad : (float, float)
        Arc over which positions are averaged.

    Returns
    -------
    BandReadings
    """
    masked = _without(strip, notches_mm)
    ordinary = _in_land(masked, land_mm)
    searched = search(masked, land_mm=land_mm)
    accepted = searched.candidates
    for candidate in accepted:
        ordinary &= _outside(strip, candidate.start_mm, candidate.end_mm)
    readings = []
    for index, candidate in enumerate(accepted):
        before = accepted[index - 1].end_mm if index > 0 else land_mm[0]
        after = accepted[index + 1].start_mm if index + 1 < len(accepted) else land_mm[1]
        reading = _read_band(masked, candidate, (before, after), arc_rad, ordinary)
        if reading is not None:
            readings.append(reading)
    return BandReadings(bands=tuple(readings), least_contrast=searched.least_contrast)


def _without(strip: Strip, notches_mm: Sequence[tuple[float, float]]) -> Strip:
    values = strip.values.copy()
    for start, end in notches_mm:
        inside = ~_outside(strip, start, end)
        values[:, inside] = np.nan
    return Strip(values=values, axial_mm=strip.axial_mm, angle_rad=strip.angle_rad)


def _outside(strip: Strip, start_mm: float, end_mm: float) -> NDArray[np.bool_]:
    margin = _NOTCH_MARGIN_MM
    return (strip.axial_mm < start_mm - margin) | (strip.axial_mm > end_mm + margin)


def _in_land(strip: Strip, land_mm: tuple[float, float]) -> NDArray[np.bool_]:
    inside = (strip.axial_mm > land_mm[0]) & (strip.axial_mm < land_mm[1])
    return np.asarray(inside & np.isfinite(strip.values).all(axis=0))


def _read_band(
    strip: Strip,
    candidate: Candidate,
    neighbours_mm: tuple[float, float],
    arc_rad: tuple[float, float],
    ordinary: NDArray[np.bool_],
) -> BandReading | None:
    inner = min(_REACH_MM, _REACH_SHARE * (candidate.end_mm - candidate.start_mm))
    before = min(_REACH_MM, _REACH_SHARE * (candidate.start_mm - neighbours_mm[0]))
    after = min(_REACH_MM, _REACH_SHARE * (neighbours_mm[1] - candidate.end_mm))
    start = fit_step(
        strip, candidate.start_mm, left_mm=before, right_mm=inner, arc_rad=arc_rad,
        ordinary=ordinary,
    )  # fmt: skip
    end = fit_step(
        strip, candidate.end_mm, left_mm=inner, right_mm=after, arc_rad=arc_rad,
        ordinary=ordinary,
    )  # fmt: skip
    if start is None or end is None:
        return None
    if (
        _is_patch(start, end)
        or _is_ragged(start, end)
        or _in_shade(strip, start.position_mm, end.position_mm)
        or _has_wall(strip, start.position_mm, end.position_mm)
    ):
        return None
    edges = _edge(start, strip), _edge(end, strip)
    if not _is_ring((start, end)) or max(edge.width_mm for edge in edges) > _MAX_EDGE_WIDTH_MM:
        return None
    return BandReading(
        start=edges[0], end=edges[1], looks=_looks(start, end), strength=candidate.score
    )


def _is_patch(start: StepFit, end: StepFit) -> bool:
    """Whether it shows as a stain does: darker alone, and on a part of the turn."""
    shown = (np.abs(start.significance) > _TELLING) | (np.abs(end.significance) > _TELLING)
    both = (np.abs(start.significance) > _TELLING) & (np.abs(end.significance) > _TELLING)
    brighter = both & (start.height > 0.0) & (end.height < 0.0)
    if brighter.any() or not shown.any():
        return not brighter.any()
    first, last = np.quantile(np.flatnonzero(shown), [_TAILS, 1.0 - _TAILS])
    piece = (last - first + 1.0) / (1.0 - 2.0 * _TAILS) / shown.size
    here_and_there = shown.mean() < _PART_OF_TURN and _raggedness(start, end) > _STRAIGHT
    return bool(here_and_there or piece < _PIECE_OF_TURN)


def _is_ragged(start: StepFit, end: StepFit) -> bool:
    """Whether both edges wander from row to row, as a stain's outline does."""
    return _raggedness(start, end) > _MOST_RAGGED


def _raggedness(start: StepFit, end: StepFit) -> float:
    return math.sqrt(start.ragged * end.ragged)


def _in_shade(strip: Strip, start_mm: float, end_mm: float) -> bool:
    """Whether it is dark there whatever it mirrors, as the walls of a groove are, or beside it.

    Polished metal returns as much light as ground metal, only elsewhere: darker than what lies
    beside it at some angles, it is brighter at others. Metal beside a groove is no band either.
    """
    logs = np.log(np.maximum(strip.values, 0.0) + _DARK_LEVEL)
    axial, width = strip.axial_mm, end_mm - start_mm
    inside = (axial > start_mm + 0.1 * width) & (axial < end_mm - 0.1 * width)
    darkest = inside.copy()
    if inside.any():  # the wall of a groove and its floor differ: the darker half of the columns
        column = np.nanmean(logs[:, inside], axis=0)
        darkest[inside] = column <= np.median(column)
    near, far = _BESIDE_MM
    before = (axial < start_mm - near) & (axial > start_mm - far)
    after = (axial > end_mm + near) & (axial < end_mm + far)
    return (
        _is_shade(logs, darkest, before | after)
        or _is_shade(logs, before, inside)
        or _is_shade(logs, after, inside)
    )


def _is_shade(logs: FloatArray, dark: NDArray[np.bool_], lit: NDArray[np.bool_]) -> bool:
    """Whether columns are darker than others by more than polish makes them, at all angles."""
    if not dark.any() or not lit.any():
        return False
    seen = np.isfinite(logs[:, dark | lit]).all(axis=1)
    if not seen.any():
        return False
    darker = logs[seen][:, lit].mean(axis=1) - logs[seen][:, dark].mean(axis=1)
    usual = float(np.median(darker))
    return usual > _DEEP_SHADE or (usual > _SHADE and np.quantile(darker, 0.05) > -_BRIGHTER)


def _has_wall(strip: Strip, start_mm: float, end_mm: float) -> bool:
    """Whether one of its edges is the wall of a groove, and no change of finish."""
    logs = np.log(np.maximum(strip.values, 0.0) + _DARK_LEVEL)
    near, far = np.minimum(_BESIDE_WALL_MM, (0.5 * (end_mm - start_mm), end_mm - start_mm))

    def is_wall(edge_mm: float) -> bool:
        away = strip.axial_mm - edge_mm
        line = np.abs(away) < _WALL_AT_MM
        before, behind = (away > -far) & (away < -near), (away > near) & (away < far)
        if not (line.any() and before.any() and behind.any()):
            return False
        beside = np.minimum(logs[:, before].mean(axis=1), logs[:, behind].mean(axis=1))
        darker = beside[:, None] - logs[:, line]
        seen = np.isfinite(darker).all(axis=1)
        return bool(seen.any() and np.median(darker[seen], axis=0).max() > _WALL)

    return is_wall(start_mm) or is_wall(end_mm)


def _is_ring(fits: tuple[StepFit, StepFit]) -> bool:
    """Whether both edges run round the shaft and lie plainly apart."""
    width_mm = fits[1].position_mm - fits[0].position_mm
    joint_u_mm = math.hypot(fits[0].u_mm, fits[1].u_mm)
    rows = [fit.telling_rows for fit in fits]
    start, end = (np.abs(fit.significance) > _TELLING for fit in fits)
    opposite = fits[0].height * fits[1].height < 0.0
    shared = int(np.count_nonzero(start & end & opposite))
    shown = int(np.count_nonzero(start | end))
    return (
        shared >= _SHARED_ROWS * shown
        and min(rows) >= _LEAST_TELLING_ROWS
        and sum(rows) >= _LEAST_OF_BOTH
        and width_mm >= _LEAST_WIDTH_MM
        and joint_u_mm <= _MOST_U_SHARE * width_mm
    )


def _edge(fit: StepFit, strip: Strip) -> BandEdge:
    blur_mm = _BLUR_COLUMNS * (strip.axial_mm[1] - strip.axial_mm[0])
    sharp_sigma_mm = math.sqrt(max(0.0, fit.sigma_mm**2 - blur_mm**2))
    return BandEdge(
        axial_mm=fit.position_mm,
        fit_u_mm=fit.u_mm,
        fit_dof=fit.dof,
        unseen_u_mm=fit.unseen_u_mm,
        width_mm=TEN_TO_NINETY * sharp_sigma_mm,
        wobble_mm=fit.wobble_mm,
        tone_mm=fit.tone_mm,
    )


def _looks(start: StepFit, end: StepFit) -> str:
    telling = (np.abs(start.significance) > _TELLING) & (np.abs(end.significance) > _TELLING)
    inside_brighter = start.significance - end.significance
    if not telling.any():
        return "smoother"
    share = float((inside_brighter[telling] > 0.0).mean())
    if share >= _ONE_SIDED:
        return "brighter"
    return "darker" if share <= 1.0 - _ONE_SIDED else "smoother"
