"""Lens and board poses together by weighted, robust least squares.

The poses are eliminated from the normal equations view by view (Schur complement),
so that forty views cost little more than ten and the covariance of the nine lens
parameters includes the poses' doubt.

References
----------
Z. Zhang, "A flexible new technique for camera calibration", IEEE Transactions on
Pattern Analysis and Machine Intelligence 22 (2000) 1330-1334.
B. Triggs et al., "Bundle adjustment - a modern synthesis", LNCS 1883 (2000).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from calib.board import BoardView
from calib.camera import Camera, FloatArray
from calib.plane_map import robust_scale

BoolArray = NDArray[np.bool_]

LENS_PARAMETERS = 9
POSE_PARAMETERS = 6
_REWEIGHTINGS = 20  # of the robust start; settles in about 8
_STEPS = 30  # damped Gauss-Newton steps for one set of weights
_SETTLED_PX = 1e-4  # largest change of a projected corner at which the fit has settled
_TUKEY = 4.685  # biweight constant for 95 % efficiency (Holland & Welsch 1977)
_GROSS_SIGMA = 4.5  # a corner this far off, in robust standard deviations, is an error
_START_FOCAL_SIDES = 0.8  # focal length in long sides to begin with: a 28 mm equivalent
_FOCAL_SIDES = (0.2, 20.0)  # beyond these the closed form has failed
_BEHIND_PX = 1e6  # stands for the projection of a point behind the camera


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """Board to camera: rotation vector (rad) and translation (mm), shape (3,) each."""

    rotation: FloatArray
    translation_mm: FloatArray

    @property
    def tilt_deg(self) -> float:
        """Angle between the board's normal and the optical axis."""
        normal = cv2.Rodrigues(self.rotation)[0][:, 2]
        return float(np.degrees(np.arccos(min(1.0, abs(normal[2])))))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Bundle:
    """A fitted lens and its board poses.

    Parameters
    ----------
    camera : Camera
    poses : tuple of Pose
        One for each view.
    residuals_px : tuple of ndarray, shape (n, 2)
        Seen minus projected, all corners.
    kept : tuple of ndarray of bool, shape (n,)
        Which corners the fit used; the others are gross errors.
    unit_variance : float
        Squared residuals, each over its stated variance, per degree of freedom.
    covariance : ndarray, shape (9, 9)
        Of fx, fy, cx, cy, k1, k2, p1, p2, k3, scaled by `unit_variance`.
    """

    camera: Camera
    poses: tuple[Pose, ...]
    residuals_px: tuple[FloatArray, ...]
    kept: tuple[BoolArray, ...]
    unit_variance: float
    covariance: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _State:
    """A trial: camera, poses, and what they leave (seen minus projected, pixels)."""

    camera: Camera
    poses: tuple[Pose, ...]
    residuals: tuple[FloatArray, ...]


def fit_bundle(views: Sequence[BoardView], start: Camera) -> Bundle:
    """Fit one lens and one pose per view, gross errors left out.

    Parameters
    ----------
    views : sequence of BoardView
        Three or more, tilted differently.
    start : Camera
        Where to begin; also gives the size of the grid.

    Notes
    -----
    Reweighted by Tukey's biweight until settled; then corners beyond 4.5 robust
    standard deviations are dropped and the rest fitted by plain weighted least squares,
    whose covariance is the usual one.
    """
    state = _state(views, start, [place_board(start, view) for view in views])
    for _ in range(_REWEIGHTINGS):
        state, moved_px = _settle(views, state, _biweights(views, state), steps=2)
        if moved_px < _SETTLED_PX:
            break
    kept = tuple(distance < _GROSS_SIGMA for distance in _distances(views, state))
    weights = [keep.astype(float) for keep in kept]
    state, _ = _settle(views, state, weights, steps=_STEPS)
    return _finish(views, state, kept)


