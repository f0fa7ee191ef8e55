"""Place one side of a shaft's outline to sub-pixel along its land, and say how well.

No model of how metal is shaded next to its outline holds everywhere, so that several are fitted,
which look at different breadths of it. Their median is the place; how far they differ tells how
much the outline rests on the model.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from bandscan import silhouette_fit
from bandscan.cylinder import plane_of_rays
from bandscan.edge_fit import Baseline
from bandscan.expected_width import ExpectedWidth
from bandscan.model import Photo, Silhouette
from bandscan.silhouette_fit import Prior, SilhouetteFit, Window
from calib.camera import FloatArray

_SEARCH = Window(inside_px=8.0, outside_px=8.0, degree=2, search_px=(-6.0, 6.0))
_SEARCHES = 2  # the first may lie askew
_WINDOWS = (
    Window(inside_px=8.0, outside_px=8.0, degree=2, search_px=(-3.0, 3.0), step_px=0.1),
    Window(inside_px=8.0, outside_px=5.0, degree=2, search_px=(-3.0, 3.0), step_px=0.1),
    Window(inside_px=6.0, outside_px=6.0, degree=2, search_px=(-3.0, 3.0), step_px=0.1),
    Window(inside_px=5.0, outside_px=5.0, degree=1, search_px=(-3.0, 3.0), step_px=0.1),
    Window(inside_px=4.0, outside_px=4.0, degree=1, search_px=(-2.0, 2.0), step_px=0.1),
)
_SPREAD_U = 0.6  # of half the range of the fits: 42 sides of rendered photos
SYSTEMATIC_U_PX = 0.1  # of a plain edge, from the same
# Metal mirrors the ground beside it at grazing incidence. Where it is brighter than the ground it
# fades into it, and the edge that shows lies further in: by 0 to 1.2 % of the width on renderings.
_BESIDE_PX = (1.5, 4.0)  # either side of the outline, where the light is compared
_FADING = (0.1, 0.25)  # metal brighter than the ground by this share: not at all, fully
_FADING_PART, _FADING_U = 0.004, 0.007  # of the width: taken off, and left as uncertainty
_SOFTER = 1.25  # times the blur of the other side, which lies as deep in the picture
_ASKEW_RAD = math.radians(1.0)  # a scale laid along a shaft; common practice, no published source
_LEAST_SEGMENTS = 4
_HALF, _LAND_SHARE = 0.5, 0.8  # of segments that lie on the common line


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Known:
    """What is known of the sides before the shaft is looked at.

    Parameters
    ----------
    prior : Prior
        How far they may be askew to a line near them, and bent.
    normal : ndarray, shape (3,), or None
        Normal of the scale's plane in the camera frame, to which the axis is square: a scale is
        laid along the shaft. The plainer side and it fix the slope of the fainter one.
    avoid : tuple of ndarray, shape (n, 2)
        Polygons, px, known not to be shaft: a card, a rule.
    width : ExpectedWidth, optional
        What diameter and scale tell of their distance.
    """

    prior: Prior = field(default_factory=Prior)
    normal: FloatArray | None = None
    avoid: tuple[FloatArray, ...] = ()
    width: ExpectedWidth | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedSide:
    """A side of the outline.

    Parameters
    ----------
    base : Baseline
        Line near the side.
    s : ndarray
        Positions along it, px, over which the side was fitted.
    fit : SilhouetteFit
        Its offset from the line over these.
    u_px, tilt_u_px : float
        Standard uncertainty of that offset, and of its change from the middle to the ends.
    """

    base: Baseline
    s: FloatArray
    fit: SilhouetteFit
    u_px: float
    tilt_u_px: float

    @property
    def silhouette(self) -> Silhouette:
        """The side as the steps that follow want it."""
        return Silhouette(points_px=self.points_px, u_px=self.u_px, tilt_u_px=self.tilt_u_px)

    @property
    def points_px(self) -> FloatArray:
        """Points on the side, one for each segment that bears it out, shape (n, 2)."""
        count = self.fit.agree.size
        t = np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)
        middle = self.s[0] + (np.arange(count) + 0.5) * (len(self.s) / count)
        points = self.base.to_photo(middle, self.fit.at(t))
        return points[self.fit.agree] if self.fit.agree.sum() > 1 else points  # a line takes two


def fit_sides(
    photo: Photo,
    bases: tuple[Baseline, Baseline],
    lands: tuple[tuple[float, float], tuple[float, float]],
    *,
    width_px: float,
    first_px: float,
    known: Known,
) -> tuple[FittedSide, FittedSide] | None:
    """Fit both sides of an outline, the fainter one with what the plainer tells of it.

    Parameters
    ----------
    photo : Photo
        In which they lie.
    bases : tuple of two Baseline
        Through the sides, to some 5 px; positions along them grow into the shaft.
    lands : tuple of two (float, float)
        Positions along these between which the sides are sought.
    width_px : float
        Distance of the sides.
    first_px : float
        Length at the beginning that is land for certain.
    known : Known

    Returns
    -------
    tuple of two FittedSide, or None
        None where one of them cannot be seen, or lies where the lens folds the picture over.
    """

    def fit(k: int, base: Baseline, prior: Prior, most_blur_px: float) -> FittedSide | None:
        return _fit_side(
            photo, base, lands[k], width_px=width_px, first_px=first_px, prior=prior,
            most_blur_px=most_blur_px, avoid=known.avoid,
        )  # fmt: skip

    sides = [fit(k, bases[k], known.prior, math.inf) for k in (0, 1)]
    if sides[0] is None or sides[1] is None:
        return None
    found = [sides[0], sides[1]]
    if not all(np.isfinite(side.base.camera.rays(side.points_px)).all() for side in found):
        return None
    plain = int(found[1].u_px < found[0].u_px)
    blur = _SOFTER * min(side.fit.blur_px for side in found)
    faint = found[1 - plain]
    if known.normal is not None:
        offset = float(faint.fit.at(np.zeros(1))[0])
        base, tilt_u_px = parallel_line(
            found[plain].points_px, faint.base, faint.s, offset, known.normal
        )
        tied = replace(known.prior, tilt_u_px=tilt_u_px)
        again = fit(1 - plain, base, tied, blur)
    else:
        again = (
            fit(1 - plain, bases[1 - plain], known.prior, blur)
            if faint.fit.blur_px > blur
            else None
        )
    found[1 - plain] = again or faint
    return found[0], found[1]


def parallel_line(
    plain_px: FloatArray, base: Baseline, s: FloatArray, offset_px: float, normal: FloatArray
) -> tuple[Baseline, float]:
    """Line through the middle of a faint side, parallel in space to the plain one.

    Parameters
    ----------
    plain_px : ndarray, shape (n, 2)
        Points on the plain side.
    base : Baseline
        Line near the faint side.
    s : ndarray
        Positions along it over which the side goes.
    offset_px : float
        Offset of the side in its middle.
    normal : ndarray, shape (3,)
        To which the shaft's axis is square; see `Known`.

    Returns
    -------
    Baseline
    float
        Standard uncertainty of its tilt, px at the ends of the faint side.
    """
    camera = base.camera
    silhouette = plane_of_rays(camera.rays(plain_px))
    middle = np.array([(s[0] + s[-1]) / 2.0])
    ray = camera.rays(base.to_photo(middle, np.array([offset_px])))[0]

    def slope(square_to: FloatArray) -> float:
        direction = np.cross(silhouette, square_to)
        direction = 0.1 * direction / np.linalg.norm(direction)
        along, across = base.from_photo(camera.project(ray + np.array([direction, -direction])))
        return float((across[0] - across[1]) / (along[0] - along[1]))

    here = slope(normal)
    axis = np.cross(silhouette, normal)
    askew = slope(normal + math.tan(_ASKEW_RAD) * axis / np.linalg.norm(axis))
    half = (s[-1] - s[0]) / 2.0
    tilt_u_px = math.hypot(half * (askew - here), SYSTEMATIC_U_PX)
    return base.moved(offset_px - here * float(middle[0]), here), tilt_u_px


def _fit_side(
    photo: Photo,
    base: Baseline,
    land: tuple[float, float],
    *,
    width_px: float,
    first_px: float,
    prior: Prior,
    most_blur_px: float = math.inf,
    avoid: Sequence[FloatArray] = (),
) -> FittedSide | None:
    """Fit the side of the outline next to a line, as far as one line goes on from the end."""

    def fitted(s: FloatArray) -> _Along | None:
        return _fit_along(photo, base, s, prior, most_blur_px, avoid)

    whole = np.arange(*land)
    first = max(round(first_px), _LEAST_SEGMENTS * silhouette_fit.SEGMENT_PX)
    found = fitted(whole)
    segments = math.ceil(first / silhouette_fit.SEGMENT_PX)
    near = 0.0 if found is None else found.search.agree[:segments].mean()
    if near < _HALF and first < len(whole):  # a longer part beyond the land won
        shorter = fitted(whole[:first])
        if shorter is not None and shorter.search.agree.mean() > _LAND_SHARE:
            found, whole = shorter, whole[:first]
    if found is None or found.search.agree.size < 2:  # one segment tells no direction
        return None
    length = _land_length(found.search)
    if length < found.search.agree.size:
        whole = whole[: length * (len(whole) // found.search.agree.size)]
        found = fitted(whole)
        if found is None:
            return None
    middle_px = float(np.median([fit.middle_px for fit in found.fits]))
    fading = fading_share(found.profile, _SEARCH.offsets_px - middle_px)
    return _joined(found.base, whole, found.fits, prior, fading * width_px)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Along:
    """An edge along a stretch: a line beside it, its mean profile, what the search saw, the fits.

    The search, which looks further to either side, tells best where another edge takes over.
    """

    base: Baseline
    profile: FloatArray
    search: SilhouetteFit
    fits: list[SilhouetteFit]


def _joined(
    line: Baseline, s: FloatArray, fits: list[SilhouetteFit], prior: Prior, fading_px: float
) -> FittedSide:
    """The median of the fits; their spread joins the uncertainty.

    `fading_px` is the width of a shaft that fades into the ground on this side, else 0.
    """
    middles = np.array([fit.middle_px for fit in fits])
    tilts = np.array([fit.tilt_px for fit in fits])
    first = fits[0]
    fit = replace(
        first,
        offset_px=float(np.median(middles)) - 2.0 / 3.0 * first.bow_px + _FADING_PART * fading_px,
        tilt_px=float(np.median(tilts)),
    )
    spread = _SPREAD_U * 0.5
    fading_u_px = _FADING_U * fading_px
    tilt_u_px = math.hypot(
        math.sqrt(3.0) * first.u_px,  # of a straight line through even points
        spread * float(np.ptp(tilts)),
        SYSTEMATIC_U_PX,
        fading_u_px / 2.0,
    )
    return FittedSide(
        base=line,
        s=s,
        fit=fit,
        u_px=math.hypot(first.u_px, spread * float(np.ptp(middles)), SYSTEMATIC_U_PX, fading_u_px),
        tilt_u_px=1.0 / math.hypot(1.0 / tilt_u_px, 1.0 / prior.tilt_u_px),
    )


def _fit_along(
    photo: Photo,
    base: Baseline,
    s: FloatArray,
    prior: Prior,
    most_blur_px: float,
    avoid: Sequence[FloatArray],
) -> _Along | None:
    """Fits in each of `_WINDOWS` beside a line laid through the edge."""
    offsets = _SEARCH.offsets_px
    middle, half = (s[0] + s[-1]) / 2.0, max((s[-1] - s[0]) / 2.0, 1.0)
    search = None
    for _ in range(_SEARCHES):
        profiles = silhouette_fit.mean_profiles(base.read(photo, s, offsets, avoid))
        search = silhouette_fit.fit_silhouette(*profiles, _SEARCH, prior, most_blur_px)
        if search is None:
            return None
        slope = search.tilt_px / half
        base = base.moved(search.middle_px - slope * middle, slope)
        prior = replace(prior, tilt_px=prior.tilt_px - search.tilt_px)
    profiles = silhouette_fit.mean_profiles(base.read(photo, s, offsets, avoid))
    fits = []
    for window in _WINDOWS:
        rows = (offsets >= window.offsets_px[0]) & (offsets <= window.offsets_px[-1])
        found = silhouette_fit.fit_silhouette(
            profiles[0][rows], profiles[1], window, prior, most_blur_px
        )
        if found is not None:
            fits.append(found)
    known = np.isfinite(profiles[0]).all(axis=0)
    if search is None or not fits or not known.any():
        return None
    mean = profiles[0][:, known].mean(axis=1)
    return _Along(base=base, profile=mean, search=search, fits=fits)


def fading_share(profile: FloatArray, away_px: FloatArray) -> float:
    """How surely metal that is brighter than the ground fades into it.

    Parameters
    ----------
    profile : ndarray, shape (n,)
        Mean linear light of a side at
    away_px : ndarray, shape (n,)
        distances from it, outward.

    Returns
    -------
    float
        0 to 1.
    """
    near, far = _BESIDE_PX
    metal = float(profile[(away_px > -far) & (away_px < -near)].mean())
    ground = float(profile[(away_px > near) & (away_px < far)].mean())
    brighter = (metal - ground) / max(metal, ground, 1e-9)
    return float(np.clip((brighter - _FADING[0]) / (_FADING[1] - _FADING[0]), 0.0, 1.0))


def _land_length(fit: SilhouetteFit) -> int:
    """Segments before the outline leaves the common line for good.

    Three in a row must be off it after a stretch that lies on it plainly; on a faint edge
    nothing can be told.
    """
    off = ~fit.agree
    three = off[:-2] & off[1:-1] & off[2:]
    first = int(three.argmax()) if three.any() else 0
    if first >= _LEAST_SEGMENTS and fit.agree[:first].mean() > _LAND_SHARE:
        return first
    return off.size
