"""The command line: what is loaded, what is printed where, and the exit status."""

import json
import subprocess
import sys
from pathlib import Path

import cv2
import numpy as np
import pytest
from click.testing import CliRunner

from bandscan.cli import COMMANDS, faults, main
from bandscan.result import CheckReport, Measurement, QualityFigure, Refusal
from calib.errors import LensMismatchError
from tests import examples

NO_SCALE = Refusal(code="no-scale", message="No scale was seen.", remedy="Lay a rule beside it.")
UNREADABLE = Refusal(
    code="unreadable", message="It is empty.", remedy="Copy it again.", exit_status=4
)


@pytest.fixture
def run(monkeypatch, tmp_path):
    """Run the command line in an empty folder, with made-up measurements by photo name."""
    from bandscan.cli import running

    monkeypatch.chdir(tmp_path)

    def measure(path, _options):
        name = path.name
        if "fault" in name:
            raise ZeroDivisionError("made for the test")
        if "lens" in name:
            raise LensMismatchError("The lens is for 4000 px.", "Use the lens of this camera.")
        if "gone" in name:
            return Measurement(file=str(path), refusal=UNREADABLE)
        if "scale" in name:
            return examples.measurement(file=str(path), refusal=NO_SCALE, bands=(), strip=None)
        return examples.measurement(file=str(path))

    def check(path, _options):
        figure = QualityFigure(
            name="sharpness", value=2.4, unit="px", good=False, advice="Hold the camera still."
        )
        refusal = NO_SCALE if "scale" in path.name else None
        return CheckReport(
            file=str(path), photo=examples.photo(), quality=(figure,), refusal=refusal
        )

    monkeypatch.setattr(running, "measure_photo", measure)
    monkeypatch.setattr(running, "check_photo", check)
    return lambda *arguments: CliRunner().invoke(main, list(arguments))


