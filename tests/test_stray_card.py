"""A card without its description, found in drawn photos; truth from `cv2.projectPoints`."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from bandscan.doubts import STRAY_CARD
from bandscan.pipeline import measure_photo
from calib.board import parse_board
from calib.stray_card import stray_card
from tests.board_scenes import LENS, photograph, placed, true_corners, turned
from tests.scenes.chance import Wish, random_scene
from tests.scenes.compare import options_for
from tests.scenes.draw import photograph as photograph_shaft

WHOLE_PX = np.array([[0.0, 0.0], [LENS.width_px - 1.0, LENS.height_px - 1.0]])


def board(pattern="charuco"):
    table = {"pattern": pattern, "columns": 12, "rows": 4, "square_mm": 12.0}
    if pattern == "charuco":
        table |= {"marker_mm": 8.8, "dictionary": "DICT_5X5_100"}
    return parse_board(table)


def photo_of(card, direction_deg):
    rotation = turned(20.0, direction_deg, direction_deg)
    translation = placed(card, rotation, 170.0)
    return photograph(card, LENS, rotation, translation), true_corners(
        card, LENS, rotation, translation
    )


@pytest.mark.parametrize("direction_deg", [0.0, 35.0, 90.0])
def test_a_card_is_left_out_and_little_beside_it(direction_deg):
    grey, corners_px = photo_of(board(), direction_deg)
    outline = stray_card(grey, WHOLE_PX).astype(np.float32)
    inside = [
        cv2.pointPolygonTest(outline, tuple(map(float, p)), measureDist=True) for p in corners_px
    ]
    _, (side, other), _ = cv2.minAreaRect(corners_px.astype(np.float32))
    square_px = max(side, other) / 10.0  # of 12 squares, 11 corners lie in a row
    assert min(inside) > -square_px  # a marker at the end may be unread
    # Around the inner corners lie a square and a border of one more.
    assert cv2.contourArea(outline) < (side + 4.0 * square_px) * (other + 4.0 * square_px)


def test_what_has_no_markers_is_no_card():
    grey, _ = photo_of(board("chessboard"), 35.0)
    assert stray_card(grey, WHOLE_PX) is None
    metal = np.random.default_rng(1).normal(120.0, 30.0, (1, 800))
    assert stray_card(np.repeat(metal, 600, axis=0).clip(0, 255).astype(np.uint8), WHOLE_PX) is None


def test_a_place_outside_the_photo_has_no_card():
    grey, _ = photo_of(board(), 0.0)
    assert stray_card(grey, WHOLE_PX + 5000.0) is None


def test_a_shaft_is_measured_although_a_card_beside_it_has_no_description(tmp_path):
    wish = Wish(
        difficulty="easy", distractors=False, scale="card", contrast="strong", state_diameter=True,
    )  # fmt: skip
    scene = random_scene(61, wish)
    photo = photograph_shaft(scene, tmp_path / "shaft.jpg")
    options = replace(options_for(scene, tmp_path), card_path=None)
    result = measure_photo(photo, options)
    assert result.refusal is None
    assert STRAY_CARD in result.warnings
    assert len(result.bands) == len(scene.shaft.bands)
