"""From a rule's marks or a card's corners to a metric plane in front of the camera.

A rule of known pitch fixes its distance and its slope along itself by the spacing of its marks
and how it changes, and its slope across itself by how the marks' directions converge; a card
fixes its whole pose. Both give a plane in millimetres, with the covariance of the three changes
that matter to whatever lies beside it: distance, and slope about two axes.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from calib.camera import Camera, FloatArray
from calib.errors import ScaleUnreadableError
from calib.gauss_newton import gauss_newton
from calib.pose import pose_start, rotation
from calib.rule_class import origin, relative_u

# A scale is laid to be read, so it faces the camera to within some 12 degrees (standard
# uncertainty; common practice, no published source). It matters only where the marks are
# too few or too short to show their convergence.
FACING_U_RAD = math.radians(12.0)
# Print of a card: measured with a rule over 100 mm to 0.1 mm, or trusted to a printer's usual
# error.
CHECKED_PRINT_RELATIVE_U = 0.0005
UNCHECKED_PRINT_RELATIVE_U = 0.002
_FEWEST_MARKS = 8


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ScalePlane:
    """A scale's surface in the camera frame.

    Parameters
    ----------
    point_mm : ndarray, shape (3,)
        Middle of the part that was read.
    along : ndarray, shape (3,)
        Unit vector along the scale.
    normal : ndarray, shape (3,)
        Unit normal, toward the camera.
    covariance : ndarray, shape (3, 3)
        Of relative distance, slope along and slope across the scale (radians).
    mm_per_px : float
        At the middle, along the scale.
    relative_u : float
        Relative standard uncertainty of the scale itself: reading and manufacture.
    misfit : float
        Sum of squared residuals over their stated uncertainties.
    readings : int
        Number of residuals.
    made_relative_u : float
        Of `covariance`, what comes from the scale itself and not from its reading.
    made_source, made_distribution, made_origin : str
        Name of that in a budget, its distribution, and where the number comes from.
    """

    point_mm: FloatArray
    along: FloatArray
    normal: FloatArray
    covariance: FloatArray
    mm_per_px: float
    relative_u: float
    misfit: float = 0.0
    readings: int = 0
    made_relative_u: float = 0.0
    made_source: str = "rule class"
    made_distribution: str = "rectangular"
    made_origin: str = ""

    def resized(self, ratio: float) -> ScalePlane:
        """The plane were the scale `ratio` times as large as described."""
        return self.changed(np.array([ratio - 1.0, 0.0, 0.0]))

    def changed(self, change: FloatArray) -> ScalePlane:
        """The plane with relative distance and two slopes changed, `change` of shape (3,)."""
        across = np.cross(self.normal, self.along)
        normal = self.normal + change[1] * self.along + change[2] * across
        return replace(
            self,
            point_mm=self.point_mm * (1.0 + change[0]),
            normal=normal / np.linalg.norm(normal),
            mm_per_px=self.mm_per_px * (1.0 + change[0]),
        )


def plane_from_rule(
    roots_px: FloatArray,
    tips_px: FloatArray,
    *,
    pitch_mm: float,
    u_px: float,
    camera: Camera,
    rule_class: str | None = None,
) -> ScalePlane:
    """Place a rule in front of the camera by its graduations.

    Parameters
    ----------
    roots_px, tips_px : ndarray, shape (n, 2)
        Two points on each graduation, in order along the rule; NaN rows where not seen.
    pitch_mm : float
        Distance of neighbouring graduations.
    u_px : float
        Standard uncertainty of a graduation's place along the rule.
    camera : Camera
    rule_class : {"I", "II", "III"} or None
        Of the rule; see `calib.rule_class`.

    Returns
    -------
    ScalePlane

    Raises
    ------
    ScaleUnreadableError
        Fewer than 8 graduations, or no plane fits them.
    """
    seen = np.asarray(
        np.isfinite(roots_px).all(axis=1) & np.isfinite(tips_px).all(axis=1), dtype=np.bool_
    )
    if seen.sum() < _FEWEST_MARKS:
        raise ScaleUnreadableError(
            f"Only {int(seen.sum())} graduations of the rule could be read; "
            f"{_FEWEST_MARKS} are needed.",
            "Turn the lamp until the marks stand out and photograph again.",
        )
    fit = _RuleFit(roots_px, tips_px, seen, pitch_mm, camera)
    state, covariance, misfit = fit.solve(u_px)
    point, along, mark = fit.frame(state)
    normal = np.cross(along, mark)
    if normal @ point > 0.0:
        normal = -normal
    index = np.flatnonzero(seen)
    count, spread = index.size, float(index.std())
    reading = u_px / (fit.spacing_px * spread * math.sqrt(count))
    length_mm = pitch_mm * float(index[-1] - index[0])
    made_u = relative_u(rule_class, length_mm)
    covariance = covariance.copy()
    covariance[0, 0] += made_u**2
    return ScalePlane(
        point_mm=point,
        along=along,
        normal=normal,
        covariance=covariance,
        mm_per_px=_mm_per_px(camera, point, along),
        relative_u=math.hypot(reading, made_u),
        misfit=misfit,
        readings=2 * int(seen.sum()),
        made_relative_u=made_u,
        made_origin=origin(rule_class, length_mm),
    )


def plane_from_corners(
    corners_px: FloatArray,
    object_mm: FloatArray,
    u_px: FloatArray,
    *,
    camera: Camera,
    print_relative_u: float,
) -> ScalePlane:
    """Place a flat board in front of the camera by its corners.

    Parameters
    ----------
    corners_px : ndarray, shape (n, 2)
    object_mm : ndarray, shape (n, 2)
        The same corners on the board.
    u_px : ndarray, shape (n,)
        Standard uncertainty of each corner.
    camera : Camera
    print_relative_u : float
        Relative standard uncertainty of the board's own dimensions.

    Returns
    -------
    ScalePlane
        `along` is the board's longer direction.

    Raises
    ------
    ScaleUnreadableError
        The corners fit no pose.
    """
    ideal = camera.undistort(corners_px)
    middle = object_mm.mean(axis=0)
    board = object_mm - middle
    state = pose_start(ideal, board)
    focal = 0.5 * (camera.fx_px + camera.fy_px)
    weight = np.repeat(1.0 / np.maximum(u_px, 1e-3), 2)

    def residuals(pose: FloatArray) -> FloatArray:
        points = board @ rotation(pose[:3])[:, :2].T + pose[3:]
        return np.asarray(((points[:, :2] / points[:, 2:] - ideal) * focal).ravel() * weight)

    state, jacobian, rest = gauss_newton(residuals, state, np.array([1e-6] * 3 + [1e-4] * 3))
    excess = max(1.0, float(rest @ rest) / max(1, rest.size - 6))
    covariance = np.linalg.inv(jacobian.T @ jacobian) * excess
    turned = rotation(state[:3])
    long_axis = int(np.argmax(np.ptp(board, axis=0)))
    along, normal, point = turned[:, long_axis], turned[:, 2], state[3:]
    if normal @ point > 0.0:
        normal = -normal
    to_change = np.zeros((3, 6))
    to_change[0, 3:] = point / (point @ point)
    across = np.cross(normal, along)
    to_change[1, :3] = -across  # a turn about `across` tips the normal along
    to_change[2, :3] = along
    changes = to_change @ covariance @ to_change.T
    reading = math.sqrt(changes[0, 0])
    changes[0, 0] += print_relative_u**2
    return ScalePlane(
        point_mm=point,
        along=along,
        normal=normal,
        covariance=changes,
        mm_per_px=_mm_per_px(camera, point, along),
        relative_u=math.hypot(reading, print_relative_u),
        misfit=float(rest @ rest),
        readings=rest.size,
        made_relative_u=print_relative_u,
        made_source="print of the card",
        made_distribution="normal",
        made_origin="print measured over 100 mm to 0.1 mm, or else a printer's usual error "
        "(common practice)",
    )


class _RuleFit:
    """Distance, phase, direction and mark direction of a rule from its marks' lines.

    The state is (distance along the middle mark's ray, mm; phase, mm; slope of the rule out of
    and turn within the picture, rad; slope of the marks out of the picture, rad).
    """

    def __init__(
        self,
        roots_px: FloatArray,
        tips_px: FloatArray,
        seen: NDArray[np.bool_],
        pitch_mm: float,
        camera: Camera,
    ) -> None:
        index = np.flatnonzero(seen)
        self.roots = camera.undistort(roots_px[index])
        self.tips = camera.undistort(tips_px[index])
        self.focal = 0.5 * (camera.fx_px + camera.fy_px)
        middle = index.size // 2
        self.steps_mm = (index - index[middle]) * pitch_mm
        self.ray = np.append(self.roots[middle], 1.0)
        self.ray /= np.linalg.norm(self.ray)
        self.u0 = self._in_picture(self.roots[-1] - self.roots[0])
        marks = self.tips - self.roots
        self.v0 = self._in_picture(
            marks[np.argsort(np.linalg.norm(marks, axis=1))[marks.shape[0] // 2]]
        )
        self.v0 -= (self.v0 @ self.u0) * self.u0
        self.v0 /= np.linalg.norm(self.v0)
        extent = np.linalg.norm(self.roots[-1] - self.roots[0])
        spacing = extent / (index[-1] - index[0])
        self.spacing_px = float(spacing * self.focal)
        self.start = np.array([pitch_mm / spacing, 0.0, 0.0, 0.0, 0.0])

    def _in_picture(self, direction: FloatArray) -> FloatArray:
        vector = np.append(direction, 0.0)
        vector -= (vector @ self.ray) * self.ray
        return np.asarray(vector / np.linalg.norm(vector))

    def frame(self, state: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Middle point, unit direction of the rule, unit direction of its marks."""
        along = self.u0 + state[3] * self.v0 + state[2] * self.ray
        along /= np.linalg.norm(along)
        mark = self.v0 + state[4] * self.ray
        mark -= (mark @ along) * along
        return state[0] * self.ray, along, mark / np.linalg.norm(mark)

    def residuals(self, state: FloatArray) -> FloatArray:
        """Distances (px) of both ends of every mark from its line, then the facing prior."""
        point, along, mark = self.frame(state)
        origins = point + (self.steps_mm + state[1])[:, None] * along
        planes = np.cross(origins, mark)
        scale = self.focal / np.linalg.norm(planes[:, :2], axis=1)
        distances = [
            (np.einsum("ij,ij->i", planes[:, :2], ends) + planes[:, 2]) * scale
            for ends in (self.roots, self.tips)
        ]
        return np.concatenate(distances)

    def solve(self, u_px: float) -> tuple[FloatArray, FloatArray, float]:
        """State, covariance of relative distance, slope along, slope across, and misfit."""
        weight = 1.0 / u_px

        def weighted(state: FloatArray) -> FloatArray:
            return np.append(self.residuals(state) * weight, state[4] / FACING_U_RAD)

        steps = np.array([1e-4 * self.start[0], 1e-5, 1e-6, 1e-6, 1e-6])
        state, jacobian, rest = gauss_newton(weighted, self.start, steps)
        if not np.isfinite(state).all() or state[0] <= 0.0:
            raise ScaleUnreadableError(
                "The rule's graduations fit no straight rule in space.",
                "Lay the rule flat and photograph it from more nearly above.",
            )
        excess = max(1.0, float(rest @ rest) / max(1, rest.size - 6))
        covariance = np.linalg.inv(jacobian.T @ jacobian) * excess
        pick = np.zeros((3, 5))
        pick[0, 0] = 1.0 / state[0]
        pick[1, 2] = pick[2, 4] = 1.0
        return state, pick @ covariance @ pick.T, float(rest @ rest)


def _mm_per_px(camera: Camera, point: FloatArray, along: FloatArray) -> float:
    ends = camera.project(np.stack([point - 0.5 * along, point + 0.5 * along]))
    return float(1.0 / np.linalg.norm(ends[1] - ends[0]))
