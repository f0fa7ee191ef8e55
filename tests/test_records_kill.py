"""What was acknowledged survives SIGKILL (the durability that SQLite promises of its WAL mode)."""

import json
import os
import subprocess
import sys

import pytest

needs_fork = pytest.mark.skipif(not hasattr(os, "fork"), reason="there is no fork here")


def killed(rounds: int, folder) -> dict[str, int]:
    """Counts of a run of its own process; a loss ends it with a traceback."""
    command = [sys.executable, "-m", "tests.kill_runner", str(rounds), "11", str(folder)]
    ran = subprocess.run(command, capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stderr
    return json.loads(ran.stdout.splitlines()[-1])


@needs_fork
def test_a_few_kills_lose_nothing_acknowledged(tmp_path):
    counts = killed(15, tmp_path)
    assert counts["kills"] == 15
    assert counts["acknowledged"] > 0


@needs_fork
@pytest.mark.study
def test_three_hundred_kills_lose_nothing_acknowledged(tmp_path):
    counts = killed(300, tmp_path)
    assert counts["kills"] == 300
    assert counts["in keep"] > 50
    assert counts["in import"] > 50
    assert counts["kept"] >= counts["acknowledged"] > 300
