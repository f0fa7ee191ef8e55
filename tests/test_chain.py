"""The measurement model and its budget, on a cylinder and a card that OpenCV projects."""

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest

from bandscan.chain import Chain, Change, RingReading, positions, ring_on
from bandscan.influences import Stated, list_influences
from bandscan.model import BandEdge, BandReading, EndFace
from bandscan.scaling import weigh_scales
from bandscan.steps.budget import Budget, make_budget
from calib.camera import Camera
from calib.lens import CameraIdentity, LensCalibration, lens_from_exif
from calib.quantity import Estimate
from calib.scale import plane_from_corners

# The world: x along the shaft from its end, z from the camera to the bench, axis at y = z = 0.
RADIUS_MM = 20.0
RIM_SHARE = 0.95  # rim of the end face inside a chamfer of 1 mm
HEIGHT_MM = 12.0  # card above the axis
EDGES_MM = (12.5, 15.0, 31.0, 38.0)  # two bands
ROTATION = np.array([0.15, -0.12, 0.25])
TRANSLATION = np.array([-40.0, -6.0, 210.0])
CAMERA = Camera(
    width_px=4000, height_px=3000, fx_px=3010.0, fy_px=3000.0, cx_px=1990.0, cy_px=1510.0,
    distortion=(0.05, -0.045, 0.0004, -0.0003, 0.01),
)  # fmt: skip
MATRIX = np.array([[3010.0, 0.0, 1990.0], [0.0, 3000.0, 1510.0], [0.0, 0.0, 1.0]])
LENS_COVARIANCE = lens_from_exif(CameraIdentity(focal_35mm=26.0), 4000, 3000).covariance
CARD_MM = np.stack(
    [a.ravel() for a in np.meshgrid(np.arange(14.0) * 6.0, np.arange(5.0) * 6.0)], axis=1
)
DRAWS = 200
STD_RANGE = 3.0 / math.sqrt(2 * DRAWS)  # three standard deviations of a standard deviation
UNCERTAIN = {"side_u_px": (0.3, 0.3), "diameter_u_mm": 0.02, "height_u_mm": 0.3}


def project(world_mm: np.ndarray) -> np.ndarray:
    pixels, _ = cv2.projectPoints(
        world_mm, ROTATION, TRANSLATION, MATRIX, np.array(CAMERA.distortion)
    )
    return pixels.reshape(-1, 2)


def eye_mm() -> np.ndarray:
    """The camera's centre in the world."""
    matrix, _ = cv2.Rodrigues(ROTATION)
    return -matrix.T @ TRANSLATION


def surface(x_mm: np.ndarray, angle_rad: np.ndarray, radius_mm: float) -> np.ndarray:
    """Points of the cylinder; angle 0 faces the camera."""
    _, y, z = eye_mm()
    turn = math.atan2(z, y) + angle_rad
    return np.stack(
        np.broadcast_arrays(x_mm, radius_mm * np.cos(turn), radius_mm * np.sin(turn)), axis=1
    )


def silhouettes() -> tuple[np.ndarray, np.ndarray]:
    """Lines of the surface at which the line of sight is a tangent."""
    half = math.acos(RADIUS_MM / math.hypot(*eye_mm()[1:]))
    x = np.linspace(2.0, 70.0, 200)
    return tuple(project(surface(x, np.array(side), RADIUS_MM)) for side in (-half, half))


def ring(x_mm, share: float = 1.0) -> RingReading:
    points = surface(np.asarray(x_mm), np.linspace(-0.7, 0.7, 17), RADIUS_MM * share)
    return RingReading(points_px=project(points), share=np.full(17, 1 / 17), radius_share=share)


def card_plane(*, printed: float = 1.0, shift_px: np.ndarray | float = 0.0):
    """The plane of a card at the height, printed at `printed` times its size."""
    world = np.column_stack([CARD_MM * printed, np.zeros(len(CARD_MM))])
    world += np.array([-5.0, 24.0, -HEIGHT_MM])
    pixels = project(world) + shift_px

    def plane(camera: Camera):
        return plane_from_corners(
            pixels, CARD_MM, np.full(len(CARD_MM), 0.1), camera=camera, print_relative_u=0.002
        )

    return plane


