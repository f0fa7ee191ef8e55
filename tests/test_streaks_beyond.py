"""Where the streaks of ground metal stop. Streaked metal at the outline: common practice."""

import cv2
import numpy as np
import pytest

from bandscan.errors import NoShaftError
from bandscan.model import Outline, Silhouette
from bandscan.steps.photo import read_photo
from bandscan.streaks_beyond import check_metal_stops, outward, streaks_go_on

TOP, BOTTOM, LONG = 150.0, 450.0, 640


def side(y, slope=0.0):
    x = np.linspace(40.0, 560.0, 14)
    return Silhouette(
        points_px=np.stack([x, y + slope * (x - 300.0)], axis=-1), u_px=0.2, tilt_u_px=0.2
    )


def outline(top, bottom, slope=0.0):
    return Outline(
        sides=(side(top, slope), side(bottom, slope)),
        end_px=np.array([40.0, 300.0]),
        inward_px=np.array([1.0, 0.0]),
    )


@pytest.fixture(params=[0, 1, 2, 3])
def photo(request, tmp_path):
    """Streaks that lean, between two sides; a bench with a grain of its own, a rule beside."""
    rng = np.random.default_rng(request.param)
    lean = rng.uniform(-0.6, 0.6)
    y, x = np.mgrid[0:600, 0:LONG].astype(np.float32)
    streaks = cv2.GaussianBlur(rng.normal(size=(1, 2000)).astype(np.float32), (0, 0), 1.2)
    streaked = cv2.remap(
        streaks, x + np.float32(lean) * (y - 300.0) + 600.0, np.zeros_like(y), cv2.INTER_LINEAR
    )
    metal = 110.0 + 25.0 * np.cos((y - 300.0) / 40.0) + 25.0 * streaked
    grain = cv2.GaussianBlur(rng.normal(size=y.shape).astype(np.float32), (0, 0), 2.0)
    bench = 118.0 + 60.0 * grain
    bench[470:520, ::12] = 20.0
    picture = np.where((y >= TOP) & (y <= BOTTOM), metal, bench)
    picture = cv2.GaussianBlur(picture, (0, 0), 1.0) + rng.normal(0.0, 2.0, y.shape)
    path = tmp_path / "shaft.png"
    cv2.imwrite(str(path), np.clip(picture, 0, 255).astype(np.uint8))
    return read_photo(path)


def test_streaks_stop_at_the_sides(photo):
    check_metal_stops(photo, outline(TOP, BOTTOM))


@pytest.mark.parametrize(("top", "bottom"), [(TOP + 40.0, BOTTOM), (TOP, BOTTOM - 60.0)])
def test_a_stripe_inside_the_metal_is_no_side(photo, top, bottom):
    with pytest.raises(NoShaftError, match="goes on"):
        check_metal_stops(photo, outline(top, bottom))


def test_a_line_on_the_bench_is_not_called_metal(photo):
    assert not streaks_go_on(photo, side(TOP - 60.0), side(BOTTOM))


def test_outward_is_square_to_the_side_and_away_from_the_other():
    square = outward(side(TOP, slope=0.1), side(BOTTOM, slope=0.1))
    assert np.linalg.norm(square) == pytest.approx(1.0)
    assert square @ np.array([1.0, 0.1]) == pytest.approx(0.0, abs=1e-12)
    assert square[1] < 0.0
