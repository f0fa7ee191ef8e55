"""Render the sample photos and their truth files.

    python sample_images/render.py --list
    python sample_images/render.py elevator_01 --scale 0.25 --spp 8 --out previews
    python sample_images/render.py all

Needs `mitsuba` (3.9 was used). Its LLVM variant is about four times faster than the scalar one and
is used where an LLVM library of version 19 or later is found.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import mitsuba as mi
import numpy as np
from camera_model import Lens, Pose, pose_looking_at
from elevators import shaft_shots
from film import RENDER_ZOOM, render_ideal
from lens_boards import board_shots
from numpy.typing import NDArray
from sensor import HEADROOM, LUMA, WHITE_QUANTILE, expose, phone_exif, save_jpeg, through_lens
from shots import Shot
from truth import write_truth

HERE = Path(__file__).resolve().parent
SHAFT_LIMIT_BYTES, BOARD_LIMIT_BYTES = 2_600_000, 1_300_000
SHAFT_SPP, BOARD_SPP = 12, 5
IN_FOCUS_SHARE = 0.7  # the plane in focus lies at this share of the radius above the axis
LLVM_FOLDERS = ("/usr/lib/x86_64-linux-gnu", "/usr/lib64", "/usr/lib")
LLVM_NAMES = ("libLLVM-19.so", "libLLVM.so.19.1", "libLLVM-20.so", "libLLVM.so.20.1")

log = logging.getLogger("render")


def pick_variant() -> str:
    """Choose the fastest variant that starts: LLVM where its library is found, else scalar."""
    found = [Path(folder) / name for folder in LLVM_FOLDERS for name in LLVM_NAMES]
    for path in found:
        if path.exists():
            os.environ.setdefault("DRJIT_LIBLLVM_PATH", str(path))
    mi.set_variant("llvm_ad_rgb" if "DRJIT_LIBLLVM_PATH" in os.environ else "scalar_rgb")
    mi.set_log_level(mi.LogLevel.Error)
    return str(mi.variant())


def place_camera(shot: Shot) -> tuple[Pose, float]:
    """Return the camera's pose and the depth of the plane in focus (mm)."""
    view = shot.view
    pose = pose_looking_at(
        view.aim_mm,
        distance_mm=view.distance_mm,
        turn_deg=view.turn_deg,
        tilt_x_deg=view.tilt_x_deg,
        tilt_y_deg=view.tilt_y_deg,
    )
    point = np.array(view.aim_mm, dtype=float)
    if shot.shaft is not None:
        point[1:] = 0.0, IN_FOCUS_SHARE * shot.shaft.radius_mm
    return pose, float((pose.rotation @ point + pose.translation_mm)[2])


def render_stored(shot: Shot, lens: Lens, spp: int, *, mask: bool = False) -> NDArray[np.float32]:
    """Return the noise-poor linear picture on the stored grid, shape (rows, cols, 3)."""
    pose, focus = place_camera(shot)
    with tempfile.TemporaryDirectory() as folder:
        ideal = render_ideal(shot, lens, pose, focus, spp, Path(folder), mask=mask)
    clip = None if mask else HEADROOM * float(np.quantile((ideal @ LUMA)[::5, ::5], WHITE_QUANTILE))
    return through_lens(ideal, lens, RENDER_ZOOM, clip)


def save_truth(shot: Shot, lens: Lens, record: dict[str, Any], out: Path) -> None:
    """Write NAME.json with the record of the rendering."""
    truth = write_truth(shot, lens, *place_camera(shot)) | {"render": record}
    (out / f"{shot.name}.json").write_text(json.dumps(truth, indent=1) + "\n", encoding="utf-8")


def renew_truth(shot: Shot, out: Path) -> None:
    """Write NAME.json again, beside a photo that stays as it is."""
    old = json.loads((out / f"{shot.name}.json").read_text(encoding="utf-8"))
    save_truth(
        shot, shot.lens.scaled(old["image"]["width_px"] / shot.lens.width_px), old["render"], out
    )


def make_photo(shot: Shot, *, scale: float, spp: int, out: Path) -> None:
    """Render one shot and write NAME.jpg and NAME.json to `out`."""
    begun = time.monotonic()
    lens = shot.lens.scaled(scale)
    coded = expose(
        render_stored(shot, lens, spp), lens, shot, np.random.default_rng(shot.seed + 10_000)
    )
    limit = BOARD_LIMIT_BYTES if shot.board else SHAFT_LIMIT_BYTES
    quality = save_jpeg(coded, out / f"{shot.name}.jpg", phone_exif(lens, shot), limit)
    record = {"variant": mi.variant(), "samples_per_pixel": spp, "jpeg_quality": quality}
    save_truth(shot, lens, record, out)
    log.info("%s: %.0f s, JPEG quality %d", shot.name, time.monotonic() - begun, quality)


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Render the sample photos and their truth files.")
    parser.add_argument("names", nargs="*", help="photos to make: starts of their names, or all")
    parser.add_argument(
        "--scale", type=float, default=1.0, help="size relative to 4032 x 3024 (previews: 0.25)"
    )
    parser.add_argument(
        "--spp", type=int, help="samples per pixel of the ideal picture (shafts 12, boards 5)"
    )
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    parser.add_argument("--truth", action="store_true", help="write the truth files again, only")
    parser.add_argument("--list", action="store_true", help="list the photos and end")
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    shots = shaft_shots() + board_shots()
    if args.list or not args.names:
        log.info("%s", "\n".join(f"{shot.name}: {shot.shows}" for shot in shots))
        return 0
    wanted = [s for s in shots if "all" in args.names or s.name.startswith(tuple(args.names))]
    if not wanted:
        log.error("No photo is called %s; --list names them.", ", ".join(args.names))
        return 2
    if args.truth:
        for shot in wanted:
            renew_truth(shot, args.out)
        return 0
    log.info("variant %s", pick_variant())
    args.out.mkdir(parents=True, exist_ok=True)
    for shot in wanted:
        make_photo(
            shot,
            scale=args.scale,
            spp=args.spp or (BOARD_SPP if shot.board else SHAFT_SPP),
            out=args.out,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
