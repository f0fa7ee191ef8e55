"""The records' commands as a user runs them: batch, keep, find, export, import, privacy."""

import base64
import hashlib
import io
import json
import re
import shutil
import sqlite3
import zipfile
import zlib
from pathlib import Path

import pytest
from click.testing import CliRunner
from PIL import Image

from bandscan.cli import batching, main
from tests.results import result

SAMPLES = Path(__file__).parents[1] / "sample_images"
SHAFT = "leg 1 / input shaft"
SECRETS = ("ZX-SERIAL-4711", "LENS-0815", "OWNER-SMYTH", "HOLDER-0042", "56.789")
XMP = (
    '<x:xmpmeta xmlns:x="adobe:ns:/"><exif:GPSLatitude>12,34,56.789N</exif:GPSLatitude></x:xmpmeta>'
)
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
        exif[0x013B] = SECRETS[2]  # artist
        camera = exif.get_ifd(0x8769)
        camera[0xA431], camera[0xA435] = SECRETS[:2]  # serial numbers of body and lens
        camera[0xA430] = SECRETS[3]  # owner of the camera
        exif.get_ifd(0x8825).update({1: "N", 2: LATITUDE, 3: "E", 4: LATITUDE})
        picture.save(path, quality="keep", exif=exif, xmp=XMP.encode())
    return path


def parts(data: bytes) -> list[bytes]:
    """A file, and what is packed in it: pictures of a page, streams of a PDF."""
    found = [data]
    found += [base64.b64decode(part) for part in re.findall(rb"base64,([A-Za-z0-9+/=]+)", data)]
    for stream in re.findall(rb"stream\r?\n(.*?)endstream", data, re.DOTALL):
        found.append(stream)
        ascii85 = stream.strip().removesuffix(b"~>")
        for raw in (stream, base64.a85decode(ascii85) if stream.strip().endswith(b"~>") else b""):
            unpacked = zlib.decompressobj()
            try:
                found.append(unpacked.decompress(raw))
            except zlib.error:
                found.append(raw)
    return found


def told(data: bytes) -> set[str]:
    """What of the planted secrets is in a file; a place also as the tags of a picture in it."""
    found = set()
    for part in parts(data):
        for secret in SECRETS:
            if secret.encode() in part or secret.encode("utf-16-le") in part:
                found.add(secret)
        if part.startswith(b"\xff\xd8"):
            with Image.open(io.BytesIO(part)) as picture:
                exif = picture.getexif()
                if exif.get_ifd(0x8825):
                    found.add("place")
                if len(exif) or "xmp" in picture.info:
                    found.add("tags")
    return found


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
    other = tmp_path / "other.sqlite"
    assert run("import", tmp_path / "o.zip", "--records", other).exit_code == 0
    with sqlite3.connect(other) as file:
        ((jpeg,),) = file.execute("SELECT jpeg FROM reduced_photo").fetchall()
    (tmp_path / "kept.jpg").write_bytes(jpeg)
    assert told(photo.read_bytes()) == {*SECRETS, "place", "tags"}  # it would be seen
    written = [path for path in tmp_path.rglob("*") if path.is_file()]
    kinds = {path.suffix for path in written}
    assert {".json", ".jpg", ".sqlite", ".zip", ".csv", ".jsonl", ".html", ".pdf"} <= kinds
    assert {path.name: told(path.read_bytes()) for path in written} == {
        path.name: set() for path in written
    }
    assert any(part.startswith(b"\xff\xd8") for part in parts(pages[0].read_bytes()))
    assert any(part.startswith(b"\xff\xd8") for part in parts(pages[1].read_bytes()))


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


def edited(archive: Path, measurement=None, document=None, picture=None, **manifest) -> None:
    """Change an export, its hashes with it."""
    with zipfile.ZipFile(archive) as old:
        items = {name: old.read(name) for name in old.namelist()}
    whole = json.loads(items["manifest.json"])
    changed = json.loads(items["records.jsonl"])
    changed["measurement"]["photo"] |= measurement or {}
    changed |= document or {}
    line = (json.dumps(changed) + "\n").encode()
    items["records.jsonl"] = line
    digest = hashlib.sha256(line).hexdigest()
    whole["records_sha256"] = hashlib.sha256(digest.encode()).hexdigest()
    if picture is not None:
        name = "../../outside.jpg"
        items[name] = picture
        sha256 = changed["measurement"]["photo"]["sha256"]
        own = hashlib.sha256(picture).hexdigest()
        whole["photos"] = [{"file": name, "photo_sha256": sha256, "sha256": own, "orientation": 1}]
    items["manifest.json"] = json.dumps(whole | manifest).encode()
    with zipfile.ZipFile(archive, "w") as new:
        for name, data in items.items():
            new.writestr(name, data)


