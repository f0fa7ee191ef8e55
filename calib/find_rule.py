"""Find a graduated rule in a photo and measure its graduations."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera, FloatArray
from calib.errors import MeasureError, ScaleUnreadableError
from calib.rule_axis import Light
from calib.rule_law import SpacingLaw, fit_law
from calib.rule_marks import Marks, follow_marks
from calib.rule_pitch import Reading, read_division
from calib.rule_search import Grey, Row, search_rows
from calib.rule_stretches import joined

MIN_GRADUATIONS = 20  # fewer fix the perspective too poorly, and print may imitate them
_LIKENESS_MARKS = 10  # this many even marks in a row look like a rule
_LARGEST_RMS_PITCHES = 0.03  # scatter about the law of spacing: 0.03 mm on a millimetre rule
_LARGEST_STAGGER_PITCHES = 0.35  # scatter of the common ends: the ruled edge is straight
_SMALLEST_SHARE = 0.5  # of the marks between the first and the last
_LONGEST_SHORT_PITCHES = 14.0  # 5.5 mm at 1/64 in; longer lines are stripes, not graduations
_SHORT_SHARE = 0.4  # of the marks, that are as short as the shortest; 1/2 at least are drawn so
_EQUAL_LENGTH = 0.08  # relative; how well the length of a blurred mark is known
_OUTLIER_SIGMA = 4.0
_OUTLIER_PITCHES = 0.02  # a smaller deviation is no blunder
_SAME_PITCH = 0.01
_COVER_PITCHES = 3.0  # a row that reaches no farther beyond the marks is the same row
_DRAWN_MM = 0.01  # how well the marks of a rule are placed (common practice)
_PITCHES_ALIKE = 1.25  # between the edges of one rule, from perspective
_FAINT_SHARE = 0.25  # of the blocks of the first row: such rows are not tried once one is read
_AS_LONG = 0.9  # of the longest row that was followed
_ALIKE = 2.0  # edges whose scales are as sure to this factor count as equally good


class NoScaleError(MeasureError):
    """Nothing like a scale lies in the picture."""

    code = "no-scale"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RuleView:
    """The graduations of one ruled edge as a photo shows them.

    Parameters
    ----------
    marks_px : ndarray, shape (n, 2)
        Middle of each graduation (of its own length and width), stored pixels, in order
        along the rule; row i and row j lie (j - i) pitches apart. NaN where not seen.
    roots_px, tips_px : ndarray, shape (n, 2)
        Ends of the part of each mark that was used: root on the side on which all marks
        end together (the ruled edge), tip on the other.
    pitch_mm : float
        From one row to the next.
    pitch_source : {"given", "long and short marks"}
        Where the pitch comes from.
    u_px : float
        Standard uncertainty of one mark's position along the rule.
    rms_px : float
        Scatter of the seen marks about the law of even spacing in perspective, px.
    bend_px : float
        Largest smooth departure from pure perspective between the first and the last mark:
        near zero with a true lens, some px with one estimated from EXIF.
    edge : {"near", "far"}
        Which edge of the rule: the one that faces the shaft (the middle of the picture where
        the shaft is not known), or the one that is turned away from it.
    dark_marks : bool
        Dark marks on a bright rule, or bright ones on a dark rule.
    """

    marks_px: FloatArray
    roots_px: FloatArray
    tips_px: FloatArray
    pitch_mm: float
    pitch_source: str
    u_px: float
    rms_px: float
    bend_px: float
    edge: str
    dark_marks: bool

    def __post_init__(self) -> None:
        for name in ("marks_px", "roots_px", "tips_px"):
            frozen = np.array(getattr(self, name), dtype=float)
            frozen.setflags(write=False)
            object.__setattr__(self, name, frozen)

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Which graduations were measured, shape (n,)."""
        return np.isfinite(self.marks_px[:, 0])

    @property
    def graduations(self) -> int:
        """Number of graduations measured."""
        return int(self.seen.sum())


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Edge:
    """A ruled edge that was read; confirmed if its long and short marks tell the pitch."""

    marks: Marks
    law: SpacingLaw
    pitch_mm: float
    source: str
    confirmed: bool

    @property
    def span_px(self) -> float:
        """From the first to the last mark."""
        return float(np.ptp(self.marks.position_px[self.marks.seen]))

    @property
    def relative_u(self) -> float:
        """Of the mean pitch, from the scatter of the marks and how well they are drawn."""
        number = np.nonzero(self.marks.seen)[0]
        lever_px = self.marks.pitch_px * float(np.std(number)) * float(np.sqrt(len(number)))
        drawn_px = _DRAWN_MM / self.pitch_mm * self.marks.pitch_px
        return float(np.hypot(self.law.rms_px, drawn_px)) / lever_px


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Refused:
    """Why a row of marks was not taken for a ruled edge."""

    marks: Marks
    message: str
    remedy: str


