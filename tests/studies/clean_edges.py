"""How near the edge fit comes to the least scatter that noise allows, on clean edges.

    python -m tests.studies.clean_edges

The bound of Cramer and Rao for the mean position x of an edge over an arc, from the noise-free
picture L and the variance v of every pixel (C. R. Rao, Bull. Calcutta Math. Soc. 37 (1945) 81;
H. Cramer, Mathematical Methods of Statistics (1946), 32.3):

    F = sum over pixels of (dL/dx)^2 / v  b b^T,   b = (1, cos a - mean, sin a - mean),
    var(x) >= (F^-1)_11,

over all of the turn that the fit uses, with the run of the edge about it unknown, as it is to
the fit. For a straight edge of
height h, blur s (px), noise n and N rows it is n / h sqrt(2 sqrt(pi) s / N) px (own derivation).
The sensor's noise and the rounding to 8 bits are in v. Metal without streaks; the true shaft
and lens are given, so that it is the fit alone that is judged.
"""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from bandscan.cylinder import ShaftPose
from bandscan.model import Photo
from bandscan.steps.bands import find_bands
from bandscan.steps.unwrap import STRIP_HALF_ANGLE_RAD, unwrap
from calib.camera import Camera
from tests.scenes import develop
from tests.scenes.chance import Wish, random_scene
from tests.scenes.compare import true_mean_mm
from tests.scenes.draw import linear_light
from tests.scenes.model import PolishedBand, Scene, Sensor
from tests.studies.sections import put, table

Array = NDArray[np.float64]

ARC = (-math.radians(45.0), math.radians(45.0))
_SHIFT_MM = 0.01  # for the derivative
_WELLS = (20000.0, 2000.0, 300.0)
_BRIGHT = 0.35  # of full scale: the metal's 98 % quantile, so that no highlight clips
_PLACES_MM = (12.0, 16.0)


def clean_scene(seed: int, full_well: float) -> Scene:
    """A shaft without streaks and one band that reflects 1.6 times as much; an ideal camera."""
    scene = random_scene(seed, Wish(scale="none", distractors=False, difficulty="easy"))
    finish = replace(scene.shaft.finish, slope_rms=0.0, rough_rms=0.0, reflectance_rms=0.0)
    band = PolishedBand(
        start_mm=_PLACES_MM[0], end_mm=_PLACES_MM[1], edge_width_mm=0.2, rough_ratio=1.0,
        slope_ratio=0.5, reflectance=1.6,
    )  # fmt: skip
    sensor = Sensor(
        optics_sigma_px=0.8, aperture_mm=1e-6, full_well=full_well, vignette=0.0, quality=100,
    )  # fmt: skip
    shaft = replace(scene.shaft, finish=finish, bands=(band,))
    return replace(scene, shaft=shaft, sensor=sensor)


def bound_mm(scene: Scene, which: str) -> float:
    """Least standard deviation of an edge's mean position."""
    band = scene.shaft.bands[0]
    name = f"{which}_mm"
    gain = _BRIGHT / _bright(scene)
    pictures = []
    for sign in (-1.0, 1.0):
        moved = replace(band, **{name: getattr(band, name) + sign * _SHIFT_MM})
        shaft = replace(scene.shaft, bands=(moved,))
        pictures.append(linear_light(replace(scene, shaft=shaft), gain).astype(float))
    slope = (pictures[1] - pictures[0]) / (2.0 * _SHIFT_MM)
    level = 0.5 * (pictures[0] + pictures[1])
    told = np.abs(slope) > 1e-4 * np.abs(slope).max()
    rows, columns = np.nonzero(told)
    angle = scene.facing - _angles(scene, rows, columns, getattr(band, name))
    inside = (np.abs(angle) < STRIP_HALF_ANGLE_RAD) & (level[told] < 0.98)
    variance = _variance(level[told], scene.sensor)
    weight = np.where(inside, slope[told] ** 2 / variance, 0.0)
    b = np.stack([np.ones_like(angle), np.cos(angle), np.sin(angle)])
    span = ARC[1] - ARC[0]
    b[1] -= (math.sin(ARC[1]) - math.sin(ARC[0])) / span
    b[2] -= (math.cos(ARC[0]) - math.cos(ARC[1])) / span
    return float(math.sqrt(np.linalg.inv((weight * b) @ b.T)[0, 0]))


