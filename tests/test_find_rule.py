"""Rules painted through OpenCV's projection (reference library) and found again.

The painter shares no code with the package: OpenCV's projectPoints and undistortPoints place
an analytically drawn texture in the picture, and give the true position of every mark.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
import pytest

from calib.camera import Camera
from calib.errors import ScaleUnreadableError
from calib.find_rule import NoScaleError, RuleView, find_rule
from calib.lens import CameraIdentity, lens_from_exif
from calib.rule_law import fit_law
from calib.rule_pitch import INCH_MM, parse_pitch, read_division

SIZE = (1300, 760)
FOCAL_35MM = 26.0
FOCAL_PX = FOCAL_35MM / 43.2666 * float(np.hypot(*SIZE))  # CIPA DCG-001, diagonal of 36 x 24 mm
MATRIX = np.array([[FOCAL_PX, 0.0, 655.0], [0.0, FOCAL_PX, 375.0], [0.0, 0.0, 1.0]])
BODY_MM, LEAD_MM, SUPERSAMPLING, TEXTURE_PX_PER_MM = 22.0, 4.0, 2, 24.0
# body and mark, linear light
STYLES = {
    "bright steel": (0.42, 0.05),
    "dark steel": (0.05, 0.40),
    "white plastic": (0.75, 0.04),
    "black on yellow": (0.50, 0.03),
}
PITCH_MM = {
    "1": 1.0,
    "0.5": 0.5,
    "in/16": INCH_MM / 16,
    "in/32": INCH_MM / 32,
    "in/64": INCH_MM / 64,
}
PARTS = {"in/16": 16, "in/32": 32, "in/64": 64}


@dataclass(frozen=True, kw_only=True)
class Painting:
    division: str = "1"
    style: str = "bright steel"
    length_mm: float = 100.0
    px_per_mm: float = 11.0
    angle_deg: float = 4.0
    tilt_deg: tuple[float, float] = (6.0, -8.0)
    distortion: tuple[float, float, float, float, float] = (0.04, -0.035, 0.0003, -0.0002, 0.0)
    glare: tuple[float, float] | None = None  # shares of the length
    hidden: tuple[float, float] | None = None
    alike: bool = False  # whether all marks are equally long
    blur_px: float = 0.9
    noise: float = 0.008
    seed: int = 1


def mark_lengths(painting: Painting, number: np.ndarray) -> np.ndarray:
    """Short and long marks as rule makers draw them (common practice, no published source)."""
    if painting.alike:
        return np.full(len(number), 3.0)
    if painting.division == "1":
        return np.select([number % 10 == 0, number % 5 == 0], [5.4, 4.1], 2.9)
    if painting.division == "0.5":
        steps = [number % 20 == 0, number % 10 == 0, number % 2 == 0]
        return np.select(steps, [6.0, 4.8, 3.6], 2.6)
    parts = PARTS[painting.division]
    halvings = [(k & -k).bit_length() - 1 if k else 6 for k in (number % parts).tolist()]
    return 1.9 + 0.75 * np.minimum(halvings, int(np.log2(parts)))


def texture(painting: Painting, rng: np.random.Generator) -> np.ndarray:
    body, ink = STYLES[painting.style]
    scale = TEXTURE_PX_PER_MM
    shape = (int(BODY_MM * scale), int((painting.length_mm + 2 * LEAD_MM) * scale))
    paint = np.zeros(shape, np.float32)
    pitch = PITCH_MM[painting.division]
    number = np.arange(int(painting.length_mm / pitch + 1e-6) + 1)
    width = min(0.18, 0.45 * pitch)
    column = np.arange(shape[1]) + 0.5
    for k, length in zip(number, mark_lengths(painting, number), strict=True):
        middle = (LEAD_MM + k * pitch) * scale
        cover = np.clip(width * scale / 2 + 0.5 - np.abs(column - middle), 0.0, 1.0)
        near = slice(max(0, int(middle) - 20), int(middle) + 20)
        paint[: round(length * scale), near] += cover[near]
    for k in number[:: 10 if pitch == 1.0 else 20]:
        place = (int((LEAD_MM + k * pitch - 1.2) * scale), int(10.5 * scale))
        digits = np.zeros(shape, np.uint8)
        cv2.putText(digits, str(k), place, 0, 2.1, 255, 5, cv2.LINE_AA)
        paint = np.maximum(paint, digits / np.float32(255))
    streaks = cv2.blur(rng.normal(0.0, 1.0, shape).astype(np.float32), (801, 1))
    return (body * np.exp(0.5 * streaks)) * (1 - paint) + ink * paint


def pose(painting: Painting) -> tuple[np.ndarray, np.ndarray]:
    tilt_x, tilt_y = np.radians(painting.tilt_deg)
    rotation = np.eye(3)
    for axis in (
        [tilt_x, 0.0, 0.0],
        [0.0, tilt_y, 0.0],
        [0.0, 0.0, np.radians(painting.angle_deg)],
    ):
        rotation = rotation @ cv2.Rodrigues(np.array(axis))[0]
    middle = np.array([painting.length_mm / 2, BODY_MM / 3, 0.0])
    return rotation, np.array([0.0, 0.0, FOCAL_PX / painting.px_per_mm]) - rotation @ middle


def bench(rng: np.random.Generator, angle_deg: float) -> np.ndarray:
    """Wood: noise smeared along the grain."""
    width, height = SIZE
    side = int(np.hypot(width, height)) + 2
    grain = cv2.resize(rng.normal(0.0, 1.0, (side, side // 20)).astype(np.float32), (side, side))
    turn = cv2.getRotationMatrix2D((side / 2, side / 2), angle_deg, 1.0)
    grain = cv2.warpAffine(cv2.GaussianBlur(grain, (0, 0), 1.1), turn, (side, side))
    top, left = (side - height) // 2, (side - width) // 2
    return 0.25 * np.exp(0.25 * grain[top : top + height, left : left + width])


def streaky_shaft(
    rng: np.random.Generator, picture: np.ndarray, top: int, bottom: int
) -> np.ndarray:
    """A ground shaft along the picture: brightness changes fast along it, slowly across."""
    streaks = cv2.GaussianBlur(rng.normal(0.0, 1.0, SIZE[0]).astype(np.float32)[None], (0, 0), 0.8)
    across = np.linspace(-1.0, 1.0, bottom - top)[:, None]
    shaft = picture.copy()
    shaft[top:bottom] = (0.08 + 0.5 * np.exp(-((across - 0.2) ** 2) / 0.1)) * np.exp(0.6 * streaks)
    return shaft


def develop(
    light: np.ndarray, rng: np.random.Generator, noise: float, blur_px: float
) -> np.ndarray:
    """Blur, noise, sRGB (IEC 61966-2-1), JPEG."""
    light = cv2.GaussianBlur(light.astype(np.float32), (0, 0), blur_px)
    light = np.clip(light + rng.normal(0.0, noise, light.shape) * np.sqrt(0.1 + light), 0.0, 1.0)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    _, packed = cv2.imencode(".jpg", np.round(255 * encoded).astype(np.uint8), [1, 88])
    return cv2.imdecode(packed, cv2.IMREAD_GRAYSCALE)


@lru_cache
def paint(painting: Painting) -> np.ndarray:
    """The photograph, uint8."""
    rng = np.random.default_rng(painting.seed)
    rotation, translation = pose(painting)
    fine = (SIZE[0] * SUPERSAMPLING, SIZE[1] * SUPERSAMPLING)
    grid = np.stack(np.meshgrid(np.arange(0, fine[0] + 8, 8), np.arange(0, fine[1] + 8, 8)), -1)
    pixels = ((grid + 0.5) / SUPERSAMPLING - 0.5).reshape(-1, 1, 2).astype(float)
    criteria = (cv2.TERM_CRITERIA_COUNT + cv2.TERM_CRITERIA_EPS, 50, 1e-12)
    ideal = cv2.undistortPoints(pixels, MATRIX, np.array(painting.distortion), criteria=criteria)
    flat = np.linalg.inv(np.column_stack([rotation[:, :2], translation]))
    on_rule = np.column_stack([ideal.reshape(-1, 2), np.ones(len(pixels))]) @ flat.T
    coarse = (on_rule[:, :2] / on_rule[:, 2:]).reshape(*grid.shape[:2], 2).astype(np.float32)
    # node (i, j) of the grid is pixel (8 i, 8 j) of the fine picture: an affine enlargement
    enlarge = np.array([[8.0, 0.0, 0.0], [0.0, 8.0, 0.0]])
    s, v = (cv2.warpAffine(coarse[..., i], enlarge, fine, flags=cv2.INTER_LINEAR) for i in (0, 1))
    drawn = cv2.GaussianBlur(
        texture(painting, rng), (0, 0), 0.3 * TEXTURE_PX_PER_MM / painting.px_per_mm
    )
    x = (s + LEAD_MM) * TEXTURE_PX_PER_MM - 0.5
    rule = cv2.remap(
        drawn, x, v * TEXTURE_PX_PER_MM - 0.5, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    share = s / painting.length_mm
    if painting.glare:
        low, high = painting.glare
        veil = np.exp(-(np.abs((share - (low + high) / 2) / ((high - low) / 2)) ** 8))
        rule = rule * (1 - veil) + 1.5 * veil
    inside = (v > 0) & (v < BODY_MM) & (s > -LEAD_MM) & (s < painting.length_mm + LEAD_MM)
    picture = streaky_shaft(rng, bench(rng, 35.0), 60, 250)
    picture = cv2.resize(picture.astype(np.float32), fine, interpolation=cv2.INTER_LINEAR)
    picture = np.where(inside, rule, picture)
    if painting.hidden:
        picture[inside & (share > painting.hidden[0]) & (share < painting.hidden[1])] = 0.2
    small = cv2.resize(picture.astype(np.float32), SIZE, interpolation=cv2.INTER_AREA)
    return develop(small, rng, painting.noise, painting.blur_px)


def true_camera(painting: Painting) -> Camera:
    return Camera(
        width_px=SIZE[0], height_px=SIZE[1], fx_px=FOCAL_PX, fy_px=FOCAL_PX,
        cx_px=MATRIX[0, 2], cy_px=MATRIX[1, 2], distortion=painting.distortion,
    )  # fmt: skip


def project(painting: Painting, points: np.ndarray) -> np.ndarray:
    rotation, translation = pose(painting)
    vector = cv2.Rodrigues(rotation)[0]
    pixels, _ = cv2.projectPoints(
        points, vector, translation, MATRIX, np.array(painting.distortion)
    )
    return pixels.reshape(-1, 2)


@dataclass(frozen=True, kw_only=True)
class Comparison:
    miscounted: int
    rms_px: float
    mean_px: float
    share_seen: float


def compare(painting: Painting, view: RuleView) -> Comparison:
    """Seen marks against the projections of the true ones, across the direction of each mark."""
    pitch = view.pitch_mm
    number = np.arange(int(painting.length_mm / pitch + 1e-6) + 1)
    foot, head = (
        project(painting, np.stack([number * pitch, np.full(len(number), v), 0.0 * number], -1))
        for v in (0.0, 4.0)
    )
    along = (head - foot) / np.linalg.norm(head - foot, axis=1, keepdims=True)
    row = np.nonzero(view.seen)[0]
    offset = view.marks_px[row][:, None] - foot
    sideways = offset[..., 0] * along[:, 1] - offset[..., 1] * along[:, 0]
    nearest = np.argmin(np.abs(sideways), axis=1)
    error = sideways[np.arange(len(row)), nearest]
    growing = np.sign(nearest[-1] - nearest[0])
    count = nearest - growing * row
    share = number * pitch / painting.length_mm
    visible = np.all((foot > 2) & (head > 2) & (foot < np.array(SIZE) - 3), axis=1)
    for gap in (painting.glare, painting.hidden):
        if gap:
            visible &= (share < gap[0] - 0.03) | (share > gap[1] + 0.03)
    return Comparison(
        miscounted=int((count != np.median(count)).sum()),
        rms_px=float(np.sqrt(np.mean(error**2))),
        mean_px=float(error.mean()),
        share_seen=float(np.isin(number[visible], nearest).mean()),
    )


CASES = {
    "bright steel, 1 mm": Painting(),
    "white plastic, upside down": Painting(style="white plastic", angle_deg=183.0),
    "black on yellow, 30 degrees": Painting(style="black on yellow", angle_deg=30.0),
    "dark steel, upright": Painting(style="dark steel", angle_deg=92.0, length_mm=60.0),
    "0.5 mm": Painting(division="0.5", px_per_mm=17.0, blur_px=1.0),
    "1/16 in": Painting(
        division="in/16", length_mm=5 * INCH_MM, px_per_mm=10.0, style="white plastic"
    ),
    "1/32 in": Painting(division="in/32", length_mm=5 * INCH_MM, px_per_mm=10.0),
    "1/64 in": Painting(division="in/64", length_mm=4 * INCH_MM, px_per_mm=19.0, angle_deg=-28.0),
    "tilted by 25 degrees": Painting(tilt_deg=(10.0, 25.0), style="white plastic"),
    "glare over a third": Painting(glare=(0.35, 0.68)),
    "partly hidden": Painting(hidden=(0.2, 0.4), style="black on yellow"),
    "longer than the frame": Painting(length_mm=300.0, px_per_mm=13.0),
}


@pytest.mark.parametrize("name", CASES)
def test_a_painted_rule_is_read(name):
    painting = CASES[name]
    view = find_rule(paint(painting), true_camera(painting))
    found = compare(painting, view)
    assert view.pitch_mm == pytest.approx(PITCH_MM[painting.division])
    assert view.pitch_source == "long and short marks"
    assert found.miscounted == 0
    assert found.share_seen >= 0.8
    assert found.rms_px <= 0.1
    assert abs(found.mean_px) <= 0.05
    assert view.u_px == pytest.approx(found.rms_px, abs=0.05)
    assert view.dark_marks == (painting.style != "dark steel")


@pytest.mark.parametrize("name", ["bright steel, 1 mm", "glare over a third", "1/32 in"])
def test_a_lens_known_from_exif_alone_will_do(name):
    painting = CASES[name]
    camera = lens_from_exif(CameraIdentity(focal_35mm=FOCAL_35MM), *SIZE).camera
    view = find_rule(paint(painting), camera)
    found = compare(painting, view)
    assert found.miscounted == 0
    assert found.share_seen >= 0.8
    assert found.rms_px <= 0.1
    assert view.bend_px > 0.2  # the distortion that the camera lacks shows here


def test_a_rule_whose_edge_a_shoulder_hides_in_part_is_read():
    painting = Painting(px_per_mm=11.0)
    grey = paint(painting).copy()
    corners = [(48.0, -6.0, 0.0), (48.0, 0.7, 0.0), (104.0, 1.5, 0.0), (104.0, -6.0, 0.0)]
    shoulder = np.round(project(painting, np.array(corners))).astype(np.int32)
    cv2.fillPoly(grey, [shoulder], 150)
    view = find_rule(grey, true_camera(painting))
    found = compare(painting, view)
    assert view.pitch_mm == 1.0
    assert found.miscounted == 0
    assert found.share_seen >= 0.8
    assert found.rms_px <= 0.15


def test_roots_and_tips_lie_on_the_marks():
    painting = Painting(tilt_deg=(20.0, 5.0))
    view = find_rule(paint(painting), true_camera(painting))
    drawn = view.tips_px[view.seen] - view.roots_px[view.seen]
    number = np.arange(int(painting.length_mm) + 1)
    foot, head = (
        project(painting, np.stack([1.0 * number, np.full(len(number), v), 0.0 * number], -1))
        for v in (0.0, 3.0)
    )
    near = np.argmin(np.linalg.norm(view.roots_px[view.seen][:, None] - foot, axis=2), axis=1)
    true = (head - foot)[near]
    turn = drawn[:, 0] * true[:, 1] - drawn[:, 1] * true[:, 0]
    angle_deg = np.degrees(np.arctan2(turn, np.sum(drawn * true, axis=1)))
    assert abs(np.median(angle_deg)) < 0.1
    assert np.percentile(np.abs(angle_deg), 90) < 1.0


def test_a_16_bit_picture_reads_like_its_8_bit_copy():
    painting = CASES["bright steel, 1 mm"]
    grey = paint(painting)
    view = find_rule(grey.astype(np.uint16) * 257, true_camera(painting))
    assert compare(painting, view).rms_px <= 0.1


def test_marks_of_equal_length_need_the_pitch():
    painting = Painting(alike=True)
    grey, camera = paint(painting), true_camera(painting)
    with pytest.raises(ScaleUnreadableError, match="--pitch") as refused:
        find_rule(grey, camera)
    assert refused.value.code == "scale-unreadable"
    view = find_rule(grey, camera, pitch_mm=1.0)
    assert view.pitch_source == "given"
    assert compare(painting, view).miscounted == 0


def test_a_pitch_that_the_marks_contradict_is_refused():
    painting = CASES["1/32 in"]
    with pytest.raises(ScaleUnreadableError, match=r"0\.7937 mm, not 1 mm"):
        find_rule(paint(painting), true_camera(painting), pitch_mm=1.0)


def test_whole_millimetres_of_a_half_millimetre_rule_can_be_asked_for():
    painting = CASES["0.5 mm"]
    view = find_rule(paint(painting), true_camera(painting), pitch_mm=1.0)
    assert view.pitch_mm == 1.0
    assert compare(painting, view).miscounted == 0


def test_too_few_marks_are_refused_with_their_number():
    painting = Painting(hidden=(0.0, 0.85))
    with pytest.raises(ScaleUnreadableError, match=r"1\d graduations .* 20 are needed"):
        find_rule(paint(painting), true_camera(painting))


def test_the_edge_nearer_the_shaft_is_told():
    painting = Painting(angle_deg=0.0)
    above = np.array([[0, 0], [1400, 0], [1400, 250], [0, 250]], float)
    view = find_rule(paint(painting), true_camera(painting), avoid=above)
    assert view.edge == "near"
    below = above + np.array([0.0, 550.0])
    assert find_rule(paint(painting), true_camera(painting), avoid=below).edge == "far"


def card(rng: np.random.Generator) -> np.ndarray:
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)
    board = cv2.aruco.CharucoBoard((16, 4), 6.0, 4.4, dictionary).generateImage((1120, 280))
    picture = bench(rng, 10.0)
    picture[400:680, 100:1220] = 0.7 * board / 255.0 + 0.03
    return streaky_shaft(rng, picture, 60, 330)


def stripes(rng: np.random.Generator) -> np.ndarray:
    return np.tile(0.3 + 0.2 * np.sign(np.sin(2 * np.pi * np.arange(SIZE[0]) / 14.0)), (SIZE[1], 1))


RULELESS = {
    "wood": lambda rng: bench(rng, rng.uniform(0.0, 180.0)),
    "shaft": lambda rng: streaky_shaft(rng, bench(rng, 80.0), 150, 600),
    "card": card,
    "stripes": stripes,
    "noise": lambda rng: np.full(SIZE[::-1], 0.3),
}


@pytest.mark.parametrize("pitch_mm", [None, 1.0])
@pytest.mark.parametrize("name", RULELESS)
def test_no_rule_is_found_where_there_is_none(name, pitch_mm):
    rng = np.random.default_rng(3)
    grey = develop(RULELESS[name](rng), rng, 0.01, 0.8)
    with pytest.raises(NoScaleError) as refused:
        find_rule(grey, true_camera(Painting()), pitch_mm=pitch_mm)
    assert refused.value.code == "no-scale"


@pytest.mark.parametrize("shape", [(1, 1), (3, 4000), (40, 40)])
def test_a_tiny_picture_has_no_scale(shape):
    with pytest.raises(NoScaleError):
        find_rule(np.full(shape, 128, np.uint8), true_camera(Painting()))


@pytest.mark.parametrize(
    ("text", "expected_mm"),
    [
        ("1", 1.0),
        ("0.5", 0.5),
        (" 0.5 mm", 0.5),
        ("1in/32", 0.79375),
        ("1/64in", 0.396875),
        ('1/16"', 1.5875),
    ],
)
def test_pitches_are_read(text, expected_mm):
    assert parse_pitch(text) == pytest.approx(expected_mm)


@pytest.mark.parametrize("text", ["", "one", "1/0", "0", "-1", "nan", "1e9", "1in/32/2"])
def test_what_is_no_pitch_is_refused(text):
    with pytest.raises(ValueError, match="graduation pitch"):
        parse_pitch(text)


def test_one_inch_of_an_inch_rule_does_not_tell_its_pitch():
    """With one inch mark in view, half inches could be inches: 1/32 looks like 1/16."""
    number = np.arange(3, 45)
    halvings = np.array([(k & -k).bit_length() - 1 for k in number.tolist()])
    assert read_division(2.4 + 0.7 * np.minimum(halvings, 5)) is None


def test_an_evenly_divided_line_in_perspective_leaves_no_residual():
    """Cross-ratio of a projective map of the line: u = (a s + b) / (c s + 1)."""
    number = np.arange(120)
    position = (11.0 * number + 40.0) / (0.002 * number + 1.0)
    law = fit_law(number, position)
    assert law.rms_px < 1e-6
    np.testing.assert_allclose(law.position([0, 60, 119]), position[[0, 60, 119]], atol=1e-6)


def test_a_view_cannot_be_changed():
    painting = CASES["bright steel, 1 mm"]
    view = find_rule(paint(painting), true_camera(painting))
    with pytest.raises(ValueError, match="read-only"):
        view.marks_px[0, 0] = 0.0
