"""Which outline to trust: the one at whose end an end face shows best."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from bandscan.errors import NoEndError
from bandscan.model import EndFace, Outline, Silhouette
from calib.errors import MeasureError

# Support (share of the outline of an end that shows an edge), common practice, no published
# source: on rendered photos ends drawn for wrong outlines reach 0.5, true ones 0.45 to 0.95.
_PLAIN_END = 0.6  # more leaves no doubt
_FAINT_END = 0.42  # less is refused
_TELLS = 0.04  # of support: what one outline must lead by to be three times as likely
_MOST_TRIALS = 20
_SAME_SIDE_PX = 1.0

EndOf = Callable[[Outline], EndFace]
_Key = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Trial:
    """An outline, and the end face found at its end."""

    outline: Outline
    end: EndFace


@dataclass(slots=True)
class _Trials:
    """Sides seen so far, low and high, and what came of pairs of them."""

    end_of: EndOf
    sides: tuple[list[Silhouette], list[Silhouette]] = field(default_factory=lambda: ([], []))
    done: dict[_Key, _Trial | None] = field(default_factory=dict)
    complaint: MeasureError | None = None

    @property
    def best(self) -> _Key | None:
        """The pair whose end shows best."""
        found = {key: trial.end.support for key, trial in self.done.items() if trial is not None}
        return max(found, key=lambda key: found[key]) if found else None

    @property
    def plain(self) -> bool:
        """Whether the best end leaves no doubt."""
        best = self.best
        trial = None if best is None else self.done[best]
        return trial is not None and trial.end.support > _PLAIN_END

    def add(self, outline: Outline) -> None:
        """Keep the sides of an outline and try it."""
        low, high = _ordered(outline)
        self.attempt((self._index(0, low), self._index(1, high)), outline)

    def attempt(self, key: _Key, outline: Outline) -> None:
        """Find the end of an outline, unless these two sides were tried."""
        if key in self.done:
            return
        pair = (self.sides[0][key[0]], self.sides[1][key[1]])
        tried = replace(outline, sides=pair)
        try:
            self.done[key] = _Trial(outline=tried, end=self.end_of(tried))
        except MeasureError as error:
            self.complaint = self.complaint or error
            self.done[key] = None

    def mix(self) -> None:
        """Pair the sides of the best outline with those of others, while that helps."""
        searched: set[_Key] = set()
        while (best := self.best) is not None and best not in searched:
            searched.add(best)
            trial = self.done[best]
            assert trial is not None
            for side in (0, 1):
                for other in range(len(self.sides[side])):
                    key = (other, best[1]) if side == 0 else (best[0], other)
                    if len(self.done) < _MOST_TRIALS:
                        self.attempt(key, trial.outline)

    def _index(self, k: int, side: Silhouette) -> int:
        for index, known in enumerate(self.sides[k]):
            if _apart_px(known, side) < _SAME_SIDE_PX:
                return index
        self.sides[k].append(side)
        return len(self.sides[k]) - 1


def best_end(outlines: Iterable[Outline], end_of: EndOf) -> tuple[Outline, EndFace]:
    """The outline at whose end an end face shows best, and that face.

    Lines that run beside the true outline give a cylinder of another width, whose end would be
    drawn elsewhere than where the shaft stops.

    Parameters
    ----------
    outlines : iterable of Outline
        The likeliest first, at least one; no more are asked for once an end is plain.
    end_of : callable
        Finds the end face of a shaft with that outline, or raises `MeasureError`.

    Returns
    -------
    Outline
        The standard uncertainty of its sides covers what else was tried and is nearly as likely.
    EndFace

    Raises
    ------
    MeasureError
        Where no outline has an end: what was wrong with the first.
    NoEndError
        Where too little of the best end shows.
    """
    trials = _Trials(end_of)
    for outline in outlines:
        trials.add(outline)
        if trials.plain:
            break
    else:
        trials.mix()
    best = trials.best
    chosen = None if best is None else trials.done[best]
    if chosen is None or best is None:
        assert trials.complaint is not None
        raise trials.complaint
    support = chosen.end.support
    if support < _FAINT_END:
        raise NoEndError(
            f"The shaft's outline and its end do not fit together: {support:.0%} of the "
            f"outline of such an end shows an edge, {_FAINT_END:.0%} are needed.",
            "Lay the shaft on a ground that is plainly brighter or darker, and photograph again "
            "with the whole end in the picture, in even light.",
        )
    return _with_doubt(trials, best, chosen), chosen.end


def _with_doubt(trials: _Trials, best: _Key, chosen: _Trial) -> Outline:
    """The outline with the other sides that were tried, by their odds, in its uncertainty."""
    sides = []
    for k in (0, 1):
        here = trials.sides[k][best[k]]
        odds, squares = 1.0, 0.0
        for key, trial in trials.done.items():
            if trial is None or key[k] == best[k] or key[1 - k] != best[1 - k]:
                continue
            chance = math.exp((trial.end.support - chosen.end.support) / _TELLS)
            odds += chance
            squares += chance * _apart_px(here, trials.sides[k][key[k]]) ** 2
        sides.append(replace(here, u_px=math.hypot(here.u_px, math.sqrt(squares / odds))))
    return replace(chosen.outline, sides=(sides[0], sides[1]))


def _ordered(outline: Outline) -> tuple[Silhouette, Silhouette]:
    """The sides, that on the left of the way into the shaft first."""
    first, second = outline.sides
    across = second.points_px.mean(axis=0) - first.points_px.mean(axis=0)
    inward = outline.inward_px
    return (first, second) if inward[0] * across[1] > inward[1] * across[0] else (second, first)


def _apart_px(one: Silhouette, other: Silhouette) -> float:
    """Mean distance of two sides, square to the first."""
    start, end = one.points_px[0], one.points_px[-1]
    square = np.array([start[1] - end[1], end[0] - start[0]])
    square = square / max(float(np.linalg.norm(square)), 1e-9)
    away = (other.points_px - start) @ square
    along = np.array([-square[1], square[0]])
    own = np.interp(
        (other.points_px - start) @ -along,
        (one.points_px - start) @ -along,
        (one.points_px - start) @ square,
    )
    return float(np.abs(away - own).mean())
