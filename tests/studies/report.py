"""From the outcomes of the coverage study to the tables and plots of README.md."""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from scipy import optimize, stats

from tests.studies.sections import FIGURES, put, table

Record = dict[str, Any]
Edges = list[Record]

GROSS_MM = 0.5  # an error beyond it is a mistake, not a scatter
LEAST_EDGES = 60  # a class with fewer says little
_RESAMPLES = 2000
_CONTRAST_BINS = (0.0, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.6, 10.0)
_STATED_BINS = (0.0, 0.5, 0.75, 1.0, 4.0 / 3.0, 2.0, 10.0)  # contrast over the least one stated
_PARTS = (("zero", "shaft end"), ("geometry", "scale, lens and pose"), ("reading", "edge itself"))


def write_report(records: list[Record]) -> None:
    """Make the section and the figures of the coverage study."""
    measured = [r for r in records if r.get("refusal") is None and "fault" not in r]
    edges = [
        {**edge, "scene": (r["set"], r["seed"]), **{k: r[k] for k in ("difficulty", "lens")},
         "scale": r["scale"], "stated": r["stated"]}
        for r in measured for edge in r["edges"]
    ]  # fmt: skip
    widths = [
        {"error_mm": error, "expanded_mm": expanded, "scene": (r["set"], r["seed"])}
        for r in measured for error, expanded in r["widths"]
    ]  # fmt: skip
    FIGURES.mkdir(exist_ok=True)
    text = [
        "## Coverage of the stated uncertainties\n",
        _preface(records),
        "### What must hold\n",
        _must_hold(records, measured, edges),
        "### Coverage by class\n",
        _coverage(edges, widths),
        "### Where the errors arise\n",
        _parts(edges),
        "### What was refused\n",
        _refusals(records),
        "### Bands found against their contrast\n",
        _detection(measured),
        "### Bands found that are none\n",
        _false_bands(measured),
        "### The worst\n",
        _worst(edges),
    ]
    put("coverage", "\n".join(text))
    _draw(edges, measured)


def interval(held: int, count: int) -> tuple[float, float]:
    """Clopper-Pearson 95 % interval of a proportion."""
    low = stats.beta.ppf(0.025, held, count - held + 1) if held else 0.0
    high = stats.beta.ppf(0.975, held + 1, count - held) if held < count else 1.0
    return float(low), float(high)


def _preface(records: list[Record]) -> str:
    counts = Counter(r["set"] for r in records)
    seeds = [r["seed"] for r in records if r["set"] == "mixed"]
    return (
        f"{counts['mixed']} scenes of all kinds (seeds {min(seeds)} to {max(seeds)}), "
        f"{counts['bare']} of shafts without bands and {counts['contrast']} of bands of any "
        "contrast, ray-cast by `tests/scenes` at 2600 x 1950 px. Made by\n\n"
        f"    python -m tests.studies.coverage --scenes {counts['mixed']} --processes 2 "
        f"--seed {min(seeds)} --out outcomes.jsonl\n"
        "    python -m tests.studies.coverage --report outcomes.jsonl\n"
    )


def _must_hold(records: list[Record], measured: list[Record], edges: Edges) -> str:
    """The project's own limits against what was found; nothing is left out that fails."""
    held = np.array([abs(e["error_mm"]) <= e["expanded_mm"] for e in edges])
    rmse = math.sqrt(float(np.mean([e["error_mm"] ** 2 for e in edges])))
    ratio = float(np.mean([e["expanded_mm"] for e in edges])) / (2.0 * rmse)
    classes = {
        name: held[[chosen(e) for e in edges]] for name, chosen in _classes() if name != "all"
    }
    shares = {n: float(h.mean()) for n, h in classes.items() if len(h) >= LEAST_EDGES}
    worst = min(shares, key=lambda name: shares[name], default="")
    bare = [r for r in measured if r["set"] == "bare"]
    false = sum(len(r["false_bands"]) for r in bare)
    unsaid = sum(e["contrast"] == "barely" and not ok for e, ok in zip(edges, held, strict=True))
    rows = [
        ["coverage of 95 % intervals, %", "93 to 98", f"{100 * held.mean():.1f}",
         _yes(0.93 <= held.mean() <= 0.98)],
        [f"least coverage of a class of {LEAST_EDGES} edges or more, %", "90 or more",
         f"{100 * shares[worst]:.1f} ({worst})" if worst else "no class so large",
         _yes(shares[worst] >= 0.90) if worst else "too few"],
        ["mean U / 2 RMSE", "0.8 to 1.5", f"{ratio:.2f}", _yes(0.8 <= ratio <= 1.5)],
        ["false bands on shafts without any", "none in 200 scenes",
         f"{false} in {len(bare)} measured of {sum(r['set'] == 'bare' for r in records)}",
         _yes(not false and len(bare) >= 200)],
        ["barely visible edges that were found outside their interval", "none",
         str(unsaid), _yes(not unsaid)],
        ["faults of the program", "none", str(sum("fault" in r for r in records)),
         _yes(not any("fault" in r for r in records))],
    ]  # fmt: skip
    return table(["what", "limit", "found", "holds"], rows) + "\n"


