"""`bandscan card`: the printed page measures what its description says."""

import re
import shutil
import subprocess

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from bandscan.cli.card import card
from calib.board import parse_board, read_board
from calib.card_layout import lay_out_card
from calib.errors import MeasureError
from calib.find_board import find_board

DPI = 400
# ISO 32000-1, 8.3.2.3: a unit of a PDF page's default user space is 1/72 inch, so that a page
# rendered at DPI has DPI / 25.4 pixels a millimetre, whoever renders it.
PX_PER_MM = DPI / 25.4


def run(*arguments):
    return CliRunner().invoke(card, [str(a) for a in arguments], catch_exceptions=True)


def rendered(pdf) -> np.ndarray:
    """The page as poppler, a PDF renderer of its own, shows it."""
    if shutil.which("pdftoppm") is None:
        pytest.skip("pdftoppm (poppler-utils) is not installed")
    start = pdf.with_suffix("")
    subprocess.run(["pdftoppm", "-r", str(DPI), "-gray", "-singlefile", pdf, start], check=True)
    return cv2.imread(str(start.with_suffix(".pgm")), cv2.IMREAD_GRAYSCALE)


@pytest.mark.parametrize(("paper", "size_mm"), [("a4", (210.0, 297.0)), ("letter", (215.9, 279.4))])
def test_the_pdf_is_true_to_scale(tmp_path, paper, size_mm):
    # Paper sizes: ISO 216 (A4), ANSI Y14.1 (8.5 x 11 in).
    assert run("--out", tmp_path / "card.pdf", "--paper", paper).exit_code == 0
    page = rendered(tmp_path / "card.pdf")
    assert page.shape[::-1] == pytest.approx(np.array(size_mm) * PX_PER_MM, abs=1.0)
    # OpenCV's own detector finds the corners of the board that the description names.
    board = read_board(tmp_path / "card.toml")
    layout = cv2.aruco.CharucoBoard(
        (board.columns, board.rows), board.square_mm, board.marker_mm,
        cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_100),
    )  # fmt: skip
    corners, ids, _, _ = cv2.aruco.CharucoDetector(layout).detectBoard(page)
    assert ids.size == (board.columns - 1) * (board.rows - 1)
    drawn_mm = layout.getChessboardCorners()[ids.ravel(), :2]
    to_px = np.column_stack([drawn_mm, np.ones(len(drawn_mm))])
    affine = np.linalg.lstsq(to_px, corners.reshape(-1, 2), rcond=None)[0]
    assert affine[:2] / PX_PER_MM == pytest.approx(np.eye(2), abs=2e-3)
    assert len(find_board(page, board).ids) == ids.size


def test_check_lines_measure_100_mm(tmp_path):
    run("--out", tmp_path / "card.pdf")
    page = rendered(tmp_path / "card.pdf")
    for picture in (page, page.T):
        dark = picture < 128
        line = dark[dark.sum(axis=1) > 90 * PX_PER_MM][0]
        ends = np.flatnonzero(np.diff(np.pad(line, 1).astype(int))).reshape(-1, 2)
        longest = float(np.ptp(ends, axis=1).max())
        # the end marks are 0.15 mm wide, and their middles stand 100 mm apart
        assert longest / PX_PER_MM == pytest.approx(100.15, abs=0.07)


def test_graduations_stand_a_millimetre_apart_and_reach_100(tmp_path):
    marks = lay_out_card(parse_board(
        {"pattern": "charuco", "columns": 16, "rows": 4, "square_mm": 6.0, "marker_mm": 4.4,
         "dictionary": "DICT_4X4_100"}
    )).marks_mm  # fmt: skip
    assert np.diff(marks[:, 0]) == pytest.approx(np.ones(100))


def test_the_svg_has_the_papers_size(tmp_path):
    run("--out", tmp_path / "card.svg")
    text = (tmp_path / "card.svg").read_text()
    found = re.search(r'width="([\d.]+)pt" height="([\d.]+)pt"', text)
    width, height = (float(v) for v in found.groups())
    # CSS 2.1, 4.3.2 (which SVG 1.1, 7.10 refers to): 1 pt is 1/72 inch.
    assert (width * 25.4 / 72, height * 25.4 / 72) == pytest.approx((210.0, 297.0), abs=1e-3)


def test_measured_is_recorded_and_never_lost(tmp_path):
    run("--out", tmp_path / "card.pdf")
    before = (tmp_path / "card.pdf").read_bytes()
    assert "97.00 %" in run("--out", tmp_path / "card.pdf", "--measured", 97).output
    board = read_board(tmp_path / "card.toml")
    assert board.print_scale == pytest.approx(0.97)
    assert board.printed_square_mm == pytest.approx(5.82)
    assert board.print_scale_checked
    run("--out", tmp_path / "card.pdf", "--measured", 99.5)
    assert read_board(tmp_path / "card.toml").print_scale == pytest.approx(0.995)
    refused = run("--out", tmp_path / "card.pdf")
    assert isinstance(refused.exception, MeasureError)
    assert (tmp_path / "card.pdf").read_bytes() == before


def test_another_unit_is_no_measured_length(tmp_path):
    run("--out", tmp_path / "card.pdf")
    refused = run("--out", tmp_path / "card.pdf", "--measured", 3.94)  # inches
    assert isinstance(refused.exception, MeasureError)
    assert not read_board(tmp_path / "card.toml").print_scale_checked


@pytest.mark.parametrize(
    "arguments", [("--columns", 60), ("--out", "card.png"), ("--rows", 1), ("--square", 0)]
)
def test_impossible_cards_are_wrong_usage(tmp_path, arguments):
    assert run(*arguments).exit_code == 2
