"""What the documents promise is what the code does."""

import doctest
import importlib
import pkgutil
import re
from pathlib import Path

import pytest

import bandscan
import calib
from bandscan.cli import COMMANDS
from bandscan.cli.faults import SYSTEM_PACKAGES
from calib.errors import MeasureError

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text()
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text()

# Codes that never stand in a refusal: a result that cannot be written, a set of board photos
# that fixes no lens, records that cannot be used, a result that is not kept.
NOT_REFUSALS = {"unwritable", "calibration", "records", "not-kept"}


MODULES = [
    module.name
    for package in (calib, bandscan)
    for module in pkgutil.walk_packages(package.__path__, f"{package.__name__}.")
    if not module.name.endswith("__main__")
]


@pytest.mark.parametrize("name", MODULES)
def test_the_examples_in_docstrings_hold(name):
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def error_classes() -> list[type[MeasureError]]:
    for name in MODULES:
        importlib.import_module(name)
    found, rest = [], [MeasureError]
    while rest:
        children = rest.pop().__subclasses__()
        found += children
        rest += children
    return found


def test_the_documented_codes_are_those_of_the_error_classes():
    documented = dict(re.findall(r"^\| `([a-z-]+)` \| (\d) \|", DEVELOPERS, re.MULTILINE))
    actual = {c.code: str(c.exit_status) for c in error_classes() if c.code not in NOT_REFUSALS}
    assert documented == actual


def test_ci_runs_the_readmes_test_command():
    commands = re.findall(r"^sudo apt-get install .* && (python3 -m venv .*)$", README, re.M)
    assert len(commands) == 2
    assert commands[1] in (ROOT / ".ci" / "run").read_text()
    assert "pytest" in commands[1]
    assert commands[0].endswith("bandscan demo")


def test_readme_and_program_name_the_same_system_packages():
    (names,) = set(re.findall(r"apt-get install -y python3-venv ([a-z0-9. -]+) &&", README))
    assert names == SYSTEM_PACKAGES
    ci = (ROOT / ".ci" / "run").read_text()
    assert all(f"missing+=({name})" in ci for name in names.split())


def test_the_readme_names_every_command():
    assert all(f"bandscan {command}" in README for command in COMMANDS)


def test_the_readme_carries_the_cautions():
    for words in ("lock it out", "razor-sharp", "fumes, skin", "seal maker's data"):
        assert words in README