def find_rule(
    grey: Grey, camera: Camera, *, pitch_mm: float | None = None, avoid: FloatArray | None = None
) -> RuleView:
    """Find a graduated rule and measure its graduations.

    Parameters
    ----------
    grey : ndarray of uint8 or uint16, shape (height, width)
        Stored grey values (sRGB).
    camera : Camera
        For the distortion; an estimate without distortion will do.
    pitch_mm : float, optional
        Graduation pitch; found from the long and short marks where not given.
    avoid : ndarray, shape (k, 2), optional
        Polygon (px) of the shaft, whose grinding marks are no graduations.

    Returns
    -------
    RuleView
        Of the surer edge; where two are about as sure, of the one nearer to `avoid`, or of the
        one with more graduations over the same length.

    Raises
    ------
    NoScaleError
        Code "no-scale": nothing like a rule is seen.
    ScaleUnreadableError
        Code "scale-unreadable": a rule is seen, but too few graduations can be followed, or
        their pitch can't be told and is not given, or contradicts the one given.
    """
    edges: list[_Edge] = []
    refused: list[_Refused] = []
    read: list[Marks] = []
    light = Light(grey)
    rows = search_rows(grey, avoid=avoid)
    for row in rows:
        if edges and row.blocks < _FAINT_SHARE * rows[0].blocks:
            break
        if any(_covers(known, row) for known in read):
            continue
        marks = follow_marks(light, camera, row)
        result = None if marks is None else _judge(marks, pitch_mm)
        read += [] if result is None else [result.marks]
        if isinstance(result, _Edge):
            edges.append(result)
        elif result is not None:
            refused.append(result)
    if not edges:
        raise _refusal(refused)
    return _view(_of_one_pitch(edges, read), grey, avoid)


def _of_one_pitch(edges: list[_Edge], read: list[Marks]) -> list[_Edge]:
    """The edges whose marks tell the pitch; failing these all, if no other pitch is seen.

    A given pitch holds for one edge. Where another is divided differently, or a row of long
    marks was followed by itself, only the marks can say which one is meant.
    """
    confirmed = [edge for edge in edges if edge.confirmed]
    pitches_px = [marks.pitch_px for marks in read]
    if confirmed or max(pitches_px) < _PITCHES_ALIKE * min(pitches_px):
        return confirmed or edges
    message = (
        f"Graduations {min(pitches_px):.1f} px and {max(pitches_px):.1f} px apart are seen, "
        "and their long and short marks do not tell which has the pitch that was given."
    )
    raise ScaleUnreadableError(message, "Cover the other edge of the rule and photograph again.")


def _covers(marks: Marks, row: Row) -> bool:
    """Whether a row lies wholly on the marks of an edge already read, and is no finer."""
    if row.pitch_px * _PITCHES_ALIKE < marks.pitch_px:
        return False
    root, tip = (points[marks.seen] for points in (marks.root_px, marks.tip_px))
    hull = cv2.convexHull(np.concatenate([root, tip]).astype(np.float32))
    places = [row.origin_px + s * row.along for s in (row.span_px[0], 0.0, row.span_px[1])]
    return all(
        cv2.pointPolygonTest(hull, (float(x), float(y)), measureDist=True)
        > -_COVER_PITCHES * marks.pitch_px
        for x, y in places
    )


def _judge(marks: Marks, given_mm: float | None) -> _Edge | _Refused | None:
    """An edge, or why it can't be read, or None where it is nothing like a ruled edge."""
    marks = joined(marks)
    reading = read_division(marks.length)
    law = _law_of(marks)
    marks = _without_outliers(marks, law)
    count = int(marks.seen.sum())
    even = law.rms_px <= _LARGEST_RMS_PITCHES * marks.pitch_px
    straight = marks.straight_px <= _LARGEST_STAGGER_PITCHES * marks.pitch_px
    if count < _LIKENESS_MARKS or not even or not straight:
        return None
    if count < _SMALLEST_SHARE * len(marks.length):
        return None
    if not _has_short_marks(marks.length[np.isfinite(marks.length)]):
        return None
    if count < MIN_GRADUATIONS:
        return _Refused(
            marks=marks,
            message=f"{count} graduations could be followed; {MIN_GRADUATIONS} are needed.",
            remedy="Show more of the rule, turn the lamp until the marks stand out, "
            "and photograph again.",
        )
    return _with_pitch(marks, reading, given_mm)


