"""The shaft's outline against painted cylinders whose silhouettes are known in closed form."""

from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

from bandscan.edge_fit import baseline_through, undistorted
from bandscan.errors import NoEndError, NoShaftError
from bandscan.model import Outline, Photo
from bandscan.outline_search import RoughShaft, rough_shaft
from bandscan.side_fit import Known, fit_sides
from bandscan.silhouette_fit import SEGMENT_PX, Window, fit_silhouette, mean_profiles
from bandscan.steps.shaft import find_outlines
from calib.camera import Camera, FloatArray
from calib.light import linear_light

WIDTH, HEIGHT, FOCAL = 1300, 975, 1250.0
CAMERA = Camera(
    width_px=WIDTH, height_px=HEIGHT, fx_px=FOCAL, fy_px=FOCAL,
    cx_px=(WIDTH - 1) / 2.0, cy_px=(HEIGHT - 1) / 2.0,
)  # fmt: skip
RADIUS, DISTANCE = 20.0, 150.0  # mm


class Painted:
    """A ground cylinder over a plain ground; the camera looks down on it from z = DISTANCE."""

    def __init__(self, *, turn_deg, end_mm=-35.0, ground=0.3, shoulder_mm=None, seed=1):
        self.turn, self.end_mm, self.ground = np.radians(turn_deg), end_mm, ground
        self.shoulder_mm = shoulder_mm
        self.random = np.random.default_rng(seed)
        self.tilt = np.radians(2.0)  # of the axis against the picture
        c, s, ct, st = np.cos(self.turn), np.sin(self.turn), np.cos(self.tilt), np.sin(self.tilt)
        self.axis = np.array([ct * c, ct * s, st])
        self.origin = np.array([0.0, 0.0, DISTANCE])

    def _directions(self, fine):
        step = (
            (np.arange(fine * WIDTH) + 0.5) / fine - 0.5,
            (np.arange(fine * HEIGHT) + 0.5) / fine - 0.5,
        )
        x, y = np.meshgrid((step[0] - CAMERA.cx_px) / FOCAL, (step[1] - CAMERA.cy_px) / FOCAL)
        return np.stack([x, y, np.ones_like(x)], axis=-1)

    def _cast(self, rays, radius):
        """Axial position and angle about the axis (0 toward the camera) of the hits."""
        along = rays @ self.axis
        across = rays - along[..., None] * self.axis
        foot = self.origin - (self.origin @ self.axis) * self.axis
        a, b = (across**2).sum(-1), across @ foot
        with np.errstate(invalid="ignore"):
            depth = (b - np.sqrt(b * b - a * (foot @ foot - radius**2))) / a
        axial = depth * along - self.origin @ self.axis
        facing = -foot / np.linalg.norm(foot)
        radial = (depth[..., None] * across - foot) / radius
        return axial, np.arctan2(radial @ np.cross(self.axis, facing), radial @ facing)

    def _metal(self, axial, angle):
        """Stripes of reflection along the axis, times streaks of grinding round it."""
        light = 0.12 + 0.6 * np.exp(-(((angle - 0.3) / 0.25) ** 2))
        light += 0.25 * np.exp(-(((angle + 0.8) / 0.2) ** 2)) + 0.1 * np.sin(2.0 * angle) ** 2
        fine = cv2.GaussianBlur(self.random.normal(size=(40, 4000)), (0, 0), 1.2, sigmaY=6.0)
        fine /= fine.std()
        column = np.clip((axial + 100.0) * 20.0, 0, 3999).astype(np.float32)
        row = ((angle + 1.6) * 12.0).astype(np.float32)
        streak = cv2.remap(fine, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REFLECT)
        return light * (1.0 + 0.15 * streak)

    def photo(self, paint=None, blur_px=0.9):
        """The photo; `paint(ground, x, y)` draws on the ground, x along the axis in mm."""
        rays = self._directions(2)
        plane = rays * ((DISTANCE + RADIUS) / rays[..., 2:])  # the bench, below the shaft
        c, s = np.cos(self.turn), np.sin(self.turn)
        ground = np.full(rays.shape[:2], self.ground)
        if paint is not None:
            paint(
                ground, c * plane[..., 0] + s * plane[..., 1], c * plane[..., 1] - s * plane[..., 0]
            )
        light = ground
        axial, angle = self._cast(rays, RADIUS)
        land = np.isfinite(axial) & (axial > self.end_mm)
        light = np.where(land, self._metal(np.nan_to_num(axial), np.nan_to_num(angle)), light)
        if self.shoulder_mm is not None:
            wide, turn = self._cast(rays, 1.2 * RADIUS)
            on = np.isfinite(wide) & (wide > self.shoulder_mm)
            light = np.where(on, self._metal(np.nan_to_num(wide), np.nan_to_num(turn)), light)
        small = cv2.resize(light, (WIDTH, HEIGHT), interpolation=cv2.INTER_AREA)
        small = cv2.GaussianBlur(small, (0, 0), blur_px)
        small += self.random.normal(size=small.shape) * np.sqrt(small * 2e-4 + 1e-6)
        small = np.clip(small, 0.0, 1.0)
        encoded = np.where(small <= 0.0031308, 12.92 * small, 1.055 * small ** (1 / 2.4) - 0.055)
        grey = np.rint(255.0 * encoded).astype(np.uint8)
        return Photo(path=Path("painted.png"), sha256="", grey=grey)

    def silhouettes(self):
        """Lines a x + b y + c = 0 in pixels, a, b of unit length, one for each side.

        The tangent planes from the camera's centre: n . axis = 0, n . origin = R.
        """
        foot = self.origin - (self.origin @ self.axis) * self.axis
        across = np.cross(self.axis, foot / np.linalg.norm(foot))
        lean = np.arcsin(RADIUS / np.linalg.norm(foot))
        toward = foot / np.linalg.norm(foot)
        lines = []
        for sign in (-1.0, 1.0):
            n = np.sin(lean) * toward + sign * np.cos(lean) * across
            line = np.array([n[0] / FOCAL, n[1] / FOCAL, n[2]])
            line[2] -= line[0] * CAMERA.cx_px + line[1] * CAMERA.cy_px
            lines.append(line / np.hypot(line[0], line[1]))
        return lines

    def end_px(self):
        point = self.origin + self.end_mm * self.axis
        return CAMERA.project(point)


