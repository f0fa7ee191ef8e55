"""The records file: what is kept, twice, by two, on a full disk, by another version."""

import dataclasses
import json
import os
import resource
import sqlite3
import subprocess
import sys
import threading
from pathlib import Path

import pytest

from bandscan.records import open_records, schema, shaft_history, shaft_wear, store
from bandscan.records.document import MEASUREMENT_SCHEMA
from bandscan.records.errors import NotKeptError, RecordsError
from bandscan.records.find import Search, find
from bandscan.records.keep import Keeping, keep_measurement, read_objects
from bandscan.records.names import ShaftName
from bandscan.records.place import default_place
from bandscan.records.put import Outcome
from calib.errors import UnreadableFileError
from tests.results import band, result

LEG_4 = Keeping(name=ShaftName.parse("leg 4 / input shaft"), by="bench")


@pytest.fixture
def records(tmp_path):
    with open_records(tmp_path / "records.sqlite", create=True) as opened:
        yield opened


def keep(records, measurement, keeping=LEG_4):
    return keep_measurement(records, measurement, Path("nowhere") / "result.json", keeping).outcome


def integrity(path):
    """SQLite's own verdict, on a connection that is not bandscan's."""
    connection = sqlite3.connect(path)
    try:
        assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
        return connection.execute("PRAGMA integrity_check").fetchone()[0]
    finally:
        connection.close()


def test_what_is_kept_comes_back_whole(records):
    measured = result("leg4", taken="2026-05-04T10:11:12", file="/home/someone/photos/leg4.jpg")
    measured["corrections"] = [{"what": "band 1 end", "automatic": 15.9, "corrected": 15.7}]
    keep(records, measured, dataclasses.replace(LEG_4, notes=("drips since spring",)))
    (kept,) = shaft_history(records, "leg 4 / input shaft")
    measured["photo"]["file"] = "leg4.jpg"  # the folder stays behind
    assert kept.measurement == measured
    assert (kept.machine, kept.shaft, kept.by) == ("leg 4", "input shaft", "bench")
    assert kept.taken == kept.at == "2026-05-04T10:11:12"
    assert kept.note == "drips since spring"
    assert kept.landing == measured["landing"]
    assert kept.overrides == tuple(measured["corrections"])
    assert kept.photo_jpeg is None


def test_the_file_keeps_to_the_log_and_syncs_every_commit(records):
    """SQLite documentation, pragma synchronous: FULL (2) is durable in WAL mode."""
    pragma = {
        name: records.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys", "busy_timeout")
    }
    assert pragma == {
        "journal_mode": "wal", "synchronous": 2, "foreign_keys": 1, "busy_timeout": 30_000,
    }  # fmt: skip


def test_the_same_photo_and_settings_are_not_kept_twice(records):
    assert keep(records, result("a")) is Outcome.KEPT
    assert keep(records, result("a")) is Outcome.ALREADY
    moved = result("a", file="/elsewhere/renamed.jpg")
    assert keep(records, moved) is Outcome.ALREADY
    assert len(shaft_history(records, "input shaft")) == 1
    other = result("a")
    other["settings"]["diameter_mm"] = 44.9
    assert keep(records, other) is Outcome.KEPT
    corrected = result("a", corrections=[{"what": "band 1 end", "corrected": 15.7}])
    assert keep(records, corrected) is Outcome.KEPT
    assert keep(records, corrected) is Outcome.ALREADY


def test_a_result_without_settings_is_known_by_its_content(records):
    bare = result("a")
    del bare["settings"], bare["program"]
    assert keep(records, bare) is Outcome.KEPT
    assert keep(records, {**bare, "landing": None}) is Outcome.ALREADY
    assert keep(records, {**bare, "bands": []}) is Outcome.KEPT


def test_a_lens_file_counts_by_its_content_and_a_seal_not_at_all(records):
    first = result("a")
    first["settings"]["lens"] = {"file": "lens.json", "sha256": "1" * 64}
    keep(records, first)
    renamed = result("a")
    renamed["settings"]["lens"] = {"file": "phone.json", "sha256": "1" * 64}
    renamed["settings"]["seal"] = {"file": "seal.toml", "sha256": "2" * 64}
    assert keep(records, renamed) is Outcome.ALREADY
    recalibrated = result("a")
    recalibrated["settings"]["lens"] = {"file": "lens.json", "sha256": "3" * 64}
    assert keep(records, recalibrated) is Outcome.KEPT


