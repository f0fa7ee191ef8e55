"""The scene of one shot as a dictionary for Mitsuba 3: the shaft and all that is round it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import textures
from camera_model import Pose
from meshes import Piece, revolve, shaft_pieces
from parts import Scene, metal, picture, rgb
from scales import add_board, add_scale
from shots import Shot
from surroundings import add_bench, add_room

# light, bench, shaft, camera: three path segments; paper alone needs no more than two
MAX_BOUNCES, BOARD_BOUNCES, MASK_BOUNCES = 3, 2, 2
SAMPLES_PER_PASS = 1  # more need more memory (about 0.3 GB for each at 12 MP)


def shaft_surfaces(shot: Shot, rng: np.random.Generator, *, mask: bool) -> dict[str, Scene]:
    """Return what each part of the shaft is made of; for a mask: what it emits."""
    assert shot.shaft is not None
    maps = textures.land_maps(shot.shaft, rng)
    if mask:
        zero = np.zeros_like(maps["polish"])
        land = picture(np.stack([maps["polish"], zero, zero + 1.0], axis=-1))
        return {
            "land": land,
            "face": rgb((0, 1, 1)),
            **{n: rgb((0, 0, 1)) for n in ("edge", "groove", "turned")},
        }
    beyond = textures.turned_maps(rng, shot.shaft.length_mm - shot.shaft.land_length_mm, 0.22)
    face = textures.turned_maps(rng, shot.shaft.radius_mm, 0.15)
    edge = textures.turned_maps(rng, shot.shaft.edge_axial_mm, 0.12)
    return {
        "land": metal(
            picture(maps["along"]), picture(maps["round"]), picture(maps["reflect"]), maps["normal"]
        ),
        "face": metal(picture(face["along"]), 0.1, rgb(0.85), face["normal"]),
        "edge": metal(picture(edge["along"]), 0.1, rgb(0.88), edge["normal"]),
        "groove": metal(0.22, 0.16, rgb(0.7)),
        "turned": metal(picture(beyond["along"]), 0.11, rgb(0.86), beyond["normal"]),
    }


def add_shaft(
    scene: Scene, shot: Shot, rng: np.random.Generator, folder: Path, *, mask: bool
) -> None:
    """Add the shaft's pieces."""
    assert shot.shaft is not None
    surfaces = shaft_surfaces(shot, rng, mask=mask)
    for index, piece in enumerate(shaft_pieces(shot.shaft)):
        path = folder / f"shaft_{index}.ply"
        revolve(piece, path)
        scene[f"shaft_{index}"] = shaft_shape(piece, path, surfaces[piece.part], mask=mask)


def shaft_shape(piece: Piece, path: Path, surface: Scene, *, mask: bool) -> Scene:
    """Return one piece of the shaft as a shape."""
    shape: Scene = {
        "type": "ply",
        "filename": str(path),
        "flip_tex_coords": False,
        "face_normals": piece.part == "face",
    }
    if mask:
        return shape | {
            "emitter": {"type": "area", "radiance": surface},
            "bsdf": {"type": "diffuse", "reflectance": rgb(0)},
        }
    return shape | {"bsdf": surface}


def describe(shot: Shot, pose: Pose, folder: Path, *, mask: bool = False) -> Scene:
    """Return the whole scene but the camera; bulky meshes go to `folder`."""
    rng = np.random.default_rng(shot.seed)
    depth = MASK_BOUNCES if mask else BOARD_BOUNCES if shot.board else MAX_BOUNCES
    integrator = {"type": "path", "max_depth": depth, "samples_per_pass": SAMPLES_PER_PASS}
    scene: Scene = {"type": "scene", "integrator": integrator}
    if shot.shaft is not None:
        add_shaft(scene, shot, rng, folder, mask=mask)
    if mask:
        return scene
    add_bench(scene, shot, rng, folder)
    if shot.board:
        add_board(scene, folder)
    if shot.scale is not None:
        add_scale(scene, shot, rng, folder)
    add_room(scene, shot, pose, rng)
    return scene
