"""The end face found on painted ends whose place is known.

The painter below is an independent check: it casts rays at cones, cylinders and discs with
formulas of its own and shares no projection code with the package. Lengths in mm.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache
from pathlib import Path

import cv2
import numpy as np
import pytest

from bandscan.cylinder import ShaftPose
from bandscan.end_shape import AxisPlane, EndShape, Piece, draw
from bandscan.errors import NoEndError
from bandscan.model import AxisDoubt, EndFace, Photo
from bandscan.steps.end_face import find_end_face, seek_end
from calib.camera import Camera

WIDTH, HEIGHT, FOCAL = 560, 520, 2600.0
RADIUS = 19.0


@dataclass(frozen=True)
class Scene:
    """A shaft end; the camera looks along +z, the shaft points to the right."""

    lean_deg: float = 10.0  # > 0: the face is turned away from the camera
    chamfer: tuple[float, float] | None = (2.0, 1.0)  # axial, radial
    edge_radius: float | None = None
    hole: float | None = None
    background: float = 0.25
    blur_px: float = 0.9
    noise: float = 0.008
    turn_deg: float = 0.0
    band: tuple[float, float] | None = None
    seed: int = 1

    def profile(self) -> list[tuple[float, float]]:
        """Axial position and radius from the face's rim to the land."""
        if self.chamfer:
            return [(0.0, RADIUS - self.chamfer[1]), (self.chamfer[0], RADIUS)]
        if self.edge_radius:
            bend = np.linspace(0.5 * math.pi, 0.0, 9)
            e = self.edge_radius
            return [(e * (1 - math.sin(g)), RADIUS - e * (1 - math.cos(g))) for g in bend.tolist()]
        return [(0.0, RADIUS)]

    def axes(self) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
        """Origin, axis, and two directions across, in the camera's frame."""
        lean, turn = math.radians(self.lean_deg), math.radians(self.turn_deg)
        axis = np.array([math.cos(lean), 0.0, -math.sin(lean)])
        toward = np.array([-math.sin(lean), 0.0, -math.cos(lean)])
        spin = np.array(
            [
                [math.cos(turn), -math.sin(turn), 0.0],
                [math.sin(turn), math.cos(turn), 0.0],
                [0.0, 0.0, 1.0],
            ]
        )
        start = np.array([-8.0, 1.0, 260.0])
        return spin @ start, spin @ axis, spin @ toward, spin @ np.cross(axis, toward)


def camera() -> Camera:
    return Camera(
        width_px=WIDTH, height_px=HEIGHT, fx_px=FOCAL, fy_px=FOCAL,
        cx_px=0.5 * WIDTH, cy_px=0.5 * HEIGHT,
    )  # fmt: skip


