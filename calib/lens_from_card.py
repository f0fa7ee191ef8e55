"""What a card in the photo tells of a lens that was only estimated.

Corners at known places on a plane show how the picture converges, and so the focal length, and
how straight lines bend, and so the distortion: the more, the more the card is tilted. The nine
parameters of the lens and the card's pose are fitted together by least squares, with what was
known of the lens before as observations (Bayes' rule for normal distributions). A strip of paper
is seldom quite flat: its bow is one more unknown.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from calib.board import BoardView
from calib.camera import Camera, FloatArray
from calib.errors import MeasureError
from calib.gauss_newton import gauss_newton
from calib.lens import LensCalibration
from calib.pose import pose_start, rotation
from calib.propagation import covariance_modes

# The focal length of a lens of which nothing is known, as the logarithm: from phones to short
# telephoto lenses (common practice, no published source).
_UNKNOWN_LOG_U = 0.7
_STARTS_LOG = (0.0, 0.4, 0.8, 1.2)  # of that of an unknown lens; the pose follows each
_BOW_MM = 0.2  # of the middle of a card against its ends: glued to a stiff strip
# Neighbouring corners share blur, noise and the unevenness of the paper.
_SHARED = 2.0
_FEWEST_CORNERS = 20
_POSE = 6


def lens_from_card(lens: LensCalibration, view: BoardView) -> LensCalibration:
    """An estimated lens with what a card in the photo says of it.

    Parameters
    ----------
    lens : LensCalibration
        Estimated from EXIF, or assumed; one from a file is returned as it is.
    view : BoardView
        The card's corners.

    Returns
    -------
    LensCalibration
        With the joint estimate and its covariance; unchanged where too few corners are seen or
        no pose fits them.
    """
    if lens.source == "file" or len(view.ids) < _FEWEST_CORNERS:
        return lens
    known = _Known.of(lens)
    best = _fit(known, view, 0.0)
    if lens.source == "assumed":
        free = replace(known, log_focal_u=_UNKNOWN_LOG_U)
        fits = [fit for start in _STARTS_LOG if (fit := _fit(free, view, start)) is not None]
        told = min(fits, key=lambda fit: fit.cost, default=None)
        if told is not None and not _is_as_assumed(told, known):
            best = told
    return lens if best is None else replace(lens, camera=best.camera, covariance=best.covariance)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Known:
    """A lens as independent normal deviates: the logarithm of the focal length, then modes.

    Parameters
    ----------
    camera : Camera
    log_focal_u : float
    modes : ndarray, shape (9, m)
        Of the covariance of the other parameters.
    """

    camera: Camera
    log_focal_u: float
    modes: FloatArray

    @classmethod
    def of(cls, lens: LensCalibration) -> _Known:
        """Of an estimated lens, whose focal length is independent of the rest."""
        rest = np.array(lens.covariance)
        rest[:2] = rest[:, :2] = 0.0
        return cls(
            camera=lens.camera,
            log_focal_u=math.sqrt(lens.covariance[0, 0]) / lens.camera.fx_px,
            modes=np.column_stack(covariance_modes(rest)),
        )

    @property
    def count(self) -> int:
        """Number of deviates."""
        return 1 + int(self.modes.shape[1])

    def lens(self, deviates: FloatArray) -> Camera:
        """The camera at given deviates, shape (count,)."""
        longer = math.exp(self.log_focal_u * deviates[0])
        moved = self.camera.shifted(self.modes @ deviates[1:])
        return replace(moved, fx_px=moved.fx_px * longer, fy_px=moved.fy_px * longer)

    def covariance(self, deviates: FloatArray, spread: FloatArray) -> FloatArray:
        """Covariance of the nine parameters from that of the deviates."""
        camera = self.lens(deviates)
        to_parameters = np.zeros((9, self.count))
        to_parameters[:2, 0] = self.log_focal_u * np.array([camera.fx_px, camera.fy_px])
        to_parameters[:, 1:] = self.modes
        return np.asarray(to_parameters @ spread @ to_parameters.T)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Fit:
    camera: Camera
    covariance: FloatArray
    cost: float


def _is_as_assumed(told: _Fit, known: _Known) -> bool:
    """Whether the focal length that a card tells is the usual one, to two standard errors."""
    u = math.sqrt(told.covariance[0, 0]) / told.camera.fx_px
    apart = math.log(told.camera.fx_px / known.camera.fx_px)
    return abs(apart) <= 2.0 * math.hypot(u, known.log_focal_u)


def _fit(known: _Known, view: BoardView, log_focal: float) -> _Fit | None:
    """Pose, bow and lens by least squares, from a first focal length; None where none fits."""
    deviates = np.zeros(known.count)
    deviates[0] = log_focal / known.log_focal_u
    middle = view.object_mm.mean(axis=0)
    board = view.object_mm - middle
    long_axis = int(np.argmax(np.ptp(board[:, :2], axis=0)))
    share = board[:, long_axis] / (0.5 * np.ptp(board[:, long_axis]))
    bow = (share**2 - np.mean(share**2)) * _BOW_MM
    weight = np.repeat(1.0 / np.maximum(view.u_px, 1e-3), 2)

    def seen(state: FloatArray) -> FloatArray:
        bent = board.copy()
        bent[:, 2] += bow * state[_POSE]
        points = bent @ rotation(state[:3]).T + state[3:_POSE]
        return known.lens(state[_POSE + 1 :]).project(points)

    def residuals(state: FloatArray) -> FloatArray:
        return np.concatenate(
            [(seen(state) - view.corners_px).ravel() * weight / noise, state[_POSE:]]
        )

    start = pose_start(known.lens(deviates).undistort(view.corners_px), board[:, :2])
    state = np.concatenate([start, [0.0], deviates])
    steps = np.array([1e-6] * 3 + [1e-4] * 3 + [1e-3] * (1 + known.count))
    noise = 1.0
    try:
        state, _, rest = gauss_newton(residuals, state, steps)
        corners = rest[: weight.size]
        excess = float(corners @ corners) / max(1, corners.size - _POSE)
        noise = math.sqrt(_SHARED * max(1.0, excess))  # how well they keep to any pose
        state, jacobian, rest = gauss_newton(residuals, state, steps)
        spread = np.asarray(np.linalg.inv(jacobian.T @ jacobian), dtype=float)
    except (MeasureError, np.linalg.LinAlgError):
        return None
    own = slice(_POSE + 1, None)
    return _Fit(
        camera=known.lens(state[own]),
        covariance=known.covariance(state[own], spread[own, own]),
        cost=float(rest @ rest),
    )
