"""A budget in words: what dominates it, and what would halve it."""

from __future__ import annotations

import textwrap

from bandscan.explanation import ADVICE, Explained, Explanation, Halving, Share
from bandscan.output.wording import CAUTION, plus_minus, rounded

_NAME, _CELL, _WIDTH = 32, 18, 92
_LEAST_SHARE = 0.0005  # of a variance: shown as 0.1 %
_OTHER_ADVICE = "look at where its number comes from (-v)"


def explanation_text(explanation: Explanation, *, origins: bool = False) -> str:
    """The budget of every band as lines of text.

    Parameters
    ----------
    explanation : Explanation
    origins : bool
        Adds where every number comes from.
    """
    lines = [explanation.photo]
    if not explanation.bands:
        lines.append("  No band was found, so there is no uncertainty to explain.")
    for number, band in enumerate(explanation.bands, start=1):
        lines += ["", f"  Band {number}", *_table(band), "", *_advice(band)]
    if origins:
        lines += ["", "  Where the numbers come from", *_origins(explanation)]
    return "\n".join([*lines, "", *_wrapped(CAUTION, "  ")])


def _table(band: tuple[Explained, ...]) -> list[str]:
    """Sources down, start, end and width across: standard uncertainty and share of variance."""
    heads = [f"{item.name.split()[-1]}" for item in band]
    results = [f"{plus_minus(item.estimate)}" for item in band]
    rows = [_row("", heads), _row("mm from the shaft end", results)]
    if all(item.interval_mm for item in band):
        rows.append(_row("by draws, 95 of 100 in", [_interval(item) for item in band]))
    rows.append(_row("made of (u, mm; share)", [""] * len(band)))
    sources = dict.fromkeys(
        share.source
        for item in sorted(band, key=lambda item: -item.estimate.u)
        for share in item.shares
    )
    for source in sources:
        cells = [_cell(item, source) for item in band]
        if any(cells):
            rows.append(_row(f"  {source}", cells))
    return rows


def _row(name: str, cells: list[str]) -> str:
    return f"    {name:<{_NAME}}{''.join(f'{cell:<{_CELL}}' for cell in cells)}".rstrip()


def _interval(item: Explained) -> str:
    assert item.interval_mm is not None
    low, high = (rounded(end, item.estimate.expanded)[0] for end in item.interval_mm)
    return f"{low} to {high}"


def _cell(item: Explained, source: str) -> str:
    for share in item.shares:
        if share.source == source and share.share >= _LEAST_SHARE:
            return f"{share.contribution_mm:.4f} {share.share:6.1%}"
    return ""


def _advice(band: tuple[Explained, ...]) -> list[str]:
    """What dominates and what would halve it; start and end together where they say the same."""
    lines: list[str] = []
    said: dict[str, list[str]] = {}
    for item in band:
        said.setdefault(_dominant(item), []).append(item.name.split()[-1])
    for words, names in said.items():
        lines += _wrapped(f"{' and '.join(names).capitalize()}: {words}", "    ")
    halvings: dict[tuple[str, ...], list[Explained]] = {}
    for item in band:
        if item.halving is not None:
            halvings.setdefault(
                tuple(share.source for share in item.halving.shares), []
            ).append(item)  # fmt: skip
    for items in halvings.values():
        lines += _halving_lines(items)
    return lines


def _dominant(item: Explained) -> str:
    first = item.shares[0]
    if first.share > 0.5:
        return f"mostly {first.source} ({first.share:.0%} of the variance)."
    second = item.shares[1]
    both = first.share + second.share
    return f"mostly {first.source} and {second.source} ({both:.0%} of the variance)."


def _halving_lines(items: list[Explained]) -> list[str]:
    names = " and ".join(item.name.split()[-1] for item in items)
    item = max(items, key=lambda item: item.estimate.u)
    halving = item.halving
    assert halving is not None
    sizes = ", ".join(f"±{_expanded(i)} to ±{_expanded(i, 0.5)}" for i in items)
    lines = _wrapped(f"To halve the margin of {names} ({sizes} mm):", "    ")
    for share in halving.shares:
        advice = ADVICE.get(share.source, _OTHER_ADVICE)
        lines += _wrapped(f"- {share.source}, {_goal(halving, share)}: {advice}.", "      ")
    return lines


def _goal(halving: Halving, share: Share) -> str:
    to = halving.factor
    goal = f"u from {share.contribution_mm:.2g} to {to * share.contribution_mm:.2g} mm"
    if share.input_u > 0.0 and share.unit not in ("mm", "1"):
        goal += f" (its inputs from {share.input_u:.2g} to {to * share.input_u:.2g} {share.unit})"
    elif share.unit == "mm" and abs(share.input_u - share.contribution_mm) > 1e-9:
        goal += f" (it itself from {share.input_u:.2g} to {to * share.input_u:.2g} mm)"
    return goal


def _expanded(item: Explained, part: float = 1.0) -> str:
    return rounded(0.0, part * item.estimate.expanded)[1]


def _origins(explanation: Explanation) -> list[str]:
    found: dict[str, str] = {}
    for band in explanation.bands:
        for item in band:
            for share in item.shares:
                found.setdefault(f"{share.source} (type {share.kind})", share.origin)
    return [
        line for name, origin in found.items() for line in _wrapped(f"{name}: {origin}", "    ")
    ]


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(
        text, _WIDTH, initial_indent=indent, subsequent_indent=f"{indent}  ",
        break_on_hyphens=False,
    )  # fmt: skip