def test_what_is_new_about_a_kept_result_is_added(records):
    keep(records, result("a", landing=None))
    with_landing = result("a")
    noted = dataclasses.replace(LEG_4, notes=("second look",), by="inspector")
    assert keep(records, with_landing, noted) is Outcome.ADDED
    assert keep(records, with_landing, noted) is Outcome.ALREADY
    (kept,) = shaft_history(records, "input shaft")
    assert kept.landing == with_landing["landing"]
    assert kept.note == "second look"
    assert kept.by == "bench"  # who kept it first
    found, _ = find(records, Search(verdict="fresh"))
    assert len(found) == 1


def test_a_result_under_another_shaft_is_not_kept_again_but_can_be_moved(records):
    keep(records, result("a"))
    leg_5 = Keeping(name=ShaftName.parse("leg 5 / input shaft"), by="bench")
    with pytest.raises(NotKeptError, match="kept already, under leg 4 / input shaft"):
        keep(records, result("a"), leg_5)
    assert keep(records, result("a"), dataclasses.replace(leg_5, move=True)) is Outcome.ADDED
    assert len(shaft_history(records, "leg 5 / input shaft")) == 1
    assert shaft_history(records, "leg 4 / input shaft") == ()


def test_a_refusal_is_not_kept_and_why(records):
    refused = result("a", refusal={"code": "no-scale", "message": "None.", "remedy": "Lay one."})
    with pytest.raises(NotKeptError, match=r"a\.jpg was not measured \(no-scale\)"):
        keep(records, refused)


def test_names_meet_whatever_their_case_and_blanks(records):
    keep(records, result("a"), Keeping(name=ShaftName.parse("Leg 4/Input  Shaft"), by="x"))
    keep(records, result("b"), Keeping(name=ShaftName.parse("input shaft", "LEG 4"), by="x"))
    assert len(shaft_history(records, " leg 4 / INPUT shaft ")) == 2
    keep(records, result("c"), Keeping(name=ShaftName.parse("leg 5 / input shaft"), by="x"))
    with pytest.raises(RecordsError, match="2 machines have a shaft"):
        shaft_history(records, "input shaft")
    with pytest.raises(RecordsError, match="it has Leg 4 / Input Shaft; leg 5 / input shaft"):
        shaft_history(records, "leg 6 / input shaft")


def test_a_photo_without_a_time_counts_from_when_it_is_given_or_kept(records):
    timeless = result("a", taken=None)
    keep(records, timeless)
    (line,) = shaft_wear(records, "input shaft").inspections
    assert line.taken_from == "kept"
    told = dataclasses.replace(LEG_4, taken="2020-03-01T00:00:00")
    assert keep(records, timeless, told) is Outcome.ADDED
    (line,) = shaft_wear(records, "input shaft").inspections
    assert (line.taken_from, line.at.year) == ("given", 2020)


def test_history_counts_a_photo_once_and_follows_its_bands(records):
    for year, end in ((2018, 15.0), (2022, 15.4), (2026, 15.8)):
        keep(records, result(year, taken=f"{year}-05-04T10:00:00", bands=[band(12.0, end)]))
    again = result(2022, taken="2022-05-04T10:00:00", bands=[band(12.0, 15.4)])
    again["corrections"] = [{"what": "band 1 end", "automatic": 15.3, "corrected": 15.4}]
    keep(records, again)
    wear = shaft_wear(records, "input shaft")
    assert [line.replaced for line in wear.inspections] == [False, True, False, False]
    assert [len(line.corrections) for line in wear.inspections] == [0, 0, 1, 0]
    (track,) = wear.tracks
    assert len(track.sightings) == 3
    assert track.width.slope == pytest.approx(0.1, rel=1e-3)