def fitted_mm(scene: Scene, repeats: int) -> tuple[Array, Array]:
    """Errors and stated standard uncertainties of both edges, shape (repeats, 2)."""
    light = linear_light(scene, _BRIGHT / _bright(scene))
    camera, pose = _true_camera(scene), _true_pose(scene)
    land = (scene.shaft.edge_axial_mm, scene.shaft.bands[0].end_mm + 8.0)
    errors, stated = [], []
    for repeat in range(repeats):
        sensor = replace(scene.sensor, noise_seed=repeat + 1)
        grey = develop.encode(develop.expose(light, sensor), sensor)
        photo = Photo(path=Path("clean.jpg"), sha256="", grey=grey)
        strip = unwrap(photo, camera, pose, start_mm=-2.0, end_mm=land[1] + 2.0)
        found = find_bands(strip, land_mm=land, notches_mm=(), arc_rad=ARC).bands
        if len(found) != 1:
            continue
        truth = [true_mean_mm(scene, scene.shaft.bands[0], w, ARC) for w in ("start", "end")]
        edges = (found[0].start, found[0].end)
        errors.append([e.axial_mm - t for e, t in zip(edges, truth, strict=True)])
        stated.append([e.fit_u_mm for e in edges])
    return np.array(errors), np.array(stated)


def _bright(scene: Scene) -> float:
    return float(np.quantile(linear_light(scene, 1.0), 0.98))


def _variance(level: Array, sensor: Sensor) -> Array:
    """Of a pixel in linear light: photons, reading, and rounding to whole sRGB codes."""
    step = 1e-4
    code = [
        np.where(v <= 0.0031308, 12.92 * v, 1.055 * v ** (1.0 / 2.4) - 0.055) * 255.0
        for v in (np.maximum(level, step), np.maximum(level, step) + step)
    ]
    per_code = step / (code[1] - code[0])
    return level / sensor.full_well + sensor.read_noise**2 + per_code**2 / 12.0


def _angles(scene: Scene, rows: Array, columns: Array, axial_mm: float) -> Array:
    """Angle round the shaft of the surface that pixels near a ring see."""
    turn = scene.facing + np.linspace(-1.3, 1.3, 2001)
    radius = scene.shaft.radius_mm
    ring = np.stack(
        [np.full_like(turn, axial_mm), radius * np.sin(turn), radius * np.cos(turn)], axis=1
    )
    pixels = scene.view.pixels(ring)
    along = pixels[-1] - pixels[0]
    order = np.argsort(pixels @ along)
    return np.interp(columns * along[0] + rows * along[1], (pixels @ along)[order], turn[order])


def _true_camera(scene: Scene) -> Camera:
    view = scene.view
    return Camera(
        width_px=view.width_px, height_px=view.height_px, fx_px=view.focal_px,
        fy_px=view.focal_px, cx_px=view.centre_px[0], cy_px=view.centre_px[1],
        distortion=(view.radial[0], view.radial[1], *view.decentring, view.radial[2]),
    )  # fmt: skip


def _true_pose(scene: Scene) -> ShaftPose:
    view = scene.view
    return ShaftPose(
        origin_mm=-view.rotation @ view.eye_mm,
        direction=view.rotation @ np.array([1.0, 0.0, 0.0]),
        radius_mm=scene.shaft.radius_mm,
    )


def study(seeds: range, repeats: int) -> list[list[str]]:
    """Rows of the table: one for every scene and noise."""
    rows = []
    for seed in seeds:
        for full_well in _WELLS:
            scene = clean_scene(seed, full_well)
            bounds = [bound_mm(scene, which) for which in ("start", "end")]
            errors, stated = fitted_mm(scene, repeats)
            if len(errors) < 3:
                rows.append([str(seed), f"{full_well:.0f}", "not found", "", "", "", "", ""])
                continue
            spread = errors.std(axis=0, ddof=1)
            um = [f"{1000 * b:.1f}" for b in (*bounds, *spread)]
            rows.append(
                [str(seed), f"{full_well:.0f}", " / ".join(um[:2]), " / ".join(um[2:]),
                 f"{spread[0] / bounds[0]:.2f} / {spread[1] / bounds[1]:.2f}",
                 " / ".join(f"{1000 * m:+.1f}" for m in errors.mean(axis=0)),
                 " / ".join(f"{1000 * m:.1f}" for m in np.median(stated, axis=0)),
                 f"{len(errors)} of {repeats}"]
            )  # fmt: skip
            print(rows[-1], flush=True)
    return rows


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=3)
    parser.add_argument("--repeats", type=int, default=24)
    parser.add_argument("--seed", type=int, default=301)
    arguments = parser.parse_args()
    cv2.setNumThreads(1)
    rows = study(range(arguments.seed, arguments.seed + arguments.scenes), arguments.repeats)
    head = ["scene", "full well, e", "bound, um", "scatter, um", "scatter / bound", "bias, um",
            "stated u of fit, um", "found"]  # fmt: skip
    notes = __doc__.split("\n\n", 2)[2].replace("\n    F", "\n\n    F")
    command = (
        f"python -m tests.studies.clean_edges --scenes {arguments.scenes} "
        f"--repeats {arguments.repeats} --seed {arguments.seed}"
    )
    put(
        "clean edges",
        f"## Edge fit against the Cramer-Rao bound\n\n    {command}\n\n"
        f"Start and end of a band in {arguments.repeats} photos that differ by noise alone.\n\n"
        + table(head, rows) + "\n\n" + notes,
    )  # fmt: skip


if __name__ == "__main__":
    main()
