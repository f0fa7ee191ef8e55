"""Sides of the shown picture on the stored grid, against Pillow's transposition by EXIF."""

import numpy as np
import pytest
from PIL import Image, ImageOps

from bandscan.orientation import stored_side

ORIENTATION_TAG = 0x0112
# The middle of each side, without the corners, which two sides share.
SIDES = {
    "top": (slice(0, 1), slice(1, -1)),
    "right": (slice(1, -1), slice(-1, None)),
    "bottom": (slice(-1, None), slice(1, -1)),
    "left": (slice(1, -1), slice(0, 1)),
}


def shown_picture(stored: np.ndarray, orientation: int) -> np.ndarray:
    picture = Image.fromarray(stored)
    picture.getexif()[ORIENTATION_TAG] = orientation
    return np.asarray(ImageOps.exif_transpose(picture))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("side", SIDES)
def test_the_bright_side_is_named_as_pillow_shows_it(orientation, side):
    stored = np.zeros((5, 7), dtype=np.uint8)
    stored[SIDES[side]] = 255
    picture = shown_picture(stored, orientation)
    (shown,) = [name for name, where in SIDES.items() if (picture[where] == 255).all()]
    assert stored_side(shown, orientation) == side


@pytest.mark.parametrize("orientation", range(1, 9))
def test_auto_stays_auto(orientation):
    assert stored_side("auto", orientation) == "auto"