def chain(**changes) -> Chain:
    values = {
        "camera": CAMERA,
        "sides_px": silhouettes(),
        "inward_px": project(np.array([[9.0, 0, 0]]))[0] - project(np.array([[0.0, 0, 0]]))[0],
        "diameter_mm": 2.0 * RADIUS_MM,
        "plane": card_plane(),
        "height_mm": HEIGHT_MM,
    }
    return Chain(**(values | changes))


def influences(of: Chain, *, lens_covariance=LENS_COVARIANCE, lens_source="exif", **changes):
    known = UNCERTAIN | changes
    lens = LensCalibration(camera=of.camera, covariance=lens_covariance, source=lens_source)
    side_u_px = known.pop("side_u_px")
    return list_influences(of, lens=lens, side_u_px=side_u_px, stated=Stated(**known))


def budget(of: Chain, end_u_mm: float = 0.1, **changes) -> Budget:
    edges = [
        BandEdge(axial_mm=x, fit_u_mm=0.01, fit_dof=20.0, unseen_u_mm=0.005, width_mm=0.2,
                 wobble_mm=(0.0, 0.0))
        for x in EDGES_MM
    ]  # fmt: skip
    bands = [
        BandReading(start=a, end=b, looks="brighter", strength=30.0)
        for a, b in zip(edges[::2], edges[1::2], strict=True)
    ]
    end = EndFace(
        axial_mm=Estimate(value=0.0, u=end_u_mm), chamfer_mm=None,
        rim_radius_mm=RADIUS_MM * RIM_SHARE, what="face rim",
    )  # fmt: skip
    return make_budget(
        of, influences(of, **changes),
        zero=ring(0.0, RIM_SHARE), end=end, bands=bands, rings=[ring(x) for x in EDGES_MM],
    )  # fmt: skip


def line(of: Budget, edge: str, source: str) -> float:
    (found,) = [entry for entry in of.lines if (entry.edge, entry.source) == (edge, source)]
    return found.contribution_mm


WITHOUT_SCALE = {"plane": None, "height_mm": None}


# The model against the projected truth


@pytest.mark.parametrize("order", [1, -1])
def test_silhouettes_and_diameter_give_the_axis(order):
    pose = chain(sides_px=silhouettes()[::order], **WITHOUT_SCALE).pose()
    matrix, _ = cv2.Rodrigues(ROTATION)
    assert pose.direction == pytest.approx(matrix[:, 0], abs=1e-7)  # the sign as well
    beside = np.cross(pose.origin_mm - TRANSLATION, matrix[:, 0])
    assert np.linalg.norm(beside) < 1e-4
    assert pose.radius_mm == RADIUS_MM


def test_a_scale_at_its_height_gives_the_radius():
    assert chain(diameter_mm=None).radius_by_scale() == pytest.approx(RADIUS_MM, abs=1e-4)


def test_the_height_of_a_scale_is_found_from_the_diameter():
    of = chain(height_mm=None)
    assert of.height_of_scale(of.pose()) == pytest.approx(HEIGHT_MM, abs=1e-3)


@pytest.mark.parametrize("known", [WITHOUT_SCALE, {"diameter_mm": None}, {"scale_weight": 0.4}])
def test_rings_lie_where_they_were_put(known):
    zero, rings = ring(0.0, RIM_SHARE), [ring(x) for x in EDGES_MM]
    assert positions(chain(**known), zero, rings) == pytest.approx(EDGES_MM, abs=1e-3)


def test_a_wavy_ring_counts_by_its_mean():
    wave = 0.3 * np.linspace(-1.0, 1.0, 17) ** 2
    (found,) = positions(chain(), ring(0.0, RIM_SHARE), [ring(25.0 + wave)])
    assert found == pytest.approx(25.0 + wave.mean(), abs=1e-3)


