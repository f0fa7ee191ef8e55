"""A scene to a picture: bench, scale and shaft as layers, blurred by depth and laid together."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tests.scenes import develop, flat, metal, solid
from tests.scenes.model import TEN_TO_NINETY, PolishedBand, Scene, Sensor, Shaft

Light = NDArray[np.float32]
Window = tuple[slice, slice]

_FINE = 4  # rays per pixel and direction where something changes within the pixel
_OUTLINE_PX = 4.0  # on either side of a silhouette
_MOST_ROWS = 30000  # OpenCV's remap takes 32767
_REACH_PX = 24  # that blur carries beyond a part
_LEAST_MEAN, _MOST_RAISED = 0.05, 1.8  # of full scale; of the gain that suits the shaft
_BRIGHT_SHARE = 0.98  # quantile of the shaft that the exposure is set by


def render(scene: Scene) -> NDArray[np.uint8]:
    """The picture of a scene, grey values, shape (height, width)."""
    return develop.encode(develop.expose(linear_light(scene), scene.sensor), scene.sensor)


def photograph(scene: Scene, path: Path) -> Path:
    """Render a scene into a JPEG file."""
    develop.write_photo(path, render(scene), scene.sensor)
    return path


def linear_light(scene: Scene, gain: float | None = None) -> Light:
    """Light on the sensor without noise, 1 where it clips; `gain` fixes the exposure."""
    view, sensor = scene.view, scene.sensor
    x, y = view.ideal_grid()
    directions = view.directions(x, y)
    shaft_light, coverage, window, sigma, bright = shaft_layer(scene, directions)
    bench_depth = float(view.eye_mm[2] + scene.room.bench_depth_mm)
    bench_sigma = float(develop.disc_sigma_px(sensor, view.focal_px, bench_depth))
    picture = flat.bench(scene, directions, bench_sigma)
    layers = [(window, shaft_light, coverage, sigma)]
    if scene.scale is not None:
        at = 0 if scene.scale.height_mm < scene.shaft.radius_mm * 0.5 else 1
        layers.insert(at, _scale_layer(scene, directions))
    for place, light, cover, spread in layers:
        soft_light, soft_cover = develop.blur([light, cover], spread)
        picture[place] = picture[place] * (1.0 - soft_cover) + soft_light
    return picture * np.float32(_gain(sensor, picture, bright) if gain is None else gain)


def _gain(sensor: Sensor, picture: Light, bright: float) -> float:
    """Exposure for the shaft, raised where the whole picture would be dark, as phones do."""
    gain = sensor.exposure / bright
    mean = gain * float(picture[::16, ::16].mean())
    return gain * float(np.clip(_LEAST_MEAN / mean, 1.0, _MOST_RAISED))


def rendered_contrast(scene: Scene, band: PolishedBand) -> float:
    """Relative change of light from beside a band to inside it, rms over the arc that is used."""
    shading = _Shading(scene, solid.outline(scene.shaft))
    angles = scene.facing + np.radians(np.linspace(-45.0, 45.0, 31))
    inset, reach = 0.5 * band.edge_width_mm, 1.0
    inside = np.linspace(band.start_mm + inset, band.end_mm - inset, 41)
    before = np.linspace(band.start_mm - reach - inset, band.start_mm - inset, 20)
    after = np.linspace(band.end_mm + inset, band.end_mm + inset + reach, 20)
    light = _light_at(shading, np.concatenate([before, inside, after]), angles)
    beside = np.concatenate([light[:, :20], light[:, 61:]], axis=1).mean(axis=1)
    change = (light[:, 20:61].mean(axis=1) - beside) / beside
    return float(np.sqrt((change**2).mean()))


def outline_contrast(scene: Scene) -> float:
    """Change of light across the fainter of the two silhouettes, |ln(metal / bench)|."""
    view, radius = scene.view, scene.shaft.radius_mm
    shading = _Shading(scene, solid.outline(scene.shaft), streaks_mm=10.0)
    half = math.acos(radius / math.hypot(view.eye_mm[1], view.eye_mm[2]))
    x = np.linspace(scene.shaft.edge_axial_mm, min(scene.shaft.land_mm, 40.0), 16)
    away = _OUTLINE_PX / scene.px_per_mm
    contrasts = []
    for limb in (scene.facing - half, scene.facing + half):
        inner = limb - math.copysign(math.acos(1.0 - away / radius), limb - scene.facing)
        metal = _light_at(shading, x, np.array([inner]))[0]
        outer = radius + away
        beside = np.stack(
            [x, np.full_like(x, outer * math.sin(limb)), np.full_like(x, outer * math.cos(limb))], 1
        )
        ideal = (beside - view.eye_mm) @ view.rotation.T
        ideal = (ideal[:, :2] / ideal[:, 2:]).astype(np.float32)
        around = np.repeat(ideal.T[:, :, None], 8, axis=2)  # the bench is drawn in two dimensions
        bench = flat.bench(scene, view.directions(around[0], around[1]), 3.0)[:, 0]
        contrasts.append(abs(float(np.median(np.log((metal + 1e-4) / (bench + 1e-4))))))
    return min(contrasts)


def _light_at(shading: _Shading, x: NDArray[np.float64], angle: NDArray[np.float64]) -> Light:
    """Light from points of the land, shape (angles, positions)."""
    scene = shading.scene
    at, turn = np.meshgrid(x, angle)
    radius = scene.shaft.radius_mm
    world = np.stack([at, radius * np.sin(turn), radius * np.cos(turn)])
    land = next(i for i, part in enumerate(shading.parts) if part.kind == "land")
    hits = solid.Hits(
        distance=np.ones_like(at), part=np.full(at.shape, land, dtype=np.int8), x=at, angle=turn
    )
    toward = world - scene.view.eye_mm[:, None, None]
    return shading.light(toward.astype(np.float32), hits)


def _scale_layer(scene: Scene, directions: Light) -> tuple[Window, Light, Light, Light]:
    scale, view = scene.scale, scene.view
    assert scale is not None
    corners = flat.scale_corners_mm(scale)
    window = _window(scene, view.pixels(corners))
    depth = float(view.depth(corners).mean())
    sigma = float(develop.disc_sigma_px(scene.sensor, view.focal_px, depth))
    d = directions[(slice(None), *window)]
    light, cover = flat.scale_layer(scene, scale, d, sigma)
    # Depth over a plane is even over the picture to a fraction of the blur.
    smoothed = flat.SAMPLING_SIGMA_PX**2 - flat.PIXEL_SIGMA_PX**2
    rest = math.sqrt(max(0.09, sigma * sigma - smoothed))
    spread = np.full(light.shape, rest, dtype=np.float32)
    return window, light, cover, spread


def _window(scene: Scene, points_px: NDArray[np.float64]) -> Window:
    size = np.array([scene.view.width_px, scene.view.height_px])
    low = np.clip(np.floor(points_px.min(axis=0)).astype(int) - _REACH_PX, 0, size - 2)
    high = np.clip(np.ceil(points_px.max(axis=0)).astype(int) + _REACH_PX, low + 2, size)
    return slice(low[1], high[1]), slice(low[0], high[0])


class _Shading:
    """What is the same for all rays of one scene."""

    def __init__(
        self, scene: Scene, parts: list[solid.Part], streaks_mm: float | None = None
    ) -> None:
        eye, facing = scene.view.eye_mm, scene.facing
        elevation = math.atan2(eye[0] - 20.0, math.hypot(eye[1], eye[2]))
        self.scene, self.parts = scene, parts
        self.mirror = metal.Mirror(scene.room, scene.shaft.finish, facing, elevation)
        footprint, reach = 1.0 / scene.px_per_mm, scene.shaft.finish.streak_length
        length = streaks_mm or scene.shaft.land_mm + 60.0  # shorter tables repeat
        self.slope, self.rough, self.tint = (
            metal.streaks(1000 * scene.seed + i, length, footprint, reach) for i in range(3)
        )
        self.normals = np.array([part.normal for part in parts] + [(0.0, 1.0)], dtype=np.float32)
        self.kinds = np.array([part.kind for part in parts] + ["miss"])

    def light(self, directions: Light, hits: solid.Hits) -> Light:
        """Light from the shaft along rays, all of one two-dimensional shape; 0 where missed."""
        finish = self.scene.shaft.finish
        x, angle = hits.x.astype(np.float32), hits.angle.astype(np.float32)
        along, away = self.normals[hits.part, 0], self.normals[hits.part, 1]
        d = directions / np.sqrt((directions * directions).sum(axis=0))
        sine, cosine = np.sin(angle), np.cos(angle)
        facing = -(along * d[0] + away * (sine * d[1] + cosine * d[2]))
        out_x = np.clip(d[0] + 2.0 * facing * along, -1.0, 1.0)
        out_y = d[1] + 2.0 * facing * away * sine
        out_z = d[2] + 2.0 * facing * away * cosine
        slope_ratio, rough, gain = _finish(self.scene.shaft, x, angle)
        fine = (hits.part >= 0) & (np.abs(along) < 0.99)
        slope = metal.read_streaks(self.slope, x, angle) * np.float32(finish.slope_rms)
        tilt = np.where(fine, 2.0 * slope_ratio * slope * facing, 0.0).astype(np.float32)
        uneven = metal.read_streaks(self.rough, x, angle) * np.float32(finish.rough_rms)
        rough = rough * np.exp(slope_ratio * uneven)
        gain = gain * np.exp(
            slope_ratio * np.float32(finish.reflectance_rms)
            * metal.read_streaks(self.tint, x, angle)
        )  # fmt: skip
        mirrored = self.mirror.seen(
            np.arcsin(out_x) + tilt, np.arctan2(out_y, out_z), rough.astype(np.float32)
        )
        kind_gain = np.array([_KIND_GAIN[k] for k in self.kinds], dtype=np.float32)[hits.part]
        return np.asarray(mirrored * gain * kind_gain * metal.fresnel(facing), dtype=np.float32)


# Recesses see little of the room.
_KIND_GAIN = {
    "face": 0.8, "hole": 0.12, "edge": 0.95, "land": 1.0, "groove": 0.3, "wall": 0.45,
    "after": 0.95, "miss": 0.0,
}  # fmt: skip


def _finish(shaft: Shaft, x: Light, angle: Light) -> tuple[Light, Light, Light]:
    """Share of the streaks, roughness over that of ground metal, and gain of every point."""
    slope, rough, gain = np.ones_like(x), np.ones_like(x), np.ones_like(x)
    for band in shaft.bands:
        inside = band_share(band, x, angle)
        slope += inside * np.float32(band.slope_ratio - 1.0)
        rough += inside * np.float32(band.rough_ratio - 1.0)
        gain *= 1.0 + inside * np.float32(band.reflectance - 1.0)
    for tint in shaft.tints:
        off = (x - np.float32(tint.middle_mm)) / np.float32(tint.sigma_mm)
        gain *= 1.0 - np.float32(tint.strength) * np.exp(-0.5 * off * off)
    for number, stain in enumerate(shaft.stains):
        u = (x - np.float32(stain.middle_mm)) / np.float32(0.5 * stain.length_mm)
        v = _turned(angle - np.float32(stain.angle)) / np.float32(0.5 * stain.span)
        ragged = 0.12 * np.sin(7.0 * u + 5.0 * v + number) + 0.1 * np.sin(13.0 * v - 4.0 * u)
        inside = np.clip((1.0 - np.hypot(u, v) + ragged) / 0.12, 0.0, 1.0)
        gain *= 1.0 - np.float32(stain.strength) * inside
        rough += np.float32(0.3) * inside
    for scratch in shaft.scratches:
        off = x - np.float32(scratch.middle_mm)
        side = _turned(angle - np.float32(scratch.angle)) * np.float32(shaft.radius_mm)
        side = side - off * np.float32(scratch.slant)
        line = np.exp(-0.5 * (side / np.float32(0.5 * scratch.width_mm)) ** 2)
        line *= np.abs(off) < np.float32(0.5 * scratch.length_mm)
        gain *= 1.0 + np.float32(scratch.strength) * line
    rough = np.where(x > np.float32(shaft.land_mm), np.float32(1.3), rough)
    rough = np.where(x < np.float32(shaft.edge_axial_mm), np.float32(1.2), rough)
    return slope, rough, gain


def band_share(band: PolishedBand, x: Light, angle: Light) -> Light:
    """How polished: 1 inside, 0 outside, half on the edges."""
    at = x - band.run(angle).astype(np.float32)
    sigma = np.float32(band.edge_width_mm / TEN_TO_NINETY)
    share = np.zeros_like(x)
    near = (at > band.start_mm - 6.0 * sigma) & (at < band.end_mm + 6.0 * sigma)
    inside = at[near]
    share[near] = ndtr((inside - np.float32(band.start_mm)) / sigma) - ndtr(
        (inside - np.float32(band.end_mm)) / sigma
    )
    return share


def _turned(angle: Light) -> Light:
    return np.asarray((angle + np.float32(np.pi)) % np.float32(2.0 * np.pi) - np.float32(np.pi))


def shaft_layer(scene: Scene, directions: Light) -> tuple[Light, Light, Window, Light, float]:
    """Light, coverage, where, blur, and the bright end of the land's light."""
    view, sensor = scene.view, scene.sensor
    parts = solid.outline(scene.shaft)
    size = (view.width_px, view.height_px)
    all_boxes = [solid.box_px(view, part, (0, 0), size) for part in parts]
    rows = slice(min(b[0].start for b in all_boxes), max(b[0].stop for b in all_boxes))
    columns = slice(min(b[1].start for b in all_boxes), max(b[1].stop for b in all_boxes))
    low = (max(0, columns.start - _REACH_PX), max(0, rows.start - _REACH_PX))
    high = (min(size[0], columns.stop + _REACH_PX), min(size[1], rows.stop + _REACH_PX))
    window = (slice(low[1], high[1]), slice(low[0], high[0]))
    d = directions[(slice(None), *window)]
    boxes = [solid.box_px(view, part, low, high) for part in parts]
    hits = solid.cast(view.eye_mm, d, parts, boxes)
    shading = _Shading(scene, parts)
    light = shading.light(d, hits)
    cover = (hits.part >= 0).astype(np.float32)
    land = shading.kinds[hits.part] == "land"
    bright = float(np.quantile(light[land][::17], _BRIGHT_SHARE)) if land.any() else 1.0
    _refine(shading, d, hits, light, cover)
    sigma = develop.disc_sigma_px(sensor, view.focal_px, _nearest_depth(scene, d))
    return light, cover, window, np.asarray(sigma, dtype=np.float32), bright


