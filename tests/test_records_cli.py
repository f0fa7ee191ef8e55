"""The records' commands as a user runs them: batch, keep, find, export, import, privacy."""

import json
import shutil
import sqlite3
import zipfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from bandscan.cli import main
from tests.results import result

SAMPLES = Path(__file__).parents[1] / "sample_images"
SHAFT = "leg 1 / input shaft"
SECRETS = ("ZX-SERIAL-4711", "OWNER-SMYTH")
LATITUDE = (12.0, 34.0, 56.789)


def run(*arguments: object):
    return CliRunner().invoke(main, [str(argument) for argument in arguments])


def kept(folder: Path, names=("a", "b")) -> Path:
    """A records file with made-up results."""
    records = folder / "records.sqlite"
    for name in names:
        path = folder / f"{name}.json"
        path.write_text(json.dumps(result(name)), encoding="utf-8")
        assert run("keep", path, "--shaft", SHAFT, "--records", records).exit_code == 0
    return records


@pytest.fixture(scope="module")
def photo(tmp_path_factory) -> Path:
    """A sample photo whose EXIF tells where it was taken, with what, and by whom."""
    path = tmp_path_factory.mktemp("photo") / "input shaft.jpg"
    with Image.open(SAMPLES / "elevator_01_rule_level.jpg") as picture:
        exif = picture.getexif()
        exif[0x013B] = SECRETS[1]  # artist
        exif.get_ifd(0x8769)[0xA431] = SECRETS[0]  # body serial number
        exif.get_ifd(0x8825).update({1: "N", 2: LATITUDE, 3: "E", 4: LATITUDE})
        picture.save(path, quality="keep", exif=exif)
    return path


def test_a_folder_is_measured_kept_and_gone_on_with(photo, tmp_path):
    folder = tmp_path / "photos"
    folder.mkdir()
    shutil.copy(photo, folder / "one ü.jpg")
    (folder / "text.jpg").write_text("no photo")
    asked = ("batch", folder, "--diameter", "34.99", "--keep", "--shaft", SHAFT, "--processes", 1)
    first = run(*asked, "--records", tmp_path / "r.sqlite")
    assert "measured    1" in first.output
    assert "refused     1" in first.output
    out = tmp_path / "photos-bandscan"
    assert {"one ü.json", "text.json", "summary.csv", "contact-sheet-01.jpg"} <= {
        path.name for path in out.iterdir()
    }
    made = (out / "one ü.json").stat().st_mtime_ns
    again = run(*asked, "--records", tmp_path / "r.sqlite")
    assert (out / "one ü.json").stat().st_mtime_ns == made
    assert "0 of them new" in again.output
    assert "1 inspection" in run("find", "--records", tmp_path / "r.sqlite").output


def test_place_serial_number_and_owner_go_nowhere(photo, tmp_path):
    """EXIF tags of Exif 2.32 (CIPA DC-008): GPS, BodySerialNumber, Artist."""
    records = tmp_path / "r.sqlite"
    out = tmp_path / "out"
    measured = run(
        "measure", photo, "--diameter", "34.99", "--out", out, "--json", tmp_path / "r.json"
    )
    assert measured.exit_code in (0, 3), measured.output
    assert run("keep", tmp_path / "r.json", "--shaft", SHAFT, "--records", records).exit_code == 0
    for name in ("o.zip", "o.csv", "o.jsonl"):
        assert run("export", tmp_path / name, "--records", records).exit_code == 0
    pages = (tmp_path / "page.html", tmp_path / "page.pdf")
    for page in pages:
        assert run("report", tmp_path / "r.json", "--photo", photo, "-o", page).exit_code == 0
    with zipfile.ZipFile(tmp_path / "o.zip") as archive:
        archive.extractall(tmp_path / "unpacked")
    written = [path for path in tmp_path.rglob("*") if path.is_file()]
    assert len(written) > 8
    for path in written:
        data = path.read_bytes()
        for secret in SECRETS:
            assert secret.encode() not in data, path.name
            assert secret.encode("utf-16-le") not in data, path.name
        if path.suffix == ".jpg":
            with Image.open(path) as picture:
                assert not picture.getexif().get_ifd(0x8825), path.name
    with sqlite3.connect(records) as file:
        dump = "\n".join(file.iterdump())
    assert "56.789" not in dump


def test_a_zip_is_merged_once_on_another_machine(tmp_path):
    records = kept(tmp_path)
    archive, other = tmp_path / "o.zip", tmp_path / "other.sqlite"
    assert run("export", archive, "--records", records).exit_code == 0
    first, second = (run("import", archive, "--records", other) for _ in range(2))
    assert "2 kept" in first.output
    assert "0 kept" in second.output
    assert "2 already kept" in second.output


@pytest.mark.parametrize("harm", ["cut", "empty", "folder", "strange"])
def test_a_zip_that_is_none_is_a_sentence_and_nothing_is_kept(tmp_path, harm):
    records = kept(tmp_path)
    archive = tmp_path / "o.zip"
    run("export", archive, "--records", records)
    data = archive.read_bytes()
    if harm == "cut":
        archive.write_bytes(data[: len(data) // 2])
    elif harm == "empty":
        archive.write_bytes(b"")
    elif harm == "folder":
        archive.unlink()
        archive.mkdir()
    else:
        with zipfile.ZipFile(archive, "w") as strange:
            strange.writestr("../../outside.txt", "x")
    told = run("import", archive, "--records", tmp_path / "other.sqlite")
    assert told.exit_code == 4
    assert "Traceback" not in told.output
    assert len(told.output.strip().splitlines()) <= 2
    assert not (tmp_path.parent / "outside.txt").exists()


def test_a_damaged_file_is_told_and_rescued(tmp_path):
    records = kept(tmp_path, names=[str(k) for k in range(40)])
    data = bytearray(records.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 6000] = b"\xff" * 6000
    records.write_bytes(bytes(data))
    told = run("find", "--records", records)
    assert told.exit_code in (0, 4)
    rescued = [path for path in tmp_path.iterdir() if path.suffix == ".sqlite" and path != records]
    assert "damaged" in told.output or rescued, told.output
    assert "Traceback" not in told.output
