"""What a report says, ready to be set as a page or a PDF."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import Any

from bandscan import __version__
from bandscan.output.landing_words import shift_lines
from bandscan.output.wording import CAUTION, correction_words, plus_minus, rounded
from bandscan.planning import Plan, plan_seals
from bandscan.report.history import History, history_of
from bandscan.report.source import Source
from bandscan.report.words import (
    STYLES,
    LipWords,
    lip_words,
    unbroken,
    verdict_words,
    worst_verdict,
)
from bandscan.result import Correction
from bandscan.shaft_sheet import ShaftFacts, ShaftSheet, make_sheet
from calib.quantity import Estimate

CAUTIONS = (
    CAUTION,
    "Solvents: mind fumes, skin and fire. Edges of shaft, keyway and torn seals cut; gloves for "
    "handling, none near anything that turns.",
    "A photo shows neither roughness, hardness, runout, cracks nor lead. A polished band that is "
    "not seen is not in this report.",
)
_H11_MM = 0.25  # by which a shaft may be thinner than its nominal size (ISO 286, to 180 mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class BandRow:
    """One band in the table."""

    number: int
    start: str
    end: str
    width: str
    looks: str
    by_hand: str


@dataclass(frozen=True, slots=True, kw_only=True)
class BudgetRow:
    """One source's shares in the standard uncertainty of the edges, in mm."""

    source: str
    kind: str
    shares: tuple[str, ...]
    largest: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Content:
    """Everything that a report shows.

    Parameters
    ----------
    title, subtitle : str
    headline, style : str
        The verdict, and the name of its look.
    advice : str or None
        The first thing to do, where a seal was planned.
    lips : tuple of LipWords
        As planned.
    budget_edges : tuple of str
        Heads of the columns of `budget`.
    settings : tuple of (str, str)
        What was asked for and with what; no folders.
    command : str
        The measurement again, with a correction file.
    """

    title: str
    subtitle: str
    headline: str
    style: str
    advice: str | None
    plan: Plan | None
    lips: tuple[LipWords, ...]
    shifts: tuple[str, ...]
    bands: tuple[BandRow, ...]
    budget_edges: tuple[str, ...]
    budget: tuple[BudgetRow, ...]
    sheet: ShaftSheet | None
    sheet_note: str
    history: History | None
    corrections: tuple[str, ...]
    warnings: tuple[str, ...]
    cautions: tuple[str, ...]
    settings: tuple[tuple[str, str], ...]
    command: str
    made: str


def content_of(source: Source, facts: Mapping[str, Any], *, now: datetime) -> Content:
    """What the report of a source says.

    Parameters
    ----------
    facts : mapping
        What is known of the shaft beside the photo, as `ShaftFacts` names it; None where it
        is not.
    now : datetime
        When the report is made.

    Raises
    ------
    UnreadableFileError
        The seal is for another shaft.
    """
    plan = None
    if source.seal is not None:
        plan = plan_seals(source.measured, [(source.seal_name or "", source.seal)])[0]
    sheet, sheet_note = _sheet(source, facts)
    rows = tuple(_band_row(i, band) for i, band in enumerate(source.content["bands"], start=1))
    edges, budget = _budget(source.content)
    photo = source.content.get("photo") or {}
    headline, style = _headline(plan, rows)
    return Content(
        title=source.name,
        subtitle=_subtitle(source, photo),
        headline=headline,
        style=style,
        advice=None if plan is None else plan.remedies[0].what,
        plan=plan,
        lips=() if plan is None else tuple(lip_words(lip) for lip in plan.landing.lips),
        shifts=() if plan is None else tuple(line.strip() for line in shift_lines(plan.landing)),
        bands=rows,
        budget_edges=edges,
        budget=budget,
        sheet=sheet,
        sheet_note=sheet_note,
        history=None if source.wear is None else history_of(source.wear),
        corrections=tuple(_corrections(source.content)),
        warnings=tuple(str(w.get("message", "")) for w in source.content.get("warnings") or ()),
        cautions=CAUTIONS,
        settings=tuple(_settings(source, now)),
        command=_command(source),
        made=f"{now:%Y-%m-%d %H:%M}",
    )


def _subtitle(source: Source, photo: Mapping[str, Any]) -> str:
    taken = str(photo.get("taken") or "")[:16].replace("T", " ")
    parts = [f"photo of {taken}" if taken else ""]
    if source.measured.diameter_mm is not None:
        parts.append(f"shaft {plus_minus(source.measured.diameter_mm)} mm")
    if source.seal is not None:
        parts.append(f"seal: {source.seal.label}")
    return "; ".join(part for part in parts if part)


def _headline(plan: Plan | None, rows: Sequence[BandRow]) -> tuple[str, str]:
    if plan is not None:
        lips = plan.landing.lips
        return verdict_words(lips), STYLES[worst_verdict(lips)]
    if not rows:
        return "No polished band was found", "open"
    count = "One polished band" if len(rows) == 1 else f"{len(rows)} polished bands"
    return count, "open"


def _band_row(number: int, band: Mapping[str, Any]) -> BandRow:
    sides = " and ".join(band.get("by_hand") or ())
    return BandRow(
        number=number,
        start=_place(band["start_mm"]),
        end=_place(band["end_mm"]),
        width=_place(band["width_mm"]) if band.get("width_mm") else "",
        looks=str(band.get("looks", "")),
        by_hand=f"{sides} set by hand" if sides else "",
    )


def _place(item: Mapping[str, Any]) -> str:
    value, margin = rounded(float(item["value"]), float(item["U"]))
    return unbroken(f"{value} ± {margin}")