def start_camera(views: Sequence[BoardView], width_px: int, height_px: int) -> Camera:
    """A rough camera from the views' homographies, or a usual one where they do not tell."""
    objects = [view.object_mm.astype(np.float32) for view in views]
    pixels = [view.corners_px.astype(np.float32) for view in views]
    matrix = cv2.initCameraMatrix2D(objects, pixels, (width_px, height_px), 1.0)
    long_side = max(width_px, height_px)
    focal = float(matrix[0, 0])
    if not _FOCAL_SIDES[0] * long_side < focal < _FOCAL_SIDES[1] * long_side:  # or NaN
        focal = _START_FOCAL_SIDES * long_side
    return Camera(
        width_px=width_px,
        height_px=height_px,
        fx_px=focal,
        fy_px=focal,
        cx_px=(width_px - 1) / 2.0,
        cy_px=(height_px - 1) / 2.0,
    )


def place_board(camera: Camera, view: BoardView) -> Pose:
    """Pose of one board, corners weighted alike, by the planar closed form and refinement."""
    ideal = camera.undistort(view.corners_px)
    _, rotation, translation = cv2.solvePnP(
        view.object_mm, ideal, np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    rotation, translation = cv2.solvePnPRefineLM(
        view.object_mm, ideal, np.eye(3), None, rotation, translation
    )
    return Pose(rotation=np.ravel(rotation), translation_mm=np.ravel(translation))


def _state(views: Sequence[BoardView], camera: Camera, poses: Sequence[Pose]) -> _State:
    residuals = []
    for view, pose in zip(views, poses, strict=True):
        turn = cv2.Rodrigues(pose.rotation)[0]
        seen = camera.project(view.object_mm @ turn.T + pose.translation_mm)
        residuals.append(view.corners_px - np.nan_to_num(seen, nan=_BEHIND_PX))
    return _State(camera=camera, poses=tuple(poses), residuals=tuple(residuals))


def _distances(views: Sequence[BoardView], state: _State) -> list[FloatArray]:
    """Length of each residual in robust standard deviations of one coordinate."""
    normalised = [r / v.u_px[:, None] for v, r in zip(views, state.residuals, strict=True)]
    scale = max(robust_scale(np.concatenate(normalised)), 1e-9)
    return [np.linalg.norm(z, axis=-1) / scale for z in normalised]


def _biweights(views: Sequence[BoardView], state: _State) -> list[FloatArray]:
    return [
        (1.0 - np.minimum(distance / _TUKEY, 1.0) ** 2) ** 2
        for distance in _distances(views, state)
    ]


def _cost(views: Sequence[BoardView], state: _State, weights: Sequence[FloatArray]) -> float:
    parts = zip(views, state.residuals, weights, strict=True)
    return sum(float(np.sum(w * np.sum(r**2, axis=-1) / v.u_px**2)) for v, r, w in parts)


def _settle(
    views: Sequence[BoardView], state: _State, weights: Sequence[FloatArray], *, steps: int
) -> tuple[_State, float]:
    """Damped Gauss-Newton (Levenberg-Marquardt); also the last change of a corner in px."""
    damping, cost, moved_px = 1e-4, _cost(views, state, weights), 0.0
    for _ in range(steps):
        blocks = _normal_blocks(views, state, weights)
        lens_step, pose_steps, moved_px = _step(blocks, damping)
        poses = [_moved(pose, step) for pose, step in zip(state.poses, pose_steps, strict=True)]
        trial = _state(views, state.camera.shifted(lens_step), poses)
        trial_cost = _cost(views, trial, weights)
        if trial_cost < cost:
            state, cost, damping = trial, trial_cost, damping / 10.0
        else:
            damping *= 10.0
        if moved_px < _SETTLED_PX:
            break
    return state, moved_px


def _jacobian(view: BoardView, camera: Camera, pose: Pose) -> FloatArray:
    """Derivatives of the pixels by pose (6) and lens (9), shape (2n, 15)."""
    matrix = np.array(
        [[camera.fx_px, 0.0, camera.cx_px], [0.0, camera.fy_px, camera.cy_px], [0.0, 0.0, 1.0]]
    )
    _, jacobian = cv2.projectPoints(
        view.object_mm, pose.rotation, pose.translation_mm, matrix, np.array(camera.distortion)
    )
    return np.asarray(jacobian[:, : POSE_PARAMETERS + LENS_PARAMETERS])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Block:
    """One view's derivatives and its part of the normal equations (pose first, then lens)."""

    jacobian: FloatArray
    normal: FloatArray
    gradient: FloatArray


def _normal_blocks(
    views: Sequence[BoardView], state: _State, weights: Sequence[FloatArray]
) -> list[_Block]:
    blocks = []
    parts = zip(views, state.poses, state.residuals, weights, strict=True)
    for view, pose, residual, weight in parts:
        jacobian = _jacobian(view, state.camera, pose)
        weighted = jacobian * np.repeat(weight / view.u_px**2, 2)[:, None]
        blocks.append(
            _Block(
                jacobian=jacobian,
                normal=weighted.T @ jacobian,
                gradient=weighted.T @ residual.ravel(),
            )
        )
    return blocks


def _reduce(block: _Block, damping: float) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """A view's share for the lens alone (matrix, right side), its pose's inverse and coupling."""
    normal = block.normal + damping * np.diag(np.diag(block.normal))
    pose, lens = slice(0, POSE_PARAMETERS), slice(POSE_PARAMETERS, None)
    to_pose, coupling = _inverse(normal[pose, pose]), normal[pose, lens]
    cross = coupling.T @ to_pose
    matrix = normal[lens, lens] - cross @ coupling
    right = block.gradient[lens] - cross @ block.gradient[pose]
    return matrix, right, to_pose, coupling


def _step(blocks: Sequence[_Block], damping: float) -> tuple[FloatArray, list[FloatArray], float]:
    """One damped step: of the lens, of each pose, and the largest change of a corner in px."""
    parts = [_reduce(block, damping) for block in blocks]
    matrix = np.sum([part[0] for part in parts], axis=0)
    lens_step = _inverse(matrix) @ np.sum([part[1] for part in parts], axis=0)
    pose_steps, moved_px = [], 0.0
    for block, (_, _, to_pose, coupling) in zip(blocks, parts, strict=True):
        step = to_pose @ (block.gradient[:POSE_PARAMETERS] - coupling @ lens_step)
        change_px = block.jacobian @ np.concatenate([step, lens_step])
        pose_steps.append(step)
        moved_px = max(moved_px, float(np.abs(change_px).max()))
    return lens_step, pose_steps, moved_px


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of a positive definite matrix whose parameters differ much in size."""
    size = np.sqrt(np.maximum(np.diag(matrix), 1e-300))
    return np.asarray(np.linalg.pinv(matrix / np.outer(size, size)) / np.outer(size, size))


def _moved(pose: Pose, step: FloatArray) -> Pose:
    return Pose(rotation=pose.rotation + step[:3], translation_mm=pose.translation_mm + step[3:])


def _finish(views: Sequence[BoardView], state: _State, kept: tuple[BoolArray, ...]) -> Bundle:
    weights = [keep.astype(float) for keep in kept]
    blocks = _normal_blocks(views, state, weights)
    matrix = np.sum([_reduce(block, 0.0)[0] for block in blocks], axis=0)
    values = 2 * sum(int(np.count_nonzero(keep)) for keep in kept)
    free = max(values - LENS_PARAMETERS - POSE_PARAMETERS * len(views), 1)
    unit_variance = _cost(views, state, weights) / free
    return Bundle(
        camera=state.camera,
        poses=state.poses,
        residuals_px=state.residuals,
        kept=kept,
        unit_variance=unit_variance,
        covariance=unit_variance * _inverse(matrix),
    )