def test_find_by_each_of_its_fields(records):
    for year in (2020, 2022, 2024):
        name = ShaftName.parse(f"Leg {year % 10} / input shaft")
        keeping = Keeping(name=name, by=f"Fitter {year}", notes=(f"Schön {year}",))
        keep(records, result(year, taken=f"{year}-05-04T10:00:00"), keeping)

    def years(**asked):
        return [int(item.at[:4]) for item in find(records, Search(**asked))[0]]

    assert years() == [2024, 2022, 2020]
    assert years(machine="leg 2") == [2022]
    assert years(shaft="INPUT") == [2024, 2022, 2020]
    assert years(since="2022-05-04") == [2024, 2022]
    assert years(until="2022-05-04") == [2022, 2020]
    assert years(note="SCHÖN 2024") == [2024]
    assert years(by="fitter 2020") == [2020]
    assert years(verdict="fresh", machine="leg 4") == [2024]
    assert years(verdict="on band") == []
    assert years(note="%") == []  # no wildcard
    found, count = find(records, Search(), limit=2)
    assert (len(found), count) == (2, 3)


def test_two_write_at_once_and_nothing_is_lost(tmp_path):
    path = tmp_path / "records.sqlite"  # made by whoever comes first

    def work(writer):
        for number in range(15):
            with open_records(path, create=True) as records:
                keep(records, result(f"{writer}-{number}"))

    threads = [threading.Thread(target=work, args=(writer,)) for writer in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert integrity(path) == "ok"
    with open_records(path) as records:
        assert len(shaft_history(records, "input shaft")) == 60


def test_a_writer_that_does_not_end_is_told(records, monkeypatch):
    other = sqlite3.connect(records.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    records.connection.execute("PRAGMA busy_timeout = 50")
    with pytest.raises(RecordsError, match="Another program has been writing"):
        keep(records, result("a"))
    other.execute("ROLLBACK")
    other.close()
    assert keep(records, result("a")) is Outcome.KEPT


def test_a_full_disk_is_told_and_what_was_kept_stays(records):
    """SQLITE_FULL, as by a full disk, from a limit on the number of pages."""
    keep(records, result("a"))
    pages = records.connection.execute("PRAGMA page_count").fetchone()[0]
    records.connection.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(RecordsError, match=r"disk of .* is full; nothing of this was kept"):
        for number in range(9):
            keep(records, result(number))
    whole = len(shaft_history(records, "input shaft"))
    assert integrity(records.path) == "ok"
    records.connection.execute("PRAGMA max_page_count = 1000000")
    keep(records, result("after"))
    assert len(shaft_history(records, "input shaft")) == whole + 1


FILL = """
import signal, sys
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
from bandscan.cli import main
main(["keep", *sys.argv[2:], "--shaft", "leg 4 / input shaft", "--records", sys.argv[1]])
"""


@pytest.mark.skipif(os.name == "nt", reason="resource limits are POSIX")
def test_a_write_that_the_system_cuts_off_loses_nothing(tmp_path):
    """A limit of the operating system on the size of files, hit in the middle of a write."""
    path = tmp_path / "records.sqlite"
    with open_records(path, create=True) as records:
        keep(records, result("before"))
    files = []
    for number in range(40):
        files.append(tmp_path / f"{number}.json")
        files[-1].write_text(json.dumps(result(number)))
    limit = path.stat().st_size + 200_000

    def limited():
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    done = subprocess.run(
        [sys.executable, "-c", FILL, str(path), *map(str, files)],
        preexec_fn=limited, capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 4, done.stderr
    assert len(done.stderr.strip().splitlines()) == 1
    acknowledged = done.stdout.count(": kept,")
    assert 0 < acknowledged < 40
    assert integrity(path) == "ok"
    with open_records(path) as records:
        assert len(shaft_history(records, "input shaft")) == acknowledged + 1


def test_a_new_version_backs_up_before_it_changes_the_tables(records, monkeypatch):
    keep(records, result("a"))
    records.close()
    later = "ALTER TABLE shaft ADD COLUMN drawing TEXT;\nCREATE TABLE more (id INTEGER);\n"
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, later))
    with open_records(records.path) as newer:
        assert newer.rows("PRAGMA user_version")[0][0] == 2
        assert newer.rows("SELECT drawing FROM shaft")[0][0] is None
        assert len(shaft_history(newer, "input shaft")) == 1
    (backup,) = records.path.parent.glob("records.sqlite.version-1-*")
    monkeypatch.undo()
    with open_records(backup) as older:
        assert len(shaft_history(older, "input shaft")) == 1
    with pytest.raises(RecordsError, match="of version 2; this bandscan knows versions up to 1"):
        open_records(records.path)


def test_a_migration_that_fails_changes_nothing(records, monkeypatch):
    keep(records, result("a"))
    records.close()
    broken = "CREATE TABLE more (id INTEGER);\nINSERT INTO nowhere VALUES (1);\n"
    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, broken))
    with pytest.raises(RecordsError, match="cannot be used"):
        open_records(records.path)
    monkeypatch.undo()
    with open_records(records.path) as same:
        assert same.rows("SELECT name FROM sqlite_master WHERE name = 'more'") == []
        assert len(shaft_history(same, "input shaft")) == 1