def _budget(content: Mapping[str, Any]) -> tuple[tuple[str, ...], tuple[BudgetRow, ...]]:
    """Sources in rows, edges in columns, the largest source first."""
    lines = content.get("budget") or ()
    edges = tuple(dict.fromkeys(str(line["edge"]) for line in lines))
    shares: dict[tuple[str, str], dict[str, float]] = {}
    for line in lines:
        key = str(line["source"]), str(line["type"])
        shares.setdefault(key, {})[str(line["edge"])] = float(line["contribution_mm"])
    rows = [
        BudgetRow(
            source=source,
            kind=kind,
            shares=tuple(f"{found[e]:.3f}" if e in found else "" for e in edges),
            largest=max(found.values()),
        )
        for (source, kind), found in shares.items()
    ]
    return edges, tuple(sorted(rows, key=lambda row: -row.largest))


def _sheet(source: Source, facts: Mapping[str, Any]) -> tuple[ShaftSheet | None, str]:
    """The shaft sheet, and what it takes for granted."""
    diameter = source.measured.diameter_mm
    nominal, note = facts.get("nominal_mm"), ""
    if nominal is None and source.seal is not None:
        nominal, note = source.seal.shaft_mm, "Nominal size: that of the seal."
    if nominal is None and diameter is not None:
        nominal = float(math.ceil(diameter.value - diameter.expanded))
        if nominal - diameter.value > _H11_MM:
            return None, "The nominal size of the shaft is not known; give it with --nominal."
        note = f"Nominal size taken to be {nominal:g} mm."
    if nominal is None:
        return None, "The shaft's diameter is not known."
    known = {key: value for key, value in facts.items() if value is not None}
    known["nominal_mm"] = nominal
    if diameter is not None:
        known |= {"diameter_mm": diameter.value, "diameter_u_mm": diameter.u}
    if source.seal is not None and "material" not in known:
        known["material"] = source.seal.material
    try:
        return make_sheet(ShaftFacts(**known)), note
    except ValueError as error:
        return None, f"No published limits: {error}."


def _corrections(content: Mapping[str, Any]) -> list[str]:
    return [
        correction_words(
            Correction(
                what=str(item["what"]),
                automatic_mm=_estimate(item.get("automatic_mm")),
                corrected_mm=_estimate(item.get("corrected_mm")),
                by=item.get("by"),
                why=item.get("why"),
                when=item.get("when"),
            )
        )
        for item in content.get("corrections") or ()
    ]


def _estimate(item: Mapping[str, Any] | None) -> Estimate | None:
    if item is None:
        return None
    dof = item.get("dof")
    return Estimate(
        value=float(item["value"]), u=float(item["u"]), dof=math.inf if dof is None else float(dof)
    )


def _settings(source: Source, now: datetime) -> list[tuple[str, str]]:
    """Where every number comes from; files by name and hash."""
    content = source.content
    photo = content.get("photo") or {}
    rows = [("Photo", _named(photo))]
    if photo.get("camera"):
        rows.append(("Camera", str(photo["camera"])))
    lens = (content.get("lens") or {}).get("source")
    if lens:
        rows.append(("Lens", str(lens)))
    for scale in content.get("scales") or ():
        rows.append(
            (f"Scale: {scale['kind']}", f"{scale['mm_per_px']:.5f} mm a pixel, "
             f"relative u {scale['relative_u']:.2%}")
        )  # fmt: skip
    if content.get("agreement"):
        rows.append(("Scale and diameter", f"E_n {content['agreement']['En']:.2f}, limit 1"))
    if source.seal_name:
        kept = content.get("seal") or {}
        same = kept.get("file") == source.seal_name
        rows.append(("Seal file", _named(kept) if same else source.seal_name))
    for name, value in (content.get("settings") or {}).items():
        if value is not None and name != "seal":
            shown = f"{value}"
            if isinstance(value, Mapping):
                known = ", ".join(f"{key} {part}" for key, part in value.items())
                shown = _named(value) if "file" in value else known
            rows.append((f"Setting: {name}", shown))
    made_by = (content.get("program") or {}).get("version")
    if made_by:
        rows.append(("Measured with", f"bandscan {made_by}"))
    rows.append(("Report made", f"{now:%Y-%m-%d %H:%M} with bandscan {__version__}"))
    return rows


def _named(item: Mapping[str, Any]) -> str:
    """A file by its name, without folder, and its SHA-256."""
    name = str(item.get("file", "")).replace("\\", "/").rpartition("/")[2]
    sha256 = item.get("sha256")
    return f"{name}, SHA-256 {sha256}" if sha256 else name


def _command(source: Source) -> str:
    """The measurement again with a correction file; only settings that were given."""
    settings = source.content.get("settings") or {}
    photo = Path(source.measured.photo).name
    parts = [f"bandscan measure {photo}"]
    for name in ("diameter_mm", "pitch_mm", "scale_height_mm"):
        if settings.get(name) is not None:
            parts.append(f"--{name.removesuffix('_mm').replace('_', '-')} {settings[name]:g}")
    temperatures = settings.get("temperatures") or {}
    if temperatures.get("stated"):
        parts.append(f"--temperature {temperatures['shaft_c']:g}")
        parts.append(f"--scale-temperature {temperatures['standard_c']:g}")
    for name in ("lens", "card", "seal"):
        if isinstance(settings.get(name), Mapping):
            parts.append(f"--{name} {settings[name].get('file')}")
    return " ".join(parts)
