"""Lens calibration: against `cv2.projectPoints` (reference library) and OpenCV's sample photos.

The photos are those of Debian's package opencv-doc (left01 to left14, without 10), with the
calibration that OpenCV publishes beside them in left_intrinsics.yml.
"""

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from calib.board import BoardView, parse_board
from calib.calibrate import calibrate_lens
from calib.camera import Camera
from calib.errors import CalibrationError
from calib.find_board import find_board
from calib.lensfile import read_lens
from tests.board_scenes import Lens, placed, true_corners, turned

BOARD = parse_board(
    {
        "pattern": "charuco",
        "columns": 11,
        "rows": 8,
        "square_mm": 15.0,
        "marker_mm": 11.0,
        "dictionary": "DICT_5X5_100",
    }
)
LENS = Lens(2600, 1950, 1950.0, (1310.0, 965.0), (0.045, -0.06, 0.0005, -0.0003, 0.015))
TRUTH = np.array([1950.0, 1950.0, 1310.0, 965.0, *LENS.distortion])
U_PX = 0.05


def view_of(rotation, translation, rng, *, u_px=U_PX, board=BOARD):
    corners = true_corners(board, LENS, rotation, translation)
    inside = np.all((corners > 5) & (corners < (LENS.width_px - 5, LENS.height_px - 5)), axis=1)
    ids = np.flatnonzero(inside)
    return BoardView(
        ids=ids,
        corners_px=corners[ids] + rng.normal(0.0, u_px, (len(ids), 2)),
        object_mm=board.corners_mm()[ids],
        u_px=np.full(len(ids), u_px),
        blur_px=np.full(len(ids), 2.0),
        expected=len(corners),
    )


def views(rng, *, count=12, tilt_deg=35.0, distance_mm=200.0, shift_mm=50.0):
    """Boards tilted to all sides and moved about the frame."""
    made = {}
    for i in range(count):
        rotation = turned(tilt_deg * (i % 4 + 1) / 4.0, 360.0 * i / count, 20.0 * (i % 3))
        shift = rng.uniform(-shift_mm, shift_mm, 2)
        made[f"board{i:02d}.jpg"] = view_of(
            rotation, placed(BOARD, rotation, distance_mm, shift), rng
        )
    return made


def calibrate(made):
    return calibrate_lens(made, LENS.width_px, LENS.height_px)


def moved(view, ids, by_px):
    corners = view.corners_px.copy()
    corners[ids] += by_px
    return BoardView(
        ids=view.ids, corners_px=corners, object_mm=view.object_mm, u_px=view.u_px,
        blur_px=view.blur_px, expected=view.expected,
    )  # fmt: skip


def test_exact_corners_give_the_exact_lens():
    rng = np.random.default_rng(1)
    made = {
        name: BoardView(
            ids=view.ids,
            corners_px=true_corners(BOARD, LENS, rotation, translation)[view.ids],
            object_mm=view.object_mm, u_px=view.u_px, blur_px=view.blur_px, expected=view.expected,
        )
        for name, (rotation, translation) in {
            f"{i}": (turned(30.0, 60.0 * i), placed(BOARD, turned(30.0, 60.0 * i), 190.0))
            for i in range(6)
        }.items()
        for view in [view_of(rotation, translation, rng)]
    }  # fmt: skip
    report = calibrate(made)
    np.testing.assert_allclose(report.lens.camera.parameters[:4], TRUTH[:4], atol=1e-3)
    np.testing.assert_allclose(report.lens.camera.parameters[4:], TRUTH[4:], atol=1e-5)


def test_the_stated_covariance_is_that_of_the_errors():
    """Over many sets the squared error, in units of the covariance, is chi-square of 9."""
    rng = np.random.default_rng(2)
    sets, squared, variances = 30, [], []
    for _ in range(sets):
        lens = calibrate(views(rng, count=8)).lens
        error = lens.camera.parameters - TRUTH
        squared.append(error @ np.linalg.solve(lens.covariance, error))
        variances.append(error**2 / np.diag(lens.covariance))
    # Mean of 30 chi-squares of 9: 9 +- 0.77; of one degree: 1 +- 0.26. Limits are 4 sigma.
    assert 5.9 < np.mean(squared) < 12.1
    assert np.all(np.mean(variances, axis=0) < 2.05)


def test_gross_errors_are_left_out():
    rng = np.random.default_rng(3)
    made = {
        name: moved(view, rng.choice(len(view.ids), 4, replace=False), rng.normal(0, 4, (4, 2)))
        for name, view in views(rng).items()
    }
    report = calibrate(made)
    assert report.lens.camera.fx_px == pytest.approx(1950.0, rel=1e-3)
    error = report.lens.camera.parameters - TRUTH
    assert error @ np.linalg.solve(report.lens.covariance, error) < 27.9  # chi-square 9, 0.1 %
    found = sum(view.gross_errors for view in report.views)
    assert 0.8 * 4 * len(made) < found <= 1.1 * 4 * len(made)


def test_a_bent_board_is_left_out_by_name():
    rng = np.random.default_rng(4)
    made = views(rng)
    name = "board05.jpg"
    x = made[name].object_mm[:, 0]
    bow = 3.0 * np.sin(np.pi * x / x.max())
    made[name] = moved(made[name], slice(None), np.column_stack([0 * bow, bow]))
    report = calibrate(made)
    problems = {view.name: view.problem for view in report.views if view.problem}
    assert list(problems) == [name]
    assert "bent" in problems[name]


