"""The shaft sheet: what is known of a shaft against published limits, line by line."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

from bandscan import shaft_limits as limits

DEFAULT_DIAMETER_U_MM = 0.01  # of an outside micrometer at the bench; common practice
_GUARD = 1.645  # ISO 14253-1: one limit, 95 % conformance probability


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftFacts:
    """What is known of a shaft; None where it was not measured.

    Parameters
    ----------
    nominal_mm, diameter_mm, diameter_u_mm : float
        Nominal size, measured diameter at the seal land and its standard uncertainty.
    speed_rpm : float
    material : {"elastomer", "ptfe"}
        Of the sealing lip.
    hardness_hrc, case_mm : float
        Rockwell C hardness and depth of the hard case.
    ra_um, rz_um : float
    runout_mm, offset_mm : float
        Total indicator readings: of the turning shaft, and of the shaft against the bore.
    chamfer_small_mm, chamfer_angle_deg : float
        Small diameter of the lead-in chamfer, and its angle to the axis.
    lead_deg : float
        Lead angle, for instance from the thread test.
    dirty : bool
        Whether dirt reaches the lip.
    """

    nominal_mm: float
    diameter_mm: float | None = None
    diameter_u_mm: float = DEFAULT_DIAMETER_U_MM
    speed_rpm: float | None = None
    material: str = "elastomer"
    hardness_hrc: float | None = None
    case_mm: float | None = None
    ra_um: float | None = None
    rz_um: float | None = None
    runout_mm: float | None = None
    offset_mm: float | None = None
    chamfer_small_mm: float | None = None
    chamfer_angle_deg: float | None = None
    lead_deg: float | None = None
    dirty: bool = False

    @property
    def speed_m_s(self) -> float | None:
        """Surface speed; None without a speed."""
        if self.speed_rpm is None:
            return None
        return limits.surface_speed_m_s(self.diameter_mm or self.nominal_mm, self.speed_rpm)


@dataclass(frozen=True, slots=True, kw_only=True)
class SheetLine:
    """One check.

    Parameters
    ----------
    item : str
        What is checked.
    value, limit : str
        As measured, and as published.
    verdict : {"within", "outside", "undecided", "not measured", "limit only"}
    source : str
    note : str
        What it means or what to do; may be empty.
    """

    item: str
    value: str
    limit: str
    verdict: str
    source: str
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ShaftSheet:
    """All checks of a shaft.

    Parameters
    ----------
    lines : tuple of SheetLine
    disagreements : tuple of str
        Items on which the sources come to different verdicts.
    """

    facts: ShaftFacts
    lines: tuple[SheetLine, ...]
    disagreements: tuple[str, ...]


def make_sheet(facts: ShaftFacts) -> ShaftSheet:
    """Check a shaft against published limits.

    Raises
    ------
    ValueError
        The nominal size is beyond the published tables.
    """
    makers: tuple[Callable[[ShaftFacts], Iterable[SheetLine]], ...] = (
        _diameter, _roughness, _hardness, _chamfer, _lead, _runout,
    )  # fmt: skip
    made = [line for make in makers for line in make(facts)]
    items = list(dict.fromkeys(line.item for line in made))
    lines = tuple(sorted(made, key=lambda line: items.index(line.item)))
    return ShaftSheet(facts=facts, lines=lines, disagreements=_disagreements(lines))


def _disagreements(lines: tuple[SheetLine, ...]) -> tuple[str, ...]:
    verdicts: dict[str, set[str]] = {}
    for line in lines:
        verdicts.setdefault(line.item, set()).add(line.verdict)
    return tuple(item for item, found in verdicts.items() if {"within", "outside"} <= found)


def _diameter(facts: ShaftFacts) -> Iterator[SheetLine]:
    low, high = limits.h11_limits_mm(facts.nominal_mm)
    verdict, value = "not measured", "-"
    if facts.diameter_mm is not None:
        guard = _GUARD * facts.diameter_u_mm
        room = min(facts.diameter_mm - low, high - facts.diameter_mm)
        verdict = "within" if room >= guard else "outside" if room <= -guard else "undecided"
        value = f"{facts.diameter_mm:.3f} mm (u {facts.diameter_u_mm:g})"
    yield SheetLine(
        item="diameter",
        value=value,
        limit=f"h11: {low:.3f} to {high:.3f} mm",
        verdict=verdict,
        source="ISO 286-1; seal standards and makers ask for h11 (some makers h9 or h8)",
        note="Measure it on unworn metal, beside the bands.",
    )


def _in_range(value: float | None, allowed: limits.Range) -> str:
    if value is None:
        return "not measured"
    return "within" if allowed[0] <= value <= allowed[1] else "outside"


def _span(allowed: limits.Range, unit: str) -> str:
    low, high = allowed
    if math.isinf(high):
        return f"at least {low:g} {unit}"
    return f"up to {high:g} {unit}" if low == 0.0 else f"{low:g} to {high:g} {unit}"


def _value(value: float | None, unit: str) -> str:
    return "-" if value is None else f"{value:g} {unit}"


def _roughness(facts: ShaftFacts) -> Iterator[SheetLine]:
    for item in limits.roughness_sets(facts.material):
        for name, value, allowed in (
            ("Ra", facts.ra_um, item.ra_um),
            ("Rz", facts.rz_um, item.rz_um),
        ):
            if allowed == limits.ANY:
                continue
            note = ""
            if value is not None and value < allowed[0]:
                note = (
                    "Too smooth: the lip is starved of oil and runs hot. A polished old track is "
                    "itself a reason not to run on it."
                )
            elif value is not None and value > allowed[1]:
                note = "Too rough: it wears the lip."
            yield SheetLine(
                item=f"roughness {name}",
                value=_value(value, "µm"),
                limit=f"{item.name}: {_span(allowed, 'µm')}",
                verdict=_in_range(value, allowed),
                source=item.source,
                note=note,
            )


def _hardness(facts: ShaftFacts) -> Iterator[SheetLine]:
    speed = facts.speed_m_s
    for rule in limits.hardness_rules(facts.material):
        if speed is None and len(rule.steps) > 1:
            limit, verdict = f"{rule.name} (by speed)", "limit only"
        else:
            least = rule.least_hrc(speed or 0.0, dirty=facts.dirty)
            limit = "may stay unhardened" if least == 0.0 else f"at least {least:g} HRC"
            verdict = _in_range(facts.hardness_hrc, (least, math.inf))
        note = "" if speed is not None else "Give the speed to have it checked."
        yield SheetLine(
            item="hardness",
            value=_value(facts.hardness_hrc, "HRC"),
            limit=limit,
            verdict=verdict,
            source=rule.source,
            note=note if verdict == "limit only" else "",
        )
    yield SheetLine(
        item="hard case",
        value=_value(facts.case_mm, "mm"),
        limit="at least 0.3 mm deep",
        verdict=_in_range(facts.case_mm, (0.3, math.inf)),
        source="three makers' sheets",
        note="Regrinding takes it away from the outside.",
    )


def _chamfer(facts: ShaftFacts) -> Iterator[SheetLine]:
    angle = facts.chamfer_angle_deg
    steepest = limits.CHAMFER_ANGLE_DEG[1]
    sources = [
        (limits.chamfer_small_diameter_mm(facts.nominal_mm),
         "JIS B 2402 as a Japanese maker prints it; ISO 6194-1 likewise (from memory)"),
        (limits.chamfer_variant_mm(facts.nominal_mm), "another maker's shaft design page"),
    ]  # fmt: skip
    for greatest, source in sources:
        if greatest is None:
            continue
        length = limits.chamfer_length_mm(facts.nominal_mm, greatest, angle or steepest)
        yield SheetLine(
            item="chamfer, small diameter",
            value=_value(facts.chamfer_small_mm, "mm"),
            limit=f"at most {greatest:g} mm",
            verdict=_in_range(facts.chamfer_small_mm, (0.0, greatest)),
            source=source,
            note=f"At {angle or steepest:g} degrees at least {length:.2f} mm long; no burrs.",
        )
    yield SheetLine(
        item="chamfer, angle",
        value=_value(angle, "degrees"),
        limit=_span(limits.CHAMFER_ANGLE_DEG, "degrees"),
        verdict=_in_range(angle, limits.CHAMFER_ANGLE_DEG),
        source="makers' sheets; DIN 3760 has 15 to 25 (from memory)",
    )


def _lead(facts: ShaftFacts) -> Iterator[SheetLine]:
    lead = None if facts.lead_deg is None else abs(facts.lead_deg)
    yield SheetLine(
        item="lead",
        value=_value(lead, "degrees"),
        limit=f"0 ± {limits.LEAD_LIMIT_DEG:g} degrees",
        verdict=_in_range(lead, (0.0, limits.LEAD_LIMIT_DEG)),
        source="two makers' sheets and a trade article; the specifications are ISO 6194-1 and "
        "RMA OS-1-1",
        note="A photo cannot prove it; use the thread test, both ways round.",
    )


def _runout(facts: ShaftFacts) -> Iterator[SheetLine]:
    both = facts.runout_mm is not None and facts.offset_mm is not None
    total = (facts.runout_mm or 0.0) + (facts.offset_mm or 0.0) if both else None
    for item in limits.RUNOUT_LIMITS:
        for name, value, most in (
            ("runout, turning", facts.runout_mm, item.turning_mm),
            ("offset to the bore", facts.offset_mm, item.offset_mm),
            ("runout and offset together", total, item.sum_mm),
        ):
            if not math.isinf(most):
                yield SheetLine(
                    item=f"{name} ({item.name})",
                    value=_value(value, "mm"),
                    limit=f"up to {most:g} mm",
                    verdict=_in_range(value, (0.0, most)),
                    source=item.source,
                )
