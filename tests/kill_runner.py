"""Kill `bandscan keep` and `bandscan import` at random moments, and look at what is left.

    python -m tests.kill_runner ROUNDS SEED FOLDER

A process of its own, for it forks: every round a child runs the commands one after the other,
says before each which it is, and after each that came back with 0 what it had kept; it is killed
with SIGKILL at a random moment. Then SQLite checks the file, and all that was acknowledged must be
there, whole. Prints the counts as JSON; any loss ends it with a traceback.
"""

from __future__ import annotations

import json
import os
import random
import signal
import sqlite3
import sys
import time
from pathlib import Path

from bandscan.cli import main
from bandscan.records import open_records
from bandscan.records.keep import Keeping, keep_measurement
from bandscan.records.names import ShaftName
from tests.results import result

SHAFT = "leg 4 / input shaft"
LONGEST_IMPORTS = 2.0  # a round lasts up to so many times an import; a keep takes a tenth of one
LONGEST_S = 0.3  # and no longer than this, on a machine that is busy
ROUNDS_A_FILE = 30
RESULTS, IN_ZIP = 400, 70
NOTE = "kept under fire"
STARTED = "started "  # before the name of a command, in what a child says


def prepare(folder: Path) -> Path:
    """Result files, and a zip of other inspections."""
    for number in range(RESULTS):
        (folder / f"{number}.json").write_text(json.dumps(result(number)))
    other, archive = folder / "other.sqlite", folder / "other.zip"
    keeping = Keeping(name=ShaftName.parse(SHAFT), by="other", notes=(NOTE,))
    with open_records(other, create=True) as records:
        for number in range(IN_ZIP):
            keep_measurement(records, result(f"zip-{number}"), folder / "x.json", keeping)
    assert run(["export", str(archive), "--records", str(other)])
    return archive


def run(arguments: list[str]) -> bool:
    """A command as a user runs it; whether it came back with exit status 0."""
    try:
        main(arguments)
    except SystemExit as stop:
        return stop.code in (0, None)
    return True


def child(line: int, folder: Path, path: Path, archive: Path, rng: random.Random) -> None:
    quiet = os.open(os.devnull, os.O_WRONLY)
    os.dup2(quiet, 1)
    os.dup2(quiet, 2)
    while True:
        if rng.random() < 0.2:
            os.write(line, f"{STARTED}import\n".encode())
            if run(["import", str(archive), "--records", str(path)]):
                os.write(line, b"zip\n")
        else:
            number = rng.randrange(RESULTS)
            os.write(line, f"{STARTED}keep\n".encode())
            asked = ["keep", str(folder / f"{number}.json"), "--shaft", SHAFT, "--note", NOTE]
            if run([*asked, "--records", str(path)]):
                os.write(line, f"{number}\n".encode())


def import_time(folder: Path, archive: Path) -> float:
    """Seconds that an import into a new file takes on this machine now: the best of three."""
    times = []
    for number in range(3):
        start = time.perf_counter()
        assert run(["import", str(archive), "--records", str(folder / f"timed-{number}.sqlite")])
        times.append(time.perf_counter() - start)
    return min(times)


def killed_round(
    folder: Path, path: Path, archive: Path, rng: random.Random, longest_s: float
) -> tuple[set[str], str]:
    """Names that were acknowledged before the kill, and the command that it hit."""
    ours, theirs = os.pipe()
    seed = rng.random()
    pid = os.fork()
    if pid == 0:
        os.close(ours)
        try:
            child(theirs, folder, path, archive, random.Random(seed))
        finally:
            os._exit(1)
    os.close(theirs)
    time.sleep(rng.uniform(0.0, longest_s))
    os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    assert os.WTERMSIG(status) == signal.SIGKILL, status
    with os.fdopen(ours, "rb") as told:
        lines = told.read().decode().splitlines()
    last = lines[-1] if lines else ""
    hit = last.removeprefix(STARTED) if last.startswith(STARTED) else "between commands"
    names = {line for line in lines if not line.startswith(STARTED)}
    zips = {f"zip-{number}" for number in range(IN_ZIP)} if "zip" in names else set()
    return (names - {"zip"}) | zips, hit


def look(path: Path, acknowledged: set[str]) -> int:
    """Check the file and everything in it; how many inspections there are."""
    if not path.exists() or path.stat().st_size == 0:
        assert not acknowledged
        return 0
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert connection.execute("PRAGMA foreign_key_check").fetchall() == []
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    connection.close()
    if not tables:
        assert not acknowledged
        return 0
    with open_records(path) as records:
        records.check()  # the hash of every document
        rows = records.rows(
            "SELECT file, (SELECT count(*) FROM band WHERE inspection_id = inspection.id), "
            "(SELECT count(*) FROM note WHERE inspection_id = inspection.id), "
            "(SELECT count(*) FROM lip JOIN landing ON landing_id = landing.id "
            "WHERE inspection_id = inspection.id), "
            "(SELECT count(*) FROM document WHERE inspection_id = inspection.id) "
            "FROM inspection JOIN photo ON photo.id = photo_id"
        )
    assert all(tuple(row)[1:] == (2, 1, 1, 1) for row in rows), "half an inspection"
    names = [row[0].removesuffix(".jpg") for row in rows]
    assert len(names) == len(set(names)), "kept twice"
    lost = acknowledged - set(names)
    assert not lost, f"acknowledged and lost: {sorted(lost)}"
    return len(names)


def kill(rounds: int, seed: int, folder: Path) -> dict[str, int]:
    """Kill so often; what was counted."""
    rng = random.Random(seed)
    archive = prepare(folder)
    longest_s = min(LONGEST_S, LONGEST_IMPORTS * import_time(folder, archive))
    counts = {"kills": 0, "in keep": 0, "in import": 0, "between commands": 0}
    counts |= {"acknowledged": 0, "kept": 0}
    acknowledged: set[str] = set()
    for number in range(rounds):
        path = folder / f"records-{number // ROUNDS_A_FILE}.sqlite"
        if number % ROUNDS_A_FILE == 0:
            acknowledged = set()
        told, hit = killed_round(folder, path, archive, rng, longest_s)
        counts["kills"] += 1
        counts[hit if hit == "between commands" else f"in {hit}"] += 1
        counts["acknowledged"] += len(told - acknowledged)
        acknowledged |= told
        kept = look(path, acknowledged)
        if number % ROUNDS_A_FILE == ROUNDS_A_FILE - 1 or number == rounds - 1:
            counts["kept"] += kept
    return counts


if __name__ == "__main__":
    print(json.dumps(kill(int(sys.argv[1]), int(sys.argv[2]), Path(sys.argv[3]))))
