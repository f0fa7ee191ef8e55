"""Imports run one way: the levels below are the map that DEVELOPERS.md opens with."""

import ast
import graphlib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# From the bottom up: what a level is, and the modules in it. A module belongs to the
# longest name here that it begins with; it imports from its own level or a lower one.
LEVELS = [
    ("calib",),  # lens and scale; knows nothing of shafts, bands or drawing
    ("bandscan",),  # values that travel, and mathematics
    ("bandscan.steps",),  # stages of the work
    ("bandscan.pipeline", "bandscan.planning"),  # these alone know the order of the stages
    ("bandscan.output", "bandscan.records"),  # results as text and pictures; results kept
    ("bandscan.report",),  # page and PDF of one measurement
    ("bandscan.cli", "bandscan.__main__"),  # one module a command
]
LEVEL = {name: level for level, names in enumerate(LEVELS) for name in names}

# What the output may read: results and the values in them, no mathematics.
READABLE_NAMES = (
    "curves explanation model options result "  # of a measurement
    "attribution band_places planning remedies seal shaft_sheet stack_up "  # of a landing
    "records records.find records.history records.reading wear_growth"  # of a shaft over the years
)
READABLE = {"bandscan"} | {f"bandscan.{name}" for name in READABLE_NAMES.split()}  # + version

OUTPUT = "bandscan.output"
HEAVY = {"scipy", "skimage", "matplotlib"}  # too slow to load for the measuring path


def module_files() -> dict[str, Path]:
    files = {}
    for package in ("calib", "bandscan"):
        for path in sorted((ROOT / package).rglob("*.py")):
            parts = path.relative_to(ROOT).with_suffix("").parts
            files[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return files


FILES = module_files()


def imports_of(source: str) -> set[str]:
    """Every module that is imported, in functions too."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports hide the level"
            base = node.module or ""
            submodules = {f"{base}.{alias.name}" for alias in node.names}
            found |= (submodules & set(FILES)) or {base}
    return found


def ours(name: str) -> set[str]:
    found = imports_of(FILES[name].read_text())
    return {other for other in found if other.split(".")[0] in ("calib", "bandscan")} - {name}


def group_of(name: str) -> str:
    while name not in LEVEL:
        name = name.rpartition(".")[0]
    return name


@pytest.mark.parametrize("name", sorted(FILES))
def test_imports_go_down_only(name):
    level = LEVEL[group_of(name)]
    above = {other for other in ours(name) if LEVEL[group_of(other)] > level}
    assert not above, f"{name} imports {sorted(above)} from a higher level"


def test_no_module_leads_back_to_itself():
    order = graphlib.TopologicalSorter({name: ours(name) for name in FILES})
    order.prepare()  # raises CycleError and names the ring


@pytest.mark.parametrize("name", [name for name in FILES if name.startswith("bandscan.steps.")])
def test_a_step_imports_no_other_step(name):
    others = {other for other in ours(name) if other.startswith("bandscan.steps.")}
    assert not others, f"{name} imports {sorted(others)}; is a type missing in model.py?"


def test_only_those_who_know_the_order_use_the_steps():
    for name in FILES:
        steps = {other for other in ours(name) if other.startswith("bandscan.steps.")}
        if name.startswith("bandscan.cli."):
            steps.discard("bandscan.steps.photo")  # other commands read photos too
        assert not steps or group_of(name) in LEVELS[3], f"{name} imports {sorted(steps)}"


@pytest.mark.parametrize("name", [name for name in FILES if name.startswith("bandscan.output.")])
def test_output_reads_results_only(name):
    others = {other for other in ours(name) if not other.startswith((OUTPUT, "calib."))}
    assert others <= READABLE, f"{name} imports {sorted(others - READABLE)}"


@pytest.mark.parametrize("name", sorted(FILES))
def test_nothing_heavy_is_loaded_with_a_module(name):
    tree = ast.parse(FILES[name].read_text())
    top = ast.Module(
        body=[node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)],
        type_ignores=[],
    )
    loaded = {other.split(".")[0] for other in imports_of(ast.unparse(top))}
    assert not loaded & HEAVY, "import it inside the function that needs it"


def test_a_wrong_import_would_be_noticed():
    source = "def f():\n    from bandscan.steps import photo\n"
    assert imports_of(source) == {"bandscan.steps.photo"}
    assert group_of("bandscan.steps.photo") == "bandscan.steps"
    assert LEVEL[group_of("bandscan.result")] < LEVEL[group_of("bandscan.cli.measure")]
