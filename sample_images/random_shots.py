"""Shots drawn by seed, for studies that need more photos than the samples.

    python sample_images/random_shots.py 9000 9040 --out FOLDER

renders the shots of seeds 9000 to 9039 at about 5 megapixels (see `--scale`) and writes the truth
beside each. What is drawn follows from what lies on benches, not from what the measuring
packages can do.
"""

from __future__ import annotations

import argparse
import dataclasses
import logging
import sys
from pathlib import Path

import numpy as np
from camera_model import Lens, project
from lights import softbox, tube, window
from render import make_photo, pick_variant, place_camera
from shots import (
    DAY,
    MAIN,
    WARM,
    Band,
    Finish,
    Groove,
    Light,
    Scale,
    Shaft,
    Shot,
    Stain,
    View,
)

Rng = np.random.Generator
BENCHES = ("wood", "paint", "paper", "mat")
SCALE, SPP = 0.65, 12


def a_lens(rng: Rng) -> Lens:
    """Return the phone's own lens, or (half of the time) another of 24 to 70 mm equivalent."""
    if rng.random() < 0.5:
        return MAIN
    equivalent = int(rng.integers(24, 71))
    focal_px = MAIN.width_px * equivalent / 34.6 * rng.uniform(0.98, 1.02)  # 34.6: 4:3, 43.27 mm
    return Lens(
        model="DP-X",
        width_px=MAIN.width_px,
        height_px=MAIN.height_px,
        fx_px=focal_px,
        fy_px=focal_px,
        cx_px=MAIN.width_px / 2.0 + rng.normal(0.0, 15.0),
        cy_px=MAIN.height_px / 2.0 + rng.normal(0.0, 15.0),
        k1=rng.normal(0.0, 0.05),
        k2=rng.normal(0.0, 0.04),
        p1=rng.normal(0.0, 0.0003),
        p2=rng.normal(0.0, 0.0003),
        k3=0.0,
        focal_mm=round(equivalent * 5.6 / 26.0, 1),
        focal_35mm=equivalent,
        f_number=float(np.round(rng.uniform(2.2, 5.6), 1)),
    )


def some_bands(rng: Rng, first_mm: float, last_mm: float) -> tuple[Band, ...]:
    """Return none to three bands between two positions, in order."""
    out: list[Band] = []
    at = first_mm + rng.uniform(4.0, 16.0)
    wobble = dict(wobble_mm=rng.uniform(0.0, 0.15), wobble_phase_deg=rng.uniform(0.0, 360.0))
    for _ in range(int(rng.choice([0, 1, 2, 3], p=[0.15, 0.45, 0.3, 0.1]))):
        width = float(np.exp(rng.uniform(np.log(0.6), np.log(8.0))))
        if at + width > last_mm - 4.0:
            break
        strength = float(
            rng.choice([rng.uniform(0.5, 1.0), rng.uniform(0.15, 0.5)], p=[0.75, 0.25])
        )
        out.append(
            Band(
                start_mm=at,
                end_mm=at + width,
                edge_width_mm=float(np.clip(width * 0.25, 0.06, rng.uniform(0.08, 0.35))),
                strength=strength,
                reflectance=float(rng.choice([1.0, rng.uniform(0.92, 1.05)])),
                visibility="clear" if strength >= 0.5 else "barely",
                **wobble,
            )
        )
        at += width + float(rng.choice([rng.uniform(0.7, 2.0), rng.uniform(3.0, 15.0)]))
    return tuple(out)


