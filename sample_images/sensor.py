"""From the ideal linear picture to the phone's file: lens, sensor, tone curve, JPEG, EXIF."""

from __future__ import annotations

import io
from pathlib import Path

import cv2
import numpy as np
from camera_model import Lens, ideal_grid
from numpy.typing import NDArray
from PIL import Image
from scipy.ndimage import gaussian_filter, map_coordinates, spline_filter
from shots import Shot

Picture = NDArray[np.float32]

HEADROOM = 6.0  # highlights above this many times white are cut before resampling, against ringing
OPTICS_SIGMA_PX = 0.55  # blur of a phone lens and its colour mosaic, at 12 MP
VIGNETTING = 0.45  # share of the natural cos^4 fall-off that the phone leaves in
FULL_WELL_E, READ_NOISE_E = 6000.0, 3.0
LUMA_SIGMA_PX, CHROMA_SIGMA_PX = 0.45, 1.6  # in-phone noise reduction
# boards are rendered with few samples; their grain is taken out as phones do, edges kept
BOARD_SIGMA_PX, BOARD_RANGE, BOARD_REACH_PX, BOARD_KERNEL_PX = 0.8, 0.12, 2.5, 9
SHARPEN, SHARPEN_SIGMA_PX = 0.35, 1.3
WHITE_QUANTILE = 0.993
LUMA = np.array([0.2126, 0.7152, 0.0722], dtype=np.float32)  # ITU-R BT.709
QUALITIES = (93, 91, 89, 87, 85)


def through_lens(ideal: Picture, lens: Lens, zoom: float, clip: float | None) -> Picture:
    """Resample the ideal picture to the stored grid by a cubic spline at exact positions."""
    x, y = ideal_grid(lens)
    cols = x * lens.fx_px * zoom + (ideal.shape[1] - 1) / 2.0
    rows = y * lens.fy_px * zoom + (ideal.shape[0] - 1) / 2.0
    out = np.empty((lens.height_px, lens.width_px, 3), dtype=np.float32)
    for channel in range(3):
        plane = ideal[..., channel] if clip is None else np.minimum(ideal[..., channel], clip)
        plane = gaussian_filter(plane, OPTICS_SIGMA_PX * zoom)
        smooth = spline_filter(plane, order=3, output=np.float32)
        out[..., channel] = map_coordinates(
            smooth, [rows, cols], order=3, prefilter=False, mode="nearest"
        )
    return np.maximum(out, 0.0)


def fall_off(lens: Lens) -> Picture:
    """Return the relative brightness over the frame, shape (rows, cols, 1)."""
    u, v = np.meshgrid(
        np.arange(lens.width_px) - lens.cx_px, np.arange(lens.height_px) - lens.cy_px
    )
    natural = (1.0 + (u * u + v * v) / lens.fx_px**2) ** -2.0
    return (1.0 - VIGNETTING * (1.0 - natural)).astype(np.float32)[..., None]


def expose(linear: Picture, lens: Lens, shot: Shot, rng: np.random.Generator) -> Picture:
    """Return sRGB values (0..1) with vignetting, shot and read noise, denoising, sharpening."""
    light = linear * fall_off(lens)
    white = float(np.quantile((light @ LUMA)[::7, ::7], WHITE_QUANTILE))
    light *= shot.exposure * 0.92 / white
    electrons = np.clip(light, 0.0, 1.0) * FULL_WELL_E
    noisy = electrons + rng.standard_normal(light.shape, dtype=np.float32) * np.sqrt(
        electrons + READ_NOISE_E**2
    )
    coded = srgb_encode(np.clip(noisy / FULL_WELL_E, 0.0, 1.0))
    luma = coded @ LUMA
    chroma = coded - luma[..., None]
    luma = gaussian_filter(luma, BOARD_SIGMA_PX if shot.board else LUMA_SIGMA_PX)
    if shot.board:
        luma = cv2.bilateralFilter(luma, BOARD_KERNEL_PX, BOARD_RANGE, BOARD_REACH_PX)
    luma += SHARPEN * (luma - gaussian_filter(luma, SHARPEN_SIGMA_PX))
    chroma = gaussian_filter(chroma, (CHROMA_SIGMA_PX, CHROMA_SIGMA_PX, 0.0))
    return np.clip(luma[..., None] + chroma, 0.0, 1.0)


def srgb_encode(linear: Picture) -> Picture:
    """Return the sRGB transfer function of linear values (IEC 61966-2-1)."""
    return np.where(
        linear <= 0.0031308, 12.92 * linear, 1.055 * np.power(linear, 1.0 / 2.4) - 0.055
    ).astype(np.float32)


def phone_exif(lens: Lens, shot: Shot) -> Image.Exif:
    """Return the EXIF a phone would write; make and model are invented."""
    exif = Image.Exif()
    exif[0x010F], exif[0x0110], exif[0x0131] = "Demo", lens.model, "DP camera 1.4"
    exif[0x0112], exif[0x0132] = shot.view.orientation, shot.taken
    exif.get_ifd(0x8769).update(
        {
            0x829A: 1 / 60,
            0x829D: lens.f_number,
            0x8827: 100,
            0x9003: shot.taken,
            0x9004: shot.taken,
            0xA001: 1,
            0xA002: lens.width_px,
            0xA003: lens.height_px,
            0x920A: lens.focal_mm,
            0xA405: lens.focal_35mm,
            0x9207: 5,
            0xA402: 0,
            0xA403: 0,
        }
    )
    return exif


def save_jpeg(coded: Picture, path: Path, exif: Image.Exif, limit_bytes: int) -> int:
    """Write the file at the best quality that keeps it within `limit_bytes`; return the quality."""
    image = Image.fromarray(np.round(coded * 255.0).astype(np.uint8))
    for quality in QUALITIES:
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=quality, subsampling="4:2:0", exif=exif, optimize=True)
        if buffer.tell() <= limit_bytes:
            break
    path.write_bytes(buffer.getvalue())
    return quality