@pytest.mark.parametrize(
    ("changes", "named"),
    [
        ({"measurement": {"file": ["x"]}}, "file"),
        ({"document": {"taken": 20260504}}, "taken"),
        ({"document": {"by": "\ud800"}}, "surrogates"),
        ({"inspections": "many"}, "inspections"),
        ({"picture": b"photo,start_mm"}, "no JPEG"),
    ],
)
def test_an_export_that_was_edited_is_a_sentence(tmp_path, changes, named):
    records = kept(tmp_path, names=["a"])
    archive = tmp_path / "o.zip"
    run("export", archive, "--records", records)
    edited(archive, **changes)
    told = run("import", archive, "--records", tmp_path / "other.sqlite")
    assert told.exit_code == 4, told.output
    assert named in told.output
    assert run("find", "--records", tmp_path / "other.sqlite").output.startswith("0 inspections")


def test_a_picture_with_tags_is_not_imported_nor_written_where_a_zip_says(photo, tmp_path):
    folder = tmp_path / "deep" / "folder"
    folder.mkdir(parents=True)
    records = kept(folder, names=["a"])
    archive = folder / "o.zip"
    run("export", archive, "--records", records)
    edited(archive, picture=photo.read_bytes())
    refused = run("import", archive, "--records", folder / "other.sqlite")
    assert "holds more than a picture" in refused.output
    bare = io.BytesIO()
    Image.new("RGB", (64, 48)).save(bare, "JPEG")
    edited(archive, picture=bare.getvalue())
    assert run("import", archive, "--records", folder / "other.sqlite").exit_code == 0
    assert not list(tmp_path.rglob("outside.jpg"))


def test_records_that_are_a_folder_or_of_another_kind_leave_no_trace(tmp_path):
    result_file = tmp_path / "a.json"
    result_file.write_text(json.dumps(result("a")), encoding="utf-8")
    place = tmp_path / "place"
    place.mkdir()
    (place / "letter.txt").write_text("no records, but a letter of some length")
    for records in (place, Path(), place / "letter.txt"):
        refused = run("keep", result_file, "--shaft", SHAFT, "--records", records)
        assert refused.exit_code == 4, refused.output
        assert len(refused.stderr.strip().splitlines()) == 1
    assert [path.name for path in place.iterdir()] == ["letter.txt"]


@pytest.mark.parametrize("name", ["-dash.json", "we ird;'q$%.json", "ü\u4e2d\U0001f600.json"])
def test_odd_names_of_files_and_shafts_are_kept_and_found(tmp_path, name):
    path, records = tmp_path / name, tmp_path / "r.sqlite"
    path.write_text(json.dumps(result("a")), encoding="utf-8")
    shaft = "leg'; DROP TABLE photo;-- / <b>%_"
    assert run("keep", path, "--shaft", shaft, "--records", records).exit_code == 0
    assert shaft in run("find", "--records", records).output
    assert run("find", "--machine", "nobody%", "--records", records).output.startswith("0 insp")


def test_an_interrupted_batch_goes_on(photo, tmp_path, monkeypatch):
    folder, records = tmp_path / "photos", tmp_path / "r.sqlite"
    folder.mkdir()
    shutil.copy(photo, folder / "a.jpg")
    (folder / "broken.jpg").write_bytes(photo.read_bytes()[:60_000])
    (folder / "notes.jpg").write_text("no photo")
    asked = ("batch", folder, "--diameter", "34.99", "--keep", "--shaft", SHAFT, "--processes", 1)
    real = batching.run_crew

    def interrupted(*work):
        for number, done in enumerate(real(*work)):
            if number == 1:
                raise KeyboardInterrupt
            yield done

    monkeypatch.setattr(batching, "run_crew", interrupted)
    first = run(*asked, "--records", records)
    assert first.exit_code == 130
    assert "1 of 3 photos are done and on disk" in first.stderr
    monkeypatch.undo()
    out = tmp_path / "photos-bandscan"
    before = {path.name: path.stat().st_mtime_ns for path in out.iterdir() if path.stem == "a"}
    second = run(*asked, "--records", records)
    assert second.exit_code == 4
    assert "measured    1" in second.output
    assert "unreadable        2: broken.jpg, notes.jpg" in second.output
    assert {name: (out / name).stat().st_mtime_ns for name in before} == before
    assert "1 inspection" in run("find", "--records", records).output


def test_a_damaged_file_is_told_and_rescued(tmp_path):
    records = kept(tmp_path, names=[str(k) for k in range(40)])
    data = bytearray(records.read_bytes())
    middle = len(data) // 2
    data[middle : middle + 6000] = b"\xff" * 6000
    records.write_bytes(bytes(data))
    damaged = bytes(data)
    told = run("find", "--records", records)
    assert told.exit_code == 0, told.output
    assert "40 inspections and" in told.stderr, told.stderr
    assert re.search(r"of \d+ the band positions only\) and none known to be lost", told.stderr)
    assert "40 inspections found" in told.stdout
    copies = [copy.read_bytes() for copy in tmp_path.glob("records.sqlite.damaged-*")]
    assert damaged in copies  # beside its log
    assert "is damaged" not in run("find", "--records", records).output
