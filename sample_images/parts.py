"""Building blocks of a Mitsuba 3 scene: colours, bitmaps, metal, plates and boxes."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from meshes import quad
from numpy.typing import NDArray

Scene = dict[str, Any]

# iron at 630, 540 and 460 nm, from memory; only the look depends on it
STEEL = {"eta": (2.87, 2.95, 2.65), "k": (3.06, 2.93, 2.77)}


def rgb(values: Any) -> Scene:
    """Return a constant colour."""
    return {"type": "rgb", "value": [float(v) for v in np.broadcast_to(values, 3)]}


def picture(array: NDArray[np.float32], wrap: str = "repeat") -> Scene:
    """Return a bitmap used as it is (linear); array row 0 lies at v = 0."""
    pixels = np.ascontiguousarray(array[..., None] if array.ndim == 2 else array, dtype=np.float32)
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(pixels),
        "raw": True,
        "filter_type": "bilinear",
        "wrap_mode": wrap,
    }


def metal(
    along: Any, around: Any, reflect: Any, normal: NDArray[np.float32] | None = None
) -> Scene:
    """Return an anisotropic rough metal; u of the surface runs round the shaft."""
    out: Scene = {
        "type": "roughconductor",
        "distribution": "ggx",
        "alpha_u": around,
        "alpha_v": along,
        "eta": rgb(STEEL["eta"]),
        "k": rgb(STEEL["k"]),
        "specular_reflectance": reflect,
    }
    if normal is not None:
        out = {"type": "normalmap", "normalmap": picture(normal), "bsdf": out}
    return {"type": "twosided", "bsdf": out}


def plate(
    scene: Scene, name: str, path: Path, corner: Any, along: Any, across: Any, bsdf: Scene
) -> None:
    """Add a printed or painted rectangle that faces up."""
    quad(path, np.asarray(corner, float), np.asarray(along, float), np.asarray(across, float))
    scene[name] = {
        "type": "ply",
        "filename": str(path),
        "flip_tex_coords": False,
        "face_normals": True,
        "bsdf": bsdf,
    }


def box(scene: Scene, name: str, low: Any, high: Any, turn: tuple[float, Any], bsdf: Scene) -> None:
    """Add a box between two corners, turned (degrees) about a vertical line through a point."""
    low, high = np.asarray(low, float), np.asarray(high, float)
    tf = mi.ScalarTransform4f()
    pivot = [float(turn[1][0]), float(turn[1][1]), 0.0]
    place = (
        tf.translate(pivot)
        @ tf.rotate([0, 0, 1], turn[0])
        @ tf.translate([-pivot[0], -pivot[1], 0.0])
    )
    place = place @ tf.translate(list((low + high) / 2)) @ tf.scale(list((high - low) / 2))
    scene[name] = {"type": "cube", "to_world": place, "bsdf": bsdf}
