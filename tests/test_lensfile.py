"""The lens file: written and read back, OpenCV's own files, damage, and the photo it fits."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from calib.camera import Camera
from calib.errors import LensMismatchError, MeasureError, UnreadableFileError
from calib.lens import CameraIdentity, LensCalibration
from calib.lensfile import (
    UNSTATED_FOCAL_RELATIVE_U,
    lens_for_photo,
    read_lens,
    write_lens,
)

IDENTITY = CameraIdentity(
    make="Benchmark", model='Model "é" \\ 5', lens_model="Main", focal_mm=5.6, focal_35mm=26.0
)
CAMERA = Camera(
    width_px=4032, height_px=3024, fx_px=3026.5, fy_px=3027.25, cx_px=2025.125, cy_px=1504.0,
    distortion=(0.046, -0.058, 0.00042, -0.00031, 0.0149),
)  # fmt: skip
MATRIX = np.array([[3026.5, 0.0, 2025.125], [0.0, 3027.25, 1504.0], [0.0, 0.0, 1.0]])


def some_lens():
    rng = np.random.default_rng(1)
    sizes = np.array([1.0, 1.0, 1.0, 1.0, 1e-3, 5e-3, 1e-5, 1e-5, 1e-2])
    mixing = rng.normal(size=(9, 9)) * sizes[:, None]
    return LensCalibration(
        camera=CAMERA, covariance=mixing @ mixing.T, source="file", identity=IDENTITY,
        reprojection_rms_px=0.21,
    )  # fmt: skip


@pytest.fixture
def lens_file(tmp_path):
    path = tmp_path / "lens.json"
    write_lens(path, some_lens())
    return path


def opencv_file(tmp_path, ending, coefficients, **more):
    """A calibration as OpenCV's sample writes it."""
    path = tmp_path / f"camera{ending}"
    storage = cv2.FileStorage(str(path), cv2.FILE_STORAGE_WRITE)
    storage.write("image_width", 4032)
    storage.write("image_height", 3024)
    storage.write("camera_matrix", MATRIX)
    storage.write("distortion_coefficients", np.array(coefficients, dtype=float).reshape(-1, 1))
    storage.write("avg_reprojection_error", 0.4)
    for key, value in more.items():
        storage.write(key, value)
    storage.release()
    return path


def test_what_was_written_is_read_back(lens_file):
    read, lens = read_lens(lens_file), some_lens()
    assert read.camera == lens.camera
    assert read.identity == lens.identity
    assert read.source == "file"
    assert read.reprojection_rms_px == lens.reprojection_rms_px
    np.testing.assert_array_equal(read.covariance, lens.covariance)


def test_opencv_reads_the_lens_file(lens_file):
    storage = cv2.FileStorage(str(lens_file), cv2.FILE_STORAGE_READ)
    assert storage.getNode("image_width").real() == 4032
    np.testing.assert_array_equal(storage.getNode("camera_matrix").mat(), MATRIX)
    coefficients = storage.getNode("distortion_coefficients").mat()
    assert coefficients.shape == (5, 1)
    np.testing.assert_array_equal(coefficients.ravel(), CAMERA.distortion)
    std = storage.getNode("parameter_std").mat().ravel()
    np.testing.assert_allclose(std**2, np.diag(some_lens().covariance))
    assert storage.getNode("avg_reprojection_error").real() == 0.21
    assert storage.getNode("camera").getNode("lens_model").string() == "Main"


@pytest.mark.parametrize("ending", [".yml", ".xml", ".json"])
def test_a_file_of_opencvs_sample_is_read_with_a_wide_uncertainty(tmp_path, ending, capfd):
    read = read_lens(opencv_file(tmp_path, ending, CAMERA.distortion))
    assert read.camera == CAMERA
    assert read.reprojection_rms_px == 0.4
    u = np.sqrt(np.diag(read.covariance))
    assert u[0] == pytest.approx(UNSTATED_FOCAL_RELATIVE_U * CAMERA.fx_px)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("size", [4, 5, 8, 14])
def test_short_and_padded_coefficients_are_read(tmp_path, size):
    given_ = np.zeros(size)
    given_[:4] = CAMERA.distortion[:4]
    read = read_lens(opencv_file(tmp_path, ".yml", given_))
    assert read.camera.distortion == (*CAMERA.distortion[:4], 0.0)


