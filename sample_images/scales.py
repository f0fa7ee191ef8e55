"""The rule, the printed card and the lens board as parts of the scene."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import textures
from numpy.typing import NDArray
from parts import Scene, box, metal, picture, plate, rgb
from shots import Scale, Shot

CARD_SQUARES, CARD_TEXELS_PER_MM = (16, 4), 30
BOARD_SQUARES, BOARD_TEXELS_PER_MM = (11, 8), 14
DICT_4X4_100, DICT_5X5_100 = 1, 5  # OpenCV's numbers of these dictionaries
CARD_MARGIN_MM, BOARD_MARGIN_MM = 6.0, 12.0
PAPER, INK = 0.80, 0.035  # diffuse reflectance


def scale_directions(scale: Scale) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return unit vectors u (growing numbers) and v (into the rule, down the card)."""
    c, s = np.cos(np.radians(scale.u_deg)), np.sin(np.radians(scale.u_deg))
    return np.array([c, s, 0.0]), scale.v_side * np.array([-s, c, 0.0])


def add_rule(scene: Scene, shot: Shot, rng: np.random.Generator, folder: Path) -> None:
    """Add the rule: marked face, body, and the block below it."""
    scale = shot.scale
    assert scale is not None
    u, v = scale_directions(scale)
    ink = textures.rule_map(scale, rng)
    length = scale.lead_mm + scale.marks * scale.pitch_mm + max(scale.lead_mm, 3.0)
    origin = np.asarray(scale.origin_mm) - scale.lead_mm * u
    dark: Scene = {"type": "diffuse", "reflectance": rgb(0.025)}
    if scale.material == "steel":
        brushed = 0.2 * np.exp(0.12 * textures.unit_noise(rng, (800, 400), (0.8, 60.0)))
        bare = metal(picture(brushed.astype(np.float32)), 0.16, rgb(0.92))
        body: Scene = metal(0.2, 0.2, rgb(0.8))
    else:
        bare = {
            "type": "roughplastic",
            "alpha": 0.22,
            "diffuse_reflectance": rgb((0.72, 0.71, 0.66)),
        }
        body = bare
    face = {"type": "blendbsdf", "weight": picture(ink, "clamp"), "a": bare, "b": dark}
    plate(
        scene,
        "rule_face",
        folder / "rule.ply",
        origin,
        length * u,
        scale.width_mm * v,
        {"type": "twosided", "bsdf": face},
    )
    add_below(scene, shot, origin, length, body)


def add_below(
    scene: Scene, shot: Shot, origin: NDArray[np.float64], length: float, body: Scene
) -> None:
    """Add the thickness of the scale and, where asked for, a block that carries it."""
    scale = shot.scale
    assert scale is not None
    top = origin[2] - 0.01
    spread = (0.0, scale.width_mm) if scale.v_side > 0 else (-scale.width_mm, 0.0)
    low = (origin[0], origin[1] + spread[0], top - scale.thickness_mm)
    high = (origin[0] + length, origin[1] + spread[1], top)
    box(scene, "scale_body", low, high, (scale.u_deg, origin), body)
    if scale.block:
        inset = 2.5
        low = (origin[0] + 8.0, origin[1] + spread[0] + inset, shot.bench_z_mm)
        high = (origin[0] + length - 12.0, origin[1] + spread[1] - inset, top - scale.thickness_mm)
        wood: Scene = {
            "type": "roughplastic",
            "alpha": 0.3,
            "diffuse_reflectance": rgb(scale.block_color),
        }
        box(scene, "scale_block", low, high, (scale.u_deg, origin), wood)


def paper_of(ink: NDArray[np.float32]) -> Scene:
    """Return printed paper."""
    return {
        "type": "twosided",
        "bsdf": {"type": "diffuse", "reflectance": picture(PAPER + (INK - PAPER) * ink, "clamp")},
    }


def add_card(scene: Scene, shot: Shot, folder: Path) -> None:
    """Add the printed ChArUco card (squares of 6 mm, markers of 4.4 mm)."""
    scale = shot.scale
    assert scale is not None
    u, v = scale_directions(scale)
    per_mm = CARD_TEXELS_PER_MM
    ink = textures.charuco_map(
        CARD_SQUARES, DICT_4X4_100, (6 * per_mm, 24, 22), int(CARD_MARGIN_MM * per_mm)
    )
    size = np.array(ink.shape[::-1]) / per_mm
    corner = np.asarray(scale.origin_mm) - CARD_MARGIN_MM * (u + v)
    plate(scene, "card", folder / "card.ply", corner, size[0] * u, size[1] * v, paper_of(ink))
    if scale.block:
        add_below(scene, shot, corner, float(size[0]), {"type": "diffuse", "reflectance": rgb(0.7)})


def add_scale(scene: Scene, shot: Shot, rng: np.random.Generator, folder: Path) -> None:
    """Add the rule or the card."""
    assert shot.scale is not None
    if shot.scale.kind == "rule":
        add_rule(scene, shot, rng, folder)
    else:
        add_card(scene, shot, folder)


def scale_outline_mm(scale: Scale) -> NDArray[np.float64]:
    """Return the four corners of the rule's or card's face in the world, shape (4, 3)."""
    u, v = scale_directions(scale)
    if scale.kind == "rule":
        length = scale.lead_mm + scale.marks * scale.pitch_mm + max(scale.lead_mm, 3.0)
        start, width = -scale.lead_mm, scale.width_mm
        low = 0.0
    else:
        start, low = -CARD_MARGIN_MM, -CARD_MARGIN_MM
        length, width = (6.0 * n + 2.0 * CARD_MARGIN_MM for n in CARD_SQUARES)
    corners = [(a, b) for a in (start, start + length) for b in (low, low + width)]
    return np.array([np.asarray(scale.origin_mm) + a * u + b * v for a, b in corners])


def add_board(scene: Scene, folder: Path) -> None:
    """Add the lens board (squares 15 mm, markers 11 mm): x right, y towards -y, z = 0."""
    per_mm = BOARD_TEXELS_PER_MM
    ink = textures.charuco_map(
        BOARD_SQUARES, DICT_5X5_100, (15 * per_mm, 28, 22), int(BOARD_MARGIN_MM * per_mm)
    )
    size = np.array(ink.shape[::-1]) / per_mm
    corner = (-BOARD_MARGIN_MM, BOARD_MARGIN_MM, 0.0)
    plate(
        scene,
        "board",
        folder / "board.ply",
        corner,
        (size[0], 0, 0),
        (0, -size[1], 0),
        paper_of(ink),
    )
