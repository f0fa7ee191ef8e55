"""What the shaft mirrors: bench, lights, room, the phone and the person behind it."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
import textures
from camera_model import Pose
from parts import Scene, box, picture, plate, rgb
from shots import Light, Shot

STEEP_DEG = 60.0  # lights higher than this lie along y


def add_bench(scene: Scene, shot: Shot, rng: np.random.Generator, folder: Path) -> None:
    """Add the bench and, below the shaft, two supports."""
    colour = picture(textures.bench_map(shot.bench, rng))
    alpha = {"wood": 0.25, "paint": 0.18, "paper": 0.0, "mat": 0.35}[shot.bench]
    surface: Scene = (
        {"type": "roughplastic", "alpha": alpha, "diffuse_reflectance": colour}
        if alpha
        else {"type": "diffuse", "reflectance": colour}
    )
    z = shot.bench_z_mm
    plate(
        scene,
        "bench",
        folder / "bench.ply",
        (-330, -300, z),
        (800, 0, 0),
        (0, 600, 0),
        {"type": "twosided", "bsdf": surface},
    )
    rest: Scene = {"type": "diffuse", "reflectance": rgb(0.2)}
    plate(
        scene,
        "floor",
        folder / "floor.ply",
        (-3000, -3000, z - 5),
        (6000, 0, 0),
        (0, 6000, 0),
        rest,
    )
    if shot.shaft is not None and -z > shot.shaft.radius_mm + 0.5:
        grey: Scene = {
            "type": "roughplastic",
            "alpha": 0.2,
            "diffuse_reflectance": rgb((0.12, 0.13, 0.14)),
        }
        half = 0.55 * shot.shaft.radius_mm
        top = -shot.shaft.radius_mm
        box(scene, "rest", (34.0, -half, z), (52.0, half, top), (0.0, (0, 0)), grey)


def light_shape(light: Light, target: Any) -> Scene:
    """Return a rectangular light that faces the target."""
    az, el = np.radians([light.azimuth_deg, light.elevation_deg])
    towards = np.array([np.cos(el) * np.cos(az), np.cos(el) * np.sin(az), np.sin(el)])
    at = np.asarray(target, float) + light.distance_mm * towards
    up = [0.0, 0.0, 1.0] if light.elevation_deg < STEEP_DEG else [0.0, 1.0, 0.0]
    tf = mi.ScalarTransform4f()
    place = tf.look_at(origin=list(at), target=list(target), up=up) @ tf.scale(
        [light.width_mm / 2, light.height_mm / 2, 1.0]
    )
    glow: Any = rgb(light.radiance * np.asarray(light.color))
    if light.panes:
        glow = picture(
            textures.window_map(light.panes)
            * light.radiance
            * np.asarray(light.color, dtype=np.float32),
            "clamp",
        )
    dark: Scene = {"type": "diffuse", "reflectance": rgb(0.1)}
    return {
        "type": "rectangle",
        "to_world": place,
        "bsdf": dark,
        "emitter": {"type": "area", "radiance": glow},
    }


def add_room(scene: Scene, shot: Shot, pose: Pose, rng: np.random.Generator) -> None:
    """Add the room, the lights, the phone and the person behind it."""
    tf = mi.ScalarTransform4f()
    room = mi.Bitmap(textures.room_map(rng, shot.room))
    spin = tf.rotate([0, 0, 1], float(rng.uniform(0, 360))) @ tf.rotate([1, 0, 0], 90)
    scene["room"] = {"type": "envmap", "bitmap": room, "to_world": spin}
    for index, light in enumerate(shot.lights):
        scene[f"light_{index}"] = light_shape(light, shot.view.aim_mm)
    right, down, ahead = pose.rotation
    centre = pose.centre_mm - 6.0 * ahead + 45.0 * right + 12.0 * down
    place = tf.look_at(origin=list(centre), target=list(centre - ahead), up=list(right)) @ tf.scale(
        [38.0, 76.0, 1.0]
    )
    black: Scene = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": rgb(0.03)}}
    scene["phone"] = {"type": "rectangle", "to_world": place, "bsdf": black}
    body = pose.centre_mm + 380.0 * down - 260.0 * ahead
    cloth: Scene = {"type": "diffuse", "reflectance": rgb((0.10, 0.12, 0.2))}
    if body[2] > shot.bench_z_mm + 180.0:
        scene["person"] = {"type": "sphere", "center": list(body), "radius": 170.0, "bsdf": cloth}
