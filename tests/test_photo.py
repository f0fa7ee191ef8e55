"""Reading a photo: whatever a user may hand in is read or refused in one sentence."""

import hashlib
import os
import subprocess
import sys

import cv2
import numpy as np
import pytest
from PIL import Image

from bandscan.steps.photo import MAX_SIDE_PX, read_photo
from calib.errors import UnreadableFileError

ORIENTATION, MAKE, EXIF_IFD, TAKEN, FOCAL_35MM = 0x0112, 0x010F, 0x8769, 0x9003, 0xA405


@pytest.fixture(scope="module")
def grey() -> np.ndarray:
    rng = np.random.default_rng(5)
    coarse = rng.uniform(40.0, 220.0, (12, 16)).astype(np.float32)
    return cv2.resize(coarse, (640, 480), interpolation=cv2.INTER_CUBIC).clip(0, 255).astype("u1")


@pytest.fixture
def jpeg(tmp_path, grey):
    path = tmp_path / "shaft.jpg"
    exif = Image.Exif()
    exif[ORIENTATION] = 6
    exif[MAKE] = "Invented"
    exif.get_ifd(EXIF_IFD)[TAKEN] = "2026:05:04 10:11:12"
    exif.get_ifd(EXIF_IFD)[FOCAL_35MM] = 26
    Image.fromarray(grey).convert("RGB").save(path, quality=95, exif=exif)
    return path


def refused(path) -> str:
    with pytest.raises(UnreadableFileError) as caught:
        read_photo(path)
    assert caught.value.exit_status == 4
    assert caught.value.message.endswith(".")
    assert caught.value.remedy.endswith(".")
    return caught.value.message


def test_a_jpeg_is_read_in_sensor_order_with_what_exif_says(jpeg, grey):
    photo = read_photo(jpeg)
    assert (photo.width_px, photo.height_px, photo.orientation) == (640, 480, 6)
    assert photo.grey.dtype == np.uint8
    assert np.abs(photo.grey.astype(int) - grey).max() <= 6  # the loss of JPEG quality 95
    assert photo.taken == "2026-05-04T10:11:12"
    assert photo.identity.make == "Invented"
    assert photo.identity.focal_35mm == 26
    assert photo.sha256 == hashlib.sha256(jpeg.read_bytes()).hexdigest()


def test_kinds_of_picture_give_the_same_grey(tmp_path, grey):
    deep = grey.astype(np.uint16) * 257
    cv2.imwrite(str(tmp_path / "deep.png"), deep)
    cv2.imwrite(str(tmp_path / "deep.tif"), deep)
    cv2.imwrite(str(tmp_path / "plain.tif"), grey)
    cv2.imwrite(str(tmp_path / "plain.png"), cv2.merge([grey, grey, grey]))
    for name in ("deep.png", "deep.tif"):
        photo = read_photo(tmp_path / name)
        assert photo.grey.dtype == np.uint16
        np.testing.assert_array_equal(photo.grey, deep)
    for name in ("plain.tif", "plain.png"):
        np.testing.assert_array_equal(read_photo(tmp_path / name).grey, grey)


def test_a_cmyk_jpeg_is_read(tmp_path, grey):
    path = tmp_path / "cmyk.jpg"
    Image.fromarray(grey).convert("RGB").convert("CMYK").save(path, quality=95)
    assert np.abs(read_photo(path).grey.astype(int) - grey).max() <= 8


def test_a_photo_without_exif_has_no_identity(tmp_path, grey):
    path = tmp_path / "bare.jpg"
    cv2.imwrite(str(path), grey)
    photo = read_photo(path)
    assert (photo.orientation, photo.taken, photo.identity.make) == (1, None, None)


def test_heic_is_read_where_the_extra_is_installed(tmp_path, grey):
    heif = pytest.importorskip("pillow_heif")
    path = tmp_path / "phone.heic"
    heif.from_pillow(Image.fromarray(grey).convert("RGB")).save(path, quality=95)
    assert np.abs(read_photo(path).grey.astype(int) - grey).max() <= 12
    path.write_bytes(path.read_bytes()[:-2000])
    assert "damaged" in refused(path)