@cache
def paint(scene: Scene) -> Photo:
    """Ray-cast the scene: two by two rays a pixel, blur, noise, sRGB, 8 bit."""
    rng = np.random.default_rng(scene.seed)
    fine = 2
    v, u = np.mgrid[0 : HEIGHT * fine, 0 : WIDTH * fine].astype(np.float32)
    dx = ((u + 0.5) / fine - 0.5 - 0.5 * WIDTH) / FOCAL
    dy = ((v + 0.5) / fine - 0.5 - 0.5 * HEIGHT) / FOCAL
    origin, axis, toward, across = scene.axes()
    rays = [dx * e[0] + dy * e[1] + e[2] for e in (axis, toward, across)]
    eye = [-float(origin @ e) for e in (axis, toward, across)]
    light = scene.background * (1.0 + 0.15 * np.sin(0.02 * u + 0.013 * v))
    nearest = np.full(dx.shape, np.inf, np.float32)
    pieces = scene.profile()
    for (x0, r0), (x1, r1) in zip(pieces, [*pieces[1:], (90.0, RADIUS)], strict=True):
        slope = (r1 - r0) / (x1 - x0)
        # on the cone: y^2 + z^2 = (r0 + slope (x - x0))^2 along eye + s ray
        k = r0 + slope * (eye[0] - x0)
        a = rays[1] ** 2 + rays[2] ** 2 - slope**2 * rays[0] ** 2
        b = eye[1] * rays[1] + eye[2] * rays[2] - slope * k * rays[0]
        c = eye[1] ** 2 + eye[2] ** 2 - k * k
        with np.errstate(invalid="ignore", divide="ignore"):
            s = (-b - np.sqrt(b * b - a * c)) / a
        x = eye[0] + s * rays[0]
        hit = (s > 0.0) & (x >= x0) & (x <= x1) & (s < nearest)
        turn = np.arctan2(eye[2] + s * rays[2], eye[1] + s * rays[1])
        shade = _metal(x, turn, slope, scene, rng)
        light = np.where(hit, shade, light)
        nearest = np.where(hit, s, nearest)
    s = -eye[0] / rays[0]
    ring = np.hypot(eye[1] + s * rays[1], eye[2] + s * rays[2])
    face = (ring <= pieces[0][1]) & (s < nearest) & (s > 0.0)
    shade = 0.42 + 0.03 * np.sin(3.0 * ring)
    if scene.hole:
        shade = np.where(ring < scene.hole, 0.03, shade)
    light = np.where(face, shade, light).astype(np.float32)
    light = cv2.resize(light, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
    light = cv2.GaussianBlur(light, (0, 0), scene.blur_px)
    light = np.clip(light + rng.normal(0.0, scene.noise, light.shape), 0.0, 1.0)
    encoded = np.where(
        light <= 0.0031308, 12.92 * light, 1.055 * np.maximum(light, 1e-9) ** (1 / 2.4) - 0.055
    )
    return Photo(
        path=Path("painted.png"), sha256="", grey=np.rint(255.0 * encoded).astype(np.uint8)
    )


def _metal(
    x: np.ndarray, turn: np.ndarray, slope: float, scene: Scene, rng: np.random.Generator
) -> np.ndarray:
    """What ground metal mirrors: lamps round the turn, displaced by the slope, and streaks."""
    streaks = cv2.GaussianBlur(rng.normal(0.0, 1.0, (1, 4000)), (0, 0), 1.5)[0]
    position = np.nan_to_num(np.clip(x, -1.0, 95.0)) * 40.0
    streak = np.interp(position.ravel(), np.arange(4000.0), streaks).reshape(x.shape)
    lamps = (
        0.3 + 0.25 * np.sin(2.3 * turn + 6.0 * math.atan(slope) + 0.7) + 0.1 * np.sin(7.0 * turn)
    )
    shade = np.maximum(lamps, 0.04) * (1.0 + 0.15 * streak)
    if scene.band and slope == 0.0:
        polished = (x > scene.band[0]) & (x < scene.band[1])
        shade = np.where(polished, 0.06 + 0.5 * (np.sin(4.0 * turn) > 0.6), shade)
    return shade


def measure(scene: Scene, shift_mm: float = 1.7) -> EndFace:
    origin, axis, _, _ = scene.axes()
    pose = ShaftPose(origin_mm=origin, direction=axis, radius_mm=RADIUS).with_zero_at(shift_mm)
    found = find_end_face(seek_end(paint(scene), camera(), pose, approximate_axial_mm=0.0))
    axial = replace(found.axial_mm, value=found.axial_mm.value + shift_mm)
    edge = found.chamfer_mm
    edge = replace(edge, value=edge.value + shift_mm) if edge else None
    return replace(found, axial_mm=axial, chamfer_mm=edge)


CHAMFERED = {
    "face hidden": Scene(),
    "seen from far along the shaft": Scene(lean_deg=17.0, background=0.7),
    "face nearly edge-on": Scene(lean_deg=3.0),
    "face seen": Scene(lean_deg=-12.0),
    "face seen, centre hole": Scene(lean_deg=-15.0, hole=5.0),
    "long chamfer": Scene(chamfer=(6.0, 2.2)),
    "band at the chamfer": Scene(band=(4.0, 5.5)),
    "bench like the metal": Scene(background=0.32),
    "out of focus": Scene(blur_px=2.5),
    "noisy": Scene(noise=0.03),
    "shaft to the left": Scene(turn_deg=180.0),
}


@pytest.mark.parametrize("name", CHAMFERED)
def test_chamfered_end_is_placed_within_its_uncertainty(name: str) -> None:
    scene = CHAMFERED[name]
    found = measure(scene)
    assert abs(found.axial_mm.value) <= found.axial_mm.expanded
    assert abs(found.axial_mm.value) <= 0.03  # a third of a pixel of 0.1 mm
    assert found.axial_mm.u <= 0.06
    assert found.chamfer_mm is not None
    assert scene.chamfer is not None
    assert abs(found.chamfer_mm.value - scene.chamfer[0]) <= found.chamfer_mm.expanded
    assert abs(found.chamfer_mm.value - scene.chamfer[0]) <= 0.03
    assert found.rim_radius_mm == pytest.approx(RADIUS - scene.chamfer[1], abs=0.1)
    assert found.what == "face rim"
    assert not found.warnings


@pytest.mark.parametrize("lean_deg", [10.0, -10.0])
def test_sharp_end_has_no_chamfer_and_says_what_may_hide(lean_deg: float) -> None:
    found = measure(Scene(chamfer=None, lean_deg=lean_deg))
    assert abs(found.axial_mm.value) <= 0.05
    assert abs(found.axial_mm.value) <= found.axial_mm.expanded
    assert found.chamfer_mm is None


@pytest.mark.parametrize("lean_deg", [10.0, -10.0])
def test_rounded_edge_is_covered(lean_deg: float) -> None:
    found = measure(Scene(chamfer=None, edge_radius=0.8, lean_deg=lean_deg))
    assert abs(found.axial_mm.value) <= found.axial_mm.expanded
    assert found.axial_mm.u <= 0.25
    if found.chamfer_mm is not None:
        assert abs(found.chamfer_mm.value - 0.8) <= found.chamfer_mm.expanded


def test_zero_of_the_pose_does_not_matter() -> None:
    one, other = measure(Scene(), 3.0), measure(Scene(), -2.4)
    assert one.axial_mm.value == pytest.approx(other.axial_mm.value, abs=0.01)


def test_end_outside_the_photo_is_refused() -> None:
    scene = Scene()
    origin, axis, _, _ = scene.axes()
    pose = ShaftPose(origin_mm=origin, direction=axis, radius_mm=RADIUS)
    photo = paint(scene)
    cut = replace(photo, grey=np.ascontiguousarray(photo.grey[:, 230:]))
    lens = replace(camera(), width_px=WIDTH - 230, cx_px=0.5 * WIDTH - 230)
    with pytest.raises(NoEndError) as refusal:
        find_end_face(seek_end(cut, lens, pose, approximate_axial_mm=0.0))
    assert refusal.value.code == "no-end"


@pytest.mark.parametrize("lean_deg", [-12.0, 10.0])
@pytest.mark.parametrize("wrong_deg", [-1.5, 0.0, 1.5])
def test_zero_is_the_rim_that_faces_the_camera_whatever_the_axis_leans(
    lean_deg: float, wrong_deg: float
) -> None:
    """Bands are read on that side, so that an axis that leans moves them and the rim alike."""
    scene = Scene(lean_deg=lean_deg)
    start, axis, toward, beside = scene.axes()
    _, leaning, _, _ = replace(scene, lean_deg=lean_deg + wrong_deg).axes()
    pivot = start + 20.0 * axis
    pose = ShaftPose(origin_mm=pivot - 20.0 * leaning, direction=leaning, radius_mm=RADIUS)
    search = seek_end(paint(scene), camera(), pose, approximate_axial_mm=0.0)
    found = find_end_face(search, AxisDoubt(lean_rad=math.radians(1.5)))
    assert scene.chamfer is not None
    rim_mm = RADIUS - scene.chamfer[1]
    turn = np.radians(np.linspace(-45.0, 45.0, 19))[:, None]
    rim = start + rim_mm * (np.cos(turn) * toward + np.sin(turn) * beside)
    seen, _ = pose.with_radius(rim_mm).locate(camera().rays(camera().project(rim)))
    assert abs(found.axial_mm.value - float(seen.mean())) <= 0.05
    assert abs(float(seen.mean())) >= 0.15 * abs(wrong_deg)  # the lean does move it


@pytest.mark.parametrize("approximate_mm", [math.nan, -400.0, 1e9])
def test_end_that_cannot_be_there_is_refused(approximate_mm: float) -> None:
    scene = Scene()
    origin, axis, _, _ = scene.axes()
    pose = ShaftPose(origin_mm=origin, direction=axis, radius_mm=RADIUS)
    with pytest.raises(NoEndError):
        find_end_face(seek_end(paint(scene), camera(), pose, approximate_axial_mm=approximate_mm))


def test_a_shaft_too_thick_for_any_chamfer_is_refused() -> None:
    """A scale 150 times too large: the outline stays, and no chamfer that is made fits it."""
    scene = Scene()
    origin, axis, _, _ = scene.axes()
    pose = ShaftPose(origin_mm=150.0 * origin, direction=axis, radius_mm=150.0 * RADIUS)
    with pytest.raises(NoEndError):
        find_end_face(seek_end(paint(scene), camera(), pose, approximate_axial_mm=0.0))


def test_plain_bench_is_refused() -> None:
    scene = Scene()
    origin, axis, _, _ = scene.axes()
    pose = ShaftPose(origin_mm=origin, direction=axis, radius_mm=RADIUS)
    noise = np.random.default_rng(3).normal(120.0, 4.0, (HEIGHT, WIDTH))
    photo = replace(paint(scene), grey=np.rint(noise).astype(np.uint8))
    with pytest.raises(NoEndError):
        find_end_face(seek_end(photo, camera(), pose, approximate_axial_mm=0.0))


@pytest.mark.parametrize("lean_deg", [17.0, 3.0, -3.0, -25.0])
@pytest.mark.parametrize("rounded", [False, True])
def test_outline_is_the_convex_hull_of_the_circles(lean_deg: float, rounded: bool) -> None:  # noqa: FBT001
    origin, axis, _, _ = Scene(lean_deg=lean_deg).axes()
    plane = AxisPlane.of(ShaftPose(origin_mm=origin, direction=axis, radius_mm=RADIUS))
    shape = EndShape.one(0.0, 1.5, 1.5 if rounded else 2.5, rounded=rounded)
    lean = np.linspace(0.0, 0.5 * math.pi, 300)
    circles = [(0.0, RADIUS - 1.5), (2.5, RADIUS), (40.0, RADIUS)]
    if rounded:
        circles = [(1.5 - 1.5 * math.sin(g), RADIUS - 1.5 + 1.5 * math.cos(g)) for g in lean]
        circles.append((40.0, RADIUS))
    turn = np.linspace(0.0, 2.0 * math.pi, 1500)
    points = [np.stack(plane.circle(x, r, turn), axis=-1) for x, r in circles]
    hull = cv2.convexHull(np.concatenate(points).astype(np.float32)).reshape(-1, 1, 2)
    pieces = (Piece.RIM,) if rounded else (Piece.RIM, Piece.FLANK, Piece.SHOULDER, Piece.SIDE)
    drawn = draw(plane, shape, dict.fromkeys(pieces, 40), side_to_mm=30.0)
    for x, w in zip(drawn.x_mm[0].tolist(), drawn.w_mm[0].tolist(), strict=True):
        assert abs(cv2.pointPolygonTest(hull, (x, w), measureDist=True)) < 5e-4
