"""Does a cause that is doubled at its source double its line in the budget?

python -m tests.studies.doubling
"""

from __future__ import annotations

import argparse
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from bandscan.options import MeasureOptions
from bandscan.pipeline import measure_photo
from bandscan.result import Measurement
from calib.lensfile import read_lens, write_lens
from tests.scenes.chance import Wish, random_scene
from tests.scenes.compare import options_for
from tests.scenes.draw import photograph
from tests.scenes.model import Scene
from tests.studies.sections import put, table

_EDGE = "band 1 start"
WISH = Wish(
    difficulty="easy", distractors=False, scale="rule", height="level", contrast="strong",
    state_diameter=True, state_height=True, lens_file=True,
)  # fmt: skip


def stated_twice(options: MeasureOptions) -> dict[str, tuple[MeasureOptions, MeasureOptions]]:
    """What is stated with an uncertainty: as it is, and doubled.

    Diameter and scale each alone: of two, the one that is known worse is given less weight.
    """
    assert options.lens_path is not None
    lens = read_lens(options.lens_path)
    wide = options.lens_path.with_name("wide.json")
    write_lens(wide, replace(lens, covariance=4.0 * lens.covariance))
    by_diameter = replace(options, scale="none", scale_height_mm=None)
    by_scale = replace(options, diameter_mm=None)
    return {
        "diameter": (
            by_diameter,
            replace(by_diameter, diameter_u_mm=2.0 * by_diameter.diameter_u_mm),
        ),
        "scale height": (
            by_scale,
            replace(by_scale, scale_height_u_mm=2.0 * by_scale.scale_height_u_mm),
        ),
        "lens": (options, replace(options, lens_path=wide)),
    }


def seen_twice(scene: Scene) -> dict[tuple[str, str], Scene]:
    """(Cause, line that it should double): the scene with the cause doubled."""
    sensor, finish, bands = scene.sensor, scene.shaft.finish, scene.shaft.bands
    rough = replace(
        finish, slope_rms=2.0 * finish.slope_rms, rough_rms=2.0 * finish.rough_rms,
        reflectance_rms=2.0 * finish.reflectance_rms,
    )  # fmt: skip
    wide = tuple(replace(b, edge_width_mm=2.0 * b.edge_width_mm) for b in bands)
    return {
        ("streaks of the ground metal", "edge fit"): replace(
            scene, shaft=replace(scene.shaft, finish=rough)
        ),
        ("width of the band's edge", "edge definition"): replace(
            scene, shaft=replace(scene.shaft, bands=wide)
        ),
        ("noise of the sensor", "edge fit"): replace(
            scene,
            sensor=replace(
                sensor, full_well=sensor.full_well / 4.0, read_noise=2.0 * sensor.read_noise
            ),
        ),
        ("blur", "silhouettes"): replace(
            scene, sensor=replace(sensor, optics_sigma_px=2.0 * sensor.optics_sigma_px)
        ),
        ("blur", "end face"): replace(
            scene, sensor=replace(sensor, optics_sigma_px=2.0 * sensor.optics_sigma_px)
        ),
    }


def lines(result: Measurement) -> dict[str, float]:
    """Contributions to one edge, mm."""
    found = {x.source: x.contribution_mm for x in result.budget if x.edge == _EDGE}
    if found:
        found["U"] = result.bands[0].start.position_mm.expanded
    return found


def study(seeds: range) -> dict[tuple[str, str], list[float]]:
    """Ratios of each line with its cause doubled to that without, over the scenes."""
    ratios: dict[tuple[str, str], list[float]] = {}
    for seed in seeds:
        with tempfile.TemporaryDirectory() as made:
            pairs = measure_all(random_scene(seed, WISH), Path(made))
        for (cause, line), (before, now) in pairs.items():
            if before and now:
                ratios.setdefault((cause, line), []).append(now[line] / before[line])
                ratios.setdefault((cause, "U"), []).append(now["U"] / before["U"])
    return ratios


def measure_all(
    scene: Scene, folder: Path
) -> dict[tuple[str, str], tuple[dict[str, float], dict[str, float]]]:
    """By (cause, line): the lines as they are, and with the cause doubled."""
    options = options_for(scene, folder)
    path = photograph(scene, folder / "plain.jpg")
    pairs = {}
    for line, (as_it_is, changed) in stated_twice(options).items():
        pairs[(f"stated u of the {line}", line)] = (
            lines(measure_photo(path, as_it_is)),
            lines(measure_photo(path, changed)),
        )
    before = lines(measure_photo(path, options))
    for key, other in seen_twice(scene).items():
        changed_path = photograph(other, folder / "changed.jpg")
        pairs[key] = (before, lines(measure_photo(changed_path, options)))
    return pairs


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--scenes", type=int, default=4)
    parser.add_argument("--seed", type=int, default=401)
    arguments = parser.parse_args()
    ratios = study(range(arguments.seed, arguments.seed + arguments.scenes))
    rows = [
        [cause, line, f"{np.median(v):.2f}", f"{min(v):.2f} to {max(v):.2f}", str(len(v))]
        for (cause, line), v in ratios.items()
    ]
    for row in rows:
        print(row)
    put(
        "doubling",
        "## A cause doubled at its source\n\n    python -m tests.studies.doubling "
        f"--scenes {arguments.scenes} --seed {arguments.seed}\n\n"
        "Line of the budget (and U) with the cause doubled, over the same without; what is "
        "stated must double its line, what is seen need not, since other things share the line.\n\n"
        + table(["doubled", "line", "median ratio", "range", "scenes"], rows),
    )


if __name__ == "__main__":
    main()