def test_a_blurred_and_a_cut_view_are_left_out_by_name():
    rng = np.random.default_rng(5)
    made = views(rng)
    first, second = made["board00.jpg"], made["board01.jpg"]
    made["board00.jpg"] = BoardView(
        ids=first.ids, corners_px=first.corners_px, object_mm=first.object_mm, u_px=first.u_px,
        blur_px=np.full(len(first.ids), 60.0), expected=first.expected,
    )  # fmt: skip
    made["board01.jpg"] = BoardView(
        ids=second.ids[:9], corners_px=second.corners_px[:9], object_mm=second.object_mm[:9],
        u_px=second.u_px[:9], blur_px=second.blur_px[:9], expected=second.expected,
    )  # fmt: skip
    problems = {view.name: view.problem for view in calibrate(made).views if view.problem}
    assert set(problems) == {"board00.jpg", "board01.jpg"}
    assert "blurred" in problems["board00.jpg"]
    assert "cut off" in problems["board01.jpg"]


def test_flat_views_are_refused_with_their_tilt():
    rng = np.random.default_rng(6)
    with pytest.raises(CalibrationError, match="steepest view is 9 degrees") as refused:
        calibrate(views(rng, tilt_deg=9.0))
    assert "Tilt the board more" in refused.value.remedy


def test_a_board_in_the_middle_only_is_refused():
    rng = np.random.default_rng(7)
    with pytest.raises(CalibrationError, match="% of the frame"):
        calibrate(views(rng, distance_mm=700.0, shift_mm=20.0))


def test_too_few_views_are_refused():
    rng = np.random.default_rng(8)
    with pytest.raises(CalibrationError, match="Only 4 of 4"):
        calibrate(views(rng, count=4))
    with pytest.raises(CalibrationError, match="Only 0 of 0"):
        calibrate({})


def test_missing_regions_are_named():
    rng = np.random.default_rng(9)
    made = {}
    for i in range(10):
        rotation = turned(30.0, 36.0 * i)
        shift = (rng.uniform(-90.0, -40.0), rng.uniform(-50.0, 50.0))
        made[str(i)] = view_of(rotation, placed(BOARD, rotation, 230.0, shift), rng)
    advice = " ".join(calibrate(made).advice)
    assert "right" in advice
    assert "left" not in advice


@pytest.fixture(scope="module")
def opencv_doc():
    folder = Path(os.environ.get("BANDSCAN_OPENCV_DOC", "/usr/share/doc/opencv-doc/examples/data"))
    if not (folder / "left01.jpg").is_file():
        pytest.skip(f"no left01.jpg in {folder}: install Debian's opencv-doc")
    return folder


@pytest.fixture(scope="module")
def sample_views(opencv_doc):
    board = parse_board({"pattern": "chessboard", "columns": 9, "rows": 6, "square_mm": 25.0})
    return {
        path.name: find_board(cv2.imread(str(path), cv2.IMREAD_GRAYSCALE), board, thorough=True)
        for path in sorted(opencv_doc.glob("left[0-9][0-9].jpg"))
    }


def test_opencvs_sample_photos_give_their_known_lens(sample_views):
    # Published focal length 535.9 px with RMS 0.393 px from a wide refinement window;
    # cornerSubPix with half-window 5 gives 532.8 px and RMS 0.195 px (OpenCV 5.0).
    report = calibrate_lens(sample_views, 640, 480)
    assert len(sample_views) == 13
    assert report.lens.camera.fx_px == pytest.approx(533.0, abs=5.0)
    assert report.lens.camera.fy_px == pytest.approx(533.0, abs=5.0)
    assert report.lens.camera.cx_px == pytest.approx(342.4, abs=3.0)
    assert report.lens.camera.cy_px == pytest.approx(234.7, abs=3.0)
    assert report.lens.reprojection_rms_px < 0.25


def test_the_published_lens_makes_opencvs_board_flat_and_square(sample_views, opencv_doc):
    # cornerSubPix with half-window 5, the published lens and a homography to the 25 mm grid
    # leave 0.109 to 0.168 mm RMS in each view and at most 0.48 mm (OpenCV 5.0); without the
    # distortion 0.55 to 1.06 mm.
    camera = read_lens(opencv_doc / "left_intrinsics.yml").camera
    straight = Camera(
        width_px=640, height_px=480, fx_px=camera.fx_px, fy_px=camera.fy_px, cx_px=camera.cx_px,
        cy_px=camera.cy_px,
    )  # fmt: skip
    for view in sample_views.values():
        left = _flatness_mm(camera, view)
        assert np.sqrt(np.mean(left**2)) < 0.168
        assert left.max() < 0.48
        assert np.sqrt(np.mean(_flatness_mm(straight, view) ** 2)) > 3.0 * np.sqrt(np.mean(left**2))


def test_opencvs_board_has_its_diagonal(sample_views, opencv_doc):
    # 8 x 5 squares of 25 mm: 235.850 mm; -0.29 to +0.07 mm there with the same means.
    camera = read_lens(opencv_doc / "left_intrinsics.yml").camera
    for view in sample_views.values():
        if not {0, 53} <= set(view.ids):
            continue
        ideal = camera.undistort(view.corners_px)
        homography, _ = cv2.findHomography(ideal, view.object_mm[:, :2])
        ends = ideal[np.isin(view.ids, (0, 53))]
        on_board = cv2.perspectiveTransform(ends[None], homography)[0]
        assert np.linalg.norm(on_board[1] - on_board[0]) == pytest.approx(235.850, abs=0.3)


def _flatness_mm(camera, view):
    ideal = camera.undistort(view.corners_px)
    homography, _ = cv2.findHomography(ideal, view.object_mm[:, :2])
    on_board = cv2.perspectiveTransform(ideal[None], homography)[0]
    return np.linalg.norm(on_board - view.object_mm[:, :2], axis=1)
