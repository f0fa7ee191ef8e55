"""Flat things beside the shaft: bench, rule, printed card, and the shadow that falls on them."""

from __future__ import annotations

import math
from functools import cache

import cv2
import numpy as np
from numpy.typing import NDArray

from tests.scenes.metal import light_direction
from tests.scenes.model import FlatScale, Scene
from tests.scenes.view import Array

Image = NDArray[np.float32]

RULE_MARGIN_MM = 4.0  # of metal beyond the first and the last mark
RULE_TEXELS = 40  # per mm
MARK_WIDTH_MM = 0.2
MARK_LENGTHS_MM = (3.5, 5.0, 7.0)  # every mark, every 5th, every 10th
CARD_COLUMNS, CARD_ROWS = 16, 4
CARD_SQUARE_MM, CARD_MARKER_MM = 6.0, 4.4
CARD_MARGIN_MM = 6.0
CARD_TEXELS = 20
CARD_DICTIONARY = "DICT_4X4_100"
CARD_TOML = f"""[board]
pattern = "charuco"
columns = {CARD_COLUMNS}
rows = {CARD_ROWS}
square_mm = {CARD_SQUARE_MM}
marker_mm = {CARD_MARKER_MM}
dictionary = "{CARD_DICTIONARY}"
"""
# Drawings are smoothed so far before they are sampled, or edges would shift from pixel to pixel;
# the lens blurs by so much less afterwards. A pixel's own square counts for 0.29.
SAMPLING_SIGMA_PX, PIXEL_SIGMA_PX = 0.5, 0.29
_BENCH_TEXELS, _BENCH_STEP_MM = 1024, 0.25
_INK, _PAPER = 0.04, 0.78


def margins_mm(scale: FlatScale) -> tuple[float, float]:
    """Of the drawing before its origin, along u and along v."""
    return (RULE_MARGIN_MM, 0.0) if scale.kind == "rule" else (CARD_MARGIN_MM, CARD_MARGIN_MM)


@cache
def drawing(kind: str, seed: int, length_mm: float, width_mm: float) -> tuple[Image, int]:
    """Reflectance of a scale and texels per mm; texel (i, j) covers i/n to (i + 1)/n mm."""
    return (_rule(seed, length_mm, width_mm), RULE_TEXELS) if kind == "rule" else (
        _card(), CARD_TEXELS)  # fmt: skip


