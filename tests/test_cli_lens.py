"""`bandscan lens` from photos on disk to lens file and picture."""

import cv2
import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from bandscan.cli.lens import lens
from calib.errors import MeasureError
from calib.lensfile import read_lens
from tests.board_scenes import Lens, photograph, placed, turned
from tests.test_find_board import CHARUCO

LENS = Lens(640, 480, 496.0, (324.0, 234.0), (0.05, -0.06, 0.0005, -0.0004, 0.01))
BOARD_TOML = """
[board]
pattern = "charuco"
columns = 10
rows = 6
square_mm = 12.0
marker_mm = 8.8
dictionary = "DICT_5X5_100"
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("board photos")
    (folder / "board.toml").write_text(BOARD_TOML)
    rng = np.random.default_rng(1)
    for i in range(8):
        rotation = turned(35.0 if i else 0.0, 51.0 * i, 25.0 * i)
        translation = placed(CHARUCO, rotation, 110.0, rng.uniform(-15.0, 15.0, 2))
        grey = photograph(CHARUCO, LENS, rotation, translation, seed=i)
        cv2.imwrite(str(folder / f"b{i}.png"), grey)
    return folder


def run(*arguments):
    outcome = CliRunner().invoke(lens, [str(a) for a in arguments], standalone_mode=False)
    if outcome.exception is not None:
        raise outcome.exception
    return outcome


def test_a_lens_file_and_a_picture_are_written(folder, tmp_path):
    bare = tmp_path / "bench.png"
    Image.new("L", (640, 480), 128).save(bare)
    outcome = run(
        *sorted(folder.glob("b*.png")), bare, tmp_path / "none.jpg",
        "--board", folder / "board.toml", "--out", tmp_path / "lens.json",
    )  # fmt: skip
    written = read_lens(tmp_path / "lens.json")
    error = written.camera.parameters[:4] - [496.0, 496.0, 324.0, 234.0]
    assert np.all(np.abs(error) < 4.0 * np.sqrt(np.diag(written.covariance)[:4]) + 0.1)
    assert written.camera.fx_px == pytest.approx(496.0, rel=0.001)
    with Image.open(tmp_path / "lens.png") as picture:
        assert picture.width >= 1200
    assert "8 views" in outcome.stdout
    assert "bench.png: No ChArUco board" in outcome.stderr
    assert "none.jpg" in outcome.stderr


def test_too_few_photos_are_refused(folder, tmp_path):
    with pytest.raises(MeasureError, match="Only 2 of 2"):
        run(folder / "b1.png", folder / "b2.png",
            "--board", folder / "board.toml", "--out", tmp_path / "lens.json")  # fmt: skip
    assert not (tmp_path / "lens.json").exists()


def test_nothing_readable_is_refused(folder, tmp_path):
    with pytest.raises(MeasureError, match="None of the 1 photos"):
        run(tmp_path / "none.jpg", "--board", folder / "board.toml", "--out", tmp_path / "l.json")
