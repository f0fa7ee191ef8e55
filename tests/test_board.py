"""The description of a board: what is accepted, what is refused and how."""

import cv2
import numpy as np
import pytest

from calib.board import parse_board, read_board
from calib.errors import MeasureError

CARD = {
    "pattern": "charuco",
    "columns": 16,
    "rows": 4,
    "square_mm": 6.0,
    "marker_mm": 4.4,
    "dictionary": "DICT_4X4_100",
}
CHESSBOARD = {"pattern": "chessboard", "columns": 9, "rows": 6, "square_mm": 25.0}


def test_corners_are_those_of_opencvs_board():
    board = parse_board(CARD)
    layout = cv2.aruco.CharucoBoard(
        (16, 4), 6.0, 4.4, cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100)
    )
    np.testing.assert_allclose(board.corners_mm(), layout.getChessboardCorners(), atol=1e-5)


def test_a_chessboard_counts_inner_corners():
    assert parse_board(CHESSBOARD).corners_mm().shape == (54, 3)


def test_a_print_at_97_percent_shrinks_every_square():
    board = parse_board({**CARD, "scale_check_mm": [100.0, 97.0]})
    assert board.printed_square_mm == pytest.approx(5.82)
    assert board.corners_mm()[-1] == pytest.approx([15 * 5.82, 3 * 5.82, 0.0])
    assert board.print_scale_checked


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("pattern", "circles"),
        ("pattern", None),
        ("columns", 0),
        ("columns", 2.5),
        ("columns", True),
        ("columns", 100_000),
        ("rows", "four"),
        ("square_mm", -6.0),
        ("square_mm", float("nan")),
        ("square_mm", None),
        ("marker_mm", 6.0),
        ("marker_mm", None),
        ("dictionary", "DICT_9X9"),
        ("dictionary", 4),
        ("scale_check_mm", 100.0),
        ("scale_check_mm", [100.0]),
        ("scale_check_mm", [100.0, 3.94]),
        ("scale_check_mm", [100.0, "99"]),
    ],
)
def test_a_wrong_key_is_named_with_a_remedy(key, value):
    table = {name: v for name, v in {**CARD, key: value}.items() if v is not None}
    with pytest.raises(MeasureError) as refused:
        parse_board(table, name="card.toml")
    assert refused.value.exit_status == 4
    assert f"key {key}" in refused.value.message
    assert refused.value.remedy


def test_a_misspelt_optional_key_is_not_ignored():
    with pytest.raises(MeasureError, match="scale_chek_mm"):
        parse_board({**CARD, "scale_chek_mm": [100.0, 97.0]})


def test_more_squares_than_markers_are_refused():
    with pytest.raises(MeasureError, match="needs 200 markers"):
        parse_board({**CARD, "columns": 20, "rows": 20})


@pytest.mark.parametrize(
    "content", [b"", b"[board", b"\xff\xfe\x00", b"board = 3", b"[card]\nrows = 4\n"]
)
def test_a_file_without_a_board_is_refused(tmp_path, content):
    path = tmp_path / "board.toml"
    path.write_bytes(content)
    with pytest.raises(MeasureError) as refused:
        read_board(path)
    assert str(path) in refused.value.message


def test_a_missing_file_is_refused(tmp_path):
    with pytest.raises(MeasureError, match="No such file"):
        read_board(tmp_path / "none.toml")
    with pytest.raises(MeasureError):
        read_board(tmp_path)
