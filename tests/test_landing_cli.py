"""The commands about seals: what they print and write, and their exit status."""

import contextlib
import json

import pytest
from click.testing import CliRunner
from hypothesis import given, settings
from hypothesis import strategies as st

from bandscan.band_places import BandFile, read_bands
from bandscan.cli import main
from bandscan.planning import plan_seals
from bandscan.seal import read_seal
from calib.errors import UnreadableFileError
from tests.stack_ups import exactly, make_bands, make_lip, make_seal

SOME_SEAL = make_seal([make_lip(5.4, u=0.1)], face=6.0, face_u=0.15, land=(2.0, 38.0))
SOME_BANDS = BandFile(
    photo="leg4.jpg",
    diameter_mm=None,
    bands=make_bands((12.0, 15.0), u=0.03),
    seen_mm=(exactly(0.0), exactly(40.0)),
)

SEAL = """\
[seal]
label = "double lip 45x65x8"
shaft_mm = 45.0
width_mm = 8.0
seat_mm = 65.0

[[lip]]
name = "main"
kind = "sealing"
from = "outer"
distance_mm = 5.4
u_mm = 0.08
contact_mm = 0.3

[mounting]
outer_face_mm = 6.0
u_mm = 0.15
shift_mm = [-2.0, 3.0]
land_mm = [2.0, 38.0]
"""


def edge(value):
    return {"value": value, "u": 0.03, "U": 0.06, "k": 2.0}


def measurement(**changes):
    return {
        "schema": "bandscan.measurement/1",
        "photo": {"file": "leg4.jpg"},
        "shaft": {"diameter_mm": {"value": 44.98, "u": 0.01}},
        "bands": [{"start_mm": edge(12.0), "end_mm": edge(15.0)}],
        "budget": [],
        "refusal": None,
        **changes,
    }


@pytest.fixture
def run(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "seal.toml").write_text(SEAL)
    (tmp_path / "leg4.json").write_text(json.dumps(measurement()))
    return lambda *arguments, **more: CliRunner().invoke(main, list(arguments), **more)


def test_landing_as_json_has_the_fields_that_others_rely_on(run):
    result = run("landing", "leg4.json", "--seal", "seal.toml", "--json", "-")
    assert result.exit_code == 0
    content = json.loads(result.stdout)
    assert content["schema"] == "bandscan.landing/1"
    (lip,) = content["lips"]
    assert set(lip) >= {
        "name", "contact_mm", "u_mm", "nearest_band", "clearance_mm", "probability_on_band",
        "verdict",
    }  # fmt: skip
    assert set(lip["clearance_mm"]) >= {"value", "u", "U", "k"}
    assert lip["contact_mm"] == pytest.approx([11.25, 11.55])
    assert lip["clearance_mm"]["value"] == pytest.approx(0.45)
    assert lip["verdict"] == "fresh"
    assert set(content["shift"]) >= {"windows_mm", "smallest_mm", "roomiest_mm", "why_none"}
    assert content["shift"]["smallest_mm"] == 0.0


def test_several_seals_are_set_side_by_side(run, tmp_path):
    (tmp_path / "other.toml").write_text(SEAL.replace("5.4", "7.0"))
    result = run(
        "landing", "leg4.json", "--seal", "seal.toml", "--seal", "other.toml", "--json", "b.json"
    )
    assert "Side by side" in result.stdout
    assert "UNDECIDED" in result.stdout or "ON BAND" in result.stdout
    verdicts = [
        seal["lips"][0]["verdict"] for seal in json.loads((tmp_path / "b.json").read_text())
    ]
    assert verdicts == ["fresh", "on band"]


def test_landing_draws_side_views(run, tmp_path):
    result = run("landing", "leg4.json", "--seal", "seal.toml", "--out", "pictures")
    assert result.exit_code == 0
    assert {p.name for p in (tmp_path / "pictures").iterdir()} == {"seal-side.svg", "seal-side.png"}


def test_the_usual_caution_is_printed(run):
    assert "lock it out" in run("landing", "leg4.json", "--seal", "seal.toml").stdout


@pytest.mark.parametrize(
    ("content", "said"),
    [
        ("not json", "not JSON"),
        (json.dumps([measurement(), measurement()]), "2 photos"),
        (json.dumps(measurement(schema="other/1")), "other/1"),
        (json.dumps(measurement(refusal={"message": "No scale was seen."})), "No scale was seen"),
        (json.dumps(measurement(bands=[{"start_mm": edge(1.0)}])), "end_mm"),
        (json.dumps(measurement(shaft={"diameter_mm": {"value": 50.0, "u": 0.01}})), "for a shaft"),
        (json.dumps(measurement(covariance_mm2=[[1.0]])), "wrong"),
        (json.dumps(measurement(covariance_mm2=[[1.0, 2.0], [2.0, 1.0]])), "no covariance"),
        (json.dumps(measurement(covariance_mm2=[[1.0, 0.5], [0.0, 1.0]])), "not symmetric"),
        (json.dumps(measurement(bands=[{"start_mm": edge(9.0), "end_mm": edge(8.0)}])), "back to"),
    ],
)
def test_a_result_that_does_not_fit_is_said_in_a_sentence(run, tmp_path, content, said):
    (tmp_path / "leg4.json").write_text(content)
    result = run("landing", "leg4.json", "--seal", "seal.toml")
    assert result.exit_code == 4
    assert said in result.stderr
    assert "Traceback" not in result.output


junk = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner),
    max_leaves=4,
)