def test_without_the_extra_a_heic_photo_names_it(tmp_path, monkeypatch):
    path = tmp_path / "phone.heic"
    path.write_bytes(b"\x00\x00\x00\x18ftypheic" + bytes(1000))
    monkeypatch.setitem(sys.modules, "pillow_heif", None)
    assert "pillow-heif" in refused(path)


@pytest.mark.parametrize("kept", [0.1, 0.5, 0.95, 0.9999])
def test_a_truncated_photo_is_damaged(jpeg, kept):
    data = jpeg.read_bytes()
    jpeg.write_bytes(data[: int(kept * len(data))])
    assert "damaged" in refused(jpeg)


def test_a_photo_garbled_inside_is_damaged(jpeg):
    data = bytearray(jpeg.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 600] = np.random.default_rng(2).bytes(600)
    jpeg.write_bytes(bytes(data))
    assert "damaged" in refused(jpeg)


@pytest.mark.parametrize("name", ["cut.png", "cut.tif"])
def test_other_kinds_cut_short_are_damaged(tmp_path, grey, name):
    path = tmp_path / name
    cv2.imwrite(str(path), grey)
    path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    assert "damaged" in refused(path)


def test_what_is_no_photo(tmp_path):
    empty, text, noise = tmp_path / "empty.jpg", tmp_path / "text.jpg", tmp_path / "noise.jpg"
    empty.write_bytes(b"")
    text.write_text("The gearbox at leg 4 drips again.\n")
    noise.write_bytes(np.random.default_rng(1).bytes(5000))
    assert "empty" in refused(empty)
    assert "text file" in refused(text)
    assert "not a picture of a known kind" in refused(noise)
    assert "folder" in refused(tmp_path)
    assert "No such file" in refused(tmp_path / "absent.jpg")
    refused(tmp_path / "nul\0byte.jpg")


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_at_once(tmp_path):
    pipe = tmp_path / "pipe.jpg"
    os.mkfifo(pipe)
    assert "ordinary file" in refused(pipe)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_a_photo_that_may_not_be_read(jpeg):
    jpeg.chmod(0)
    assert "Permission denied" in refused(jpeg)


@pytest.mark.parametrize("size", [(1, 1), (60_000, 40), (60_000, 300), (150, 3000)])
def test_a_picture_of_impossible_size(tmp_path, size):
    path = tmp_path / "size.png"
    Image.new("L", size, 128).save(path)
    assert f"{size[0]} x {size[1]} pixels" in refused(path)


def test_a_huge_picture_is_refused_before_it_is_decoded(tmp_path, monkeypatch):
    path = tmp_path / "bomb.png"
    Image.new("1", (MAX_SIDE_PX, MAX_SIDE_PX - 10)).save(path)
    monkeypatch.setattr(cv2, "imdecode", lambda *_: pytest.fail("decoded"))
    assert "pixels" in refused(path)


def test_floating_point_pixels_are_refused(tmp_path, grey):
    path = tmp_path / "float.tif"
    cv2.imwrite(str(path), grey.astype(np.float32))
    assert "float32" in refused(path)


def test_a_raw_photo_is_refused(tmp_path, grey):
    path = tmp_path / "raw.dng"
    Image.fromarray(grey).save(path, format="TIFF", tiffinfo={0xC612: b"\x01\x04\x00\x00"})
    assert "raw photo" in refused(path)


def test_nothing_is_said_on_standard_error(jpeg):
    jpeg.write_bytes(jpeg.read_bytes()[:9000])
    code = (
        "import sys; from pathlib import Path\n"
        "from bandscan.steps.photo import read_photo\n"
        "try: read_photo(Path(sys.argv[1]))\n"
        "except Exception as error: print(type(error).__name__)\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code, str(jpeg)], capture_output=True, text=True, check=True
    )
    assert done.stdout.strip() == "UnreadableFileError"
    assert done.stderr == ""