def test_help_loads_click_alone():
    code = (
        "import sys\n"
        "from bandscan.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit as stop: assert stop.code == 0\n"
        "ours = {'bandscan', 'calib'}\n"
        "top = {name.partition('.')[0] for name in sys.modules} - set(sys.stdlib_module_names)\n"
        "print('LOADED', *sorted(name for name in top if not name.startswith('_')))\n"
    )
    done = subprocess.run(
        [sys.executable, "-S", "-c", f"import sys; sys.path[:] = {sys.path!r}\n{code}"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert done.stdout.splitlines()[-1].split() == ["LOADED", "bandscan", "click"]
    for command in COMMANDS:
        assert command in done.stdout


def test_every_listed_command_has_a_module_and_a_help():
    for command in COMMANDS:
        done = CliRunner().invoke(main, [command, "--help"])
        assert done.exit_code == 0, command


def test_python_dash_m_is_the_same_command():
    done = subprocess.run(
        [sys.executable, "-m", "bandscan", "--version"], capture_output=True, text=True, check=True
    )
    assert done.stdout.startswith("bandscan, version ")


def test_a_measured_photo_prints_its_bands_and_writes_its_files(run, tmp_path):
    done = run("measure", "leg4.jpg", "--diameter", "45")
    assert done.exit_code == 0
    assert "12.430 ± 0.061" in done.stdout
    assert "rim of the end face" in done.stdout
    assert "lock it out" in done.stdout
    assert done.stderr == ""
    folder = tmp_path / "leg4.jpg-bandscan"
    assert sorted(path.name for path in folder.iterdir()) == [
        "leg4-bands.jpg", "leg4-strip.jpg", "leg4.json",
    ]  # fmt: skip
    assert json.loads((folder / "leg4.json").read_text())["bands"][0]["looks"] == "darker"
    assert cv2.imread(str(folder / "leg4-bands.jpg")).shape[1] == 1300


def test_verbose_prints_the_budget(run):
    assert "edge fit" not in run("measure", "leg4.jpg").stdout
    done = run("measure", "leg4.jpg", "-v")
    assert "band 1 start" in done.stdout
    assert "edge fit" in done.stdout


def test_json_on_standard_output_is_alone_there(run):
    done = run("measure", "leg4.jpg", "--json", "-")
    assert json.loads(done.stdout)["schema"] == "bandscan.measurement/1"
    several = run("measure", "leg4.jpg", "no-scale.jpg", "--json", "-")
    assert [bool(item["refusal"]) for item in json.loads(several.stdout)] == [False, True]
    assert "[2/2] no-scale.jpg" in several.stderr
    assert several.exit_code == 3


def test_json_goes_to_the_file_that_was_named(run, tmp_path):
    assert run("measure", "leg4.jpg", "--json", "out.json").exit_code == 0
    assert json.loads((tmp_path / "out.json").read_text())["photo"]["file"] == "leg4.jpg"


@pytest.mark.parametrize(
    ("photos", "status"),
    [
        (["leg4.jpg"], 0),
        (["no-scale.jpg"], 3),
        (["gone.jpg"], 4),
        (["wrong-lens.jpg"], 4),
        (["fault.jpg"], 1),
        (["leg4.jpg", "no-scale.jpg"], 3),
        (["gone.jpg", "no-scale.jpg", "leg4.jpg"], 4),
    ],
)
def test_the_exit_status_is_the_highest_of_the_photos(run, photos, status):
    assert run("measure", *photos).exit_code == status


def test_a_refusal_says_what_was_seen_and_what_to_do_on_standard_error(run):
    done = run("measure", "no-scale.jpg")
    assert done.stderr == (
        "bandscan: no-scale.jpg: not measured (no-scale). "
        "No scale was seen. Lay a rule beside it.\n"
    )
    assert "±" not in done.stdout


def test_a_fault_is_one_sentence_and_the_details_are_kept(run, tmp_path, monkeypatch):
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    done = run("measure", "fault.jpg", "leg4.jpg")
    assert "12.430 ± 0.061" in done.stdout  # the other photo is still measured
    assert "Traceback" not in done.output
    kept = next(tmp_path.glob("bandscan-fault-*.txt"))
    assert str(kept) in done.stderr
    assert "ZeroDivisionError: made for the test" in kept.read_text()
    assert "Traceback" in run("measure", "fault.jpg", "-v").stderr


@pytest.mark.parametrize(
    "arguments",
    [
        [],
        ["leg4.jpg", "--diameter", "-45"],
        ["leg4.jpg", "--diameter", "nan"],
        ["leg4.jpg", "--diameter", "inf"],
        ["leg4.jpg", "--diameter", "thick"],
        ["leg4.jpg", "--diameter", "1.772"],
        ["leg4.jpg", "--diameter", "45", "--diameter-u", "0"],
        ["leg4.jpg", "--scale", "ruler"],
        ["leg4.jpg", "--scale", "none"],
        ["leg4.jpg", "--scale", "card"],
        ["leg4.jpg", "--pitch", "0"],
        ["leg4.jpg", "--pitch", "coarse"],
        ["leg4.jpg", "--end", "front"],
        ["leg4.jpg", "--scale-height", "nan"],
        ["leg4.jpg", "--unknown"],
    ],
)
def test_wrong_usage_has_status_2(run, arguments):
    done = run("measure", *arguments)
    assert done.exit_code == 2
    assert "Usage:" in done.stderr
    assert done.stdout == ""


def test_a_diameter_in_inches_is_pointed_out(run):
    assert "give 45.009" in run("measure", "leg4.jpg", "--diameter", "1.772").stderr


def test_the_options_reach_the_measurement(run, monkeypatch):
    from bandscan.cli import running

    seen = []

    def keep(path, options):
        seen.append(options)
        return examples.measurement(file=str(path))

    monkeypatch.setattr(running, "measure_photo", keep)
    run(
        "measure", "leg4.jpg", "--diameter", "45.01", "--diameter-u", "0.02", "--lens", "l.json",
        "--scale", "rule", "--pitch", "1in/32", "--card", "c.toml", "--scale-height", "-3.5",
        "--end", "left", "--seal", "s.toml",
    )  # fmt: skip
    (options,) = seen
    assert options.diameter_mm == 45.01
    assert options.diameter_u_mm == 0.02
    assert options.lens_path == Path("l.json")
    assert options.scale == "rule"
    assert options.pitch_mm == pytest.approx(25.4 / 32.0)
    assert options.card_path == Path("c.toml")
    assert options.scale_height_mm == -3.5
    assert options.end_side == "left"
    assert options.seal_path == Path("s.toml")


def test_photos_of_one_name_do_not_overwrite_each_other(run, tmp_path):
    run("measure", "a/leg4.jpg", "b/leg4.jpg", "--out", "results")
    names = {path.name for path in (tmp_path / "results").iterdir()}
    assert {"leg4.json", "leg4-2.json", "leg4-bands.jpg", "leg4-2-bands.jpg"} <= names


@pytest.mark.parametrize("option", [["--out", "blocked/in"], ["--json", "blocked/x.json"]])
def test_a_place_that_cannot_be_written_is_a_sentence_after_the_result(run, tmp_path, option):
    (tmp_path / "blocked").write_text("a file where a folder should be")
    done = run("measure", "leg4.jpg", *option)
    assert done.exit_code == 4
    assert "12.430 ± 0.061" in done.stdout
    assert "cannot be written" in done.stderr
    assert "Traceback" not in done.output


def test_no_band_is_a_result(run, monkeypatch):
    from bandscan.cli import running

    nothing = examples.measurement(bands=(), landing=None)
    monkeypatch.setattr(running, "measure_photo", lambda *_: nothing)
    done = run("measure", "leg4.jpg")
    assert done.exit_code == 0
    assert "No polished band" in done.stdout


def test_check_says_what_is_poor_and_what_to_do(run):
    done = run("check", "leg4.jpg")
    assert done.exit_code == 0
    assert "POOR: Hold the camera still." in done.stdout
    refused = run("check", "no-scale.jpg", "--json", "-")
    assert refused.exit_code == 3
    assert json.loads(refused.stdout)["refusal"]["code"] == "no-scale"


def test_a_missing_system_library_is_explained():
    error = ImportError("libGL.so.1: cannot open shared object file: No such file or directory")
    sentence, status = faults.explain(error, verbose=False)
    assert status == 1
    assert "libGL.so.1" in sentence
    assert "apt-get install libgl1" in sentence


def nasty_files(folder: Path) -> list[Path]:
    grey = np.random.default_rng(3).integers(0, 255, (400, 600), dtype=np.uint8)
    whole = cv2.imencode(".jpg", grey)[1].tobytes()
    contents = {
        "empty.jpg": b"",
        "text.jpg": b"the gearbox at leg 4 drips again\n",
        "cut.jpg": whole[: len(whole) // 2],
        "tiny.png": cv2.imencode(".png", grey[:1, :1])[1].tobytes(),
        "wide.png": cv2.imencode(".png", np.zeros((10, 60_000), dtype=np.uint8))[1].tobytes(),
        "noise.jpg": whole,
        "deep.png": cv2.imencode(".png", grey.astype(np.uint16) * 257)[1].tobytes(),
    }
    for name, data in contents.items():
        (folder / name).write_bytes(data)
    (folder / "folder.jpg").mkdir()
    return [folder / name for name in [*contents, "folder.jpg", "absent.jpg"]]


def test_whatever_is_handed_in_there_is_no_traceback(tmp_path):
    """The whole program on nasty files: refused with 3 or 4, never a fault."""
    for path in nasty_files(tmp_path):
        done = subprocess.run(
            [sys.executable, "-m", "bandscan", "measure", str(path), "--diameter", "45"],
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode in (3, 4), (path.name, done.stderr)
        assert "Traceback" not in done.stderr + done.stdout
        assert len(done.stderr.strip().splitlines()) == 1, (path.name, done.stderr)
