"""Two scales that lie at one level, as one plane: what either tells is weighed by its covariance.

Weighted least squares with the second scale as an observation of the first's plane, which is the
same as the joint estimate of both (Kalman's form of the normal equations). Their readings and
makes are independent; the lens, which they share, is left to the caller, who asks for the plane
of every camera that may be meant.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.camera import FloatArray
from calib.scale import ScalePlane

_STEP = 1e-6  # of the differences: relative distance, slopes


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class JoinedScales:
    """The plane of two scales, and how far they are from lying in one.

    Parameters
    ----------
    plane : ScalePlane
        With the first's middle and direction.
    apart : float
        By how much the second lies beyond the first's plane, seen from the camera: logarithm of
        the ratio of the distances.
    apart_u : float
        Standard uncertainty of that by the readings and makes of both.
    """

    plane: ScalePlane
    apart: float
    apart_u: float


def join_scales(first: ScalePlane, second: ScalePlane) -> JoinedScales:
    """Weigh two scales that lie in one plane.

    Parameters
    ----------
    first, second : ScalePlane
        By the same camera; the first is the one whose slopes are known better.

    Returns
    -------
    JoinedScales
    """
    ahead = _as_second_sees(first, second)
    slopes = np.column_stack(
        [
            (_as_second_sees(first.changed(step), second) - ahead) / _STEP
            for step in _STEP * np.eye(3)
        ]
    )
    spread = slopes @ first.covariance @ slopes.T + second.covariance
    gain = first.covariance @ slopes.T @ np.linalg.inv(spread)
    kept = np.eye(3) - gain @ slopes
    # Shares in the distance, and what the make of either brings into it.
    shares = float(kept[0, 0]), float(gain[0, 0])
    pair = (first, second)
    made = [share * one.made_relative_u for share, one in zip(shares, pair, strict=True)]
    own = [share * one.relative_u for share, one in zip(shares, pair, strict=True)]
    heavier = first if abs(made[0]) > abs(made[1]) else second
    covariance = kept @ first.covariance
    plane = replace(
        first.changed(-gain @ ahead),
        covariance=0.5 * (covariance + covariance.T),
        relative_u=math.hypot(*own),
        misfit=first.misfit + second.misfit,
        readings=first.readings + second.readings,
        made_relative_u=math.hypot(*made),
        made_source=heavier.made_source,
        made_distribution=heavier.made_distribution,
        made_origin=f"{heavier.made_origin}; weighed with another scale beside it",
    )
    return JoinedScales(plane=plane, apart=-float(ahead[0]), apart_u=math.sqrt(spread[0, 0]))


def _as_second_sees(plane: ScalePlane, second: ScalePlane) -> FloatArray:
    """Change of `second` that brings it into `plane`: log of its distance and two slopes."""
    normal = plane.normal
    facing = normal @ second.normal
    away = (normal @ plane.point_mm) / (normal @ second.point_mm)
    across = np.cross(second.normal, second.along)
    return np.array([math.log(away), normal @ second.along / facing, normal @ across / facing])
