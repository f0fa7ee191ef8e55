"""`bandscan explain`: what dominates, what would halve it, and what it does with wrong files."""

import json
import math

import pytest
from click.testing import CliRunner

from bandscan.cli import main
from bandscan.explanation import ADVICE, Share, find_halving, read_budget
from bandscan.output.budget_picture import draw_budget
from bandscan.output.explain_text import explanation_text
from calib.errors import UnreadableFileError


def budget_line(edge, source, mm, kind="B", **more):
    return {"edge": edge, "source": source, "type": kind, "contribution_mm": mm, **more}


def result(**changes):
    """A result with one band: u = 0.05 of 0.04 (diameter) and 0.03 (end face)."""
    diameter = {"name": "diameter", "u": 0.02, "unit": "mm", "sensitivity_mm": 2.0}
    draws = {"mean": 12.4, "u": 0.05, "low": 12.31, "high": 12.5, "trials": 20000}
    content = {
        "schema": "bandscan.measurement/1",
        "photo": {"file": "leg4.jpg"},
        "bands": [
            {
                "start_mm": {"value": 12.4, "u": 0.05, "dof": None, "monte_carlo": draws},
                "end_mm": {"value": 15.9, "u": 0.05, "dof": None, "monte_carlo": draws},
                "width_mm": {"value": 3.5, "u": 0.01, "dof": None, "monte_carlo": draws},
            }
        ],
        "budget": [
            line
            for edge in ("band 1 start", "band 1 end")
            for line in (
                budget_line(edge, "diameter", 0.04, inputs=[diameter]),
                budget_line(edge, "end face", 0.03, "A"),
            )
        ]
        + [budget_line("band 1 width", "edge definition", 0.01)],
        "refusal": None,
    }
    return content | changes


@pytest.fixture
def write(tmp_path):
    def write(content):
        path = tmp_path / "leg4.json"
        path.write_text(content if isinstance(content, str) else json.dumps(content))
        return path

    return write


def shares(**contributions):
    return [Share(source=s, kind="B", contribution_mm=c) for s, c in contributions.items()]


def test_one_cause_that_can_halve_it():
    # 0.1 of u: 0.0095 mm2 by a, 0.0005 by b. A quarter, 0.0025, may be left: a must come to
    # 0.0020, a factor of sqrt(0.0020 / 0.0095) = 0.4588.
    found = find_halving(shares(a=math.sqrt(0.0095), b=math.sqrt(0.0005)))
    assert [share.source for share in found.shares] == ["a"]
    assert found.factor == pytest.approx(math.sqrt(0.0020 / 0.0095))


def test_two_causes_of_which_neither_is_enough():
    # Halves of the variance: both must come to half their size.
    found = find_halving(shares(a=0.1, b=0.1))
    assert [share.source for share in found.shares] == ["a", "b"]
    assert found.factor == pytest.approx(0.5)


@pytest.mark.parametrize("sizes", [(0.1, 0.02), (0.1, 0.09, 0.03), (0.05,) * 6])
def test_what_is_asked_for_halves_it(sizes):
    before = shares(**{f"s{i}": size for i, size in enumerate(sizes)})
    found = find_halving(before)
    shrunk = {share.source for share in found.shares}
    after = math.hypot(
        *(s.contribution_mm * (found.factor if s.source in shrunk else 1.0) for s in before)
    )
    assert after == pytest.approx(math.hypot(*sizes) / 2.0)


def test_nothing_to_halve():
    assert find_halving([]) is None
    assert find_halving(shares(a=0.0)) is None


def test_shares_are_those_of_the_variance(write):
    start, *_ = read_budget(write(result())).bands[0]
    # 0.04^2 and 0.03^2 of 0.05^2
    assert [(s.source, round(s.share, 6)) for s in start.shares] == [
        ("diameter", 0.64), ("end face", 0.36)
    ]  # fmt: skip
    assert start.interval_mm == (12.31, 12.5)


def test_the_words_say_what_to_do(write):
    said = " ".join(explanation_text(read_budget(write(result()))).split())
    assert "Start and end: mostly diameter (64% of the variance)" in said
    # Both causes are needed: 0.0025 - 0.75 * 0.0025 is left of 0.0025, each halved.
    assert "u from 0.04 to 0.02 mm (it itself from 0.02 to 0.01 mm)" in said
    assert "measure the diameter at the seal land" in said
    assert "±0.098 to ±0.049" in said
    assert "lock it out" in said