def test_a_ring_is_read_where_opencv_projects_it():
    of = chain()
    pose = of.pose()
    start, _ = pose.locate(CAMERA.rays(ring(0.0).points_px))
    reading = ring_on(pose.with_zero_at(float(start.mean())), CAMERA, 31.0, (-0.7, 0.7))
    matched = [reading.points_px, reading.points_px[::-1]]  # the angle may run either way
    assert min(np.abs(points - ring(31.0).points_px).max() for points in matched) < 0.01
    assert reading.share.sum() == pytest.approx(1.0)
    # The mean of a cosine over the arc, in closed form; the trapezoid rule is 1e-3 off at 17.
    cosines = np.cos(np.linspace(-0.7, 0.7, 17))
    assert reading.share @ cosines == pytest.approx(math.sin(0.7) / 0.7, abs=1e-3)


def test_weight_places_the_axis_between_diameter_and_scale():
    """With half the weight, the geometric mean of the two distances."""
    at = [
        np.linalg.norm(chain(plane=card_plane(printed=0.98), scale_weight=w).pose().origin_mm)
        for w in (0.0, 0.5, 1.0)
    ]
    assert at[0] < at[1] < at[2]
    assert at[1] ** 2 == pytest.approx(at[0] * at[2])


def test_without_diameter_and_height_there_is_no_pose():
    with pytest.raises(ValueError, match="neither"):
        chain(diameter_mm=None, height_mm=None).pose()


LENS_CHANGE = np.array([30.0, 30.0, 10.0, -8.0, 0.02, -0.018, 0.0004, 0.0003, 0.002])


@pytest.mark.parametrize(
    ("change", "changed"),
    [
        (Change(diameter_mm=0.5), {"diameter_mm": 2.0 * RADIUS_MM + 0.5}),
        (Change(height_mm=2.0), {"height_mm": HEIGHT_MM + 2.0}),
        (Change(lens=LENS_CHANGE), {"camera": CAMERA.shifted(LENS_CHANGE)}),
    ],
)
def test_a_change_is_the_same_as_other_inputs(change, changed):
    zero, rings = ring(0.0, RIM_SHARE), [ring(x) for x in EDGES_MM]
    by_change = positions(chain(scale_weight=0.5), zero, rings, change)
    assert by_change == pytest.approx(positions(chain(scale_weight=0.5, **changed), zero, rings))
    assert np.abs(by_change - EDGES_MM).max() > 0.01  # the change is felt at all


def test_a_change_of_a_silhouette_moves_its_two_ends():
    first, second = silhouettes()
    along = (first[-1] - first[0]) / np.linalg.norm(first[-1] - first[0])
    square = np.array([-along[1], along[0]])
    share = ((first - first[0]) @ along / np.linalg.norm(first[-1] - first[0]))[:, None]
    moved = first + (3.0 * (1.0 - share) - 5.0 * share) * square
    zero, rings = ring(0.0, RIM_SHARE), [ring(x) for x in EDGES_MM]
    by_change = positions(chain(), zero, rings, Change(sides_px=np.array([3.0, -5.0, 0.0, 0.0])))
    assert by_change == pytest.approx(positions(chain(sides_px=(moved, second)), zero, rings))
    assert np.abs(by_change - EDGES_MM).max() > 0.01  # the change is felt at all


# The budget


def test_the_influences_of_a_source_add_up_to_its_covariance():
    listed = influences(chain())
    lens = [i.change.lens for i in listed if i.source == "lens"]
    scale = np.sqrt(np.diag(LENS_COVARIANCE)) + 1e-12
    total = sum(np.outer(c, c) for c in lens) / np.outer(scale, scale)
    assert total == pytest.approx(LENS_COVARIANCE / np.outer(scale, scale), abs=1e-6)
    plane = [i.change.plane for i in listed if i.source == "scale"]
    plane += [i.change.plane for i in listed if i.source == "print of the card"]
    stated = card_plane()(CAMERA).covariance
    assert sum(np.outer(c, c) for c in plane) == pytest.approx(stated, rel=1e-6, abs=1e-12)


