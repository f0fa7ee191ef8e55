"""Which outline to trust: the one at whose end an end face shows best."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from bandscan.errors import NoEndError, NoShaftError
from bandscan.expected_width import ExpectedWidth
from bandscan.model import STRAIN_COSTS, Doubt, EndFace, Outline, Silhouette
from bandscan.streaks_beyond import outward
from calib.camera import FloatArray
from calib.errors import MeasureError

# Support (share of the outline of an end that shows an edge), common practice, no published
# source: on rendered photos ends drawn for wrong outlines reach 0.5, true ones 0.45 to 0.95.
_PLAIN_END = 0.6  # more leaves no doubt
# Of an end's outline next to one side, common practice, no published source: 0 to 0.2 where that
# side was a line beside the shaft, 0.3 to 1 on all but a few true ones, which others lose to.
_PLAIN_SIDE = 0.3
_LITTLE_STRAIN = 4.6  # 90 % of a chi square with two degrees of freedom
_FAINT_END = 0.47  # less is refused
# The same less what the axis had to give: 0.42 to 1 on true outlines, 0.32 on one that was not.
_FAINT_FIT = 0.4
# Lines further from what was seen are the shaft's sides less often: 0.65 on a pair that was not.
_LATER_FIT = 0.7
_TELLS = 2.0 * STRAIN_COSTS  # of support: a lead that makes an outline e times as likely
_LOST = 3.0 * _TELLS  # of support: another edge was taken for the end
_MOST_TRIALS = 20  # a stage
_CENTRINGS, _SETTLED_PX = 3, 0.1
_WELL_KNOWN_PX = 0.3  # a side known better gains nothing from where the end shows the axis
_AS_SIDES_TELL, _NO_LEAN = math.inf, 0.0
_SAME_SIDE_PX = 1.0
_NEARLY = 0.005  # of the width: sides nearer to others that have no end have none either

# A line further from a side than this share of the width would give another shaft: its chance
# is told, and is no uncertainty of the one that was chosen.
_FAR = 0.02
_DOUBTED_CHANCE, _REFUSED_CHANCE = 0.05, 0.3
_REMEDY = (
    "Lay the shaft on a ground that is plainly brighter or darker, and photograph again with the "
    "whole end in the picture, in even light."
)

EndOf = Callable[[Outline, float], EndFace]
Refine = Callable[[Outline], Outline]
_Key = tuple[int, int]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Trial:
    """An outline, and the end face found at its end."""

    outline: Outline
    end: EndFace
    against: float  # logarithm of the odds against its width

    @property
    def fit(self) -> float:
        """Support of the end, less what the axis had to give for it, as odds weigh that."""
        return self.end.support - STRAIN_COSTS * self.end.strain

    @property
    def merit(self) -> float:
        """Logarithm of its odds: a side that is placed plainly is the likelier in proportion."""
        sides = sum(math.log(side.u_px) for side in self.outline.sides)
        return self.fit / _TELLS - sides - self.against


@dataclass(slots=True)
class _Trials:
    """Sides seen so far, low and high, and what came of pairs of them."""

    end_of: EndOf
    expected: ExpectedWidth | None = None
    last: Outline | None = None
    sides: tuple[list[Silhouette], list[Silhouette]] = field(default_factory=lambda: ([], []))
    done: dict[_Key, _Trial | None] = field(default_factory=dict)
    most: int = 0
    least_fit: float = 0.0
    complaint: MeasureError | None = None

    @property
    def best(self) -> _Key | None:
        """The likeliest pair."""
        found = {key: trial.merit for key, trial in self.done.items() if trial is not None}
        return max(found, key=lambda key: found[key]) if found else None

    @property
    def plain(self) -> bool:
        """Whether the best end leaves no doubt."""
        best = self.best
        trial = None if best is None else self.done[best]
        return (
            trial is not None
            and trial.fit > _PLAIN_END
            and trial.end.strain < _LITTLE_STRAIN
            and trial.end.least_side > _PLAIN_SIDE
        )

    @property
    def fair(self) -> bool:
        """Whether the best end shows enough not to be refused."""
        best = self.best
        trial = None if best is None else self.done[best]
        return trial is not None and self.shows(trial)

    def shows(self, trial: _Trial) -> bool:
        """Whether enough of an end shows, and where the sides have its axis."""
        return trial.end.support >= _FAINT_END and trial.fit >= self.least_fit

    def add_all(self, outlines: Iterable[Outline]) -> None:
        """Try outlines until the end of one is plain, else pairs of their sides too."""
        self.least_fit = _LATER_FIT if self.most else _FAINT_FIT
        self.most += _MOST_TRIALS
        try:
            for outline in outlines:
                self.add(outline)
                if self.plain:
                    return
        except (NoShaftError, NoEndError) as error:
            self.complaint = self.complaint or error
        self.mix()

    def add(self, outline: Outline) -> None:
        """Keep the sides of an outline and try it."""
        low, high = _ordered(outline)
        self.last = outline
        self.attempt((self._index(0, low), self._index(1, high)), outline)

    def attempt(self, key: _Key, outline: Outline) -> None:
        """Find the end of an outline, unless these two sides were tried."""
        if key in self.done or self.as_one_without(key):
            return
        pair = (self.sides[0][key[0]], self.sides[1][key[1]])
        tried = replace(outline, sides=pair)
        try:
            end = self.end_of(tried, _AS_SIDES_TELL)
            self.done[key] = _Trial(outline=tried, end=end, against=self.against(key))
        except MeasureError as error:
            self.complaint = self.complaint or error
            self.done[key] = None

    def against(self, key: _Key) -> float:
        """Logarithm of the odds against the width of a pair."""
        if self.expected is None:
            return 0.0
        apart_px = _apart_px(self.sides[0][key[0]], self.sides[1][key[1]])
        return float(self.expected.against(apart_px))

    def as_one_without(self, key: _Key) -> bool:
        """Whether nearly the same two sides were tried, and no end was there."""
        low, high = (self.sides[k][key[k]] for k in (0, 1))
        near_px = _NEARLY * _apart_px(low, high)
        return any(
            trial is None
            and _apart_px(low, self.sides[0][other[0]]) < near_px
            and _apart_px(high, self.sides[1][other[1]]) < near_px
            for other, trial in self.done.items()
        )

    def mix(self) -> None:
        """Pair the sides of the best outline with those of others, while that helps."""
        if self.best is None:
            self._try_all()
        searched: set[_Key] = set()
        while (best := self.best) is not None and best not in searched:
            searched.add(best)
            trial = self.done[best]
            assert trial is not None
            for side in (0, 1):
                for other in range(len(self.sides[side])):
                    key = (other, best[1]) if side == 0 else (best[0], other)
                    if len(self.done) < self.most:
                        self.attempt(key, trial.outline)

    def _try_all(self) -> None:
        """Pair any side with any other until a pair has an end, the likeliest first."""
        if self.last is None:
            return
        lows, highs = self.sides

        def unlikely(key: _Key) -> float:
            u_px = lows[key[0]].u_px, highs[key[1]].u_px
            return math.log(u_px[0]) + math.log(u_px[1]) + self.against(key)

        pairs = itertools.product(range(len(lows)), range(len(highs)))
        for key in sorted(pairs, key=unlikely):
            if self.best is not None or len(self.done) >= self.most:
                return
            self.attempt(key, self.last)

    def _index(self, k: int, side: Silhouette) -> int:
        for index, known in enumerate(self.sides[k]):
            if _apart_px(known, side) < _SAME_SIDE_PX:
                return index
        self.sides[k].append(side)
        return len(self.sides[k]) - 1


def best_end(
    stages: Iterable[Iterable[Outline]],
    end_of: EndOf,
    refine: Refine,
    expected: ExpectedWidth | None = None,
) -> tuple[Outline, EndFace]:
    """The outline at whose end an end face shows best, and that face.

    Lines that run beside the true outline give a cylinder of another width, whose end would be
    drawn elsewhere than where the shaft stops.

    Parameters
    ----------
    stages : iterable of iterable of Outline
        The likeliest first; no more are asked for once an end is plain, nor a further stage
        once one shows at all. Asking may raise `NoShaftError` or `NoEndError`.
    end_of : callable
        Finds the end face of a shaft with that outline, or raises `MeasureError`; the second
        argument is the most by which the axis may lean out of what the sides tell, radians.
    refine : callable
        Places the sides of the outline that was chosen as well as can be.
    expected : ExpectedWidth, optional
        What is known of the width.

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
    NoShaftError
        Where a line far from one side is nearly as likely to be it.
    """
    trials = _Trials(end_of, expected)
    for outlines in stages:
        trials.add_all(outlines)
        if trials.fair:
            break
    best = trials.best
    chosen = None if best is None else trials.done[best]
    if chosen is None or best is None:
        assert trials.complaint is not None
        raise trials.complaint
    if not trials.shows(chosen):
        raise NoEndError(_does_not_fit(chosen.end.support), _REMEDY)
    chosen = _settled(_centred(_refined(chosen, end_of, refine), end_of), end_of)
    return _with_doubt(trials, best, chosen)


def _does_not_fit(support: float) -> str:
    shown = f"{support:.0%} of the outline of such an end shows an edge"
    why = (
        f"{shown}, {_FAINT_END:.0%} are needed"
        if support < _FAINT_END
        else f"{shown}, too little for sides that hardly show or whose axis it lies beside"
    )
    return f"The shaft's outline and its end do not fit together: {why}."


def _refined(trial: _Trial, end_of: EndOf, refine: Refine) -> _Trial:
    """The trial with its sides placed anew; as it was where its end does not fit to them."""
    outline = refine(trial.outline)
    try:
        refined = replace(trial, outline=outline, end=end_of(outline, _AS_SIDES_TELL))
    except MeasureError:
        return trial
    return trial if refined.fit < trial.fit - _LOST else refined


def _centred(trial: _Trial, end_of: EndOf) -> _Trial:
    """The trial with its sides moved to where the end shows the axis."""
    sides = _ordered(trial.outline)
    best = replace(trial, outline=replace(trial.outline, sides=sides))
    moved_px = np.zeros(2)
    for _ in range(_CENTRINGS):
        if best.end.beside_px is None or max(side.u_px for side in sides) < _WELL_KNOWN_PX:
            break
        shown_px = moved_px + best.end.beside_px
        before_px = moved_px
        moved, moved_px = _moved_to(sides, shown_px, best.end.beside_u_px)
        if np.linalg.norm(moved_px - before_px) < _SETTLED_PX:
            break
        outline = replace(trial.outline, sides=moved)
        try:
            end = end_of(outline, _AS_SIDES_TELL)
        except MeasureError:
            break
        moved_trial = replace(trial, outline=outline, end=end)
        if moved_trial.fit < best.fit - _TELLS:
            break
        best = moved_trial
    return best


def _settled(trial: _Trial, end_of: EndOf) -> _Trial:
    """The trial with its end seen along the axis that the sides give, where that fits as well.

    While outlines are compared the axis may lean, lest a right one look wrong; but a rounded
    edge and a leaning axis shape the rim alike. The zero covers both by their odds.
    """
    try:
        upright = replace(trial, end=end_of(trial.outline, _NO_LEAN))
    except MeasureError:
        return trial
    likelier, other = sorted((trial, upright), key=lambda one: -one.fit)
    odds = math.exp((other.fit - likelier.fit) / _TELLS)
    zero = likelier.end.axial_mm
    apart_mm = abs(zero.value - other.end.axial_mm.value)
    zero = replace(zero, u=math.hypot(zero.u, apart_mm * math.sqrt(odds) / (1.0 + odds)))
    return replace(likelier, end=replace(likelier.end, axial_mm=zero))


def _moved_to(
    sides: tuple[Silhouette, Silhouette], shown_px: FloatArray, u_px: float
) -> tuple[tuple[Silhouette, Silhouette], FloatArray]:
    """Sides moved so that the axis passes through where the end shows it, and by how much it moved.

    Linear least squares: the shift of the axis at the end is the mean of those of the sides
    there; offset and tilt of either are known to their uncertainties and take their shares.
    """
    outwards = [outward(sides[k], sides[1 - k]) for k in (0, 1)]
    variances = [side.u_px**2 + side.tilt_u_px**2 for side in sides]
    total = sum(variances) / 4.0 + u_px**2
    moved, shift_px = [], np.zeros(2)
    for side, square, variance in zip(sides, outwards, variances, strict=True):
        wanted = float(shown_px @ square) / total / 2.0
        offset, tilt = side.u_px**2 * wanted, -(side.tilt_u_px**2) * wanted
        place = np.linspace(-1.0, 1.0, len(side.points_px))[:, None]
        moved.append(
            replace(
                side,
                points_px=side.points_px + (offset + tilt * place) * square,
                u_px=side.u_px * math.sqrt(1.0 - side.u_px**2 / total / 4.0),
                tilt_u_px=side.tilt_u_px * math.sqrt(1.0 - side.tilt_u_px**2 / total / 4.0),
            )
        )
        shift_px += variance * wanted / 2.0 * square
    return (moved[0], moved[1]), shift_px


def _with_doubt(trials: _Trials, best: _Key, chosen: _Trial) -> tuple[Outline, EndFace]:
    """The outline with the other sides that were tried, by their odds, in its uncertainty.

    Raises
    ------
    NoShaftError
        Where a line far from one side is nearly as likely to be it.
    """
    likeliest = trials.done[best]
    assert likeliest is not None
    sides, warnings = [], list(chosen.end.warnings)
    for k in (0, 1):
        here, moved = trials.sides[k][best[k]], chosen.outline.sides[k]
        far_px = _FAR * _apart_px(here, trials.sides[1 - k][best[1 - k]])
        odds, squares, far_odds, furthest_px = 1.0, 0.0, 0.0, 0.0
        for key, trial in trials.done.items():
            if trial is None or key[k] == best[k] or key[1 - k] != best[1 - k]:
                continue
            chance = math.exp(min(trial.merit - likeliest.merit, 0.0))
            apart_px = _apart_px(here, trials.sides[k][key[k]])
            odds += chance
            squares += chance * min(apart_px, far_px) ** 2
            if apart_px > far_px:
                far_odds += chance
                furthest_px = max(furthest_px, apart_px)
        seen = (
            f"A line up to {furthest_px:.0f} px beside one side of the shaft's outline is its "
            f"side with a chance of {far_odds / odds:.0%} by what the shaft's end shows"
        )
        if far_odds > _REFUSED_CHANCE * odds:
            raise NoShaftError(f"{seen}; it cannot be told which.", _REMEDY)
        if far_odds > _DOUBTED_CHANCE * odds:
            warnings.append(Doubt(code="outline-ambiguous", message=f"{seen}. {_REMEDY}"))
        sides.append(replace(moved, u_px=math.hypot(moved.u_px, math.sqrt(squares / odds))))
    outline = replace(chosen.outline, sides=(sides[0], sides[1]))
    return outline, replace(chosen.end, warnings=tuple(warnings))


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