def a_shaft(rng: Rng, name: str) -> Shaft:
    """Return a shaft of 16 to 55 mm with an edge, perhaps a shoulder, groove, stain or hole."""
    diameter = float(np.exp(rng.uniform(np.log(16.0), np.log(55.0))))
    land = rng.uniform(45.0, 110.0)
    chamfer = rng.random() < 0.75
    axial = rng.uniform(1.0, 6.0) if chamfer else rng.uniform(0.4, 2.0)
    angle = rng.uniform(14.0, 46.0)
    axial = min(axial, 0.1 * diameter / np.tan(np.radians(angle))) if chamfer else axial
    first = axial
    grooves: tuple[Groove, ...] = ()
    if rng.random() < 0.2:
        at = axial + rng.uniform(3.0, 10.0)
        size = rng.uniform(1.1, 2.2)
        grooves = (Groove(start_mm=at, end_mm=at + size, depth_mm=rng.uniform(0.3, 0.9)),)
        first = at + size
    bands = some_bands(rng, first, land)
    last = bands[-1].end_mm if bands else first
    stains: tuple[Stain, ...] = ()
    if rng.random() < 0.25 and land - last > 18.0:
        half = rng.uniform(2.0, 6.0)
        stains = (
            Stain(
                x_mm=rng.uniform(last + half + 2.0, land - half - 2.0),
                theta_deg=rng.uniform(-60.0, 60.0),
                half_length_mm=half,
                half_arc_deg=rng.uniform(12.0, 40.0),
            ),
        )
    step = rng.choice([0.0, rng.uniform(2.0, 10.0), -rng.uniform(0.5, 2.0)], p=[0.4, 0.35, 0.25])
    finish = Finish()
    finish = dataclasses.replace(
        finish,
        alpha_along=rng.uniform(0.18, 0.36),
        alpha_round=rng.uniform(0.06, 0.13),
        slope_rms=rng.uniform(0.015, 0.06),
        band_alpha_along=rng.uniform(0.04, 0.09),
        band_alpha_round=rng.uniform(0.03, 0.05),
    )
    return Shaft(
        name=name,
        diameter_mm=diameter,
        land_length_mm=land,
        edge_kind="chamfer" if chamfer else "radius",
        edge_axial_mm=axial,
        edge_angle_deg=angle if chamfer else 0.0,
        shoulder_diameter_mm=diameter + step if step else 0.0,
        centre_hole_mm=rng.uniform(3.0, 9.0) if rng.random() < 0.5 and diameter > 22.0 else 0.0,
        finish=finish,
        bands=bands,
        grooves=grooves,
        stains=stains,
    )


def a_scale(rng: Rng, shaft: Shaft, bench_z_mm: float) -> Scale | None:
    """Return a rule or a card beside the shaft, level with the axis, between or on the bench."""
    if rng.random() < 0.08:
        return None
    side = float(rng.choice([-1.0, 1.0]))
    gap = max(shaft.diameter_mm, shaft.shoulder_diameter_mm) / 2.0 + rng.uniform(3.0, 10.0)
    turned = bool(rng.random() < 0.5)
    lean = rng.normal(0.0, 1.0)
    raised = bool(rng.random() < 0.5)
    height = rng.normal(0.0, 0.15) if raised else bench_z_mm + 0.85
    if rng.random() < 0.3:
        body = 24.0 if (side > 0.0) != turned else 0.0  # rows run towards -y, turned towards +y
        return Scale(
            kind="card",
            origin_mm=(
                100.0 if turned else rng.uniform(-8.0, 4.0),
                side * (gap + body + 7.0),
                height,
            ),
            u_deg=(180.0 if turned else 0.0) + lean,
            block=raised,
            width_mm=36.0,
            thickness_mm=0.3,
        )
    inch = rng.random() < 0.12
    pitch = 25.4 / 32.0 if inch else 1.0
    marks = round(150.0 / pitch)
    start = rng.uniform(110.0, 140.0) if turned else rng.uniform(-15.0, 0.0)
    return Scale(
        kind="rule",
        origin_mm=(start, side * gap, height),
        u_deg=(180.0 if turned else 0.0) + lean,
        v_side=int(side) * (-1 if turned else 1),
        pitch_mm=pitch,
        marks=marks,
        lead_mm=float(rng.choice([0.0, 5.0])),
        material=str(rng.choice(["steel", "white"], p=[0.75, 0.25])),
        block=raised,
    )


def some_lights(rng: Rng) -> tuple[Light, ...]:
    """Return two to four lights of the workshop."""
    out: list[Light] = []
    for _ in range(int(rng.integers(2, 5))):
        azimuth, elevation = rng.uniform(0.0, 360.0), rng.uniform(32.0, 56.0)
        kind = rng.integers(3)
        if kind == 0:
            out.append(window(azimuth, elevation, rng.uniform(3.0, 7.0)))
        elif kind == 1:
            tint = (DAY, WARM, (1.0, 1.0, 1.0))[int(rng.integers(3))]
            out.append(softbox(azimuth, elevation, rng.uniform(3.0, 9.0), 220.0, tint))
        else:
            turn = float(rng.choice([0.0, 90.0, 180.0, 270.0]))
            out.append(tube(turn, rng.uniform(62.0, 78.0), rng.uniform(5.0, 10.0)))
    return tuple(out)