def test_a_file_of_something_else_is_left_alone(tmp_path):
    foreign = tmp_path / "books.sqlite"
    connection = sqlite3.connect(foreign)
    connection.execute("CREATE TABLE book (title TEXT)")
    connection.commit()
    connection.close()
    before = foreign.read_bytes()
    with pytest.raises(RecordsError, match="no records file of bandscan"):
        open_records(foreign, create=True)
    assert foreign.read_bytes() == before


def test_a_missing_file_is_a_sentence_and_is_not_made(tmp_path):
    with pytest.raises(RecordsError, match="There is no records file"):
        open_records(tmp_path / "none.sqlite")
    assert list(tmp_path.iterdir()) == []
    (tmp_path / "blocked").write_text("a file where a folder should be")
    with pytest.raises(RecordsError, match="cannot be made"):
        open_records(tmp_path / "blocked" / "r.sqlite", create=True)


def test_a_large_file_is_checked_once_a_week(records, monkeypatch):
    monkeypatch.setattr(store, "SMALL_BYTES", 0)
    checks = []
    monkeypatch.setattr(store.Records, "check", lambda self: checks.append(self.path))
    path = records.path
    for create, count in ((False, 0), (True, 1), (True, 1)):
        open_records(path, create=create).close()
        assert len(checks) == count
    with records.writing() as connection:
        connection.execute("UPDATE meta SET value = '2001-01-01T00:00:00+00:00'")
    open_records(path, create=True).close()
    assert len(checks) == 2


@pytest.mark.parametrize(
    ("text", "told"),
    [
        ('{"schema": "bandscan.measurement/1", "bands": [', "is not whole"),
        ("", "is not whole"),
        ("[" * 100_000, "is not whole"),
        ('{"schema": "bandscan.check/1"}', "holds bandscan.check/1"),
        ("[]", "holds nothing"),
        ("3", "holds None"),
    ],
)
def test_a_result_that_is_half_written_or_of_another_kind_is_a_sentence(tmp_path, text, told):
    path = tmp_path / "result.json"
    path.write_text(text)
    with pytest.raises(UnreadableFileError, match=told):
        read_objects(path, MEASUREMENT_SCHEMA)


@pytest.mark.parametrize(
    "changes",
    [
        {"bands": [{"start_mm": {"value": 1.0}}]},
        {"bands": [band(15.0, 12.0)]},
        {"bands": [band(float("nan"), 12.0)]},
        {"bands": None},
        {"photo": None},
        {"photo": {"sha256": "abc"}},
        {"landing": {"lips": []}},
        {"landing": {"lips": [{"name": "main", "verdict": "good"}]}},
        {"budget": [float("inf")]},
        {"shaft": {"diameter_mm": {"value": "thick", "u": 0.1}}},
    ],
)
def test_a_result_with_a_wrong_field_is_a_sentence_and_nothing_is_kept(records, changes):
    with pytest.raises(UnreadableFileError, match="cannot be kept"):
        keep(records, result("a", **changes))
    assert find(records, Search()) == ([], 0)


def test_the_default_place_follows_each_system():
    """XDG Base Directory Specification; Apple's and Microsoft's folders for a program's data."""
    home = Path("/home/bench")
    assert default_place("linux", {}, home) == home / ".local/share/bandscan/records.sqlite"
    relative = default_place("linux", {"XDG_DATA_HOME": "data"}, home)
    assert relative == home / ".local/share/bandscan/records.sqlite"
    mac = default_place("darwin", {"XDG_DATA_HOME": "/data"}, home)
    assert mac == home / "Library/Application Support/bandscan/records.sqlite"
    windows = default_place("win32", {"LOCALAPPDATA": "/local"}, home)
    assert windows == Path("/local/bandscan/records.sqlite")