def _yes(holds: object) -> str:
    return "yes" if holds else "**no**"


def _classes() -> list[tuple[str, Callable[[Record], bool]]]:
    classes: list[tuple[str, Callable[[Record], bool]]] = [("all", lambda e: True)]
    classes += [(d, lambda e, d=d: e["difficulty"] == d) for d in ("easy", "typical", "hard")]
    classes += [
        ("lens file", lambda e: e["lens"] == "file"),
        ("EXIF only", lambda e: e["lens"] == "exif"),
        ("rule", lambda e: e["scale"] == "rule"),
        ("card", lambda e: e["scale"] == "card"),
        ("diameter alone", lambda e: e["scale"] == "none"),
        ("height, no diameter", lambda e: e["stated"] == "height"),
        ("height and diameter", lambda e: e["stated"] == "both"),
    ]
    classes += [
        (f"{c} band", lambda e, c=c: e["contrast"] == c)
        for c in ("strong", "medium", "weak", "barely")
    ]
    return classes


def _coverage(edges: Edges, widths: Edges) -> str:
    rows = [_coverage_row(name, [e for e in edges if chosen(e)]) for name, chosen in _classes()]
    rows.append(_coverage_row("widths of bands", widths))
    note = (
        "\nU is the stated expanded uncertainty (95 %). The first interval is the binomial one "
        "(Clopper-Pearson), the second allows for edges of one photo sharing their errors "
        f"(bootstrap over scenes). Classes with fewer than {LEAST_EDGES} edges say little. "
        f"Gross: beyond {GROSS_MM} mm. Errors in mm.\n\n"
        "![errors against U](figures/error_against_u.png)\n"
    )
    head = ["class", "edges", "held %", "binomial", "by scene", "bias", "RMSE", "median abs",
            "95 % abs", "median U", "mean U / 2 RMSE", "gross"]  # fmt: skip
    return table(head, [row for row in rows if row]) + "\n" + note


def _coverage_row(name: str, edges: Edges) -> list[str]:
    if not edges:
        return []
    error = np.array([e["error_mm"] for e in edges])
    expanded = np.array([e["expanded_mm"] for e in edges])
    held = np.abs(error) <= expanded
    low, high = interval(int(held.sum()), len(edges))
    by_scene = _resampled(edges, held)
    rmse = float(np.sqrt((error**2).mean()))
    return [
        name, str(len(edges)), f"{100 * held.mean():.1f}", f"{100 * low:.0f}-{100 * high:.0f}",
        f"{100 * by_scene[0]:.0f}-{100 * by_scene[1]:.0f}", f"{error.mean():+.3f}", f"{rmse:.3f}",
        f"{np.median(np.abs(error)):.3f}", f"{np.quantile(np.abs(error), 0.95):.3f}",
        f"{np.median(expanded):.3f}", f"{expanded.mean() / (2.0 * rmse):.2f}",
        str(int((np.abs(error) > GROSS_MM).sum())),
    ]  # fmt: skip


def _resampled(edges: Edges, held: np.ndarray) -> tuple[float, float]:
    scenes: dict[tuple[str, int], list[bool]] = {}
    for edge, ok in zip(edges, held, strict=True):
        scenes.setdefault(edge["scene"], []).append(bool(ok))
    good = np.array([sum(v) for v in scenes.values()])
    count = np.array([len(v) for v in scenes.values()])
    pick = np.random.default_rng(0).integers(0, len(good), (_RESAMPLES, len(good)))
    share = good[pick].sum(axis=1) / count[pick].sum(axis=1)
    return float(np.quantile(share, 0.025)), float(np.quantile(share, 0.975))


