"""The promise behind every stated interval, over seeded scenes (see README.md for more scenes).

The limits are the project's own: 93 to 98 % of the 95 % intervals hold the truth, they are not
wide out of fear, and shafts without bands have none.
"""

import numpy as np
import pytest

from tests.studies.coverage import measure, read
from tests.studies.report import GROSS_MM, interval

SCENES = 40


@pytest.fixture(scope="module")
def records(tmp_path_factory):
    out = tmp_path_factory.mktemp("study") / "outcomes.jsonl"
    measure(SCENES, processes=2, seed=9000, out=out)
    return read(out)


@pytest.fixture(scope="module")
def edges(records):
    return [edge for r in records for edge in r.get("edges", [])]


@pytest.mark.study
def test_no_scene_ends_in_a_fault(records):
    assert not [r for r in records if "fault" in r]


@pytest.mark.study
def test_intervals_hold_the_truth(edges):
    held = [abs(e["error_mm"]) <= e["expanded_mm"] for e in edges]
    low, high = interval(sum(held), len(held))
    assert low <= 0.98
    assert high >= 0.93


@pytest.mark.study
def test_intervals_are_as_wide_as_the_errors(edges):
    error = np.array([e["error_mm"] for e in edges])
    expanded = np.array([e["expanded_mm"] for e in edges])
    assert 0.8 <= expanded.mean() / (2.0 * np.sqrt((error**2).mean())) <= 1.5


@pytest.mark.study
def test_nothing_is_grossly_wrong_and_sure(edges):
    wrong = [e["seed"] for e in edges if abs(e["error_mm"]) > max(GROSS_MM, e["expanded_mm"])]
    assert not wrong


@pytest.mark.study
def test_shafts_without_bands_have_none(records):
    bare = [r for r in records if r["set"] == "bare" and "fault" not in r]
    assert not [r["seed"] for r in bare if r["false_bands"]]
