"""The camera of the renderer: an ideal thin lens whose picture covers the field of the real one."""

from __future__ import annotations

from pathlib import Path

import mitsuba as mi
import numpy as np
from camera_model import Lens, Pose, ideal_of_distorted
from numpy.typing import NDArray
from parts import Scene
from scales import scale_outline_mm
from scene import describe
from scipy.ndimage import gaussian_filter
from shots import Shot

RENDER_ZOOM = 1.0  # pixels of the ideal picture per stored pixel, in the middle
SPARE_PX = 6  # for the resampling kernel
MARGIN_MM = 7.0  # bench round shaft and scale that is rendered as well as they are
COARSE_SHARE, COARSE_SIGMA_PX, FADE_PX = 4, 3.0, 60.0


def ideal_size(lens: Lens) -> tuple[int, int]:
    """Return width and height of an ideal picture, centred, that covers the lens's field."""
    u = np.linspace(-1.0, lens.width_px, 200)
    v = np.linspace(-1.0, lens.height_px, 150)
    rim_u = np.concatenate([u, u, np.full_like(v, u[0]), np.full_like(v, u[-1])])
    rim_v = np.concatenate([np.full_like(u, v[0]), np.full_like(u, v[-1]), v, v])
    x, y = ideal_of_distorted(
        lens, (rim_u - lens.cx_px) / lens.fx_px, (rim_v - lens.cy_px) / lens.fy_px
    )
    half_cols, half_rows = (
        int(np.ceil(np.abs(c).max() * lens.fx_px * RENDER_ZOOM)) + SPARE_PX for c in (x, y)
    )
    return 2 * half_cols, 2 * half_rows


def camera(
    lens: Lens,
    pose: Pose,
    focus_mm: float,
    *,
    window: tuple[int, int, int, int],
    spp: int,
) -> Scene:
    """Return a thin-lens camera for a window (first column, first row, columns, rows)."""
    size = ideal_size(lens)
    right, down, ahead = pose.rotation
    to_world = np.eye(4)
    to_world[:3] = np.stack([-right, -down, ahead, pose.centre_mm], axis=1)
    film: Scene = {
        "type": "hdrfilm",
        "width": size[0],
        "height": size[1],
        "pixel_format": "rgb",
        "component_format": "float32",
        "rfilter": {"type": "box"},
        "crop_offset_x": window[0],
        "crop_offset_y": window[1],
        "crop_width": window[2],
        "crop_height": window[3],
    }
    half_field = np.arctan(size[0] / (2.0 * lens.fx_px * RENDER_ZOOM))
    return {
        "type": "thinlens",
        "aperture_radius": lens.focal_mm / lens.f_number / 2.0,
        "focus_distance": focus_mm,
        "fov": float(np.degrees(2.0 * half_field)),
        "fov_axis": "x",
        "near_clip": 20.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f(to_world),
        "film": film,
        "sampler": {"type": "multijitter", "sample_count": spp},
    }


def window_of_interest(shot: Shot, lens: Lens, pose: Pose) -> tuple[int, int, int, int]:
    """Return the window of the ideal picture that holds the shaft and the scale, with a margin."""
    size = np.array(ideal_size(lens))
    if shot.shaft is None:
        return (0, 0, int(size[0]), int(size[1]))
    r = max(shot.shaft.diameter_mm, shot.shaft.shoulder_diameter_mm) / 2.0
    far = shot.shaft.length_mm
    points = [(x, y, z) for x in (-MARGIN_MM, far) for y in (-r, r) for z in (-r, r)]
    if shot.scale is not None:
        points += [tuple(p) for p in scale_outline_mm(shot.scale)]
    cam = np.array(points) @ pose.rotation.T + pose.translation_mm
    px = cam[:, :2] / cam[:, 2:] * lens.fx_px * RENDER_ZOOM + size / 2.0
    margin = MARGIN_MM / shot.view.distance_mm * lens.fx_px * RENDER_ZOOM
    low = np.clip(px.min(axis=0) - margin, 0, size).astype(int)
    high = np.clip(px.max(axis=0) + margin, 0, size).astype(int)
    return (int(low[0]), int(low[1]), int(high[0] - low[0]), int(high[1] - low[1]))


def render_ideal(
    shot: Shot,
    lens: Lens,
    pose: Pose,
    focus_mm: float,
    spp: int,
    folder: Path,
    *,
    mask: bool = False,
) -> NDArray[np.float32]:
    """Return the ideal (undistorted) linear picture, shape (rows, cols, 3).

    The bench far from shaft and scale is rendered with a quarter of the samples and smoothed
    instead: it is plain and out of focus.
    """
    scene = mi.load_dict(describe(shot, pose, folder, mask=mask))
    size = ideal_size(lens)
    window = window_of_interest(shot, lens, pose)

    def shoot(part: tuple[int, int, int, int], samples: int) -> NDArray[np.float32]:
        sensor = mi.load_dict(camera(lens, pose, focus_mm, window=part, spp=samples))
        return np.array(mi.render(scene, sensor=sensor, spp=samples, seed=shot.seed))

    fine = shoot(window, spp)
    if window[2:] == size:
        return fine
    out = shoot((0, 0, *size), max(1, spp // COARSE_SHARE))
    out = gaussian_filter(out, (COARSE_SIGMA_PX, COARSE_SIGMA_PX, 0.0))
    rows = slice(window[1], window[1] + window[3])
    cols = slice(window[0], window[0] + window[2])
    fade = np.outer(ramp(window[1], window[3], size[1]), ramp(window[0], window[2], size[0]))
    out[rows, cols] += fade[..., None].astype(np.float32) * (fine - out[rows, cols])
    return out


def ramp(first: int, count: int, whole: int) -> NDArray[np.float64]:
    """Return weights that rise from 0 over `FADE_PX` at each end that is not the picture's own."""
    at = np.arange(count)
    up = np.clip(at / FADE_PX, 0.0, 1.0) if first > 0 else np.ones(count)
    down = np.clip(at[::-1] / FADE_PX, 0.0, 1.0) if first + count < whole else np.ones(count)
    return np.minimum(up, down)