def _parts(edges: Edges) -> str:
    rows = []
    for key, name in _PARTS:
        error = np.array([e[f"{key}_error_mm"] for e in edges])
        u = np.array([e[f"{key}_u_mm"] for e in edges])
        pull = error / u
        rows.append(
            [
                name, f"{error.mean():+.3f}", f"{np.sqrt((error**2).mean()):.3f}",
                f"{np.median(np.abs(error)):.3f}", f"{np.median(u):.3f}",
                f"{np.median(np.abs(pull)) / 0.6745:.2f}", f"{np.sqrt((pull**2).mean()):.2f}",
                f"{100 * (np.abs(pull) <= 2).mean():.0f}",
            ]
        )  # fmt: skip
    note = (
        "\nThe error of an edge split by `tests/scenes/compare.py`. A part that is stated rightly "
        "has a spread of error / u of 1 (robust, from the median; and rms) and 95 % within 2 u.\n"
    )
    head = ["part", "bias", "RMS error", "median abs", "median u", "spread / u", "rms / u",
            "within 2 u %"]  # fmt: skip
    return table(head, rows) + "\n" + note


def _refusals(records: list[Record]) -> str:
    rows = []
    for name in ("easy", "typical", "hard"):
        chosen = [r for r in records if r.get("difficulty") == name]
        codes = Counter(r["refusal"] for r in chosen if r["refusal"])
        share = 100.0 * sum(codes.values()) / max(1, len(chosen))
        rows.append(
            [name, str(len(chosen)), f"{share:.0f}",
             ", ".join(f"{code} {count}" for code, count in codes.most_common()) or "none"]
        )  # fmt: skip
    faults = [r for r in records if "fault" in r]
    note = f"\nFaults of the program (traceback): {len(faults)}.\n"
    note += "".join(f"\n- {r['set']} {r['seed']}: `{r['fault']}`" for r in faults[:5])
    return table(["class", "scenes", "refused %", "codes"], rows) + "\n" + note + "\n"


def _found_by_bins(values: np.ndarray, found: np.ndarray, bins: Sequence[float]) -> list[list[str]]:
    rows = []
    for low, high in itertools.pairwise(bins):
        chosen = (values >= low) & (values < high)
        if chosen.any():
            bounds = interval(int(found[chosen].sum()), int(chosen.sum()))
            rows.append(
                [f"{low:.2f} to {high:.2f}" if high < 5 else f"over {low:.2f}",
                 str(int(chosen.sum())), f"{100 * found[chosen].mean():.0f}",
                 f"{100 * bounds[0]:.0f}-{100 * bounds[1]:.0f}"]
            )  # fmt: skip
    return rows


def _stated_contrast(measured: list[Record]) -> str:
    """Do photos say rightly what contrast a band needs?"""
    pairs = [
        (contrast / r["least_contrast"], found)
        for r in measured if r.get("least_contrast")
        for _, _, contrast, found in r["bands"]
    ]  # fmt: skip
    ratio, found = np.array(pairs).T if pairs else np.zeros((2, 0))
    words = (
        "\nContrast of a band over the one at which, by the result, half are found on that photo "
        "(`least_contrast`). Its scale was fitted to other seeds.\n\n"
    )
    rows = _found_by_bins(ratio, found > 0.5, _STATED_BINS)
    return words + table(["contrast / stated", "bands", "found %", "binomial"], rows)


def _detection(measured: list[Record]) -> str:
    contrast, found = _seen(measured)
    rows = _found_by_bins(contrast, found, _CONTRAST_BINS)
    middle, steep, top = fit_curve(contrast, found)
    points = ", ".join(
        f"{100 * p:.0f} % at {c:.2f}" if math.isfinite(c) else f"{100 * p:.0f} % is not reached"
        for p, c in ((p, _contrast_for(p, middle, steep, top)) for p in (0.5, 0.95))
    )
    note = (
        "\nContrast: relative change of linear light from beside the band to inside it, rms over "
        "the 90 degrees that face the camera. Of photos that were measured. Logistic curve over "
        f"the logarithm of contrast: {points}; far above it {100 * top:.0f} % are found.\n"
        "\n![detection](figures/detection.png)\n"
    )
    found_by_contrast = table(["contrast", "bands", "found %", "binomial"], rows)
    return found_by_contrast + "\n" + note + _stated_contrast(measured)