@pytest.mark.parametrize(
    ("source", "single", "double"),
    [
        ("diameter", {"diameter_u_mm": 0.02}, {"diameter_u_mm": 0.04}),
        ("scale height", {"height_u_mm": 0.3}, {"height_u_mm": 0.6}),
        ("silhouettes", {"side_u_px": (0.3, 0.3)}, {"side_u_px": (0.6, 0.6)}),
        ("lens", {"lens_covariance": LENS_COVARIANCE / 4}, {"lens_covariance": LENS_COVARIANCE}),
    ],
)
def test_doubling_an_influence_doubles_its_line_and_no_other(source, single, double):
    of = chain(scale_weight=0.5)
    before, after = budget(of, **single), budget(of, **double)
    for old, new in zip(before.lines, after.lines, strict=True):
        assert (old.edge, old.source) == (new.edge, new.source)
        ratio = 2.0 if old.source == source else 1.0
        # The chain is bent only slightly over two standard uncertainties.
        assert new.contribution_mm == pytest.approx(ratio * old.contribution_mm, rel=0.03)
    assert line(before, "band 2 end", source) > 1e-4


def test_two_standard_deviations_of_one_silhouette_add_in_quadrature():
    one, other, both = (
        line(budget(chain(), side_u_px=u), "band 2 end", "silhouettes")
        for u in ((0.3, 0.0), (0.0, 0.3), (0.3, 0.3))
    )
    assert both == pytest.approx(math.hypot(one, other))


@pytest.mark.parametrize("known", [WITHOUT_SCALE, {"diameter_mm": None}, {"scale_weight": 0.5}])
def test_a_width_is_surer_than_its_edges_in_quadrature(known):
    """What the edges share cancels: the zero wholly, the scale by the part of the width."""
    of = budget(chain(**known))
    unsure_zero = budget(chain(**known), end_u_mm=1.0)
    assert [w.u for w in unsure_zero.widths] == pytest.approx([w.u for w in of.widths])
    for i, width in enumerate(of.widths):
        start, end = of.edges[2 * i : 2 * i + 2]
        assert width.u < 0.7 * math.hypot(start.u, end.u)
        # u^2(b - a) = u^2(a) + u^2(b) - 2 u(a, b): GUM 5.2.2, equation (13)
        pick = of.covariance_mm2[2 * i : 2 * i + 2, 2 * i : 2 * i + 2]
        assert width.u**2 == pytest.approx(np.array([-1.0, 1.0]) @ pick @ [-1.0, 1.0])
        assert width.value == pytest.approx(end.value - start.value)


def test_an_error_of_the_diameter_stretches_positions_in_proportion():
    """Similar triangles: all lengths in the photo grow with the diameter."""
    of = budget(chain(**WITHOUT_SCALE), diameter_u_mm=0.04)
    for name, x in zip(("band 1 start", "band 2 end"), (EDGES_MM[0], EDGES_MM[-1]), strict=True):
        assert line(of, name, "diameter") == pytest.approx(0.001 * x, rel=1e-3)


def test_the_covariance_is_one_and_carries_the_edges_uncertainties():
    of = budget(chain(scale_weight=0.5))
    assert of.covariance_mm2 == pytest.approx(of.covariance_mm2.T)
    values = np.linalg.eigvalsh(of.covariance_mm2)
    assert values.min() > 0.0
    assert np.diag(of.covariance_mm2) == pytest.approx([edge.u**2 for edge in of.edges])
    for name, edge in zip(
        ("band 1 start", "band 2 end"), of.edges[:: len(EDGES_MM) - 1], strict=True
    ):
        assert edge.u == pytest.approx(
            math.sqrt(sum(entry.contribution_mm**2 for entry in of.lines if entry.edge == name))
        )


# Diameter and scale against each other


def agreement(**changes) -> float:
    of = chain(**changes)
    return weigh_scales(of, influences(of))[2]


def test_honest_diameter_and_scale_agree():
    assert abs(agreement()) < 0.01


