"""Coverage on the physically rendered photos of sample_images/, whose renderer shares no code.

python -m tests.studies.rendered
"""

from __future__ import annotations

import json
import math
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bandscan.cli import main as main_command
from bandscan.options import MeasureOptions
from bandscan.pipeline import measure_photo
from tests.studies.report import interval
from tests.studies.sections import put, table

SAMPLES = Path(__file__).parents[2] / "sample_images"
OVERLAP = 0.3  # intersection over union from which a found band is the true one
_SAME_LENS = 1e-3  # focal lengths in widths of the picture: as the board photos


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """One edge that was found: error and expanded uncertainty, mm."""

    photo: str
    known: str
    which: str
    error_mm: float
    expanded_mm: float

    @property
    def held(self) -> bool:
        return abs(self.error_mm) <= self.expanded_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One photo measured in one way."""

    photo: str
    known: str
    refusal: str
    edges: tuple[Edge, ...]
    missed: int
    false: int


def calibrated(folder: Path) -> Path:
    """A lens file from the board photos."""
    path = folder / "lens.json"
    photos = [str(photo) for photo in sorted(SAMPLES.glob("lens_*.jpg"))]
    board = ["--board", str(SAMPLES / "board.toml"), "--out", str(path)]
    main_command(["lens", *photos, *board], standalone_mode=False)
    return path


def ways(truth: dict[str, Any], photo: Path, lens: Path) -> Iterator[tuple[str, MeasureOptions]]:
    """What may be known of a photo, in words and as options; all that is stated is the truth."""
    kind = truth["scale"]["kind"]
    card = SAMPLES / "card.toml" if kind == "card" else None
    diameter = truth["shaft"]["diameter_mm"]
    files = {"EXIF only": None}
    if _is_that_of_the_boards(truth["camera"]):
        files["lens file"] = lens
    for words, path in files.items():
        yield (
            f"diameter, {words}",
            MeasureOptions(diameter_mm=diameter, lens_path=path, card_path=card),
        )
        if kind != "none":
            height = truth["scale"]["plane_height_rel_axis_mm"]
            yield (
                f"{kind} at its height, {words}",
                MeasureOptions(scale_height_mm=height, lens_path=path, card_path=card),
            )


def _is_that_of_the_boards(camera: dict[str, Any]) -> bool:
    board = json.loads((SAMPLES / "lens_01.json").read_text(encoding="utf-8"))["camera"]
    of = [lens["fx_px"] / lens["width_px"] for lens in (camera, board)]
    return abs(of[0] - of[1]) < _SAME_LENS * of[1]


def measured(photo: Path, truth: dict[str, Any], known: str, options: MeasureOptions) -> Outcome:
    result = measure_photo(photo, options)
    true = [(b["start_facing_mm"], b["end_facing_mm"]) for b in truth["bands"]]
    edges: list[Edge] = []
    seen: set[int] = set()
    for band in result.bands:
        found = band.start.position_mm, band.end.position_mm
        shares = [_overlap((found[0].value, found[1].value), other) for other in true]
        best = int(np.argmax(shares)) if shares else -1
        if best < 0 or shares[best] < OVERLAP or best in seen:
            continue
        seen.add(best)
        for estimate, value, which in zip(found, true[best], ("start", "end"), strict=True):
            edges.append(
                Edge(
                    photo=photo.stem, known=known, which=f"{best + 1} {which}",
                    error_mm=estimate.value - value, expanded_mm=float(estimate.expanded),
                )
            )  # fmt: skip
    refused = "" if result.refusal is None else result.refusal.code
    return Outcome(
        photo=photo.stem, known=known, refusal=refused, edges=tuple(edges),
        missed=0 if refused else len(true) - len(seen), false=len(result.bands) - len(seen),
    )  # fmt: skip


def _overlap(a: tuple[float, float], b: tuple[float, float]) -> float:
    shared = min(a[1], b[1]) - max(a[0], b[0])
    return max(0.0, shared) / (max(a[1], b[1]) - min(a[0], b[0]))


def main() -> None:
    outcomes = []
    with tempfile.TemporaryDirectory() as made:
        lens = calibrated(Path(made))
        for photo in sorted(SAMPLES.glob("elevator_*.jpg")):
            truth = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))
            for known, options in ways(truth, photo, lens):
                outcomes.append(measured(photo, truth, known, options))
                print(outcomes[-1].photo, outcomes[-1].known, outcomes[-1].refusal or "measured")
    put("rendered", section(outcomes))


def section(outcomes: list[Outcome]) -> str:
    rows = [
        [
            o.photo, o.known, o.refusal or "-", str(o.missed), str(o.false),
            " ".join(f"{e.error_mm:+.2f}" for e in o.edges),
            " ".join(f"{e.expanded_mm:.2f}" for e in o.edges),
            f"{sum(e.held for e in o.edges)} of {len(o.edges)}",
        ]
        for o in outcomes
    ]  # fmt: skip
    head = ["photo", "known", "refused", "missed", "false", "errors, mm", "U, mm", "held"]
    edges = [e for o in outcomes for e in o.edges]
    return (
        "## Physically rendered photos\n\n    python -m tests.studies.rendered\n\n"
        "The photos of `sample_images/` measured with what may be known of each; edges start, end "
        "of every band in turn.\n\n" + table(head, rows) + "\n\n" + _summary(edges)
    )


def _summary(edges: list[Edge]) -> str:
    if not edges:
        return "No edge was found.\n"
    held = sum(e.held for e in edges)
    low, high = interval(held, len(edges))
    rmse = math.sqrt(sum(e.error_mm**2 for e in edges) / len(edges))
    expanded = sum(e.expanded_mm for e in edges) / len(edges)
    return (
        f"{held} of {len(edges)} intervals hold the truth ({held / len(edges):.1%}; binomial "
        f"{low:.0%} to {high:.0%}, though edges of one photo share their errors). RMSE "
        f"{rmse:.3f} mm, mean U {expanded:.3f} mm, mean U / 2 RMSE {expanded / (2.0 * rmse):.2f}.\n"
    )


if __name__ == "__main__":
    main()