def _seen(measured: list[Record]) -> tuple[np.ndarray, np.ndarray]:
    bands = [band for r in measured for band in r["bands"]]
    return np.array([b[2] for b in bands]), np.array([bool(b[3]) for b in bands])


def fit_curve(contrast: np.ndarray, found: np.ndarray) -> tuple[float, float, float]:
    """Maximum likelihood of P = top / (1 + (middle / contrast)^steep)."""

    def cost(p: np.ndarray) -> float:
        top = 1.0 / (1.0 + math.exp(-p[2]))
        chance = top / (1.0 + np.exp(-math.exp(p[1]) * (np.log(contrast) - p[0])))
        chance = np.clip(chance, 1e-6, 1.0 - 1e-6)
        return float(-np.log(np.where(found, chance, 1.0 - chance)).sum())

    best = optimize.minimize(cost, [math.log(0.15), math.log(3.0), 3.0], method="Nelder-Mead").x
    return math.exp(best[0]), math.exp(best[1]), 1.0 / (1.0 + math.exp(-best[2]))


def _contrast_for(share: float, middle: float, steep: float, top: float) -> float:
    return middle * (top / share - 1.0) ** (-1.0 / steep) if share < top else math.inf


def _false_bands(measured: list[Record]) -> str:
    rows = []
    for name, what in (("bare", "no bands, grooves and stains"), ("mixed", "of all kinds"),
                       ("contrast", "bands of any contrast")):  # fmt: skip
        chosen = [r for r in measured if r["set"] == name]
        wrong = [r for r in chosen if r["false_bands"]]
        rows.append(
            [what, str(len(chosen)), str(sum(len(r["false_bands"]) for r in wrong)),
             str(len(wrong)), ", ".join(str(r["seed"]) for r in wrong[:12])]
        )  # fmt: skip
    return table(["scenes", "measured", "false bands", "in scenes", "seeds"], rows) + "\n"


def _worst(edges: Edges) -> str:
    rows = []
    seen: set[object] = set()
    for edge in sorted(edges, key=lambda e: -abs(e["error_mm"]) / e["expanded_mm"]):
        if edge["scene"] in seen or len(seen) >= 12:
            continue
        seen.add(edge["scene"])
        rows.append(
            [f"{edge['scene'][0]} {edge['seed']}", edge["difficulty"], edge["contrast"],
             f"{edge['error_mm']:+.3f}", f"{edge['expanded_mm']:.3f}"]
            + [f"{edge[f'{key}_error_mm']:+.3f} ({edge[f'{key}_u_mm']:.3f})" for key, _ in _PARTS]
        )  # fmt: skip
    head = ["scene", "class", "band", "error", "U", "of it: end (u)", "scale (u)", "edge (u)"]
    return table(head, rows) + "\n"


def _draw(edges: Edges, measured: list[Record]) -> None:
    from matplotlib.figure import Figure

    figure = Figure(figsize=(5.0, 3.2), layout="constrained")
    axes = figure.subplots()
    contrast, found = _seen(measured)
    at = np.geomspace(max(0.01, contrast.min()), contrast.max(), 200)
    middle, steep, top = fit_curve(contrast, found)
    axes.plot(at, top / (1.0 + (middle / at) ** steep), color="#0072B2")
    jitter = np.random.default_rng(0).uniform(-0.02, 0.02, found.size)
    axes.plot(contrast, found + jitter, ".", ms=3, color="#555555", alpha=0.5)
    axes.set(
        xscale="log", xlabel="contrast (rms, linear light)", ylabel="found", ylim=(-0.05, 1.05)
    )
    figure.savefig(FIGURES / "detection.png", dpi=110)
    figure = Figure(figsize=(5.0, 3.6), layout="constrained")
    axes = figure.subplots()
    for name, colour in (("easy", "#009E73"), ("typical", "#0072B2"), ("hard", "#D55E00")):
        chosen: Sequence[Record] = [e for e in edges if e["difficulty"] == name]
        axes.plot(
            [e["expanded_mm"] for e in chosen], [max(1e-4, abs(e["error_mm"])) for e in chosen],
            ".", ms=4, color=colour, alpha=0.6, label=name,
        )  # fmt: skip
    axes.plot([0.01, 3.0], [0.01, 3.0], color="black", lw=1)
    axes.set(xscale="log", yscale="log", xlabel="stated U, mm", ylabel="|error|, mm")
    axes.legend(frameon=False)
    figure.savefig(FIGURES / "error_against_u.png", dpi=110)