def test_every_cause_of_a_real_budget_has_its_advice():
    import re
    from pathlib import Path

    root = Path(__file__).resolve().parents[1] / "bandscan"
    text = (root / "influences.py").read_text() + (root / "steps" / "budget.py").read_text()
    named = set(
        re.findall(r'(?:source=|_single\(\s*|_influence\(\s*|source, .* = )"([a-z ]+)"', text)
    )
    assert {"silhouettes", "lens", "focus", "end face", "edge fit", "temperature"} <= named
    assert named | {"rule class", "print of the card"} == set(ADVICE)


def test_results_without_widths_and_draws_are_explained(write):
    old = result()
    old["budget"] = [line for line in old["budget"] if "width" not in line["edge"]]
    for item in old["bands"][0].values():
        del item["monte_carlo"]
    (band,) = read_budget(write(old)).bands
    assert [item.name for item in band] == ["band 1 start", "band 1 end"]
    assert "by draws" not in explanation_text(read_budget(write(old)))


def test_without_bands_it_is_said(write):
    said = explanation_text(read_budget(write(result(bands=[], budget=[]))))
    assert "No band was found" in said


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("", "not JSON, or only a part"),
        (json.dumps(result())[:-40], "not JSON, or only a part"),
        (json.dumps({"schema": "bandscan.landing/1"}), "bandscan.landing/1"),
        (json.dumps({"hello": 1}), "its schema is None"),
        (json.dumps([result(), result()]), "2 photos"),
        (json.dumps(result(refusal={"message": "No scale was seen."})), "No scale was seen"),
        (json.dumps(result(refusal=True)), "was refused"),
        (json.dumps(result(budget=[])), "no budget for band 1 start"),
        (json.dumps(result(budget=None)), "missing or wrong"),
        (json.dumps(result(bands=[{}])), "start_mm"),
        (json.dumps(result(budget=[budget_line("band 1 start", "lens", -1.0)])), "-1"),
        ("[" * 100_000, "not JSON"),
    ],
)
def test_what_cannot_be_explained_is_said_in_a_sentence(write, content, said):
    path = write(content)
    with pytest.raises(UnreadableFileError) as caught:
        read_budget(path)
    assert said in str(caught.value)
    run = CliRunner().invoke(main, ["explain", str(path)])
    assert run.exit_code == 4
    assert run.stderr.count("\n") == 1
    assert "Traceback" not in run.output


def test_a_missing_file_is_said():
    run = CliRunner().invoke(main, ["explain", "nowhere.json"])
    assert run.exit_code == 4
    assert "cannot be read" in run.stderr


def test_the_command_writes_a_picture(write, tmp_path):
    path = write(result())
    run = CliRunner().invoke(main, ["explain", str(path), "--out", str(tmp_path / "new")])
    assert run.exit_code == 0, run.output
    assert (tmp_path / "new" / "leg4-budget.png").read_bytes().startswith(b"\x89PNG")


# -- the picture -------------------------------------------------------------------------------


def test_bars_are_as_long_as_their_contributions(write):
    figure = draw_budget(read_budget(write(result())))
    start, _, width = figure.axes
    lengths = {round(patch.get_width(), 6) for patch in start.patches}
    assert lengths == {0.05, 0.04, 0.03}
    names = [label.get_text() for label in start.get_yticklabels()]
    assert names == ["all together", "diameter", "end face", "edge definition"]
    assert {round(patch.get_width(), 6) for patch in width.patches} == {0.01}


def test_the_two_types_are_told_without_colour(write):
    figure = draw_budget(read_budget(write(result())))
    hatched = {round(p.get_width(), 6) for p in figure.axes[0].patches if p.get_hatch()}
    assert hatched == {0.04}  # the diameter, type B


def test_texts_of_the_picture_do_not_touch(write):
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = draw_budget(read_budget(write(result())))
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    boxes = [
        text.get_window_extent(renderer)
        for axes in figure.axes
        for text in (*axes.texts, axes._left_title)
        if text.get_text()
    ]
    for index, box in enumerate(boxes):
        assert box.x1 <= figure.bbox.x1
        assert not any(box.overlaps(other) for other in boxes[index + 1 :])
