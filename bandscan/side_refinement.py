"""Place both sides of the outline that was chosen as well as the photo allows.

Outlines are compared by a fit of simple edges, which tells true sides from other lines but is drawn
inwards where metal fades into the ground. The one chosen is fitted again with as little as can be
presumed of how metal is shaded (see `bandscan.shading_fit`). Neither model holds everywhere: the
result is their mixture, each by its weight; where metal fades, the second alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bandscan import edge_fit, shading_fit, silhouette_fit
from bandscan.edge_fit import Baseline
from bandscan.model import Outline, Photo, Silhouette
from bandscan.shading_fit import ShadingFit
from bandscan.side_fit import SYSTEMATIC_U_PX, Known, fading_share, parallel_line
from bandscan.silhouette_fit import Prior
from calib.camera import Camera, FloatArray

_STRAYED_PX = 1.5  # from the line of the first fit: it is fitted again about one through it
_FITS = 3
_HALF_SEGMENT_PX = silhouette_fit.SEGMENT_PX / 2.0  # an outline's points lie amid its segments
_SOFTER = 1.25  # times the blur of the other side, which lies as deep in the picture
# Next to its outline metal mirrors what lies behind it, turned by twice the slope of its surface.
# Where that is even ground up to a turn of 10 degrees before something brighter, metal is as bright
# as the ground within (1 - cos 5 degrees) / 2 of the width, and no profile shows the outline: own
# derivation; how far ground is even, common practice, no published source. The rms error of 25 such
# sides, ray-cast and rendered, is as large.
_FADING_U = 0.5 * (1.0 - math.cos(math.radians(5.0)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Side:
    """A side: a line beside it, positions along that, its fit, and how surely it fades (0 to 1)."""

    base: Baseline
    s: FloatArray
    fit: ShadingFit
    fading: float

    @property
    def points_px(self) -> FloatArray:
        """Points on it, one for each segment."""
        count = self.fit.agree.size
        t = np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)
        middle = self.s[0] + (np.arange(count) + 0.5) * (len(self.s) / count)
        return self.base.to_photo(middle, self.fit.at(t))

    def mixed_with(self, other: Silhouette, width_px: float) -> Silhouette:
        """The side as the steps that follow want it, together with an earlier fit of it.

        `width_px` is the distance of the sides.
        """
        count = self.fit.agree.size
        t = np.linspace(-1.0, 1.0, count) if count > 1 else np.zeros(1)
        s, offset = self.base.from_photo(other.points_px)
        half = max((self.s[-1] - self.s[0]) / 2.0, 1.0)
        at = (s - (self.s[0] + self.s[-1]) / 2.0) / half
        slope = float(np.polyfit(at, offset, 1)[0]) if at.size > 1 else 0.0
        fading_u_px = _FADING_U * self.fading * width_px
        middle, u_px = _mixture(
            (self.fit.middle_px, math.hypot(self.fit.u_px, SYSTEMATIC_U_PX, fading_u_px)),
            (float((offset - slope * at).mean()), other.u_px),
            1.0 - self.fading,
        )
        tilt, tilt_u_px = _mixture(
            (self.fit.tilt_px, math.hypot(self.fit.tilt_u_px, SYSTEMATIC_U_PX, fading_u_px / 2.0)),
            (slope, other.tilt_u_px),
            1.0 - self.fading,
        )
        place = self.fit.at(t) + (middle - self.fit.middle_px) + (tilt - self.fit.tilt_px) * t
        along = self.s[0] + (np.arange(count) + 0.5) * (len(self.s) / count)
        return Silhouette(
            points_px=self.base.to_photo(along, place), u_px=u_px, tilt_u_px=tilt_u_px
        )


def refine_outline(photo: Photo, camera: Camera, outline: Outline, known: Known) -> Outline:
    """The outline with its sides placed anew, the fainter with what the plainer tells of it.

    Parameters
    ----------
    photo, camera
        The photo and its lens.
    outline : Outline
        Its sides to 3 px.
    known : Known
        What else is known of them.

    Returns
    -------
    Outline
        As it was where a side cannot be fitted.
    """
    middles = [side.points_px.mean(axis=0) for side in outline.sides]
    sides = []
    for k, silhouette in enumerate(outline.sides):
        ends = silhouette.points_px[[0, -1]]
        base = edge_fit.baseline_through(camera, ends, middles[1 - k])
        reach, _ = base.from_photo(ends)
        s = np.arange(reach.min() - _HALF_SEGMENT_PX, reach.max() + _HALF_SEGMENT_PX)
        side = _fitted(photo, base, s, known.prior, math.inf, known.avoid)
        if side is None:
            return outline
        sides.append(side)
    plain = int(sides[1].fit.u_px < sides[0].fit.u_px)
    faint = sides[1 - plain]
    base, prior = faint.base, known.prior
    if known.normal is not None:
        base, tilt_u_px = parallel_line(
            sides[plain].points_px,
            faint.base,
            faint.s,
            float(faint.fit.at(np.zeros(1))[0]),
            known.normal,
        )
        prior = replace(prior, tilt_u_px=tilt_u_px)
    blur = _SOFTER * sides[plain].fit.blur_px
    sides[1 - plain] = _fitted(photo, base, faint.s, prior, blur, known.avoid) or faint
    width_px = float(np.linalg.norm(middles[1] - middles[0]))
    mixed = [side.mixed_with(old, width_px) for side, old in zip(sides, outline.sides, strict=True)]
    return replace(outline, sides=(mixed[0], mixed[1]))


def _mixture(
    one: tuple[float, float], other: tuple[float, float], belief: float
) -> tuple[float, float]:
    """Mean and standard deviation of two estimates' mixture, each weighed by 1 / u^2.

    They rest on the same pixels, so that together they are no surer than the better one. The other
    counts by `belief`, 0 to 1.
    """
    weights = np.array([one[1] ** -2, belief * other[1] ** -2])
    weights /= weights.sum()
    values, u = np.array([one[0], other[0]]), np.array([one[1], other[1]])
    mean = float(weights @ values)
    return mean, math.sqrt(float(weights @ (u**2 + (values - mean) ** 2)))


def _fitted(
    photo: Photo,
    base: Baseline,
    s: FloatArray,
    prior: Prior,
    most_blur_px: float,
    avoid: Sequence[FloatArray],
) -> _Side | None:
    """Fit a side beside a line; again about one through it where it lies far off."""
    middle, half = (s[0] + s[-1]) / 2.0, max((s[-1] - s[0]) / 2.0, 1.0)
    side = None
    for _ in range(_FITS):
        values = base.read(photo, s, shading_fit.OFFSETS_PX, avoid)
        profiles, _ = silhouette_fit.mean_profiles(values)
        fit = shading_fit.fit_shading(profiles, prior, most_blur_px)
        if fit is None:
            break
        known = np.isfinite(profiles).all(axis=0)
        mean = profiles[:, known].mean(axis=1)
        fading = fading_share(mean, shading_fit.OFFSETS_PX - fit.middle_px)
        side = _Side(base=base, s=s, fit=fit, fading=fading)
        if abs(fit.middle_px) < _STRAYED_PX:
            break
        slope = fit.tilt_px / half
        base = base.moved(fit.middle_px - slope * middle, slope)
        prior = replace(prior, tilt_px=prior.tilt_px - fit.tilt_px)
    return side
