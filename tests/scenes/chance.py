"""Scenes at random, all of one from its seed: what a technician might photograph at the bench.

The ranges are those of bench work: phone main cameras, their tele lens and macro lenses at
140 to 260 mm, shafts of 18 to 60 mm, and wear bands of 0.6 to 8 mm. What the user states is
drawn from the very distributions that the statement promises (a diameter to 0.01 mm, a height
to 0.2 mm, a rule of JIS B 7516 grade 1, a lens file to its covariance).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from tests.scenes import flat
from tests.scenes.draw import outline_contrast
from tests.scenes.model import (
    Finish,
    FlatScale,
    Groove,
    HeatTint,
    LightPatch,
    PolishedBand,
    Room,
    Scene,
    Scratch,
    Sensor,
    Shaft,
    Stain,
    Stated,
)
from tests.scenes.view import Array, View

FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
DIAMETER_U_MM = 0.01
HEIGHT_U_MM = 0.2
RULE_LIMIT = 0.15 / 150.0  # JIS B 7516:2005 grade 1: 0.15 mm, over what a photo shows of a rule
PRINT_U = 0.002  # a printer's usual error; common practice, no published source

# How much smoother and calmer a band is than the ground metal: (roughness, streaks) ranges.
CONTRASTS = {
    "strong": ((0.28, 0.40), (0.20, 0.30)),
    "medium": ((0.48, 0.65), (0.33, 0.48)),
    "weak": ((0.70, 0.78), (0.55, 0.68)),
    "barely": ((0.82, 0.90), (0.74, 0.86)),
    "any": ((0.30, 0.97), (0.25, 0.95)),
}
_TRIES = 400
_FRAME_MARGIN_PX = 30.0
_LEAST_LAND_MM = 20.0  # of land in the picture


@dataclass(frozen=True, slots=True, kw_only=True)
class Wish:
    """What is not left to chance; None is."""

    difficulty: str | None = None
    bands: bool = True
    distractors: bool | None = None
    scale: str | None = None  # rule | card | none
    height: str | None = None  # level | bench | top
    state_diameter: bool | None = None
    state_height: bool | None = None
    lens_file: bool | None = None
    contrast: str | None = None
    end_in_frame: bool = True
    size_px: tuple[int, int] = (2600, 1950)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Hardness:
    contrasts: tuple[str, ...]
    tilt_deg: float
    full_well: tuple[float, float]
    optics_px: tuple[float, float]
    defocus_mm: float
    quality: tuple[int, int]
    edge_mm: tuple[float, float]
    wobble_mm: float
    tone: float
    outline: float  # least contrast of the silhouettes, |ln(metal / bench)|


_HARDNESS = {
    "easy": _Hardness(
        contrasts=("strong", "strong", "medium"), tilt_deg=6.0, full_well=(20000.0, 60000.0),
        optics_px=(0.55, 0.8), defocus_mm=2.0, quality=(90, 96), edge_mm=(0.08, 0.25),
        wobble_mm=0.06, tone=0.0, outline=0.35,
    ),
    "typical": _Hardness(
        contrasts=("strong", "medium", "medium", "weak"), tilt_deg=10.0,
        full_well=(8000.0, 40000.0), optics_px=(0.6, 1.1), defocus_mm=5.0, quality=(85, 95),
        edge_mm=(0.08, 0.35), wobble_mm=0.12, tone=0.15, outline=0.12,
    ),
    "hard": _Hardness(
        contrasts=("medium", "weak", "weak", "barely"), tilt_deg=14.0, full_well=(3000.0, 15000.0),
        optics_px=(0.8, 1.7), defocus_mm=9.0, quality=(78, 92), edge_mm=(0.1, 0.45),
        wobble_mm=0.2, tone=0.3, outline=0.0,
    ),
}  # fmt: skip


def random_scene(seed: int, wish: Wish | None = None) -> Scene:
    """The scene of a seed, with what is wished for."""
    wish = wish or Wish()
    chance = np.random.default_rng(seed)
    difficulty = wish.difficulty or str(chance.choice(["easy", "typical", "hard"]))
    hardness = _HARDNESS[difficulty]
    for _ in range(_TRIES):
        scene = _draw(seed, chance, wish, difficulty, hardness)
        if _fits(scene, wish) and outline_contrast(scene) >= hardness.outline:
            return scene
    raise RuntimeError(f"no arrangement of scene {seed} fits into the picture")


def _draw(
    seed: int, chance: np.random.Generator, wish: Wish, difficulty: str, hardness: _Hardness
) -> Scene:
    shaft = _shaft(chance, wish, hardness)
    room = _room(chance, shaft)
    kind = wish.scale or str(chance.choice(["rule", "rule", "card", "none"]))
    scale = None if kind == "none" else _scale(chance, kind, wish, shaft, room)
    view, focal_35mm = _view(chance, wish, shaft, hardness)
    lens_file = bool(chance.random() < 0.5) if wish.lens_file is None else wish.lens_file
    change, spread = _lens_file(chance, view)
    top_mm = float(view.eye_mm[2]) - shaft.radius_mm
    sensor = Sensor(
        optics_sigma_px=float(chance.uniform(*hardness.optics_px)),
        aperture_mm=float(chance.uniform(2.0, 3.4)),
        focus_mm=top_mm + float(chance.uniform(-1.0, 1.0)) * hardness.defocus_mm,
        full_well=float(np.exp(chance.uniform(*np.log(hardness.full_well)))),
        read_noise=float(chance.uniform(0.001, 0.003)),
        noise_grain_px=float(chance.uniform(0.4, 0.8)),
        exposure=float(chance.uniform(0.5, 1.1)),
        vignette=float(chance.uniform(0.05, 0.25)),
        tone=float(chance.uniform(0.0, hardness.tone)),
        sharpen=float(chance.choice([0.0, 0.3, 0.6])),
        quality=int(chance.integers(hardness.quality[0], hardness.quality[1] + 1)),
        noise_seed=seed + 7_000_000,
        focal_35mm=focal_35mm,
    )
    return Scene(
        seed=seed, difficulty=difficulty, view=view, shaft=shaft, room=room, sensor=sensor,
        scale=scale, stated=_stated(chance, wish, shaft, scale, lens_file=lens_file),
        lens_file_change=change, lens_file_sd=spread,
    )  # fmt: skip


def _shaft(chance: np.random.Generator, wish: Wish, hardness: _Hardness) -> Shaft:
    diameter = float(
        chance.choice(
            [18.0, 20.0, 22.0, 25.0, 28.0, 30.0, 35.0, 38.0, 42.0, 45.0, 50.0, 55.0, 60.0]
        )
    )
    diameter -= float(chance.uniform(0.0, 0.13))  # h11 and finer
    land = float(chance.uniform(38.0, 90.0))
    rounded = bool(chance.random() < 0.15)
    if rounded:
        axial = radial = float(chance.uniform(0.3, 1.0))
    else:
        axial = float(chance.uniform(0.6, 3.0))
        radial = axial * math.tan(math.radians(float(chance.uniform(15.0, 45.0))))
        radial = min(radial, 0.12 * diameter)
    after = str(chance.choice(["shoulder", "step", "finish"]))
    distract = bool(chance.random() < 0.6) if wish.distractors is None else wish.distractors
    shaft = Shaft(
        diameter_mm=diameter, land_mm=land, edge_axial_mm=axial, edge_radial_mm=radial,
        rounded=rounded, after_land=after,
        after_radius_mm=0.5 * diameter + float(
            chance.uniform(1.5, 4.0) if after == "shoulder" else -chance.uniform(0.3, 1.0)
        ),
        centre_hole_mm=float(chance.choice([0.0, 0.07, 0.1])) * diameter,
        finish=Finish(
            along_rad=float(chance.uniform(0.22, 0.40)),
            around_rad=float(chance.uniform(0.06, 0.13)),
            slope_rms=float(chance.uniform(0.03, 0.09)),
            rough_rms=float(chance.uniform(0.12, 0.25)),
            reflectance_rms=float(chance.uniform(0.04, 0.10)),
            streak_length=float(chance.uniform(0.3, 1.2)),
        ),
    )  # fmt: skip
    if distract:
        shaft = _with_distractors(chance, shaft)
    return replace(shaft, bands=_bands(chance, wish, hardness, shaft)) if wish.bands else shaft


def _with_distractors(chance: np.random.Generator, shaft: Shaft) -> Shaft:
    groove = None
    if chance.random() < 0.4:
        start = float(chance.uniform(shaft.edge_axial_mm + 3.0, shaft.land_mm - 8.0))
        groove = Groove(
            start_mm=start, end_mm=start + float(chance.uniform(1.1, 2.2)),
            depth_mm=float(chance.uniform(0.4, 1.2)),
        )  # fmt: skip
    stains = tuple(
        Stain(
            middle_mm=float(chance.uniform(5.0, shaft.land_mm)),
            length_mm=float(chance.uniform(3.0, 14.0)),
            angle=float(chance.uniform(-1.0, 1.0)),
            span=math.radians(float(chance.uniform(25.0, 75.0))),
            strength=float(chance.uniform(0.2, 0.6)),
        )
        for _ in range(int(chance.integers(0, 3)))
    )
    scratches = tuple(
        Scratch(
            middle_mm=float(chance.uniform(5.0, shaft.land_mm)),
            length_mm=float(chance.uniform(4.0, 35.0)),
            angle=float(chance.uniform(-0.8, 0.8)),
            slant=math.tan(math.radians(float(chance.uniform(-4.0, 4.0)))),
            width_mm=float(chance.uniform(0.05, 0.12)),
            strength=float(chance.choice([-1.0, 1.0]) * chance.uniform(0.15, 0.5)),
        )
        for _ in range(int(chance.integers(0, 4)))
    )
    tints = ()
    if chance.random() < 0.3:
        tints = (
            HeatTint(
                middle_mm=float(chance.uniform(5.0, shaft.land_mm)),
                sigma_mm=float(chance.uniform(2.5, 6.0)),
                strength=float(chance.uniform(0.1, 0.35)),
            ),
        )
    return replace(shaft, groove=groove, stains=stains, scratches=scratches, tints=tints)


def _bands(
    chance: np.random.Generator, wish: Wish, hardness: _Hardness, shaft: Shaft
) -> tuple[PolishedBand, ...]:
    bands: list[PolishedBand] = []
    at = shaft.edge_axial_mm + float(chance.uniform(1.5, 25.0))
    for _ in range(int(chance.integers(1, 4))):
        width = float(np.exp(chance.uniform(np.log(0.6), np.log(8.0))))
        if (
            shaft.groove is not None
            and at < shaft.groove.end_mm + 1.5
            and at + width > (shaft.groove.start_mm - 1.5)
        ):
            at = shaft.groove.end_mm + 1.5 + float(chance.uniform(0.0, 3.0))
        if at + width > shaft.land_mm - 2.5:
            break
        contrast = wish.contrast or str(chance.choice(hardness.contrasts))
        rough, slope = CONTRASTS[contrast]
        bands.append(
            PolishedBand(
                start_mm=at, end_mm=at + width,
                edge_width_mm=min(float(chance.uniform(*hardness.edge_mm)), 0.35 * width),
                wobble_mm=float(chance.integers(2) * chance.uniform(0.0, hardness.wobble_mm)),
                wobble_phase=float(chance.uniform(0.0, 2.0 * math.pi)),
                rough_ratio=float(chance.uniform(*rough)),
                slope_ratio=float(chance.uniform(*slope)),
                contrast=contrast,
            )
        )  # fmt: skip
        at += width + float(chance.choice([chance.uniform(0.8, 2.0), chance.uniform(2.0, 15.0)]))
    if not bands:
        return _bands(chance, wish, hardness, replace(shaft, groove=None))
    return tuple(bands)


def _room(chance: np.random.Generator, shaft: Shaft) -> Room:
    lights = []
    for _ in range(int(chance.integers(1, 5))):
        small = chance.random() < 0.3
        lights.append(
            LightPatch(
                around=float(chance.uniform(-1.35, 1.35)),
                along=float(chance.uniform(-0.7, 0.7)),
                half_around=float(
                    chance.uniform(0.05, 0.12) if small else chance.uniform(0.12, 0.5)
                ),
                half_along=float(chance.uniform(0.08, 0.2) if small else chance.uniform(0.25, 0.7)),
                level=float(chance.uniform(8.0, 20.0) if small else chance.uniform(2.0, 6.0)),
            )
        )
    radius = shaft.radius_mm
    blocks = bool(chance.random() < 0.4)
    depth = radius * (float(chance.uniform(1.3, 2.4)) if blocks else 1.0)
    block = None
    if blocks:
        at = float(chance.uniform(25.0, 60.0))
        block = (
            at,
            at + float(chance.uniform(12.0, 22.0)),
            radius * float(chance.uniform(1.1, 1.5)),
        )
    return Room(
        lights=tuple(lights), wall=float(np.exp(chance.uniform(np.log(0.05), np.log(0.5)))),
        wall_seed=int(chance.integers(0, 10**6)), bench=float(chance.uniform(0.06, 0.45)),
        bench_depth_mm=depth, grain=str(chance.choice(["plain", "mottled", "wood"])),
        block_mm=block,
        person=float(chance.uniform(0.05, 0.2)),
    )  # fmt: skip


def _scale(
    chance: np.random.Generator, kind: str, wish: Wish, shaft: Shaft, room: Room
) -> FlatScale:
    height = {
        "level": 0.0,
        "bench": 1.0 - room.bench_depth_mm,
        "top": shaft.radius_mm * float(chance.uniform(0.3, 0.7)),
    }[wish.height or str(chance.choice(["level", "bench", "bench", "top"]))]
    side = float(chance.choice([-1.0, 1.0]))
    turn = math.radians(float(chance.uniform(-3.0, 3.0)))
    rise = math.radians(float(chance.normal(0.0, 0.15)))
    tip = math.radians(float(chance.normal(0.0, 0.4)))
    # u x v points into the bench, or the numerals and markers would be mirrored.
    u = np.array([-side * math.cos(turn), -side * math.sin(turn), math.sin(rise)])
    v = np.cross(np.array([0.0, 0.0, -1.0]), u)
    v = v / np.linalg.norm(v)
    u = u / np.linalg.norm(u)
    v = v * math.cos(tip) + np.cross(u, v) * math.sin(tip)
    if kind == "rule":
        length, width = 150.0, float(chance.choice([15.0, 20.0, 25.0, 30.0]))
        drawn = 1.0 + float(chance.uniform(-RULE_LIMIT, RULE_LIMIT))
        reach = flat.RULE_MARGIN_MM
    else:
        length, width = (
            flat.CARD_COLUMNS * flat.CARD_SQUARE_MM,
            flat.CARD_ROWS * flat.CARD_SQUARE_MM,
        )
        drawn = 1.0 + float(chance.normal(0.0, PRINT_U))
        reach = flat.CARD_MARGIN_MM
    gap = float(chance.uniform(3.0, 10.0)) + (flat.CARD_MARGIN_MM if kind == "card" else 0.0)
    middle_x = float(chance.uniform(10.0, 60.0))
    near_y = side * (
        max(shaft.radius_mm, shaft.after_radius_mm) + gap + reach * abs(math.sin(turn))
    )
    middle = np.array([middle_x, near_y, height])
    return FlatScale(
        kind=kind, origin_mm=middle - 0.5 * length * u, u=u, v=v, drawn_over_nominal=drawn,
        seed=int(chance.integers(0, 40)), length_mm=length, width_mm=width,
    )  # fmt: skip


def _view(
    chance: np.random.Generator, wish: Wish, shaft: Shaft, hardness: _Hardness
) -> tuple[View, float]:
    width, height = wish.size_px
    kind = str(chance.choice(["main", "main", "main", "macro"]))
    focal_35mm = float(chance.uniform(23.0, 29.0) if kind == "main" else chance.uniform(50.0, 90.0))
    # Makers round, and the lens moves to focus: what EXIF says holds to about a per cent.
    focal = focal_35mm / FULL_FRAME_DIAGONAL_MM * math.hypot(width, height)
    focal *= math.exp(float(chance.normal(0.0, 0.012)))
    k1 = float(chance.normal(0.0, 0.04 if kind == "main" else 0.015))
    k2 = -0.9 * k1 + float(chance.normal(0.0, 0.02 if kind == "main" else 0.01))
    distance = float(
        chance.uniform(140.0, 200.0) if kind == "main" else chance.uniform(180.0, 260.0)
    )
    tilt_x, tilt_y = np.radians(chance.uniform(-hardness.tilt_deg, hardness.tilt_deg, 2))
    if chance.random() < 0.7:
        inplane = float(chance.choice([0.0, 90.0, 180.0, 270.0]) + chance.uniform(-6.0, 6.0))
    else:
        inplane = float(chance.uniform(0.0, 360.0))
    target = np.array(
        [float(chance.uniform(12.0, 45.0)), float(chance.uniform(-25.0, 25.0)), shaft.radius_mm]
    )
    toward = np.array([math.sin(tilt_y), -math.sin(tilt_x) * math.cos(tilt_y),
                       math.cos(tilt_x) * math.cos(tilt_y)])  # fmt: skip
    rotation = _looking(-toward, math.radians(inplane))
    return View(
        width_px=width, height_px=height, focal_px=focal,
        centre_px=(
            0.5 * (width - 1) + float(chance.normal(0.0, 0.005)) * width,
            0.5 * (height - 1) + float(chance.normal(0.0, 0.005)) * width,
        ),
        radial=(k1, k2, float(chance.normal(0.0, 0.002))),
        decentring=(float(chance.normal(0.0, 0.0005)), float(chance.normal(0.0, 0.0005))),
        rotation=rotation, eye_mm=target + distance * toward,
    ), focal_35mm  # fmt: skip


def _looking(ahead: Array, inplane: float) -> Array:
    """World to camera for a direction of view, turned in the picture."""
    right = np.array([1.0, 0.0, 0.0]) - ahead[0] * ahead
    right /= np.linalg.norm(right)
    down = np.cross(ahead, right)
    c, s = math.cos(inplane), math.sin(inplane)
    return np.stack([c * right - s * down, s * right + c * down, ahead])


def _lens_file(chance: np.random.Generator, view: View) -> tuple[Array, Array]:
    """Error of a lens file, and the standard deviations that it states."""
    spread = np.array([0.0008 * view.focal_px] * 2 + [1.2, 1.2, 0.002, 0.006, 1e-4, 1e-4, 0.004])
    change = spread * chance.standard_normal(9)
    change[1] = change[0]  # square pixels, as the covariance says
    return change, spread


def _stated(
    chance: np.random.Generator,
    wish: Wish,
    shaft: Shaft,
    scale: FlatScale | None,
    *,
    lens_file: bool,
) -> Stated:
    by_hand = shaft.diameter_mm + float(chance.normal(0.0, DIAMETER_U_MM))
    height = None if scale is None else scale.height_mm + float(chance.normal(0.0, HEIGHT_U_MM))
    say_height = bool(chance.random() < 0.5) if wish.state_height is None else wish.state_height
    say_diameter = (
        bool(chance.random() < 0.8) if wish.state_diameter is None else wish.state_diameter
    )
    if scale is None or not say_height:
        height = None
    if wish.state_diameter is None and height is None:
        say_diameter = True
    return Stated(
        diameter_mm=by_hand if say_diameter else None, scale_height_mm=height, lens_file=lens_file
    )


def _fits(scene: Scene, wish: Wish) -> bool:
    """Whether the end, the bands and enough of the scale lie in the picture, none over another."""
    view, shaft = scene.view, scene.shaft
    turn = np.linspace(0.0, 2.0 * math.pi, 25)
    facing = scene.facing + np.linspace(-1.0, 1.0, 9)

    def inside(x: float, angle: Array) -> bool:
        ring = np.stack(
            [
                np.full_like(angle, x),
                shaft.radius_mm * np.sin(angle),
                shaft.radius_mm * np.cos(angle),
            ],
            axis=1,
        )
        return bool(_in_frame(view, view.pixels(ring)).all())

    last = max([band.end_mm for band in shaft.bands], default=_LEAST_LAND_MM)
    end_seen = inside(0.0, turn)
    if end_seen != wish.end_in_frame or not inside(max(last + 2.0, _LEAST_LAND_MM), facing):
        return False
    if not wish.end_in_frame and inside(0.0, facing[4:5]):
        return False
    if scene.scale is None:
        return True
    corners = flat.scale_corners_mm(scene.scale)
    along = np.linspace(0.0, 1.0, 31)[:, None]
    edge_px = view.pixels(corners[0] + along * (corners[1] - corners[0]))
    back_px = view.pixels(corners[3] + along * (corners[2] - corners[3]))
    seen = _in_frame(view, edge_px) & _in_frame(view, back_px)
    least = 0.4 if scene.scale.kind == "rule" else 0.6
    return bool(seen.mean() >= least and _apart(scene, edge_px))


def _in_frame(view: View, points: Array) -> Array:
    limit = np.array([view.width_px, view.height_px]) - 1.0 - _FRAME_MARGIN_PX
    return np.asarray(((points > _FRAME_MARGIN_PX) & (points < limit)).all(axis=-1))


def _apart(scene: Scene, edge_px: Array) -> bool:
    """The scale's near edge stays clear of the shaft's outline in the picture."""
    view, shaft = scene.view, scene.shaft
    radius = max(shaft.radius_mm, shaft.after_radius_mm)
    distance = math.hypot(view.eye_mm[1], view.eye_mm[2])
    half = math.acos(radius / distance)
    assert scene.scale is not None
    side = 1.0 if scene.scale.origin_mm[1] > 0.0 else -1.0
    limb = scene.facing + side * half
    xs = np.linspace(-5.0, 130.0, 28)
    line = np.stack(
        [xs, np.full_like(xs, radius * math.sin(limb)), np.full_like(xs, radius * math.cos(limb))],
        axis=1,
    )
    line_px = view.pixels(line)
    gaps = np.linalg.norm(edge_px[:, None] - line_px[None], axis=2).min(axis=1)
    middle = view.pixels(np.array([[30.0, 0.0, 0.0]]))[0]
    outward = line_px[7] - middle
    beyond = ((edge_px - line_px[7]) @ outward) > 0.0
    return bool(gaps.min() > 25.0 and beyond.all())