def a_view(rng: Rng, lens: Lens, shaft: Shaft, scale: Scale | None) -> View:
    """Return a view that holds the end, the bands and most of the scale."""
    last = shaft.bands[-1].end_mm if shaft.bands else 35.0
    reach = max(60.0, last + 12.0) * rng.uniform(1.05, 1.6)
    sideways = 0.0 if scale is None else scale.origin_mm[1] * 0.35
    across = rng.random() < 0.75  # the shaft along the picture's long side
    span = reach + 18.0
    width_share = 1.0 if across else 0.75
    need = max(span, (shaft.diameter_mm + 50.0) / 0.75 * (1.0 if across else 0.75))
    distance = need / width_share * lens.fx_px / lens.width_px + shaft.radius_mm
    turn = float(rng.choice([0.0, 180.0] if across else [90.0, 270.0])) + rng.normal(0.0, 8.0)
    return View(
        aim_mm=(reach / 2.0 - 6.0 + rng.normal(0.0, 2.0), sideways, 0.3 * shaft.radius_mm),
        distance_mm=max(distance, 110.0),
        turn_deg=turn,
        tilt_x_deg=float(np.clip(rng.normal(0.0, 6.0), -14.0, 14.0)),
        tilt_y_deg=float(np.clip(rng.normal(0.0, 6.0), -14.0, 14.0)),
        orientation=int(rng.choice([1, 3, 6, 8], p=[0.7, 0.1, 0.1, 0.1])),
    )


def random_shot(seed: int) -> Shot:
    """Return the shot of a seed."""
    rng = np.random.default_rng(seed)
    name = f"random_{seed}"
    shaft = a_shaft(rng, name)
    low = max(shaft.diameter_mm, shaft.shoulder_diameter_mm) / 2.0
    bench_z = -low - float(rng.choice([0.05, rng.uniform(2.0, 15.0)]))
    lens = a_lens(rng)
    scale = a_scale(rng, shaft, bench_z)
    view = a_view(rng, lens, shaft, scale)
    shot = Shot(
        name=name,
        seed=seed,
        lens=lens,
        shaft=shaft,
        scale=scale,
        bench=str(rng.choice(BENCHES)),
        bench_z_mm=bench_z,
        lights=some_lights(rng),
        room=rng.uniform(0.12, 0.4),
        exposure=rng.uniform(0.6, 1.1),
        view=view,
        shows="drawn by seed",
    )
    return shot if end_in_frame(shot) else dataclasses.replace(shot, refuse_reason="no-end")


def end_in_frame(shot: Shot) -> bool:
    """Return whether the near line of the end face lies in the picture."""
    pose, _ = place_camera(shot)
    assert shot.shaft is not None
    r = shot.shaft.radius_mm
    px = project(shot.lens, pose, np.array([[0.0, y, 0.0] for y in (-r, 0.0, r)]))
    size = np.array([shot.lens.width_px, shot.lens.height_px])
    return bool(np.all((px > 0.0) & (px < size)))


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(description="Render shots drawn by seed.")
    parser.add_argument("first", type=int)
    parser.add_argument("stop", type=int)
    parser.add_argument("--scale", type=float, default=SCALE, help="size relative to 4032 x 3024")
    parser.add_argument("--spp", type=int, default=SPP, help="samples per pixel")
    parser.add_argument("--out", type=Path, required=True, help="folder to write to")
    args = parser.parse_args()
    logging.basicConfig(level=logging.INFO, format="%(message)s")
    logging.info("variant %s", pick_variant())
    args.out.mkdir(parents=True, exist_ok=True)
    for seed in range(args.first, args.stop):
        make_photo(random_shot(seed), scale=args.scale, spp=args.spp, out=args.out)
    return 0


if __name__ == "__main__":
    sys.exit(main())