def _rule(seed: int, length_mm: float, width_mm: float) -> Image:
    generator = np.random.default_rng(seed)
    n = RULE_TEXELS
    height, width = round(width_mm * n), round((length_mm + 2.0 * RULE_MARGIN_MM) * n)
    steel, ink = generator.uniform(0.35, 0.75), generator.uniform(0.04, 0.12)
    grain = generator.standard_normal((height // 8, width // 64)).astype(np.float32)
    grain = cv2.resize(grain, (width, height), interpolation=cv2.INTER_LINEAR)
    picture = (steel * (1.0 + 0.05 * grain)).astype(np.float32)
    numerals = np.zeros((height, width), dtype=np.uint8)
    half = round(0.5 * MARK_WIDTH_MM * n)
    for mark in range(round(length_mm) + 1):
        at = round((RULE_MARGIN_MM + mark) * n)
        long = MARK_LENGTHS_MM[2 if mark % 10 == 0 else 1 if mark % 5 == 0 else 0]
        picture[: round(long * n), at - half : at + half] = ink
        if mark % 10 == 0:
            text = str(mark)
            size, _ = cv2.getTextSize(text, cv2.FONT_HERSHEY_SIMPLEX, 4.2, 14)
            cv2.putText(
                numerals, text, (at - size[0] // 2, round(11.5 * n)), cv2.FONT_HERSHEY_SIMPLEX,
                4.2, 255, 14, cv2.LINE_AA,
            )  # fmt: skip
    share = numerals.astype(np.float32) / np.float32(255.0)
    return np.asarray(picture + share * (np.float32(ink) - picture))


def _card() -> Image:
    side = round(CARD_SQUARE_MM * CARD_TEXELS)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, CARD_DICTIONARY))
    board = cv2.aruco.CharucoBoard(
        (CARD_COLUMNS, CARD_ROWS), CARD_SQUARE_MM, CARD_MARKER_MM, dictionary
    )
    drawn = board.generateImage((CARD_COLUMNS * side, CARD_ROWS * side))
    margin = round(CARD_MARGIN_MM * CARD_TEXELS)
    picture = np.pad(drawn, margin, constant_values=255).astype(np.float32) / 255.0
    return np.asarray(_INK + (_PAPER - _INK) * picture, dtype=np.float32)


@cache
def bench_texture(grain: str, seed: int) -> Image:
    """Unit-mean reflectance that repeats."""
    generator = np.random.Generator(np.random.SFC64(seed))
    total = np.zeros((_BENCH_TEXELS, _BENCH_TEXELS), dtype=np.float32)
    scales = {
        "plain": ((0.02, 1.5, 1.5), (0.03, 60.0, 60.0)),
        "mottled": ((0.04, 1.5, 1.5), (0.05, 8.0, 8.0), (0.05, 30.0, 30.0)),
        "wood": ((0.05, 40.0, 1.0), (0.10, 90.0, 6.0), (0.08, 120.0, 25.0)),
    }[grain]
    for strength, along, across in scales:
        white = generator.standard_normal(total.shape, dtype=np.float32)
        wide = cv2.copyMakeBorder(white, 256, 256, 256, 256, cv2.BORDER_WRAP)
        field = cv2.GaussianBlur(wide, (0, 0), along, None, across)[256:-256, 256:-256]
        total += strength * field / field.std()
    return np.asarray(np.exp(total))


def bench(scene: Scene, directions: Image, sigma_px: float) -> Image:
    """Light from the bench, over every pixel; `directions` of shape (3, height, width)."""
    room, eye = scene.room, scene.view.eye_mm
    t = np.float32(-room.bench_depth_mm - eye[2]) / directions[2]
    x, y = np.float32(eye[0]) + t * directions[0], np.float32(eye[1]) + t * directions[1]
    turn = 0.7 * (room.wall_seed % 7)  # the grain's direction
    c, s = np.float32(math.cos(turn)), np.float32(math.sin(turn))
    step = np.float32(1.0 / _BENCH_STEP_MM)
    texture = bench_texture(room.grain, room.wall_seed % 11)
    texture = cv2.GaussianBlur(
        texture, (0, 0), max(0.3, sigma_px / scene.px_per_mm / _BENCH_STEP_MM)
    )
    value = cv2.remap(
        texture, (c * x + s * y) * step, (c * y - s * x) * step, cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_WRAP,
    )  # fmt: skip
    value *= np.float32(room.bench)
    value *= _lit(scene, x, y, -room.bench_depth_mm)
    if room.block_mm is not None:
        first, last, half = room.block_mm
        rim = np.float32(0.5 / scene.px_per_mm + sigma_px / scene.px_per_mm)
        inside = np.minimum(np.minimum(x - first, last - x), half - np.abs(y))
        share = np.clip(0.5 + inside / (2.0 * rim), 0.0, 1.0)
        value += share * (np.float32(0.3) * _lit(scene, x, y, -0.7 * scene.shaft.radius_mm) - value)
    return value


def scale_layer(
    scene: Scene, scale: FlatScale, directions: Image, sigma_px: float
) -> tuple[Image, Image]:
    """Light and coverage of the scale over a window of pixels."""
    eye = scene.view.eye_mm
    normal = np.cross(scale.v, scale.u)
    fall = float(normal @ (scale.origin_mm - eye))
    t = np.float32(fall) / np.tensordot(normal.astype(np.float32), directions, 1)
    offset = eye - scale.origin_mm
    along = np.float32(offset @ scale.u) + t * np.tensordot(
        scale.u.astype(np.float32), directions, 1
    )
    across = np.float32(offset @ scale.v) + t * np.tensordot(
        scale.v.astype(np.float32), directions, 1
    )
    texture, texels = drawing(scale.kind, scale.seed, scale.length_mm, scale.width_mm)
    margin_u, margin_v = margins_mm(scale)
    per_mm = np.float32(texels / scale.drawn_over_nominal)
    pixel_mm = (
        float(np.median(t))
        / scene.view.focal_px
        * float(np.median(np.linalg.norm(directions, axis=0)))
    )
    texture = cv2.GaussianBlur(texture, (0, 0), max(0.3, SAMPLING_SIGMA_PX * pixel_mm * texels))
    column = along * per_mm + np.float32(margin_u * texels - 0.5)
    row = across * per_mm + np.float32(margin_v * texels - 0.5)
    value = cv2.remap(texture, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    high, wide = texture.shape
    rim = np.float32(pixel_mm * texels)
    coverage = np.clip(0.5 + np.minimum(column + 0.5, wide - 0.5 - column) / rim, 0.0, 1.0)
    coverage *= np.clip(0.5 + np.minimum(row + 0.5, high - 0.5 - row) / rim, 0.0, 1.0)
    x = np.float32(eye[0]) + t * directions[0]
    y = np.float32(eye[1]) + t * directions[1]
    value *= _lit(scene, x, y, scale.height_mm)
    if scale.kind == "rule":
        generator = np.random.default_rng(scale.seed + 1)
        at, wide_mm = generator.uniform(-10.0, scale.length_mm), generator.uniform(15.0, 60.0)
        value *= 1.0 + np.float32(generator.uniform(0.0, 0.8)) * np.exp(
            -0.5 * ((along - np.float32(at)) / np.float32(wide_mm)) ** 2
        )
    return value * coverage, coverage


def scale_corners_mm(scale: FlatScale) -> Array:
    """The rectangle's corners in the world, shape (4, 3)."""
    margin_u, margin_v = margins_mm(scale)
    length, width = scale.length_mm + 2.0 * margin_u, scale.width_mm + 2.0 * margin_v
    places = [(0.0, 0.0), (length, 0.0), (length, width), (0.0, width)]
    return np.array(
        [
            scale.origin_mm
            + scale.drawn_over_nominal * ((a - margin_u) * scale.u + (b - margin_v) * scale.v)
            for a, b in places
        ]
    )


def _lit(scene: Scene, x: Image, y: Image, z_mm: float) -> Image:
    """Irradiance on a level surface, at a quarter of the pixels: light and shadow are soft."""
    coarse = _irradiance(scene, x[::4, ::4], y[::4, ::4], z_mm)
    return cv2.resize(coarse, x.shape[::-1], interpolation=cv2.INTER_LINEAR)


def _irradiance(scene: Scene, x: Image, y: Image, z_mm: float) -> Image:
    """Diffuse light, its loss beside the shaft, lamps and the shaft's shadow."""
    room, radius = scene.room, scene.shaft.radius_mm
    beyond = np.maximum(-x, 0.0)  # how far past the end face
    side = np.hypot(np.abs(y), np.float32(0.3) * np.float32(z_mm)) - np.float32(0.6 * radius)
    near = np.hypot(np.maximum(side, 0.0), beyond)
    below = np.float32(np.clip(0.5 - 0.5 * z_mm / radius, 0.0, 1.0))
    total = np.float32(room.wall) * (
        1.0 - np.float32(0.7) * below * np.exp(-near / np.float32(0.8 * radius))
    )
    for light in room.lights:
        to = light_direction(light)
        power = np.float32(
            2.0 * light.level * light.half_around * light.half_along * max(0.05, to[2])
        )
        if to[2] < 0.1:
            total = total + power
            continue
        # The ray to the light passes the axis at this height over the surface.
        flat = math.hypot(to[1], to[2])
        miss = np.abs(y * np.float32(to[2]) - np.float32(z_mm * to[1])) / np.float32(flat)
        reach = (y * np.float32(to[1]) + np.float32(z_mm * to[2])) / np.float32(-flat * flat)
        soft = np.maximum(reach, 1.0) * np.float32(light.half_around)
        hidden = np.clip(0.5 + (np.float32(radius) - miss) / (2.0 * soft), 0.0, 1.0)
        at_x = x + reach * np.float32(to[0])
        hidden *= np.clip(0.5 + at_x / (2.0 * soft), 0.0, 1.0) * (reach > 0.0)
        total = total + power * (1.0 - hidden)
    return np.asarray(total, dtype=np.float32)