def _has_short_marks(length: FloatArray) -> bool:
    """Whether many marks are equally short, as at least half are on any rule."""
    if len(length) < _LIKENESS_MARKS:
        return False
    short = float(np.percentile(length, 25))
    equal = np.abs(length / short - 1.0) < _EQUAL_LENGTH
    return short <= _LONGEST_SHORT_PITCHES and bool(equal.mean() >= _SHORT_SHARE)


def _with_pitch(marks: Marks, reading: Reading | None, given_mm: float | None) -> _Edge | _Refused:
    seen = f"{int(marks.seen.sum())} graduations could be followed; their long and short marks"

    def edge(chosen: Marks, pitch_mm: float, source: str) -> _Edge:
        return _Edge(
            marks=chosen,
            law=_law_of(chosen),
            pitch_mm=pitch_mm,
            source=source,
            confirmed=reading is not None,
        )

    def refused(message: str, remedy: str) -> _Refused:
        return _Refused(marks=marks, message=message, remedy=remedy)

    if reading is None:
        if given_mm is None:
            return refused(f"{seen} do not tell the pitch.", "Give --pitch.")
        return edge(marks, given_mm, "given")
    found = reading.pitch_mm
    if given_mm is None:
        return edge(marks, found, _FROM_LENGTHS)
    coarser, finer = round(given_mm / found), round(found / given_mm)
    if _is_power_of_two(coarser) and abs(given_mm / found / coarser - 1.0) < _SAME_PITCH:
        number = np.nonzero(marks.seen)[0]
        kept = number[(number - reading.phase) % coarser == 0]
        chosen = marks.placed(kept, (kept - kept.min()) // coarser, coarser)
        if chosen.seen.sum() >= MIN_GRADUATIONS:
            return edge(chosen, given_mm, "given")
    elif not (_is_power_of_two(finer) and abs(found / given_mm / finer - 1.0) < _SAME_PITCH):
        return refused(
            f"{seen} are those of a rule with a pitch of {found:.4g} mm, not {given_mm:.4g} mm.",
            "Check --pitch.",
        )
    return edge(marks, found, _FROM_LENGTHS)


_FROM_LENGTHS = "long and short marks"


def _is_power_of_two(value: int) -> bool:
    return value > 0 and value & (value - 1) == 0


def _law_of(marks: Marks) -> SpacingLaw:
    number = np.nonzero(marks.seen)[0]
    return fit_law(number, marks.position_px[number])


def _without_outliers(marks: Marks, law: SpacingLaw) -> Marks:
    """The marks with those off the law taken as not seen."""
    number = np.nonzero(marks.seen)[0]
    limit = max(_OUTLIER_SIGMA * law.rms_px, _OUTLIER_PITCHES * marks.pitch_px)
    kept = number[np.abs(law.residual) <= limit]
    return marks.placed(kept, kept)


def _refusal(refused: list[_Refused]) -> MeasureError:
    if refused:
        worst = max(refused, key=lambda reason: int(reason.marks.seen.sum()))
        return ScaleUnreadableError(worst.message, worst.remedy)
    return NoScaleError(
        "No graduated rule is seen in the photo.",
        "Lay a steel rule beside the shaft, its graduations facing the camera and 10 px or "
        "more per mm, or give --diameter.",
    )


def _view(edges: list[_Edge], grey: Grey, avoid: FloatArray | None) -> RuleView:
    """The edge to use; with a known shaft the nearer one of two that are about as sure."""
    centre = np.array(grey.shape[::-1]) / 2.0 if avoid is None else np.mean(avoid, axis=0)
    root = [np.nanmean(edge.marks.root_px, axis=0) for edge in edges]
    distance = [float(np.linalg.norm(point - centre)) for point in root]
    surest = min(edge.relative_u for edge in edges)
    alike = [i for i, edge in enumerate(edges) if edge.relative_u <= _ALIKE * surest]
    if avoid is None:
        longest = max(edges[i].span_px for i in alike)
        whole = [i for i in alike if edges[i].span_px >= _AS_LONG * longest]
        best = max(whole, key=lambda i: int(edges[i].marks.seen.sum()))
    else:
        best = min(alike, key=lambda i: distance[i])
    edge, number = edges[best], np.nonzero(edges[best].marks.seen)[0]
    marks = edge.marks.placed(number, number - number.min())
    outward = np.nanmean(marks.tip_px, axis=0) - root[best]
    return RuleView(
        marks_px=marks.middle_px,
        roots_px=marks.root_px,
        tips_px=marks.tip_px,
        pitch_mm=edge.pitch_mm,
        pitch_source=edge.source,
        u_px=edge.law.rms_px,
        rms_px=float(np.sqrt(np.mean(edge.law.residual**2))),
        bend_px=float(np.abs(edge.law.coefficients[2:5]).sum()),
        edge="near" if outward @ (root[best] - centre) > 0.0 else "far",
        dark_marks=marks.polarity < 0,
    )