def test_a_rational_or_fisheye_model_is_refused(tmp_path):
    with pytest.raises(UnreadableFileError, match="8 coefficients"):
        read_lens(opencv_file(tmp_path, ".yml", [0.1] * 8))
    with pytest.raises(UnreadableFileError, match="fisheye"):
        read_lens(opencv_file(tmp_path, ".yml", [0.1] * 4, fisheye_model=1))


def test_deviations_without_covariance_are_used(lens_file):
    content = json.loads(lens_file.read_text())
    del content["covariance"]
    lens_file.write_text(json.dumps(content))
    expected = np.diag(np.diag(some_lens().covariance))
    np.testing.assert_allclose(read_lens(lens_file).covariance, expected)


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("image_width", 0),
        ("image_width", "4032"),
        ("image_height", None),
        ("camera_matrix", 3),
        ("camera_matrix", {"rows": 3, "cols": 3, "data": [1.0] * 9}),
        ("camera_matrix", {"rows": 3, "cols": 3, "data": [1.0] * 8}),
        ("camera_matrix", {"rows": 3, "cols": 3, "data": [float("nan")] * 9}),
        ("distortion_coefficients", None),
        ("distortion_coefficients", {"rows": 0, "cols": 1, "data": []}),
        ("covariance", {"rows": 3, "cols": 3, "data": [1.0] * 9}),
        ("parameter_std", {"rows": 10**9, "cols": 10**9, "data": [1.0]}),
    ],
)
def test_a_wrong_value_is_refused(lens_file, key, value):
    content = json.loads(lens_file.read_text())
    content[key] = value
    lens_file.write_text(json.dumps({k: v for k, v in content.items() if v is not None}))
    with pytest.raises(UnreadableFileError) as refused:
        read_lens(lens_file)
    assert refused.value.remedy


@pytest.mark.parametrize("ending", [".yml", ".xml", ".json"])
def test_damage_never_escapes(tmp_path, ending, capfd):
    whole = opencv_file(tmp_path, ending, CAMERA.distortion).read_bytes()
    path = tmp_path / f"damaged{ending}"
    rng = np.random.default_rng(1)
    for _ in range(60):
        data = bytearray(whole[: rng.integers(len(whole))])
        for at in rng.integers(0, max(len(data), 1), 3):
            data[at : at + 1] = bytes([rng.integers(256)])
        path.write_bytes(data)
        try:
            read_lens(path)
        except MeasureError as error:
            assert error.exit_status == 4
    assert capfd.readouterr().err == ""


@pytest.mark.parametrize("content", [b"", b"{}", b"[]", b'{"a": [', b"\xff\xd8\xff\xe0", b"hello"])
def test_what_is_no_lens_file_is_refused(tmp_path, content, capfd):
    path = tmp_path / "lens.json"
    path.write_bytes(content)
    with pytest.raises(UnreadableFileError, match=r"lens\.json"):
        read_lens(path)
    assert capfd.readouterr().err == ""


def test_a_missing_file_a_folder_and_an_unwritable_place_are_refused(tmp_path):
    with pytest.raises(UnreadableFileError, match="No such file"):
        read_lens(tmp_path / "none.json")
    with pytest.raises(UnreadableFileError):
        read_lens(tmp_path)
    with pytest.raises(UnreadableFileError, match="cannot be written"):
        write_lens(tmp_path / "no folder" / "lens.json", some_lens())


def test_the_same_size_is_left_alone():
    lens = some_lens()
    assert lens_for_photo(lens, IDENTITY, 4032, 3024) is lens


@given(scale=st.floats(0.1, 2.0))
@settings(max_examples=30, deadline=None)
def test_a_resized_copy_sees_the_same_rays_with_the_same_doubt(scale):
    lens = some_lens()
    width, height = round(4032 * scale), round(3024 * scale)
    resized = lens_for_photo(lens, IDENTITY, width, height)
    places = np.array([[0.1, 0.2], [0.5, 0.5], [0.9, 0.7]])
    seen = resized.camera.undistort(places * (width, height) - 0.5)
    np.testing.assert_allclose(seen, CAMERA.undistort(places * (4032, 3024) - 0.5), atol=1e-12)
    relative = np.sqrt(np.diag(resized.covariance))[:2] / resized.camera.parameters[:2]
    expected = np.sqrt(np.diag(lens.covariance))[:2] / CAMERA.parameters[:2]
    np.testing.assert_allclose(relative, expected)


