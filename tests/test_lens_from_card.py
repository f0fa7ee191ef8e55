"""Lenses from a card, seen through lenses that OpenCV projects."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from calib.board import BoardView
from calib.lens import (
    EXIF_K2_PER_K1,
    CameraIdentity,
    LensCalibration,
    lens_from_exif,
)
from calib.lens_from_card import lens_from_card

WIDTH_PX, HEIGHT_PX = 4000, 3000
CARD_MM = np.stack(
    [a.ravel() for a in np.meshgrid(np.arange(15.0) * 8.0, np.arange(3.0) * 8.0, [0.0])], axis=1
)
NOISE_PX = 0.1
EXIF = lens_from_exif(CameraIdentity(focal_35mm=26.0), WIDTH_PX, HEIGHT_PX)
NONE = lens_from_exif(CameraIdentity(), WIDTH_PX, HEIGHT_PX)
DRAWS = 60


def view(
    *, longer: float = 1.0, tilt_rad: float = 0.25, k1: float = 0.04, k2_off: float = 0.0,
    bow_mm: float = 0.0, seed: int = 1, count: int = len(CARD_MM), centre_px=(0.0, 0.0),
) -> BoardView:  # fmt: skip
    """A card in the upper half, tilted both ways, through a lens with a longer focal length."""
    rng = np.random.default_rng(seed)
    focal = longer * EXIF.camera.fx_px
    matrix = np.array(
        [
            [focal, 0.0, EXIF.camera.cx_px + centre_px[0]],
            [0.0, focal, EXIF.camera.cy_px + centre_px[1]],
            [0.0, 0.0, 1.0],
        ]
    )
    points = CARD_MM.copy()
    points[:, 2] += bow_mm * ((points[:, 0] - 56.0) / 56.0) ** 2
    pixels, _ = cv2.projectPoints(
        points, np.array([0.6 * tilt_rad, tilt_rad, 0.03]),
        np.array([-56.0, -45.0, 190.0 * longer]), matrix,
        np.array([k1, EXIF_K2_PER_K1 * k1 + k2_off, 0.0, 0.0]),
    )  # fmt: skip
    pixels = pixels.reshape(-1, 2) + rng.normal(0.0, NOISE_PX, (len(points), 2))
    chosen = slice(0, count)
    return BoardView(
        ids=np.arange(len(points))[chosen], corners_px=pixels[chosen],
        object_mm=CARD_MM[chosen], u_px=np.full(count, NOISE_PX),
        blur_px=np.full(count, 2.0), expected=len(points),
    )  # fmt: skip


def relative_u(lens: LensCalibration) -> float:
    return float(np.sqrt(lens.covariance[0, 0]) / lens.camera.fx_px)


@pytest.mark.parametrize(
    ("longer", "most_u"), [(0.95, 0.1), (1.0, 0.1), (2.0, 0.1), (3.5, 0.5)], ids=str
)
def test_without_exif_a_tilted_card_tells_the_focal_length(longer, most_u):
    """The longer the lens, the further the card, and the less the picture of it converges."""
    told = lens_from_card(NONE, view(longer=longer))
    assert abs(told.camera.fx_px / (longer * EXIF.camera.fx_px) - 1.0) < 2.5 * relative_u(told)
    assert relative_u(told) < most_u


def test_a_level_card_tells_nothing_of_the_usual_focal_length():
    told = lens_from_card(NONE, view(tilt_rad=0.0))
    assert relative_u(told) > 0.8 * relative_u(NONE)


def test_more_tilt_tells_more():
    spread = [relative_u(lens_from_card(NONE, view(tilt_rad=tilt))) for tilt in (0.1, 0.2, 0.35)]
    assert spread == sorted(spread, reverse=True)


def test_errors_keep_to_the_stated_covariance():
    """Lenses drawn from what EXIF leaves open: the errors left are those that are stated."""
    rng = np.random.default_rng(8)
    deviates = []
    for seed in range(DRAWS):
        longer = float(np.exp(rng.normal(0.0, relative_u(EXIF))))
        k1, k2_off = rng.normal(0.0, 0.04), rng.normal(0.0, 0.025)
        centre = rng.normal(0.0, np.sqrt(EXIF.covariance[2, 2]), 2)
        told = lens_from_card(
            EXIF,
            view(
                longer=longer, k1=k1, k2_off=k2_off, bow_mm=rng.normal(0.0, 0.1), seed=seed,
                tilt_rad=rng.uniform(0.0, 0.3), centre_px=tuple(centre),
            ),
        )  # fmt: skip
        truth = np.array([longer * EXIF.camera.fx_px, k1])
        found = np.array([told.camera.fx_px, told.camera.distortion[0]])
        deviates.append((found - truth) / np.sqrt(np.diag(told.covariance)[[0, 4]]))
    rms = np.sqrt(np.mean(np.square(deviates), axis=0))
    low, high = 0.5, 1.0 + 3.0 / np.sqrt(2 * DRAWS)  # noise counts twice: neighbours may share it
    assert ((rms > low) & (rms < high)).all(), rms


def test_distortion_is_known_better_than_before():
    told = lens_from_card(EXIF, view())
    assert told.covariance[4, 4] < 0.1 * EXIF.covariance[4, 4]
    assert relative_u(told) <= relative_u(EXIF)


@pytest.mark.parametrize("bow_mm", [-0.5, 0.5, 1.5])
def test_a_bent_card_is_allowed_for(bow_mm):
    told = lens_from_card(NONE, view(bow_mm=bow_mm))
    assert abs(told.camera.fx_px / EXIF.camera.fx_px - 1.0) < 2.5 * relative_u(told)
    assert relative_u(told) < 0.1


def test_a_lens_file_and_a_few_corners_are_left_alone():
    calibrated = replace(EXIF, source="file")
    assert lens_from_card(calibrated, view()) is calibrated
    assert lens_from_card(EXIF, view(count=12)) is EXIF
