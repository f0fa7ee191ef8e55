"""Render the pictures of HOW_TO_PHOTOGRAPH.md: one good photo and five common mistakes.

    python sample_images/photo_guide.py

Needs `mitsuba`, as render.py does. They are for the eye: small, without EXIF or truth files.
"""

from __future__ import annotations

import argparse
import logging
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from elevators import elevator_01
from film import RENDER_ZOOM, render_ideal
from PIL import Image
from render import HERE, pick_variant, place_camera
from sensor import HEADROOM, LUMA, WHITE_QUANTILE, expose, save_jpeg, through_lens
from shots import Shot

SIZE = 800 / 4032  # of the pictures, relative to the photos
LIMIT_BYTES = 120_000
SPP = 24

log = logging.getLogger("photo_guide")


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """One picture: a shot, how far behind the shaft it is focused, and by how much overexposed."""

    name: str
    shot: Shot
    focus_beyond_mm: float = 0.0
    overexposure: float = 1.0


def pictures() -> Iterator[Picture]:
    """Yield the good photo, then the mistakes."""
    good = elevator_01()
    x, y, z = good.view.aim_mm
    yield Picture(name="good", shot=good)
    yield Picture(name="too_far", shot=replace(good, view=replace(good.view, distance_mm=520.0)))
    yield Picture(name="blurred", shot=good, focus_beyond_mm=400.0)
    yield Picture(name="glare", shot=good, overexposure=4.5)
    yield Picture(
        name="end_cut_off", shot=replace(good, view=replace(good.view, aim_mm=(x + 62.0, y, z)))
    )
    yield Picture(
        name="steep_view",
        shot=replace(good, view=replace(good.view, tilt_x_deg=3.0, tilt_y_deg=-42.0)),
    )


def make(picture: Picture, out: Path) -> None:
    """Render one picture to photo_NAME.jpg."""
    shot = picture.shot
    lens = shot.lens.scaled(SIZE)
    pose, focus = place_camera(shot)
    with tempfile.TemporaryDirectory() as folder:
        ideal = render_ideal(
            shot, lens, pose, focus + picture.focus_beyond_mm, SPP, Path(folder), mask=False
        )
    clip = HEADROOM * float(np.quantile((ideal @ LUMA)[::5, ::5], WHITE_QUANTILE))
    linear = through_lens(ideal, lens, RENDER_ZOOM, clip)
    brighter = replace(shot, exposure=shot.exposure * picture.overexposure)
    coded = expose(linear, lens, brighter, np.random.default_rng(shot.seed))
    path = out / f"photo_{picture.name}.jpg"
    quality = save_jpeg(coded, path, Image.Exif(), LIMIT_BYTES)
    log.info("%s: JPEG quality %d, %d kB", path.name, quality, path.stat().st_size // 1000)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Render the pictures of HOW_TO_PHOTOGRAPH.md.")
    parser.add_argument("--out", type=Path, default=HERE, help="folder to write to")
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    log.info("variant %s", pick_variant())
    for picture in pictures():
        make(picture, args.out)


if __name__ == "__main__":
    main()
