"""The header of a photo: what is read, and that damage leaves it unknown."""

import numpy as np
import pytest
from PIL import ExifTags, Image, TiffImagePlugin

from calib.errors import UnreadableFileError
from calib.exif import read_header, read_identity

BASE = ExifTags.Base


def photo(path, main=(), detail=(), size=(40, 30)):
    image = Image.new("L", size)
    exif = Image.Exif()
    exif.update(main)
    exif.get_ifd(ExifTags.IFD.Exif).update(detail)
    image.save(path, exif=exif)
    return path


def rational(over, under):
    return TiffImagePlugin.IFDRational(over, under)


def test_camera_time_and_orientation_are_read(tmp_path):
    path = photo(
        tmp_path / "a.jpg",
        {BASE.Make: "Bench ", BASE.Model: "C-1\0\0", BASE.Orientation: 6},
        {
            BASE.DateTimeOriginal: "2026:05:04 10:11:12",
            BASE.LensModel: "Main",
            BASE.FocalLength: rational(56, 10),
            BASE.FocalLengthIn35mmFilm: 26,
            BASE.DigitalZoomRatio: rational(2, 1),
            BASE.ExifImageWidth: 3024,
            BASE.ExifImageHeight: 4032,
        },
    )
    header = read_header(path)
    assert (header.width_px, header.height_px, header.orientation) == (40, 30, 6)
    assert header.taken == "2026-05-04T10:11:12"
    identity = header.identity
    assert (identity.make, identity.model, identity.lens_model) == ("Bench", "C-1", "Main")
    assert (identity.focal_mm, identity.focal_35mm, identity.digital_zoom) == (5.6, 26.0, 2.0)
    assert identity.taken_px == (4032, 3024)
    with Image.open(path) as image:
        assert read_identity(image) == identity


def test_impossible_values_read_as_unknown(tmp_path):
    path = photo(
        tmp_path / "a.jpg",
        {BASE.Orientation: 9, BASE.Model: "   "},
        {
            BASE.DateTimeOriginal: "0000:00:00 00:00:00",
            BASE.FocalLength: rational(0, 0),
            BASE.FocalLengthIn35mmFilm: 0,
            BASE.DigitalZoomRatio: rational(0, 10),  # EXIF 2.3: 0 means no digital zoom
            BASE.ExifImageWidth: 0,
            BASE.ExifImageHeight: 3024,
        },
    )
    header = read_header(path)
    assert header.orientation == 1
    assert header.taken is None
    assert header.identity == read_identity(photo(tmp_path / "plain.png"))
    assert header.identity.focal_mm is None


def test_damaged_exif_is_no_error(tmp_path):
    whole = photo(tmp_path / "a.jpg", {BASE.Model: "C-1"}, {BASE.FocalLength: rational(5, 1)})
    data = whole.read_bytes()
    start = data.index(b"Exif")
    rng = np.random.default_rng(1)
    for _ in range(100):
        broken = bytearray(data)
        for at in rng.integers(start, start + 90, 4):
            broken[at] = rng.integers(256)
        path = tmp_path / "broken.jpg"
        path.write_bytes(broken)
        try:
            assert read_header(path).width_px == 40
        except UnreadableFileError as error:
            assert error.remedy


@pytest.mark.parametrize("content", [b"", b"\xff\xd8\xff", b"no picture", b"P5\n-1 -1\n255\n"])
def test_what_is_no_picture_is_refused(tmp_path, content):
    path = tmp_path / "photo.jpg"
    path.write_bytes(content)
    with pytest.raises(UnreadableFileError, match=r"photo\.jpg"):
        read_header(path)


def test_a_missing_file_and_a_folder_are_refused(tmp_path):
    with pytest.raises(UnreadableFileError, match="No such file"):
        read_header(tmp_path / "none.jpg")
    with pytest.raises(UnreadableFileError):
        read_header(tmp_path)