def test_a_print_at_97_percent_disagrees():
    of = chain(plane=card_plane(printed=0.97))
    _, in_photo, en = weigh_scales(of, influences(of))
    assert en > 1.0
    # ISO 13528 (from memory): the difference over its expanded uncertainty, here of logarithms
    assert in_photo.value > 2.0 * RADIUS_MM * 1.02
    apart_u = math.hypot(in_photo.u / in_photo.value, 0.02 / (2.0 * RADIUS_MM))
    expected = math.log(in_photo.value / (2.0 * RADIUS_MM)) / (2.0 * apart_u)
    assert en == pytest.approx(expected, rel=1e-4)  # finite steps, of logarithms there


@pytest.mark.parametrize(("height_mm", "sign"), [(HEIGHT_MM + 5.0, 1), (HEIGHT_MM - 5.0, -1)])
def test_a_height_5_mm_wrong_disagrees(height_mm, sign):
    # A scale said to be higher above the axis puts the axis farther off and the shaft larger.
    assert sign * agreement(height_mm=height_mm) > 1.0


def drawn_chain(rng: np.random.Generator) -> Chain:
    """The chain with every input off by a draw from its own uncertainty."""
    offset = rng.normal(0.0, 0.3, (2, 2))  # offset and tilt of either silhouette
    run = np.linspace(1.0, -1.0, 200)
    sides = []
    for points, (shift, tilt) in zip(silhouettes(), offset, strict=True):
        along = points[-1] - points[0]
        square = np.array([-along[1], along[0]]) / np.linalg.norm(along)
        sides.append(points + (shift + tilt * run)[:, None] * square)
    return chain(
        camera=CAMERA.shifted(rng.multivariate_normal(np.zeros(9), LENS_COVARIANCE)),
        sides_px=tuple(sides),
        diameter_mm=2.0 * RADIUS_MM + rng.normal(0.0, 0.02),
        height_mm=HEIGHT_MM + rng.normal(0.0, 0.3),
        plane=card_plane(
            printed=1.0 + rng.normal(0.0, 0.002), shift_px=rng.normal(0.0, 0.1, (len(CARD_MM), 2))
        ),
    )


@pytest.fixture(scope="module")
def draws() -> list[Chain]:
    """Propagation of distributions by a Monte Carlo method: JCGM 101:2008, clause 5.9."""
    rng = np.random.default_rng(7)
    return [drawn_chain(rng) for _ in range(DRAWS)]


def test_diameter_and_scale_scatter_about_each_other_as_stated(draws):
    exact = chain()
    _, in_photo, _ = weigh_scales(exact, influences(exact))
    relative_u = math.hypot(in_photo.u / in_photo.value, 0.02 / (2.0 * RADIUS_MM))
    apart = np.log([of.radius_by_scale() / of.radius_by_diameter() for of in draws])
    assert apart.std() == pytest.approx(relative_u, rel=STD_RANGE)
    honest = np.abs(apart) / (2.0 * relative_u) <= 1.0  # E_n
    assert honest.mean() > 0.90  # of 95 %; three standard deviations of the count


def test_edges_scatter_and_keep_together_as_stated(draws):
    exact = chain()
    weighted, *_ = weigh_scales(exact, influences(exact))
    of = budget(weighted, end_u_mm=0.0)
    own = ("edge fit", "edge definition", "wobble outside the part seen")  # not drawn
    stated = of.covariance_mm2 - np.diag(
        [
            sum(line(of, f"band {i // 2 + 1} {('start', 'end')[i % 2]}", s) ** 2 for s in own)
            for i in range(len(EDGES_MM))
        ]
    )
    zero, rings = ring(0.0, RIM_SHARE), [ring(x) for x in EDGES_MM]
    at = np.array(
        [positions(replace(d, scale_weight=weighted.scale_weight), zero, rings) for d in draws]
    )
    u = np.sqrt(np.diag(stated))
    assert at.std(axis=0) == pytest.approx(u, rel=STD_RANGE)
    # (1 - r^2) / sqrt(200) is 0.03 for r = 0.75, the least of these
    assert np.corrcoef(at.T) == pytest.approx(stated / np.outer(u, u), abs=0.09)
    assert at.mean(axis=0) == pytest.approx(EDGES_MM, abs=3.0 * u.max() / math.sqrt(DRAWS))
