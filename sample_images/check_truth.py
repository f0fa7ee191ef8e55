"""Compare what can be located in the pictures with what the truth files say.

    python sample_images/check_truth.py            # corners and rule marks, in the JPEGs
    python sample_images/check_truth.py --mask     # band edges and rim, in noise-free masks

The second needs `mitsuba`: it renders the polish itself as light, through the same camera and lens.

Prints, for each picture and kind of point, their number, the mean offset (located - truth) along
the direction of measurement (x and y for corners) and its standard deviation, in pixels.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from camera_model import Pose, project
from elevators import shaft_shots
from numpy.typing import NDArray
from scipy.ndimage import map_coordinates

Array = NDArray[np.float64]
HERE = Path(__file__).resolve().parent

CORNER_WINDOW_PX, CORNER_LIMIT_PX, BORDER_PX = 7, 3.0, 25
MARK_BAND_MM = np.linspace(1.2, 2.6, 15)  # every mark is longer than this, none is cut
PROFILE_STEP_PX, PROFILE_REACH_PX = 0.1, 12.0
MASK_SPP = 8


def corner_offsets(grey: NDArray[np.uint8], corners_px: list[list[float]]) -> Array:
    """Return (dx, dy) of chessboard corners located in the picture, shape (n, 2)."""
    truth = np.asarray(corners_px, dtype=np.float32)
    size = np.array(grey.shape[::-1])
    truth = truth[((truth > BORDER_PX) & (truth < size - BORDER_PX)).all(axis=1)]
    window = (CORNER_WINDOW_PX, CORNER_WINDOW_PX)
    stop = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-4)
    found = cv2.cornerSubPix(grey, truth.copy().reshape(-1, 1, 2), window, (-1, -1), stop).reshape(
        -1, 2
    )
    off = (found - truth).astype(float)
    return off[np.abs(off).max(axis=1) < CORNER_LIMIT_PX]


def linear_of(grey: NDArray[np.uint8]) -> Array:
    """Return linear light of sRGB values (IEC 61966-2-1)."""
    v = grey / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def mark_offsets(linear: Array, truth: dict[str, Any], project: Any) -> Array:
    """Return the offset of each rule mark along the rule, by the centroid of its dark profile."""
    scale = truth["scale"]
    u, v, origin = (np.asarray(scale[k]) for k in ("u", "v", "origin_mm"))
    out = []
    for index in range(1, scale["last_mark"]):
        foot = origin + index * scale["pitch_mm"] * u
        across = np.linspace(-0.32, 0.32, 41) * scale["pitch_mm"]
        grid = foot + across[:, None, None] * u + MARK_BAND_MM[None, :, None] * v
        px = project(grid.reshape(-1, 3)).reshape(41, -1, 2)
        if (px < BORDER_PX).any() or (px > np.array(linear.shape[::-1]) - BORDER_PX).any():
            continue
        profile = map_coordinates(linear, [px[..., 1], px[..., 0]], order=1).mean(axis=1)
        dark = np.clip(np.median(np.r_[profile[:6], profile[-6:]]) - profile, 0.0, None)
        length_px = np.linalg.norm(px[-1].mean(axis=0) - px[0].mean(axis=0))
        out.append((dark * np.linspace(-0.5, 0.5, 41)).sum() / dark.sum() * length_px)
    return np.asarray(out)


def crossing_offset(plane: Array, at_px: Array, direction: Array, level: float) -> float:
    """Return where the profile along `direction` crosses `level` nearest to `at_px`, or nan."""
    s = np.arange(-PROFILE_REACH_PX, PROFILE_REACH_PX + PROFILE_STEP_PX / 2, PROFILE_STEP_PX)
    line = at_px + s[:, None] * direction
    value = map_coordinates(plane, [line[:, 1], line[:, 0]], order=1) - level
    change = np.flatnonzero(np.sign(value[:-1]) != np.sign(value[1:]))
    if change.size == 0:
        return float("nan")
    zero = s[change] - value[change] * PROFILE_STEP_PX / (value[change + 1] - value[change])
    return float(zero[np.argmin(np.abs(zero))])


def edge_offsets(
    plane: Array, points: list[dict[str, Any]], direction: Array | None, level: float
) -> Array:
    """Return offsets of an edge's points in a mask; without a direction, across the curve."""
    px = np.array([p["px"] for p in points])
    tangent = np.gradient(px, axis=0)
    normal = np.stack([-tangent[:, 1], tangent[:, 0]], axis=1)
    normal /= np.linalg.norm(normal, axis=1, keepdims=True)
    way = normal if direction is None else np.broadcast_to(direction, px.shape)
    off = [
        crossing_offset(plane, p, w, level)
        for p, w, t in zip(px, way, points, strict=True)
        if t["in_frame"]
    ]
    return np.asarray(off)[1:-1]  # the outermost points lie on the silhouette's slope


