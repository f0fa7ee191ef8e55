"""From light on the sensor to the file that a phone writes."""

from __future__ import annotations

import io
import math
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import ExifTags, Image

from tests.scenes.model import Sensor

Light = NDArray[np.float32]

MAKE, MODEL = "Bench", "Elevator shaft camera"
_CODES = 4096
_BLUR_RATIO = 1.35
_TAKEN = "2026:05:04 10:11:12"


def disc_sigma_px(sensor: Sensor, focal_px: float, depth_mm: Light | float) -> Light | float:
    """Standard deviation of the whole blur: lens, and the disc of a thin lens out of focus."""
    disc = (
        sensor.aperture_mm * focal_px * np.abs(depth_mm - sensor.focus_mm)
        / (depth_mm * sensor.focus_mm)
    )  # fmt: skip
    return np.hypot(sensor.optics_sigma_px, 0.25 * disc)  # a disc's is a quarter of its diameter


def blur(layers: list[Light], sigma_px: Light) -> list[Light]:
    """Blur each layer by a standard deviation that varies over the window."""
    low, high = float(sigma_px.min()), float(sigma_px.max())
    count = max(1, math.ceil(math.log(max(high / low, 1.0001)) / math.log(_BLUR_RATIO)))
    sigmas = np.geomspace(low, high, count + 1) if high > 1.01 * low else np.array([low])
    totals = [np.zeros_like(layer) for layer in layers]
    for number, sigma in enumerate(sigmas):
        weight = np.ones_like(sigma_px)
        variance = sigma_px * sigma_px
        if number > 0:
            below = sigmas[number - 1] ** 2
            weight = np.minimum(weight, (variance - below) / (sigma**2 - below))
        if number + 1 < len(sigmas):
            above = sigmas[number + 1] ** 2
            weight = np.minimum(weight, (above - variance) / (above - sigma**2))
        weight = np.clip(weight, 0.0, 1.0)
        for index, layer in enumerate(layers):
            totals[index] += weight * cv2.GaussianBlur(layer, (0, 0), float(sigma))
    return totals


def expose(light: Light, sensor: Sensor) -> Light:
    """Fall-off toward the corners, photon and read noise."""
    height, width = light.shape
    y = (np.arange(height, dtype=np.float32) / height - 0.5)[:, None]
    x = (np.arange(width, dtype=np.float32) / width - 0.5)[None, :]
    light = light * (1.0 - np.float32(2.0 * sensor.vignette) * (x * x + y * y))
    generator = np.random.Generator(np.random.SFC64(sensor.noise_seed))
    noise = generator.standard_normal(light.shape, dtype=np.float32)
    if sensor.noise_grain_px > 0.0:
        noise = cv2.GaussianBlur(noise, (0, 0), sensor.noise_grain_px)
    spread = np.sqrt(
        np.maximum(light, 0.0) / np.float32(sensor.full_well) + np.float32(sensor.read_noise**2)
    )
    return np.asarray(np.clip(light + spread * noise, 0.0, 1.0))


def encode(light: Light, sensor: Sensor) -> NDArray[np.uint8]:
    """Tone curve (sRGB, IEC 61966-2-1, then the maker's contrast) and sharpening."""
    codes = np.arange(_CODES) / (_CODES - 1.0)
    tone = np.where(codes <= 0.0031308, 12.92 * codes, 1.055 * codes ** (1.0 / 2.4) - 0.055)
    tone = tone - sensor.tone * np.sin(2.0 * np.pi * tone) / (2.0 * np.pi)
    table = (255.0 * tone).astype(np.float32)
    picture = table[(light * (_CODES - 1) + 0.5).astype(np.uint16)]
    if sensor.sharpen > 0.0:
        picture += np.float32(sensor.sharpen) * (picture - cv2.GaussianBlur(picture, (0, 0), 1.2))
    return np.asarray(np.clip(picture + 0.5, 0.0, 255.0).astype(np.uint8))


def write_photo(path: Path, grey: NDArray[np.uint8], sensor: Sensor) -> None:
    """Write a JPEG with what a phone's EXIF says of itself."""
    exif = Image.Exif()
    exif[ExifTags.Base.Make] = MAKE
    exif[ExifTags.Base.Model] = MODEL
    exif[ExifTags.Base.Orientation] = sensor.orientation
    exif[ExifTags.Base.DateTime] = _TAKEN
    detail = exif.get_ifd(ExifTags.IFD.Exif)
    detail[ExifTags.Base.DateTimeOriginal] = _TAKEN
    detail[ExifTags.Base.FocalLengthIn35mmFilm] = max(1, round(sensor.focal_35mm))
    data = io.BytesIO()
    Image.fromarray(grey).save(data, "JPEG", quality=sensor.quality, exif=exif)
    path.write_bytes(data.getvalue())
