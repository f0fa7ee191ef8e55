"""Study of the stated uncertainties: seeded scenes through the whole measurement.

    python -m tests.studies.coverage --scenes 100 --processes 2 --seed 5000 --out outcomes.jsonl
    python -m tests.studies.coverage --report outcomes.jsonl

The first line measures (and goes on where it was stopped), the second makes the tables and
plots of README.md beside this file from what was measured. `--scenes N` measures N scenes of
all kinds, N of shafts without bands but with all else, and N/2 of bands of any contrast.
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

SETS = ("mixed", "bare", "contrast")
_SET_OFFSET = 1_000_000  # seeds of the sets lie so far apart


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=20)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--seed", type=int, default=5000)
    parser.add_argument("--out", type=Path, default=Path("outcomes.jsonl"))
    parser.add_argument("--report", type=Path, help="make the tables from what was measured")
    arguments = parser.parse_args()
    if arguments.report is not None:
        from tests.studies.report import write_report

        write_report(read(arguments.report))
        return
    measure(arguments.scenes, arguments.processes, arguments.seed, arguments.out)


def jobs(scenes: int, seed: int) -> Iterator[tuple[str, int]]:
    """Name of the set and seed of every scene."""
    for offset, (name, count) in enumerate(zip(SETS, (scenes, scenes, scenes // 2), strict=True)):
        for index in range(count):
            yield name, seed + offset * _SET_OFFSET + index


def measure(scenes: int, processes: int, seed: int, out: Path) -> None:
    """Measure what is not yet in `out`, one line of JSON a scene."""
    done = {(r["set"], r["seed"]) for r in read(out)} if out.exists() else set()
    todo = [job for job in jobs(scenes, seed) if job not in done]
    with ProcessPoolExecutor(processes) as pool, out.open("a", encoding="utf-8") as file:
        running = [pool.submit(measure_one, *job) for job in todo]
        for number, finished in enumerate(as_completed(running), 1):
            file.write(json.dumps(finished.result()) + "\n")
            file.flush()
            print(f"\r{number} of {len(todo)} scenes", end="", flush=True)
    print()


def measure_one(name: str, seed: int) -> dict[str, object]:
    """The outcome of one scene as a record."""
    import cv2

    from tests.scenes.chance import Wish, random_scene
    from tests.scenes.compare import measure_scene

    cv2.setNumThreads(1)
    wish = {
        "mixed": Wish(),
        "bare": Wish(bands=False, distractors=True),
        "contrast": Wish(contrast="any", difficulty="typical"),
    }[name]
    try:
        record = measure_scene(random_scene(seed, wish)).record()
    except Exception as fault:  # a fault of the program is a result of the study
        record = {"seed": seed, "fault": f"{type(fault).__name__}: {fault}"}
    return {"set": name, **record}


def read(path: Path) -> list[dict[str, object]]:
    return [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]


if __name__ == "__main__":
    main()
