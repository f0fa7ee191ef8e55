"""How long `history` and `find` take in a file of many inspections.

    python -m tests.studies.records_speed [--inspections 10000] [--file FILE]

Builds the file (250 shafts of 50 machines, each inspected 40 times, a picture of 20 kB each),
then times what the commands do of their own, and the commands as a whole.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

from bandscan.output.history_json import history_object
from bandscan.output.history_picture import history_picture
from bandscan.output.records_text import found_text, history_text
from bandscan.records import open_records, shaft_wear
from bandscan.records.document import new_document
from bandscan.records.find import Search, find
from bandscan.records.names import ShaftName
from bandscan.records.put import ReducedPhoto, put
from tests.results import band, result

MACHINES, POSITIONS = 50, 5
TOGETHER = 500
PICTURE_BYTES = 20_000
REPEATS = 5


def build(path: Path, inspections: int) -> None:
    with open_records(path, create=True) as records:
        for first in range(0, inspections, TOGETHER):
            with records.writing() as connection:
                for number in range(first, min(first + TOGETHER, inspections)):
                    put(connection, *entry(number))


def entry(number: int):
    shaft, visit = number % (MACHINES * POSITIONS), number // (MACHINES * POSITIONS)
    name = ShaftName(machine=f"leg {shaft // POSITIONS}", position=f"shaft {shaft % POSITIONS}")
    measured = result(
        number,
        taken=f"{1990 + visit}-05-{1 + number % 28:02d}T10:00:00",
        bands=[band(12.0 - 0.01 * visit, 15.0 + 0.03 * visit), band(30.0, 31.0 + 0.02 * visit)],
    )
    document = new_document(
        measured, name, by=f"fitter {number % 7}", additions={"notes": [f"note {number}"]}
    )
    return document, ReducedPhoto(jpeg=os.urandom(PICTURE_BYTES), orientation=1)


def best_of(work: Callable[[], object]) -> float:
    times = []
    for _ in range(REPEATS):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def history(path: Path) -> None:
    with open_records(path) as records:
        wear = shaft_wear(records, "leg 17 / shaft 3")
    history_object(wear)
    history_text(wear)


def search(path: Path, **asked: str) -> None:
    with open_records(path) as records:
        found, count = find(records, Search(**asked), limit=50)
    found_text(found, count, path)


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--inspections", type=int, default=10_000)
    parser.add_argument("--file", type=Path)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = asked.file or Path(folder) / "records.sqlite"
        if not path.exists():
            start = time.perf_counter()
            build(path, asked.inspections)
            print(f"built in {time.perf_counter() - start:.0f} s")
        print(f"{asked.inspections} inspections, {path.stat().st_size / 1e6:.0f} MB")
        with open_records(path) as records:
            wear = shaft_wear(records, "leg 17 / shaft 3")
        works: dict[str, Callable[[], object]] = {
            "history of one shaft, text and JSON": lambda: history(path),
            "its picture": lambda: history_picture(wear),
            "find everything, 50 shown": lambda: search(path),
            "find by machine and shaft": lambda: search(path, machine="leg 17", shaft="shaft 3"),
            "find by note": lambda: search(path, note="note 777"),
            "find by who and time": lambda: search(path, by="fitter 3", since="2010-01-01"),
            "find by verdict": lambda: search(path, verdict="fresh"),
        }
        for name, work in works.items():
            print(f"| {name} | {best_of(work):.3f} s |")
        for command in (["find"], ["history", "leg 17 / shaft 3", "--picture", f"{folder}/h.png"]):
            whole = [sys.executable, "-m", "bandscan", *command, "--records", str(path)]
            took = best_of(partial(subprocess.run, whole, stdout=subprocess.DEVNULL, check=True))
            print(f"| command `bandscan {command[0]}`, all in all | {took:.2f} s |")
        start = time.perf_counter()
        with open_records(path) as records:
            records.check()
        print(f"| check of the whole file | {time.perf_counter() - start:.2f} s |")


if __name__ == "__main__":
    main()