@given(data=st.data())
@settings(deadline=None, max_examples=150)
def test_a_damaged_result_never_ends_in_anything_but_a_sentence(tmp_path_factory, data):
    content = measurement()
    place = data.draw(
        st.sampled_from(["shaft", "bands", "budget", "photo", "covariance_mm2", "band"])
    )
    if place == "band":
        content["bands"][0][data.draw(st.sampled_from(["start_mm", "end_mm"]))] = data.draw(junk)
    else:
        content[place] = data.draw(junk)
    path = tmp_path_factory.mktemp("damaged") / "a.json"
    path.write_text(json.dumps(content))
    with contextlib.suppress(UnreadableFileError):
        plan_seals(read_bands(path), [("seal.toml", SOME_SEAL)])


@given(data=st.data())
@settings(deadline=None, max_examples=150)
def test_a_damaged_seal_file_never_ends_in_anything_but_a_sentence(tmp_path_factory, data):
    lines = SEAL.splitlines()
    number = data.draw(st.integers(0, len(lines) - 1))
    key = lines[number].partition("=")[0]
    value = data.draw(
        st.sampled_from(["", "-1", "1e400", "9" * 400, "nan", "[]", "[1, 'a']", "true", "{a = 1}",
                         "'x'", "1979-05-27", "[[1.0]]", "0"])
        | st.text(max_size=5).filter(lambda text: text.isprintable())
    )  # fmt: skip
    lines[number] = f"{key}= {value}"
    path = tmp_path_factory.mktemp("damaged") / "seal.toml"
    path.write_text("\n".join(lines), encoding="utf-8")
    with contextlib.suppress(UnreadableFileError):
        plan_seals(SOME_BANDS, [("seal.toml", read_seal(path))])


def test_the_full_covariance_is_used_where_the_result_has_it(tmp_path):
    path = tmp_path / "a.json"
    joint = [[0.0009, 0.0008], [0.0008, 0.0009]]
    path.write_text(json.dumps(measurement(covariance_mm2=joint)))
    assert read_bands(path).bands.covariance_mm2.tolist() == joint


def test_seal_check_draws_and_says_what_is_assumed(run, tmp_path):
    result = run("seal", "check", "seal.toml")
    assert result.exit_code == 0
    assert "end_float_mm is not given" in result.stdout
    assert (tmp_path / "seal-seal.svg").exists()


def test_seal_check_names_the_line_of_a_mistake(run, tmp_path):
    (tmp_path / "seal.toml").write_text(SEAL.replace("contact_mm = 0.3", "contact_mm = -0.3"))
    result = run("seal", "check", "seal.toml")
    assert result.exit_code == 4
    assert "line 13: contact_mm" in result.stderr


def test_the_example_in_the_help_is_a_valid_seal_file(run, tmp_path):
    lines = run("seal", "--help").stdout.splitlines()
    first = next(i for i, line in enumerate(lines) if line.strip() == "[seal]")
    last = next(i for i, line in enumerate(lines) if "u_k = " in line)
    example = [line.strip() for line in lines[first : last + 1]]
    for text in ("\n".join(example), "\n".join(line.removeprefix("# ") for line in example)):
        (tmp_path / "help.toml").write_text(text)
        assert read_seal(tmp_path / "help.toml").shaft_mm == 45.0


ANSWERS = [
    'new "45"', "45", "8", "y", "65", "elastomer", "1", "sealing", "main", "inner",
    "2,6", "2.58 2.61 2.60",  # a comma is asked for again
    "0.04", "0.3", "6.0 6.1", "0.15", "n", "0.1", "1", "2", "2", "38",
]  # fmt: skip


def test_seal_new_writes_a_file_that_can_be_read(run, tmp_path):
    result = run("seal", "new", "new.toml", input="\n".join(ANSWERS) + "\n")
    assert result.exit_code == 0, result.output
    seal = read_seal(tmp_path / "new.toml")
    assert seal.label == 'new "45"'
    assert seal.lips[0].distance_mm.value == pytest.approx(2.5967, abs=1e-4)
    assert seal.width_mm.u == pytest.approx(0.115)
    assert seal.mounting.shift_mm == (-1.0, 2.0)
    again = run("seal", "new", "new.toml", input="\n".join(ANSWERS) + "\n")
    assert again.exit_code == 2


def test_attribute(run):
    result = run("attribute", "leg4.json", "--seal", "seal.toml", "--json", "-")
    content = json.loads(result.stdout)
    assert content["schema"] == "bandscan.attribution/1"
    assert content["best"]["pairs"] == [{"lip": 1, "band": 1}]
    # middle of the band 13.5, lip at 11.4
    assert content["best"]["offset_mm"]["value"] == pytest.approx(2.1)


@pytest.mark.parametrize("option", ["--nominal", "--runout", "--speed", "--lead"])
@pytest.mark.parametrize("number", ["nan", "inf", "1e308"])
def test_sheet_takes_no_number_that_cannot_be_meant(run, option, number):
    nominal = [] if option == "--nominal" else ["--nominal", "45"]
    result = run("sheet", *nominal, option, number)
    assert result.exit_code == 2
    assert f"Invalid value for '{option}'" in result.output


def test_sheet(run):
    result = run("sheet", "--nominal", "45", "--speed", "1450", "--ra", "0.12")
    assert result.exit_code == 0
    assert "surface speed 3.42 m/s" in result.stdout
    assert "SOURCES DISAGREE" in result.stdout
    beyond = run("sheet", "--nominal", "600")
    assert beyond.exit_code == 2
