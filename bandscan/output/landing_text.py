"""Landing, attribution and shaft sheet as text in a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence

from bandscan.attribution import Attribution
from bandscan.output.landing_words import (
    lip_lines,
    shift_in_hundredths,
    shift_lines,
    stack_up_lines,
)
from bandscan.output.wording import CAUTION
from bandscan.planning import Plan
from bandscan.remedies import Remedy
from bandscan.shaft_sheet import ShaftSheet

WIDTH = 96  # columns of a usual terminal, with a little to spare


def plans_text(plans: Sequence[Plan], *, stack_up: bool = False) -> str:
    """All candidates, then side by side."""
    lines: list[str] = []
    for plan in plans:
        lines += [*_plan_lines(plan, stack_up=stack_up), ""]
    if len(plans) > 1:
        lines += [*_side_by_side(plans), ""]
    lines += _wrapped(f"Caution: {CAUTION}", "  ")
    return "\n".join(lines)


def _plan_lines(plan: Plan, *, stack_up: bool) -> Iterator[str]:
    yield f"{plan.seal.label} ({plan.file}), mm from the shaft end"
    yield from lip_lines(plan.landing.lips)
    yield ""
    yield from shift_lines(plan.landing)
    yield ""
    yield "  What then"
    for number, remedy in enumerate(plan.remedies, start=1):
        yield from _remedy_lines(number, remedy)
    if stack_up:
        yield ""
        yield "  What adds up (limits are swept by the lip, u is a standard uncertainty)"
        for place in plan.places:
            yield from stack_up_lines(place)
    for note in plan.seal.notes:
        yield from _wrapped(f"Assumed: {note}", "  ")


def _remedy_lines(number: int, remedy: Remedy) -> Iterator[str]:
    yield from _wrapped(f"{number}. {_capital(remedy.what)}", "  ", "     ")
    yield from _wrapped(f"Why: {remedy.reason}", "     ")
    for caution in remedy.cautions:
        yield from _wrapped(f"- {caution}", "     ", "       ")
    for source in remedy.sources:
        yield from _wrapped(f"Source: {source}", "     ", "       ")


def _side_by_side(plans: Sequence[Plan]) -> Iterator[str]:
    """One row a candidate: verdict of every lip, worst odds, smallest shift."""
    names = [f"{plan.seal.label} ({plan.file})" for plan in plans]
    wide = max(len(name) for name in names)
    yield "  Side by side"
    yield f"  {'seal':<{wide}}  {'worst odds':<11}{'smallest shift':<16}lips"
    for name, plan in zip(names, plans, strict=True):
        odds = max(lip.probability_on_band for lip in plan.landing.lips)
        found = plan.landing.shift
        shift = "none"
        if found.smallest_mm is not None:
            shift = f"{shift_in_hundredths(found, 'smallest'):+.2f} mm"
        lips = ", ".join(f"{lip.name}: {lip.verdict}" for lip in plan.landing.lips)
        yield f"  {name:<{wide}}  {odds:<11.1%}{shift:<16}{lips}"


def attribution_text(label: str, attribution: Attribution) -> str:
    """Who made which band."""
    lines = [f"The bands against {label}"]
    if attribution.best is not None:
        side = "the shaft end" if attribution.best.facing == "end" else "the machine"
        lines.append(
            f"  Best: the outer face toward {side}, {attribution.best.offset_mm.value:+.2f} mm "
            "from the stated place"
        )
        lines += [f"  {line}" for line in pair_lines(attribution)]
    for finding in attribution.findings:
        lines += _wrapped(f"- {finding}", "  ", "    ")
    return "\n".join(lines)


def pair_lines(attribution: Attribution) -> Iterator[str]:
    """Every band with the lip that made it, or none."""
    assert attribution.best is not None
    made = {
        band: (lip, miss)
        for (lip, band), miss in zip(
            attribution.best.pairs, attribution.best.residuals_mm, strict=True
        )
    }
    for number in range(attribution.bands.count):
        start, end = attribution.bands.edges_mm[number]
        by = "by no lip of this seal"
        if number in made:
            lip, miss = made[number]
            by = f"by {attribution.lips[lip]}"
            if len(made) > 1:  # a single pair always fits
                by += f", {round(miss, 2) + 0.0:+.2f} mm beside it"
        yield f"band {number + 1}  {start:.2f} to {end:.2f} mm  {by}"


def sheet_text(sheet: ShaftSheet) -> str:
    """The shaft sheet, a block an item."""
    facts = sheet.facts
    speed = facts.speed_m_s
    lines = [f"Shaft of {facts.nominal_mm:g} mm for an {facts.material} lip"]
    if facts.material == "ptfe":
        lines = [f"Shaft of {facts.nominal_mm:g} mm for a PTFE lip"]
    if speed is not None:
        lines.append(f"  surface speed {speed:.2f} m/s at {facts.speed_rpm:g} 1/min")
    item = None
    for line in sheet.lines:
        if line.item != item:
            item = line.item
            disagree = "   SOURCES DISAGREE" if item in sheet.disagreements else ""
            lines.append(f"  {item}: {line.value}{disagree}")
        mark = "" if line.verdict in ("not measured", "limit only") else line.verdict.upper()
        lines.append(f"    {mark:<10}{line.limit}")
        lines += _wrapped(f"[{line.source}]", " " * 14)
        if line.note:
            lines += _wrapped(line.note, " " * 14)
    lines += _wrapped(f"Caution: {CAUTION}", "  ")
    return "\n".join(lines)


def _wrapped(text: str, first: str, others: str | None = None) -> list[str]:
    return textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=first if others is None else others
    )


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]
