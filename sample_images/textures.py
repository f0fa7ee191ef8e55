"""Bitmaps of the scene: ground metal, bench, rule, card and room, all seeded.

Arrays are float32 [row, col] or [row, col, channel]; linear reflectance unless said otherwise.
"""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy.ndimage import gaussian_filter
from scipy.special import ndtr
from shots import Band, Scale, Shaft, Stain

Image32 = NDArray[np.float32]
Rng = np.random.Generator

AXIAL_TEXEL_MM = 0.02  # a quarter of the narrowest edge (0.08 mm)
ROUND_TEXELS = 640
TEN_NINETY_SIGMAS = 2.5631  # 10-90 % width of an error-function step in standard deviations
INCH_MM = 25.4


def unit_noise(
    rng: Rng, shape: tuple[int, int], sigma: tuple[float, float], *, wrap: bool = True
) -> Image32:
    """Return Gaussian noise of unit rms, smoothed by `sigma` texels (rows, cols); columns wrap."""
    noise = rng.standard_normal(shape, dtype=np.float32)
    noise = gaussian_filter(
        noise, sigma, mode=["nearest", "wrap" if wrap else "nearest"], truncate=3.0
    )
    return (noise - noise.mean()) / (noise.std() + 1e-12)


def band_share(
    band: Band, x_mm: NDArray[np.float64], theta_rad: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return how far the surface is polished (0..1) at x, theta (broadcast)."""
    sigma = band.edge_width_mm / TEN_NINETY_SIGMAS
    shift = band.wobble_mm * np.cos(theta_rad - np.radians(band.wobble_phase_deg))
    return ndtr((x_mm - band.start_mm - shift) / sigma) - ndtr((x_mm - band.end_mm - shift) / sigma)


def land_grid(shaft: Shaft) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return texel centres of the land: x as a column, theta as a row."""
    rows = int(np.ceil(shaft.land_length_mm / AXIAL_TEXEL_MM))
    x = (np.arange(rows) + 0.5) * (shaft.land_length_mm / rows)
    theta = (np.arange(ROUND_TEXELS) + 0.5) * (2.0 * np.pi / ROUND_TEXELS)
    return x[:, None], theta[None, :]


def grinding_marks(rng: Rng, shape: tuple[int, int]) -> Image32:
    """Return marks of unit rms: short scratches, long scratches and rings, fast along the axis."""
    short = unit_noise(rng, shape, (0.8, 6.0))
    long = unit_noise(rng, shape, (1.6, 45.0))
    ring = unit_noise(rng, (shape[0], 1), (3.0, 0.0))
    slow = unit_noise(rng, shape, (18.0, 60.0))
    out = 0.62 * short + 0.62 * long + 0.33 * ring + 0.33 * slow
    return (out / out.std()).astype(np.float32)


def stain_share(
    rng: Rng, stain: Stain, x: NDArray[np.float64], theta: NDArray[np.float64]
) -> Image32:
    """Return the stain's cover (0..1) with a ragged soft outline."""
    turn = np.angle(np.exp(1j * (theta - np.radians(stain.theta_deg))))
    rag = unit_noise(rng, (x.size, theta.size), (60.0, 9.0))
    far = np.hypot((x - stain.x_mm) / stain.half_length_mm, turn / np.radians(stain.half_arc_deg))
    return ndtr((1.0 - far + 0.13 * rag) / 0.05).astype(np.float32)


def land_maps(shaft: Shaft, rng: Rng) -> dict[str, Image32]:
    """Return maps of the ground land: `along`, `round` (alphas), `normal`, `reflect`, `polish`."""
    x, theta = land_grid(shaft)
    shape = (x.size, theta.size)
    finish = shaft.finish
    polish = np.zeros(shape)
    reflect = np.ones((*shape, 3), dtype=np.float32)
    reflect *= np.exp(0.035 * grinding_marks(rng, shape))[..., None]
    for band in shaft.bands:
        share = band_share(band, x, theta)
        polish = np.maximum(polish, band.strength * share)
        reflect *= (1.0 + (band.reflectance - 1.0) * share)[..., None].astype(np.float32)
    mirror = (polish * (1.0 + 0.06 * np.clip(grinding_marks(rng, shape), -2.0, 0.0))).astype(
        np.float32
    )
    rough = np.exp(0.22 * grinding_marks(rng, shape))
    along = finish.alpha_along * rough * (1.0 - mirror) + finish.band_alpha_along * mirror
    around = finish.alpha_round * np.sqrt(rough) * (1.0 - mirror) + finish.band_alpha_round * mirror
    slope = finish.slope_rms * (1.0 - mirror * (1.0 - finish.band_slope_ratio))
    tilt_along = slope * grinding_marks(rng, shape)
    tilt_round = 0.12 * slope * unit_noise(rng, shape, (1.5, 2.0))
    for stain in shaft.stains:
        cover = stain_share(rng, stain, x, theta)[..., None]
        reflect *= 1.0 - cover * (1.0 - np.asarray(stain.tint, dtype=np.float32))
        around = around * (1.0 + 0.5 * cover[..., 0])
    return {
        "along": along.astype(np.float32),
        "round": around.astype(np.float32),
        "normal": normal_map(tilt_round, tilt_along),
        "reflect": np.clip(reflect * 0.94, 0.0, 1.0),
        "polish": polish.astype(np.float32),
    }


def normal_map(tilt_s: Image32, tilt_t: Image32) -> Image32:
    """Return unit normals (s, t, n) mapped from -1..1 to 0..1."""
    n = np.stack([tilt_s, tilt_t, np.ones_like(tilt_s)], axis=-1)
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    return (0.5 * n + 0.5).astype(np.float32)


def turned_maps(rng: Rng, length_mm: float, feed_mm: float) -> dict[str, Image32]:
    """Return maps of a turned surface: feed marks of `feed_mm` and some noise."""
    rows = int(np.ceil(length_mm / 0.03))
    x = (np.arange(rows) + 0.5)[:, None] * (length_mm / rows)
    theta = (np.arange(64) + 0.5)[None, :] / 64.0
    cut = 0.05 * np.sin(2.0 * np.pi * (x / feed_mm - theta))
    noise = unit_noise(rng, (rows, 64), (1.0, 12.0))
    tilt = (cut + 0.03 * noise).astype(np.float32)
    along = 0.24 * np.exp(0.15 * unit_noise(rng, (rows, 64), (4.0, 12.0)))
    return {"normal": normal_map(np.zeros_like(tilt), tilt), "along": along.astype(np.float32)}


def bench_map(kind: str, rng: Rng, rows: int = 1800, cols: int = 2400) -> Image32:
    """Return the bench's colour: wood, painted sheet, paper or rubber mat."""
    fine = unit_noise(rng, (rows, cols), (0.7, 0.7), wrap=False)
    if kind == "wood":
        ring = unit_noise(rng, (rows, cols), (14.0, 420.0), wrap=False)
        pore = unit_noise(rng, (rows, cols), (0.8, 26.0), wrap=False)
        grain = 0.5 + 0.5 * np.sin(
            5.0 * ring + 0.5 * unit_noise(rng, (rows, cols), (3.0, 160.0), wrap=False)
        )
        tone = (0.62 + 0.22 * grain + 0.05 * pore + 0.02 * fine)[..., None]
        colour = np.array([0.47, 0.31, 0.175], dtype=np.float32)
        return np.clip(colour * tone, 0.01, 0.9).astype(np.float32)
    base = {"paint": (0.13, 0.20, 0.19), "paper": (0.74, 0.73, 0.70), "mat": (0.055, 0.06, 0.065)}[
        kind
    ]
    cloud = unit_noise(rng, (rows, cols), (60.0, 60.0), wrap=False)
    spot = unit_noise(rng, (rows, cols), (2.5, 2.5), wrap=False)
    depth = {"paint": 0.05, "paper": 0.015, "mat": 0.16}[kind]
    tone = np.exp(depth * (0.6 * cloud + 0.7 * spot + 0.5 * fine))[..., None]
    return np.clip(np.asarray(base, dtype=np.float32) * tone, 0.005, 0.95).astype(np.float32)


def cover_of_stroke(
    centres: NDArray[np.float64], middle: float, width: float, texel: float
) -> NDArray[np.float64]:
    """Return the share of each texel that lies inside middle +- width / 2 (exact coverage)."""
    low = np.clip(middle - width / 2.0, centres - texel / 2.0, centres + texel / 2.0)
    high = np.clip(middle + width / 2.0, centres - texel / 2.0, centres + texel / 2.0)
    return (high - low) / texel


def mark_length_mm(rule: Scale, index: int) -> float:
    """Return the length of a mark: longer at 5 and 10 mm, or at 1/16 to 1 inch."""
    if rule.pitch_mm == 1.0:
        return 8.0 if index % 10 == 0 else 6.0 if index % 5 == 0 else 4.0
    for step, length in ((32, 10.0), (16, 8.5), (8, 7.0), (4, 5.5), (2, 4.2)):
        if index % step == 0:
            return length
    return 3.0


def rule_map(rule: Scale, rng: Rng, texel_mm: float = 0.025, stroke_mm: float = 0.16) -> Image32:
    """Return the ink (0..1) on a rule's face: columns along u from -lead, rows along v."""
    length = rule.lead_mm + rule.marks * rule.pitch_mm + max(rule.lead_mm, 3.0)
    cols, rows = round(length / texel_mm), round(rule.width_mm / texel_mm)
    u = (np.arange(cols) + 0.5) * texel_mm - rule.lead_mm
    v = (np.arange(rows) + 0.5) * texel_mm
    ink = np.zeros((rows, cols), dtype=np.float32)
    for index in range(rule.marks + 1):
        at = index * rule.pitch_mm
        near = slice(*np.searchsorted(u, [at - 2 * stroke_mm, at + 2 * stroke_mm]))
        long = mark_length_mm(rule, index)
        along = cover_of_stroke(u[near], at, stroke_mm, texel_mm)
        ink[:, near] = np.maximum(
            ink[:, near], along[None, :] * cover_of_stroke(v, long / 2, long, texel_mm)[:, None]
        )
    every, text_mm = (10, 3.0) if rule.pitch_mm == 1.0 else (32, 4.2)
    for index in range(every, rule.marks, every):
        label = str(index) if rule.pitch_mm == 1.0 else str(index // 32)
        drop = mark_length_mm(rule, index) + 2.6
        stamp_text(
            ink,
            label,
            ((index * rule.pitch_mm + rule.lead_mm) / texel_mm, drop / texel_mm),
            text_mm / texel_mm,
            flip=rule.v_side > 0,
        )
    unit = "mm" if rule.pitch_mm == 1.0 else "1/32 in"
    stamp_text(
        ink,
        unit,
        ((rule.lead_mm + 6.0) / texel_mm, (rule.width_mm - 3.0) / texel_mm),
        2.4 / texel_mm,
        flip=rule.v_side > 0,
    )
    return ink * (
        1.0 - 0.10 * np.clip(unit_noise(rng, ink.shape, (3.0, 3.0), wrap=False), 0.0, 2.0)
    )


def stamp_text(
    ink: Image32, text: str, middle: tuple[float, float], height: float, *, flip: bool
) -> None:
    """Draw `text` centred at `middle` (col, row) into `ink`, mirrored top to bottom when `flip`."""
    font = ImageFont.load_default(size=round(height * 1.35))
    box = font.getbbox(text)
    tile = Image.new("L", (int(box[2]) + 8, int(box[3]) + 8), 0)
    ImageDraw.Draw(tile).text((4, 4), text, fill=255, font=font)
    drawn = np.asarray(tile, dtype=np.float32) / 255.0
    drawn = drawn[::-1] if flip else drawn
    row, col = round(middle[1] - drawn.shape[0] / 2), round(middle[0] - drawn.shape[1] / 2)
    part = ink[row : row + drawn.shape[0], col : col + drawn.shape[1]]
    np.maximum(part, drawn[: part.shape[0], : part.shape[1]], out=part)


def charuco_map(
    squares: tuple[int, int], dictionary: int, texels: tuple[int, int, int], margin: int
) -> Image32:
    """Return the ink of a ChArUco board, drawn from the dictionary's bits.

    Parameters
    ----------
    squares : tuple of int
        Columns and rows.
    dictionary : int
        OpenCV's number of a predefined dictionary.
    texels : tuple of int
        Texels of a square, of the gap between square and marker, and of one marker bit.
    margin : int
        White border in texels.
    """
    square, gap, bit = texels
    words = cv2.aruco.getPredefinedDictionary(dictionary)
    side = words.markerSize + 2
    ink = np.zeros(
        (squares[1] * square + 2 * margin, squares[0] * square + 2 * margin), dtype=np.float32
    )
    marker = 0
    for row in range(squares[1]):
        for col in range(squares[0]):
            top, left = margin + row * square, margin + col * square
            if (row + col) % 2 == 0:
                ink[top : top + square, left : left + square] = 1.0
                continue
            cells = words.generateImageMarker(marker, side) == 0
            block = np.kron(cells, np.ones((bit, bit)))
            ink[top + gap : top + gap + side * bit, left + gap : left + gap + side * bit] = block
            marker += 1
    return ink


def room_map(rng: Rng, level: float) -> Image32:
    """Return the radiance of the room as a latitude-longitude picture, zenith at the top."""
    rows, cols = 256, 512
    up = np.cos(np.linspace(0.0, np.pi, rows))[:, None]
    wall = 0.55 + 0.45 * ndtr((up - 0.62) / 0.04) - 0.3 * ndtr((-up - 0.05) / 0.1)
    out = np.repeat((level * wall)[..., None] * np.array([1.0, 0.98, 0.94]), cols, axis=1)
    for _ in range(
        34
    ):  # cupboards, doors, shelves and pictures on the walls; beams and ducts above
        row, col = rng.uniform(20, 150), rng.uniform(0, cols)
        high, wide = rng.uniform(10, 90), rng.uniform(4, 34)
        tone = np.exp(rng.uniform(-2.2, 1.0)) * (1.0 + 0.12 * rng.standard_normal(3))
        r, c = np.arange(rows)[:, None], np.arange(cols)[None, :]
        across = np.abs((c - col + cols / 2) % cols - cols / 2)
        inside = (np.abs(r - row) < high / 2) & (across < wide / 2)
        out[inside] *= np.clip(tone, 0.08, 2.8)
    out = gaussian_filter(out, (1.2, 1.2, 0.0), mode=["nearest", "wrap", "nearest"])
    return out.astype(np.float32)


def window_map(panes: int) -> Image32:
    """Return the brightness of a window: sky above, darker ground, glazing bars."""
    rows, cols = 256, 256
    v = (np.arange(rows)[:, None] + 0.5) / rows
    u = (np.arange(cols)[None, :] + 0.5) / cols
    glow = np.broadcast_to(np.where(v < 0.3, 0.45, 0.8 + 0.3 * v), (rows, cols)).copy()
    if panes:
        glow[
            np.broadcast_to(np.abs((u * panes + 0.5) % 1.0 - 0.5) < 0.05 * panes / 3, glow.shape)
        ] = 0.03
        glow[np.broadcast_to(np.abs((v * 2 + 0.5) % 1.0 - 0.5) < 0.04, glow.shape)] = 0.03
    return np.repeat(glow[..., None], 3, axis=2).astype(np.float32)