@pytest.mark.parametrize("code", [cv2.ROTATE_90_CLOCKWISE, cv2.ROTATE_90_COUNTERCLOCKWISE])
def test_a_quarter_turned_copy_is_within_the_widened_doubt(code):
    """The rays of either turn, from `cv2.rotate`, lie one added deviation from the lens's."""
    lens = replace(some_lens(), covariance=np.zeros((9, 9)))
    turned = lens_for_photo(lens, IDENTITY, 3024, 4032)
    index = np.arange(4032 * 3024).reshape(3024, 4032)
    moved = cv2.rotate(index.astype(np.float64), code).astype(int)
    pixels = np.array([[300, 400], [1500, 2000], [2900, 3900], [100, 3500]])
    source = moved[pixels[:, 1], pixels[:, 0]]
    x, y = CAMERA.undistort(np.column_stack([source % 4032, source // 4032])).T
    clockwise = code == cv2.ROTATE_90_CLOCKWISE
    truth = np.column_stack([-y, x] if clockwise else [y, -x])
    values, vectors = np.linalg.eigh(turned.covariance)
    assert np.count_nonzero(values > 1e-9 * values[-1]) == 1
    change = vectors[:, -1] * np.sqrt(values[-1])
    misses = [
        np.abs(turned.camera.shifted(sign * change).undistort(pixels) - truth).max()
        for sign in (1.0, -1.0)
    ]
    assert min(misses) < 1e-9
    assert np.abs(turned.camera.undistort(pixels) - truth).max() > 1e-4


@pytest.mark.parametrize(
    ("photo", "size", "said"),
    [
        ({"model": "Other"}, (4032, 3024), "'Other'"),
        ({"make": "Other"}, (4032, 3024), "'Other'"),
        ({"lens_model": "Tele"}, (4032, 3024), "'Tele'"),
        ({"focal_mm": 9.0}, (4032, 3024), "9 mm, the lens file is for 5.6 mm"),
        ({"focal_35mm": 52.0}, (4032, 3024), "52 mm, the lens file is for 26 mm"),
        ({"digital_zoom": 2.0}, (4032, 3024), "digital zoom 2"),
        ({}, (4032, 2268), "4032 x 2268"),
        ({}, (3024, 3024), "3024 x 3024"),
    ],
)
def test_a_photo_that_does_not_fit_is_refused_with_the_difference(photo, size, said):
    with pytest.raises(LensMismatchError) as refused:
        lens_for_photo(some_lens(), replace(IDENTITY, **photo), *size)
    assert said in refused.value.message
    assert refused.value.exit_status == 4


@pytest.mark.parametrize(("longer", "fits"), [(0.0, True), (0.035, True), (0.08, False)])
def test_a_lens_file_of_no_camera_must_have_the_focal_length_of_exif(longer, fits):
    """26 mm against the 43.27 mm of a 36 mm x 24 mm frame (CIPA DCG-001): 3029 px of 4032 x 3024.

    A thin lens of 5.6 mm at 0.165 m stands 3.5 % further out than at infinity.
    """
    focal_px = 26.0 / np.hypot(36.0, 24.0) * np.hypot(4032, 3024) * (1.0 + longer)
    camera = replace(CAMERA, fx_px=focal_px, fy_px=focal_px)
    lens = replace(some_lens(), camera=camera, identity=CameraIdentity())
    if fits:
        assert lens_for_photo(lens, IDENTITY, 4032, 3024) is lens
        return
    with pytest.raises(LensMismatchError) as refused:
        lens_for_photo(lens, IDENTITY, 4032, 3024)
    assert "35 mm equivalent 26.0 mm, the lens file has 28.1 mm" in refused.value.message


def test_a_focal_length_in_exif_that_no_lens_has_is_not_held_against_a_lens_file():
    lens = replace(some_lens(), identity=CameraIdentity())
    assert lens_for_photo(lens, replace(IDENTITY, focal_35mm=0.26), 4032, 3024) is lens


def test_what_exif_does_not_tell_is_not_held_against_a_photo():
    lens = some_lens()
    assert lens_for_photo(lens, CameraIdentity(), 4032, 3024) is lens
    rounded = replace(IDENTITY, focal_mm=5.59, model='MODEL "É" \\ 5 ')
    assert lens_for_photo(lens, rounded, 4032, 3024) is lens
