"""Radial distortion of an uncalibrated lens from a flat scale in the photo itself.

A card's corners lie on a grid and a rule's graduations on a straight line at even steps; what
the estimated lens makes of them is bent where its distortion is wrong. One number is sought: k1,
with k2 in the proportion in which makers balance it (see `calib.lens`).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from calib.camera import Camera, FloatArray
from calib.errors import MeasureError
from calib.lens import EXIF_K1_U, EXIF_K2_PER_K1, EXIF_K2_U, LensCalibration
from calib.scale import ScalePlane

_TRIALS = np.linspace(-0.12, 0.12, 9)  # three standard uncertainties of k1 either way
_ROUNDS = 3  # of narrowing the trials round the best
_FEWEST_READINGS = 40
# Fewer degrees of freedom than readings: neighbouring marks share blur and noise.
_SHARED = 2.0
# What the proportion of k2, the centre and the decentring terms leave in k1 (rendered photos).
_MODEL_U = 0.006
# By how much k1 takes up a departure of k2 from its proportion, per unit of it: from simulated
# scales that reach 0.4 to 0.65 off the optical axis (tangent).
_K2_LEAK = 0.65


def bend_to_scale(
    lens: LensCalibration, planes: list[Callable[[Camera], ScalePlane]]
) -> LensCalibration:
    """Fit the radial distortion of an estimated lens to the scales of a photo.

    Parameters
    ----------
    lens : LensCalibration
        Estimated from EXIF or assumed; one from a file is returned as it is.
    planes : list of callable
        For each scale, its plane for a given camera.

    Returns
    -------
    LensCalibration
        With k1 and k2 fitted and their covariance narrowed; unchanged where no scale tells.
    """
    if lens.source == "file" or not planes:
        return lens

    def cost(k1: float) -> float:
        camera = _bent(lens.camera, k1)
        total = (k1 / EXIF_K1_U) ** 2
        for plane in planes:
            try:
                placed = plane(camera)
            except MeasureError:
                return math.inf
            total += placed.misfit / _SHARED
        return total

    readings = sum(plane(lens.camera).readings for plane in planes)
    if readings < _FEWEST_READINGS:
        return lens
    best, costs, trials = _search(cost)
    excess = max(1.0, costs.min() * _SHARED / readings)
    costs = costs / excess
    curvature = _curvature(trials, costs)
    if not math.isfinite(curvature) or curvature <= 0.0:
        return lens
    variance = 2.0 / curvature + _MODEL_U**2
    covariance = np.array(lens.covariance)
    leak, rest = _K2_LEAK * EXIF_K2_U, (1.0 - EXIF_K2_PER_K1 * _K2_LEAK) * EXIF_K2_U
    covariance[4, 4] = variance + leak**2
    covariance[4, 5] = covariance[5, 4] = EXIF_K2_PER_K1 * variance - leak * rest
    covariance[5, 5] = EXIF_K2_PER_K1**2 * variance + rest**2
    return replace(lens, camera=_bent(lens.camera, best), covariance=covariance)


def _bent(camera: Camera, k1: float) -> Camera:
    return replace(camera, distortion=(k1, EXIF_K2_PER_K1 * k1, 0.0, 0.0, 0.0))


def _search(cost: Callable[[float], float]) -> tuple[float, FloatArray, FloatArray]:
    """Least cost over ever narrower trials; the last trials and their costs."""
    trials = _TRIALS
    costs = np.array([cost(float(k1)) for k1 in trials])
    for _ in range(_ROUNDS):
        best = float(trials[int(np.argmin(costs))])
        half = float(trials[1] - trials[0])
        trials = np.linspace(best - half, best + half, 5)
        costs = np.array([cost(float(k1)) for k1 in trials])
    return float(trials[int(np.argmin(costs))]), costs, trials


def _curvature(trials: FloatArray, costs: FloatArray) -> float:
    """Second derivative of the cost by a parabola through the trials."""
    if not np.isfinite(costs).all():
        return math.nan
    return float(2.0 * np.polyfit(trials - trials.mean(), costs, 2)[0])
