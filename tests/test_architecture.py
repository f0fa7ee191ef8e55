"""Imports run one way. The table below is the map; a module that is not on it fails here."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# From the bottom up. A module imports only from rows above its own in this table, that is
# from lower levels, never from its own row.
LEVELS = [
    # calib: lens and scale; knows nothing of shafts, bands or drawing
    "calib calib.errors calib.quantity calib.light calib.camera calib.filestorage",
    "calib.lens calib.board calib.corner_fit calib.plane_map calib.scale calib.rule_law "
    "calib.rule_pitch calib.rule_search",
    "calib.exif calib.lensfile calib.find_board calib.bundle calib.rule_marks",
    "calib.calibrate calib.find_rule",
    # bandscan: values and mathematics
    "bandscan bandscan.options bandscan.orientation bandscan.normal bandscan.errors "
    "bandscan.cylinder bandscan.toml_table bandscan.outline_search",
    "bandscan.model bandscan.seal bandscan.chain bandscan.end_shape bandscan.band_places",
    "bandscan.result bandscan.sampling bandscan.soft_step bandscan.band_search bandscan.end_fit "
    "bandscan.stack_up",
    "bandscan.curves bandscan.edge_fit bandscan.end_search",
    # steps of the measurement; results as text and pictures
    "bandscan.steps bandscan.steps.photo bandscan.steps.shaft bandscan.steps.end_face "
    "bandscan.steps.unwrap bandscan.steps.bands bandscan.steps.notches bandscan.steps.scales "
    "bandscan.steps.budget bandscan.steps.quality bandscan.steps.landing "
    "bandscan.output bandscan.output.drawing bandscan.output.files bandscan.output.wording",
    "bandscan.pipeline bandscan.output.labels bandscan.output.result_json bandscan.output.table "
    "bandscan.output.lens_picture",
    "bandscan.output.legend bandscan.output.strip",
    "bandscan.output.overlay",
    # command line: one module a command
    "bandscan.cli.faults bandscan.cli.asking",
    "bandscan.cli bandscan.cli.running",
    "bandscan.cli.measure bandscan.cli.check bandscan.cli.lens bandscan.cli.demo "
    "bandscan.__main__",
]
LEVEL = {name: level for level, names in enumerate(LEVELS) for name in names.split()}

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


def ours(names: set[str]) -> set[str]:
    return {name for name in names if name.split(".")[0] in ("calib", "bandscan")}


def test_every_module_is_on_the_map():
    assert sorted(set(FILES) - set(LEVEL)) == [], "add these to LEVELS at the level they belong"
    assert sorted(set(LEVEL) - set(FILES)) == [], "these are gone; take them off LEVELS"


@pytest.mark.parametrize("name", sorted(FILES))
def test_imports_go_down_only(name):
    for other in ours(imports_of(FILES[name].read_text())):
        if other == "bandscan" or (name.startswith(f"{other}.") and other in FILES):
            continue  # the version; a package's own docstring module
        assert LEVEL[other] < LEVEL[name], f"{name} imports {other}, which is not below it"


@pytest.mark.parametrize("name", [name for name in FILES if name.startswith("calib")])
def test_calib_knows_nothing_of_bandscan(name):
    assert not any(other.startswith("bandscan") for other in imports_of(FILES[name].read_text()))


def test_no_step_imports_another_and_only_the_pipeline_knows_their_order():
    for name, path in FILES.items():
        steps = {other for other in imports_of(path.read_text()) if ".steps." in other}
        if name.startswith("bandscan.cli."):
            steps.discard("bandscan.steps.photo")  # other commands read photos too
        assert not steps or name == "bandscan.pipeline", f"{name} imports {sorted(steps)}"


def test_output_reads_results_only():
    values = "curves model result seal stack_up"
    allowed = {f"bandscan.{name}" for name in values.split()}
    for name, path in FILES.items():
        if name.startswith("bandscan.output."):
            others = {
                other
                for other in ours(imports_of(path.read_text()))
                if not other.startswith(("bandscan.output", "calib."))
            }
            assert others <= allowed, f"{name} imports {sorted(others - allowed)}"


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
    assert LEVEL["bandscan.steps.photo"] < LEVEL["bandscan.pipeline"]
