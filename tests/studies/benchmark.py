"""Time and peak memory of a whole measurement against a plain decode of the same photo.

    python tests/studies/benchmark.py PHOTO [--runs 7] [options of bandscan measure]

Runs `bandscan measure PHOTO` with overlay and JSON, and `python -c "import cv2;
cv2.imread(PHOTO)"`, in turn, each in a process of its own, and prints the medians and
their ratios. Not a test: the figures depend on the machine.
"""

from __future__ import annotations

import argparse
import os
import statistics
import sys
import tempfile
import time
from pathlib import Path


def run_once(command: list[str]) -> tuple[float, float, int]:
    """Wall time in s, peak resident memory in MB, exit status."""
    start = time.perf_counter()
    pid = os.fork()
    if pid == 0:
        sink = os.open(os.devnull, os.O_WRONLY)
        os.dup2(sink, 1)
        os.dup2(sink, 2)
        os.execv(command[0], command)
    _, status, usage = os.wait4(pid, 0)
    wall = time.perf_counter() - start
    return wall, usage.ru_maxrss / 1024.0, os.waitstatus_to_exitcode(status)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("photo", type=Path)
    parser.add_argument("--runs", type=int, default=7)
    asked, options = parser.parse_known_args()  # the rest is for bandscan measure
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)  # an installed package has its bytecode
    plain = [sys.executable, "-c", f"import cv2; cv2.imread({str(asked.photo)!r})"]
    with tempfile.TemporaryDirectory() as folder:
        ours = [
            sys.executable, "-m", "bandscan", "measure", str(asked.photo), *options,
            "--out", folder, "--json", str(Path(folder) / "result.json"),
        ]  # fmt: skip
        figures: dict[str, list[tuple[float, float, int]]] = {"imread": [], "bandscan": []}
        for _ in range(asked.runs + 1):
            figures["imread"].append(run_once(plain))
            figures["bandscan"].append(run_once(ours))
    medians = {}
    for name, runs in figures.items():
        wall, memory, statuses = zip(*runs[1:], strict=True)  # the first run warms the caches
        medians[name] = statistics.median(wall), statistics.median(memory)
        print(f"{name:9s} {medians[name][0]:6.3f} s  {medians[name][1]:6.1f} MB", end="")
        print(f"   exit status {sorted(set(statuses))}, wall {min(wall):.3f} to {max(wall):.3f} s")
    wall_ratio, memory_ratio = (
        ours / theirs for ours, theirs in zip(medians["bandscan"], medians["imread"], strict=True)
    )
    print(f"ratio     {wall_ratio:6.2f}    {memory_ratio:6.2f}")


if __name__ == "__main__":
    main()