def _nearest_depth(scene: Scene, d: Light) -> Light:
    """Depth where a ray meets the land's cylinder, or passes nearest to its axis."""
    eye, radius = scene.view.eye_mm, scene.shaft.radius_mm
    square = d[1] ** 2 + d[2] ** 2
    reach = np.float32(eye[1]) * d[1] + np.float32(eye[2]) * d[2]
    cross = np.float32(eye[1]) * d[2] - np.float32(eye[2]) * d[1]
    inner = np.maximum(np.float32(radius**2) * square - cross * cross, 0.0)
    return np.asarray((-reach - np.sqrt(inner)) / square)  # directions have unit depth


def _refine(shading: _Shading, d: Light, hits: solid.Hits, light: Light, cover: Light) -> None:
    """Average rays over the pixels in which the part changes or a band has its edge, in place."""
    eye = shading.scene.view.eye_mm
    part = hits.part
    mixed = np.zeros(part.shape, dtype=bool)
    for axis in (0, 1):
        change = np.diff(part, axis=axis) != 0
        first = (slice(None, -1), slice(None)) if axis == 0 else (slice(None), slice(None, -1))
        second = (slice(1, None), slice(None)) if axis == 0 else (slice(None), slice(1, None))
        mixed[first] |= change
        mixed[second] |= change
    mixed |= _near_edges(shading.scene, hits)
    rows, columns = np.nonzero(mixed)
    if rows.size == 0:
        return
    step_u, step_v = np.gradient(d, axis=2), np.gradient(d, axis=1)
    offsets = (np.arange(_FINE) + 0.5) / _FINE - 0.5
    fine = (
        d[:, rows, columns][:, :, None, None]
        + step_u[:, rows, columns][:, :, None, None] * offsets[None, None, None, :]
        + step_v[:, rows, columns][:, :, None, None] * offsets[None, None, :, None]
    ).reshape(3, rows.size, _FINE * _FINE)
    fine = fine.astype(np.float32)
    for start in range(0, rows.size, _MOST_ROWS):
        some = slice(start, start + _MOST_ROWS)
        found = solid.cast(eye, fine[:, some], shading.parts)
        light[rows[some], columns[some]] = shading.light(fine[:, some], found).mean(axis=1)
        cover[rows[some], columns[some]] = (found.part >= 0).mean(axis=1)


def _near_edges(scene: Scene, hits: solid.Hits) -> NDArray[np.bool_]:
    near = np.zeros(hits.part.shape, dtype=bool)
    for band in scene.shaft.bands:
        reach = band.edge_width_mm + 1.0 / scene.px_per_mm + abs(band.wobble_mm)
        for at in (band.start_mm, band.end_mm):
            near |= np.abs(hits.x - at) < reach
    return near & (hits.part >= 0)
