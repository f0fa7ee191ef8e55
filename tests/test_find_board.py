"""Corners found in drawn photos against `cv2.projectPoints` (reference library)."""

import numpy as np
import pytest

from calib.board import parse_board
from calib.errors import MeasureError
from calib.find_board import find_board
from tests.board_scenes import LENS, photograph, placed, true_corners, turned

CHARUCO = parse_board(
    {
        "pattern": "charuco",
        "columns": 10,
        "rows": 6,
        "square_mm": 12.0,
        "marker_mm": 8.8,
        "dictionary": "DICT_5X5_100",
    }
)
CHESSBOARD = parse_board({"pattern": "chessboard", "columns": 9, "rows": 6, "square_mm": 12.0})

# What is asked of a corner at a usual blur: a tenth of what the refinement window of
# the usual finder costs when it reaches a marker (0.2 to 0.7 px).
RMS_PX = 0.03


def scene(board, *, tilt=25.0, direction=30.0, spin=5.0, distance=120.0, shift=(0.0, 0.0), **knobs):
    rotation = turned(tilt, direction, spin)
    translation = placed(board, rotation, distance, shift)
    grey = photograph(board, LENS, rotation, translation, **knobs)
    return grey, true_corners(board, LENS, rotation, translation)


def errors(view, truth):
    return view.corners_px - truth[view.ids]


def rms(values):
    return float(np.sqrt(np.mean(values**2)))


@pytest.mark.parametrize("board", [CHARUCO, CHESSBOARD], ids=["charuco", "chessboard"])
def test_corners_lie_where_opencv_projects_them(board):
    grey, truth = scene(board)
    view = find_board(grey, board)
    assert len(view.ids) == len(truth)
    assert rms(errors(view, truth)) < RMS_PX
    np.testing.assert_allclose(view.object_mm, board.corners_mm()[view.ids])


@pytest.mark.parametrize(
    "knobs",
    [
        {"tilt": 50.0, "direction": 90.0},
        {"spin": 130.0, "distance": 140.0},
        {"blur_px": 2.0},
        {"blur_px": 0.3, "tilt": 0.0, "spin": 0.0},
        {"white": 0.06, "black": 0.01, "noise": 0.001},
        {"depth": 16},
    ],
    ids=["steep", "upside down", "defocused", "sharp and level", "dark", "16 bit"],
)
def test_the_stated_uncertainty_holds(knobs):
    grey, truth = scene(CHARUCO, **knobs)
    view = find_board(grey, CHARUCO)
    assert len(view.ids) == len(truth)
    error = errors(view, truth)
    assert rms(error) < 2.0 * RMS_PX
    assert rms(error / view.u_px[:, None]) < 1.3  # 90 values: 1.0 +- 0.08, and correlation
    assert np.abs(error.mean(axis=0)).max() < 0.02


def test_the_old_pattern_of_opencv_is_read_too():
    grey, truth = scene(CHARUCO, legacy=True)
    view = find_board(grey, CHARUCO)
    assert len(view.ids) == len(truth)
    assert rms(errors(view, truth)) < RMS_PX


def test_a_board_partly_covered_gives_the_corners_that_are_seen():
    patch = (300, 150, 520, 420)
    grey, truth = scene(CHARUCO, hide=patch)
    inside = np.all((truth > patch[:2]) & (truth < patch[2:]), axis=1)
    view = find_board(grey, CHARUCO)
    assert not set(view.ids) & set(np.flatnonzero(inside))
    clear = np.all((truth < np.array(patch[:2]) - 25) | (truth > np.array(patch[2:]) + 25), axis=1)
    assert set(np.flatnonzero(clear)) <= set(view.ids)
    assert rms(errors(view, truth)) < RMS_PX


def test_a_board_cut_by_the_frame_gives_the_corners_that_are_seen():
    grey, truth = scene(CHARUCO, shift=(55.0, 30.0))
    view = find_board(grey, CHARUCO)
    clear = np.all((truth > 30) & (truth < (LENS.width_px - 30, LENS.height_px - 30)), axis=1)
    assert 6 <= np.count_nonzero(clear) < len(truth)
    assert set(np.flatnonzero(clear)) <= set(view.ids)
    assert rms(errors(view, truth)) < RMS_PX


def test_defocus_is_seen_and_widens_the_uncertainty():
    sharp = find_board(scene(CHARUCO, blur_px=1.0)[0], CHARUCO)
    soft = find_board(scene(CHARUCO, blur_px=2.5)[0], CHARUCO)
    # A normal blur of standard deviation s has a 10-90 % width of 2.563 s.
    assert np.median(soft.blur_px) == pytest.approx(2.563 * 2.5, rel=0.25)
    assert np.median(soft.u_px) > 1.5 * np.median(sharp.u_px)


@pytest.mark.parametrize("shape", [(600, 800), (200, 200), (1, 1), (3, 20_000)])
def test_a_photo_without_a_board_is_refused(shape):
    grey = np.random.default_rng(1).integers(0, 255, shape).astype(np.uint8)
    for board in (CHARUCO, CHESSBOARD):
        with pytest.raises(MeasureError, match="was recognised"):
            find_board(grey, board, thorough=True)


def test_another_board_is_not_taken_for_this_one():
    other = parse_board(
        {
            "pattern": "charuco",
            "columns": 10,
            "rows": 6,
            "square_mm": 12.0,
            "marker_mm": 8.8,
            "dictionary": "DICT_6X6_250",
        }
    )
    with pytest.raises(MeasureError, match="was recognised"):
        find_board(scene(CHARUCO)[0], other)