def band_levels(truth: dict[str, Any], mask: NDArray[np.float32]) -> list[tuple[str, Array]]:
    """Return offsets of the band edges and of the shaft's end in a mask picture."""
    ends = np.array([[p["px"] for p in side] for side in truth["shaft"]["silhouette_px"]]).mean(
        axis=0
    )
    axis = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    out = []
    for number, band in enumerate(truth["bands"], 1):
        for edge in ("start", "end"):
            off = edge_offsets(
                mask[..., 0].astype(float), band[f"{edge}_points_px"], axis, 0.5 * band["strength"]
            )
            out.append((f"band {number} {edge}", off))
    plane = mask[..., 1 if truth["shaft"]["end_face_seen"] else 2].astype(float)
    out.append(
        ("end outline", edge_offsets(plane, truth["shaft"]["end_outline_points_px"], None, 0.5))
    )
    return out


def report(name: str, kind: str, off: Array) -> None:
    """Print one line."""
    off = off[np.isfinite(off).reshape(len(off), -1).all(axis=1)]
    mean, spread = np.atleast_1d(off.mean(axis=0)), np.atleast_1d(off.std(axis=0))
    words = "  ".join(f"{m:+.3f} ({s:.3f})" for m, s in zip(mean, spread, strict=True))
    sys.stdout.write(f"{name:34s} {kind:16s} {len(off):4d}  {words}\n")
    sys.stdout.flush()


def check_photo(path: Path) -> None:
    """Locate corners or rule marks in one photo."""
    truth = json.loads(path.read_text(encoding="utf-8"))
    grey = cv2.imread(
        str(path.with_suffix(".jpg")), cv2.IMREAD_GRAYSCALE | cv2.IMREAD_IGNORE_ORIENTATION
    )
    part = truth.get("board") or truth["scale"]
    if "corners_px" in part:
        report(path.stem, "corners x, y", corner_offsets(grey, part["corners_px"]))
    elif part["kind"] == "rule":
        camera = truth["camera"]
        pose = Pose(rotation=np.array(camera["R"]), translation_mm=np.array(camera["t_mm"]))
        lens = next(s.lens for s in shaft_shots() if s.name == path.stem).scaled(
            grey.shape[1] / 4032
        )
        report(
            path.stem,
            "rule marks",
            mark_offsets(linear_of(grey), truth, lambda p: project(lens, pose, p)),
        )


def check_mask(path: Path, scale: float) -> None:
    """Render the mask of one photo at `scale` and locate band edges and the rim in it."""
    from render import place_camera, render_stored
    from truth import write_truth

    shot = next((s for s in shaft_shots() if s.name == path.stem), None)
    if shot is None:
        return
    lens = shot.lens.scaled(scale)
    if scale == 1.0:
        truth = json.loads(path.read_text(encoding="utf-8"))
    else:
        truth = write_truth(shot, lens, *place_camera(shot))
    mask = render_stored(shot, lens, MASK_SPP, mask=True)
    for kind, off in band_levels(truth, mask):
        report(path.stem, kind, off)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Compare located points with the truth files.")
    parser.add_argument(
        "names", nargs="*", default=[""], help="starts of the photos' names; none: all"
    )
    parser.add_argument("--photos", type=Path, default=HERE, help="folder of the photos")
    parser.add_argument(
        "--mask", action="store_true", help="band edges and end-face rim in rendered masks"
    )
    parser.add_argument("--scale", type=float, default=1.0, help="size of the masks")
    args = parser.parse_args()
    if args.mask:
        from render import pick_variant

        pick_variant()
    for path in sorted(args.photos.glob("*.json")):
        if path.name.startswith(tuple(args.names)):
            if args.mask:
                check_mask(path, args.scale)
            else:
                check_photo(path)


if __name__ == "__main__":
    main()
