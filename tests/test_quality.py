"""Quality of strips painted here with known resolution, clipping and blur."""

import math

import numpy as np
import pytest

from bandscan.errors import BlurredError, ClippedError, TooCoarseError
from bandscan.model import Strip
from bandscan.steps.quality import judge_quality, refuse_if_hopeless, texture_length_mm

ARC = (-0.7, 0.7)
LAND = (0.0, 60.0)
ANGLES = np.linspace(-0.8, 0.8, 24)


def white_texture(axial: np.ndarray, blur_mm: float, seed: int = 1) -> np.ndarray:
    """White noise along the axis, blurred by a Gaussian of standard deviation `blur_mm`."""
    noise = np.random.default_rng(seed).normal(size=(ANGLES.size, axial.size))
    if blur_mm > 0.0:
        frequency = np.fft.rfftfreq(axial.size, axial[1] - axial[0])
        transfer = np.exp(-2.0 * (math.pi * frequency * blur_mm) ** 2)
        noise = np.fft.irfft(np.fft.rfft(noise, axis=1) * transfer, axial.size, axis=1)
    return noise / noise.std()


def strip(*, step_mm: float = 0.05, blur_mm: float = 0.0, clipped: float = 0.0) -> Strip:
    axial = np.arange(0.0, 60.0, step_mm)
    values = 0.3 * np.exp(0.1 * white_texture(axial, blur_mm))
    white = np.random.default_rng(2).random(values.shape) < clipped
    values = np.where(white, 1.0, values)
    return Strip(values=values.astype(np.float32), axial_mm=axial, angle_rad=ANGLES)


def judged(painted: Strip) -> dict[str, bool]:
    figures = judge_quality(painted, land_mm=LAND, arc_rad=ARC)
    refuse_if_hopeless(figures)
    return {figure.name: figure.good for figure in figures}


def test_a_good_strip_is_good_in_every_figure():
    assert judged(strip()) == {
        "resolution": True,
        "sharpness": True,
        "glare on the land": True,
        "exposure of the land": True,
    }


@pytest.mark.parametrize(
    ("poor", "error", "code"),
    [
        ({"step_mm": 0.21}, TooCoarseError, "too-coarse"),
        ({"clipped": 0.55}, ClippedError, "clipped"),
        ({"blur_mm": 0.30}, BlurredError, "blurred"),
    ],
)
def test_a_hopeless_strip_is_refused_with_its_code(poor, error, code):
    with pytest.raises(error) as caught:
        judged(strip(**poor))
    assert caught.value.code == code
    assert caught.value.remedy


@pytest.mark.parametrize(
    ("fair", "figure"),
    [
        ({"step_mm": 0.19}, "resolution"),
        ({"clipped": 0.45}, "glare on the land"),
        ({"blur_mm": 0.16}, "sharpness"),
    ],
)
def test_a_fair_strip_is_kept_with_advice(fair, figure):
    assert judged(strip(**fair))[figure] is False


def test_figures_carry_the_resolution_and_the_clipped_share():
    resolution, _, glare, _ = judge_quality(
        strip(step_mm=0.04, clipped=0.3), land_mm=LAND, arc_rad=ARC
    )
    assert resolution.value == pytest.approx(25.0)
    assert glare.value == pytest.approx(30.0, abs=1.5)  # 29 000 draws: 0.3 % standard deviation


def test_white_outside_the_arc_and_the_land_does_not_count():
    painted = strip()
    outside = np.abs(painted.angle_rad) > ARC[1]
    painted.values[outside] = 1.0
    painted.values[:, painted.axial_mm > 50.0] = 1.0
    glare = judge_quality(painted, land_mm=(0.0, 50.0), arc_rad=ARC)[2]
    assert glare.value == 0.0


def expected_texture_length_mm(blur_mm: float, detrended_mm: float = 3.0) -> float:
    """Half-width of the correlation of blurred white noise less its running mean.

    The correlation is the transform of the power spectrum (Wiener-Khinchin theorem): that of a
    Gaussian blur times that of what a running mean leaves.
    """
    frequency = np.linspace(0.0, 30.0, 60001)
    spectrum = np.exp(-4.0 * (math.pi * frequency * blur_mm) ** 2)
    spectrum *= (1.0 - np.sinc(frequency * detrended_mm)) ** 2
    lags = np.arange(0.0, 1.5, 0.01)
    correlation = np.array([spectrum @ np.cos(2.0 * math.pi * frequency * lag) for lag in lags])
    return float(lags[np.argmax(correlation < 0.5 * correlation[0])])


def test_the_expected_length_without_a_running_mean_is_the_closed_form():
    # exp(-lag^2 / 4 s^2) is one half at 2 s sqrt(ln 2)
    expected = 2.0 * 0.1 * math.sqrt(math.log(2.0))
    assert expected_texture_length_mm(0.1, 1e6) == pytest.approx(expected, abs=0.01)


@pytest.mark.parametrize("blur_mm", [0.05, 0.1, 0.2, 0.3, 0.7])
def test_texture_length_is_that_of_blurred_white_noise(blur_mm):
    step_mm = 0.02
    axial = np.arange(0.0, 120.0, step_mm)
    values = 0.3 * np.exp(0.05 * white_texture(axial, blur_mm))
    # The answer is a whole number of columns.
    assert texture_length_mm(values, step_mm) == pytest.approx(
        expected_texture_length_mm(blur_mm), abs=1.5 * step_mm
    )
