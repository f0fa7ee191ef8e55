"""Which outline to trust: the one at whose end an end face shows best."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import replace

import numpy as np

from bandscan.errors import NoEndError
from bandscan.model import EndFace, Outline
from calib.errors import MeasureError

# Support (share of the outline of an end that shows an edge), common practice, no published
# source: on rendered photos ends drawn for wrong outlines reach 0.5, true ones 0.45 to 0.95.
_PLAIN_END = 0.6  # more leaves no doubt
_FAINT_END = 0.42  # less is refused
_PLAINER_END = 0.08  # by which a later opinion must show its end better than an earlier one
_SHARP_SHARE = 0.0006  # of the width: a silhouette better known than that is a sharp edge
_FAINT_SHARE = 0.003  # of the width: how far one that is not sharp may lie off (rendered photos)
_MOVES = (0.01, 0.004)  # of the width: by which a faint side is moved
_MOST_DOUBT = 2.0  # times the end's uncertainty before a move: more is another end
_MOVE_GAIN = 0.01  # of support that makes a move worth it

EndOf = Callable[[Outline], EndFace]


def best_end(outlines: Iterable[Outline], end_of: EndOf) -> tuple[Outline, EndFace]:
    """The outline at whose end an end face shows best, and that face.

    Lines that run beside the true outline give a cylinder of another width, whose end would be
    drawn elsewhere than where the shaft stops. An outline that still leaves doubt has its
    fainter side moved to where its end shows best.

    Parameters
    ----------
    outlines : iterable of Outline
        The likeliest first, at least one; no more are asked for once an end is plain.
    end_of : callable
        Finds the end face of a shaft with that outline, or raises `MeasureError`.

    Raises
    ------
    MeasureError
        Where no outline has an end: what was wrong with the first.
    NoEndError
        Where too little of the best end shows.
    """
    best: tuple[Outline, EndFace] | None = None
    complaint: MeasureError | None = None
    for outline in outlines:
        try:
            end = end_of(outline)
        except MeasureError as error:
            complaint = complaint or error
            continue
        if best is None or end.support > best[1].support + _PLAINER_END:
            best = outline, end
        if end.support > _PLAIN_END:
            break
    if best is None:
        assert complaint is not None
        raise complaint
    if best[1].support <= _PLAIN_END:
        best = _with_side_moved(*best, end_of)
    if best[1].support < _FAINT_END:
        raise NoEndError(
            f"The shaft's outline and its end do not fit together: {best[1].support:.0%} of the "
            f"outline of such an end shows an edge, {_FAINT_END:.0%} are needed.",
            "Lay the shaft on a ground that is plainly brighter or darker, and photograph again "
            "with the whole end in the picture, in even light.",
        )
    return best


def side_u_px(outline: Outline, support: float) -> tuple[float, float]:
    """Standard uncertainty of the place of either silhouette, px.

    Far rivals are out where the end fits plainly; a side that has rivals or is not sharp may still
    lie somewhat beside the edge that was fitted, further than its scatter tells.
    """
    low, high = (side.points_px.mean(axis=0) for side in outline.sides)
    width = float(np.linalg.norm(high - low))
    near = _FAINT_SHARE * width
    u_px = []
    for side in outline.sides:
        faint = near if side.u_px > _SHARP_SHARE * width else 0.0
        rival = min(side.rival_u_px, near) if support > _PLAIN_END else side.rival_u_px
        u_px.append(math.hypot(side.u_px, max(faint, rival)))
    return u_px[0], u_px[1]


def _with_side_moved(outline: Outline, end: EndFace, end_of: EndOf) -> tuple[Outline, EndFace]:
    """The outline with its fainter side moved, step by step, to where its end shows best."""
    faint = int(outline.sides[1].u_px > outline.sides[0].u_px)
    best = outline, end
    for share in _MOVES:
        for way in (1.0, -1.0):
            while True:
                moved = _moved(best[0], faint, way * share)
                try:
                    trial = end_of(moved)
                except MeasureError:
                    break
                if trial.support <= best[1].support + _MOVE_GAIN:
                    break
                if trial.axial_mm.u > _MOST_DOUBT * best[1].axial_mm.u:
                    break
                best = moved, trial
    return best


def _moved(outline: Outline, side: int, share: float) -> Outline:
    """The outline with one side moved outward (inward if negative) by a share of its width."""
    sides = list(outline.sides)
    here, other = sides[side].points_px, sides[1 - side].points_px
    away = here.mean(axis=0) - other.mean(axis=0)
    along = here[-1] - here[0]
    square = np.array([-along[1], along[0]]) / np.linalg.norm(along)
    width = float(away @ square)
    moved_px = abs(share * width)
    sides[side] = replace(
        sides[side],
        points_px=here + share * width * square,
        u_px=max(sides[side].u_px, 0.5 * moved_px),
    )
    return replace(outline, sides=(sides[0], sides[1]))
