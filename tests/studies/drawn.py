"""Coverage on path-traced photos of shafts drawn by seed.

    python sample_images/random_shots.py 9100 9140 --out drawn
    python -m tests.studies.drawn drawn

Renderer and shots share no code with what is measured, and no threshold was chosen by these seeds.
"""

from __future__ import annotations

import argparse
import json
import math
import tempfile
from collections import Counter
from pathlib import Path

import numpy as np

from tests.studies.rendered import Edge, Outcome, calibrated, measured, ways
from tests.studies.report import interval
from tests.studies.sections import put, table

_CLEAR = 0.5  # strength from which a band is clear: half as smooth again as the sample bands


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    by_way: dict[str, list[Outcome]] = {}
    bands: list[tuple[float, bool]] = []
    photos = sorted(folder.glob("random_*.jpg"))
    with tempfile.TemporaryDirectory() as made:
        lens = calibrated(Path(made))
        for photo in photos:
            truth = json.loads(photo.with_suffix(".json").read_text(encoding="utf-8"))
            for known, options in ways(truth, photo, lens):
                outcome = measured(photo, truth, known, options)
                by_way.setdefault(known, []).append(outcome)
                print(photo.stem, known, outcome.refusal or "measured", flush=True)
                if known.startswith("diameter") and not outcome.refusal:
                    found = {int(edge.which.split()[0]) - 1 for edge in outcome.edges}
                    bands += [(b["strength"], k in found) for k, b in enumerate(truth["bands"])]
    put("drawn", section(len(photos), by_way, bands))


def section(photos: int, by_way: dict[str, list[Outcome]], bands: list[tuple[float, bool]]) -> str:
    head = [
        "known", "photos", "refused", "edges", "held", "median error, mm", "95 %, mm",
        "mean U, mm", "mean U / 2 RMSE", "false bands",
    ]  # fmt: skip
    rows = [_row(known, outcomes) for known, outcomes in sorted(by_way.items())]
    rows.append(_row("all", [o for outcomes in by_way.values() for o in outcomes]))
    shares = [
        f"{sum(found for _, found in part)} of {len(part)}"
        for part in (
            [b for b in bands if b[0] >= _CLEAR],
            [b for b in bands if b[0] < _CLEAR],
        )
    ]
    refusals = Counter(o.refusal for outcomes in by_way.values() for o in outcomes if o.refusal)
    return (
        "## Path-traced photos drawn by seed\n\n"
        "    python sample_images/random_shots.py 9100 9140 --out drawn\n"
        "    python -m tests.studies.drawn drawn\n\n"
        f"{photos} photos; the end lies in all of them. Each is measured with what may be known of "
        "it.\n\n" + table(head, rows) + "\n\n"
        f"Bands of strength {_CLEAR} and more found where the diameter is known: {shares[0]}; "
        f"fainter ones: {shares[1]}. Refusals: "
        + ", ".join(f"{code} {count}" for code, count in refusals.most_common())
        + ".\n"
    )


def _row(known: str, outcomes: list[Outcome]) -> list[str]:
    edges: list[Edge] = [edge for outcome in outcomes for edge in outcome.edges]
    refused = sum(bool(outcome.refusal) for outcome in outcomes)
    cells = [known, str(len(outcomes)), str(refused), str(len(edges))]
    if edges:
        errors = np.abs([edge.error_mm for edge in edges])
        held = sum(edge.held for edge in edges)
        low, high = interval(held, len(edges))
        expanded = float(np.mean([edge.expanded_mm for edge in edges]))
        rmse = math.sqrt(float((errors**2).mean()))
        cells += [
            f"{held / len(edges):.1%} ({low:.0%} to {high:.0%})", f"{np.median(errors):.3f}",
            f"{np.quantile(errors, 0.95):.3f}", f"{expanded:.3f}", f"{expanded / 2.0 / rmse:.2f}",
        ]  # fmt: skip
    else:
        cells += ["-"] * 5
    return [*cells, str(sum(outcome.false for outcome in outcomes))]


if __name__ == "__main__":
    main()