def offsets(outline, painted):
    """Mean distance of each side's points from the true silhouette beside it, px."""
    found = []
    for side in outline.sides:
        away = [side.points_px @ line[:2] + line[2] for line in painted.silhouettes()]
        found.append(min((np.mean(d) for d in away), key=abs))
    return np.array(found)


def assert_found(outline, painted):
    """Within the stated 95 % interval, and the width to 1 % whatever is stated."""
    error = offsets(outline, painted)
    u = np.array([side.u_px for side in outline.sides])
    width = 2.0 * RADIUS / DISTANCE * FOCAL
    assert np.all(np.abs(error) < 2.0 * u), (error, u)
    assert np.abs(error).sum() < 0.01 * width, (error, u)
    assert np.linalg.norm(outline.end_px - painted.end_px()) < 0.25 * width


def shaft_in(photo: Photo, end_side: str = "auto") -> Outline:
    return next(find_outlines(photo, CAMERA, rough_shaft(photo, []), Known(), end_side=end_side))


@pytest.mark.parametrize(("turn_deg", "ground"), [(3.0, 0.35), (93.0, 0.03), (217.0, 0.35)])
def test_silhouettes_are_found_in_any_direction_on_lighter_and_darker_ground(turn_deg, ground):
    painted = Painted(turn_deg=turn_deg, ground=ground)
    outline = shaft_in(painted.photo())
    assert_found(outline, painted)
    inward = painted.axis[:2] / np.linalg.norm(painted.axis[:2])
    assert outline.inward_px @ inward > 0.99


def test_a_shadow_and_a_rule_beside_the_shaft_are_not_its_outline():
    def paint(ground, x, y):
        ground *= 1.0 - 0.5 * np.exp(-(((y - 24.0) / 5.0) ** 2))  # a cast shadow along it
        rule = (y > -58.0) & (y < -34.0) & (x > -60.0)
        ground[rule] = 0.55
        marks = rule & (y > -40.0) & (np.abs((x % 1.1) - 0.5) < 0.1)
        ground[marks] = 0.08

    painted = Painted(turn_deg=2.0)
    assert_found(shaft_in(painted.photo(paint)), painted)


def test_a_shoulder_is_where_the_land_ends():
    painted = Painted(turn_deg=1.0, shoulder_mm=15.0)
    outline = shaft_in(painted.photo())
    assert_found(outline, painted)
    shoulder = CAMERA.project(painted.origin + 15.0 * painted.axis)
    for side in outline.sides:
        along = (side.points_px - painted.end_px()) @ outline.inward_px
        assert along.max() < (shoulder - painted.end_px()) @ outline.inward_px + SEGMENT_PX


def test_the_side_of_the_end_may_be_named_but_must_be_so():
    painted = Painted(turn_deg=0.0)  # the end lies on the left
    photo = painted.photo()
    assert_found(shaft_in(photo, end_side="left"), painted)
    with pytest.raises(NoEndError, match="right side"):
        shaft_in(photo, end_side="right")
    with pytest.raises(ValueError, match="end_side"):
        shaft_in(photo, end_side="up")


def test_an_end_outside_the_frame_is_refused():
    with pytest.raises(NoEndError, match="cut off by the frame"):
        shaft_in(Painted(turn_deg=2.0, end_mm=-120.0).photo())


@pytest.mark.parametrize("contrast", [0.0, 0.3])
def test_a_bench_without_a_shaft_is_refused(contrast):
    random = np.random.default_rng(4)
    grain = cv2.GaussianBlur(random.normal(size=(HEIGHT, WIDTH)), (0, 0), 40.0, sigmaY=3.0)
    grey = 90.0 + 60.0 * contrast * grain / grain.std() + random.normal(size=grain.shape)
    photo = Photo(path=Path("bench.png"), sha256="", grey=np.clip(grey, 0, 255).astype(np.uint8))
    with pytest.raises((NoShaftError, NoEndError)):
        shaft_in(photo)


