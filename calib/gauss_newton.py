"""Nonlinear least squares for a handful of unknowns: damped Gauss-Newton with differences."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from calib.camera import FloatArray
from calib.errors import ScaleUnreadableError

_ITERATIONS = 25


def gauss_newton(
    residuals: Callable[[FloatArray], FloatArray], start: FloatArray, steps: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Minimise a sum of squares; returns the state, its Jacobian and the residuals.

    Raises
    ------
    ScaleUnreadableError
        Where the lens folds the picture over, so that a residual has no value.
    """
    state = start.copy()
    rest = residuals(state)
    for _ in range(_ITERATIONS):
        jacobian = np.stack(
            [
                (residuals(state + np.eye(state.size)[i] * s) - rest) / s
                for i, s in enumerate(steps)
            ],
            axis=1,
        )
        if not np.isfinite(jacobian).all() or not np.isfinite(rest).all():
            raise ScaleUnreadableError(
                "Through this lens, some marks of the scale have no place in space.",
                "Give the lens file of the camera that took the photo.",
            )
        change = np.linalg.lstsq(jacobian, -rest, rcond=None)[0]
        for damping in (1.0, 0.3, 0.1, 0.03):
            trial = state + damping * change
            trial_rest = residuals(trial)
            if trial_rest @ trial_rest < rest @ rest:
                break
        else:
            break
        improved = float(rest @ rest - trial_rest @ trial_rest)
        state, rest = trial, trial_rest
        if improved < 1e-10 * float(rest @ rest) + 1e-12:
            break
    return state, jacobian, rest