def edge_profile(course: str, step: float) -> FloatArray:
    """Light across an outline at 0.37 px, blurred by 1.3 px, every 1/20 px from -20 to 20 px."""
    x = np.arange(-20.0, 20.0, 1.0 / 20.0)
    depth = np.maximum(0.37 - x, 0.0)
    inside = {"straight": 0.02 * depth, "root": 0.06 * np.sqrt(depth)}[course]
    light = np.where(x < 0.37, 0.3 + step + inside, 0.3 + 0.001 * x)
    taps = np.exp(-0.5 * (np.arange(-200, 201) / 26.0) ** 2)
    return np.convolve(light, taps / taps.sum(), "same")


@pytest.mark.parametrize("step", [-0.1, 0.1])
def test_a_step_from_metal_to_ground_is_placed_to_a_twentieth_of_a_pixel(step):
    random = np.random.default_rng(7)
    window = Window(inside_px=8.0, outside_px=8.0, degree=2, search_px=(-4.0, 4.0), step_px=0.1)
    at = np.interp(window.offsets_px, np.arange(-20.0, 20.0, 0.05), edge_profile("straight", step))
    values = at[:, None] + 0.004 * random.normal(size=(at.size, 12 * SEGMENT_PX))
    fit = fit_silhouette(*mean_profiles(values.astype(np.float32)), window)
    assert fit is not None
    assert abs(fit.middle_px - 0.37) < 0.05
    assert fit.blur_px == pytest.approx(1.3, rel=0.25)


@pytest.mark.parametrize("course", ["straight", "root"])
@pytest.mark.parametrize("step", [-0.1, 0.0, 0.1])
def test_the_stated_uncertainty_of_a_side_covers_shading_that_no_model_has(course, step):
    """Next to an outline brightness runs as the root of the depth: none of the models does.

    With no step at all only a bend tells the edge. Metal brighter than the ground may fade into
    it, by what is stated for a shaft 400 px wide.
    """
    random = np.random.default_rng(11)
    rows = np.interp(
        np.arange(-19.0, 19.5), np.arange(-20.0, 20.0, 0.05), edge_profile(course, step)
    )
    values = rows[:, None] + 0.004 * random.normal(size=(rows.size, 700))
    encoded = np.interp(values, linear_light(np.arange(65536, dtype=np.uint16)), np.arange(65536))
    grey = np.rint(encoded).astype(np.uint16)
    photo = Photo(path=Path("edge.png"), sha256="", grey=grey)
    base = baseline_through(CAMERA, np.array([[0.0, 19.0], [699.0, 19.0]]), np.array([350.0, 0.0]))
    side = fit_sides(
        photo, (base, base), ((10.0, 690.0), (10.0, 690.0)), width_px=400.0, first_px=300.0,
        known=Known(),
    )  # fmt: skip
    assert side is not None
    error = side[0].points_px[:, 1].mean() - 19.37
    assert abs(error) < 3.0 * side[0].u_px
    assert side[0].u_px < (0.4 if step < 0.0 else 0.01 * 400.0)


def test_a_baseline_is_straight_where_the_lens_is_taken_out():
    bent = Camera(
        width_px=WIDTH, height_px=HEIGHT, fx_px=FOCAL, fy_px=FOCAL, cx_px=640.0, cy_px=480.0,
        distortion=(0.06, -0.05, 0.001, -0.0005, 0.01),
    )  # fmt: skip
    ends = np.array([[100.0, 200.0], [1200.0, 260.0]])
    base = baseline_through(bent, ends, np.array([600.0, 500.0]))
    s, o = base.from_photo(ends)
    np.testing.assert_allclose(o, 0.0, atol=1e-6)
    np.testing.assert_allclose(base.to_photo(s, o), ends, atol=1e-6)
    assert base.from_photo(np.array([600.0, 500.0]))[1] < 0.0
    middle = base.to_photo(np.linspace(s[0], s[1], 9), np.zeros(9))
    along = (ends[1] - ends[0]) / np.linalg.norm(ends[1] - ends[0])
    bow = (middle - ends[0]) @ np.array([-along[1], along[0]])
    assert np.abs(bow).max() > 1.0  # the line is bowed in the photo and straight without the lens
    straight = undistorted(bent, middle)
    np.testing.assert_allclose(np.diff(straight, n=2, axis=0), 0.0, atol=1e-6)


def test_a_block_too_short_to_tell_its_direction_is_followed_where_metal_goes_on():
    """Behaviour of our own, no published source."""
    sides = np.array([[[100.0, 50.0], [160.0, 50.0]], [[100.0, 250.0], [160.0, 250.0]]])
    short = RoughShaft(sides_px=sides, beyond=(0.1, 0.9), score=1.0)
    longer = short.lengthened()
    assert longer.sides_px[:, 0].tolist() == sides[:, 0].tolist()
    assert np.ptp(longer.sides_px[0, :, 0]) == pytest.approx(1.2 * 200.0)
    at_frame = replace(short, beyond=(0.1, None))
    assert at_frame.lengthened().sides_px.tolist() == sides.tolist()
