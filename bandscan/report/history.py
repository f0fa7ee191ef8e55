"""Earlier inspections of the same shaft, as a table and as bars on a time scale."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from bandscan.output.wording import rounded
from bandscan.records import KeptInspection

WIDTH, HEIGHT = 400.0, 170.0  # of the plot, in units of about a phone's pixels
_LEFT, _RIGHT, _TOP, _BOTTOM = 34.0, 12.0, 10.0, 34.0
_HALF_BAR = 5.0
_LEAST_SPAN_DAYS = 1.0
_STEPS_MM = (1, 2, 5, 10, 20, 50, 100)
_MOST_TICKS = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One inspection."""

    date: str
    bands: str
    verdict: str
    by: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryBar:
    """One band of one inspection on the plot."""

    x: float
    y: float
    width: float
    height: float


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The table, and the plot: time to the right, distance from the shaft end upward."""

    rows: tuple[HistoryRow, ...]
    bars: tuple[HistoryBar, ...]
    dates: tuple[tuple[float, str], ...]
    places: tuple[tuple[float, str], ...]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = _LEFT
    bottom: float = HEIGHT - _BOTTOM


def history_of(inspections: Sequence[KeptInspection]) -> History | None:
    """The history of a shaft; None where nothing was kept of it."""
    if not inspections:
        return None
    times = [_time(inspection.at) for inspection in inspections]
    first, last = min(times), max(times)
    days = max((last - first).total_seconds() / 86_400.0, _LEAST_SPAN_DAYS)
    room = WIDTH - _LEFT - _RIGHT - 2.0 * _HALF_BAR

    def x(time: datetime) -> float:
        share = (time - first).total_seconds() / 86_400.0 / days if first < last else 0.5
        return _LEFT + _HALF_BAR + share * room

    ends = [_ends(band) for i in inspections for band in i.measurement["bands"]]
    high = max((end for _, end in ends), default=1.0) * 1.05

    def y(mm: float) -> float:
        return HEIGHT - _BOTTOM - mm / high * (HEIGHT - _TOP - _BOTTOM)

    bars = [
        HistoryBar(x=x(time) - _HALF_BAR, y=y(end), width=2.0 * _HALF_BAR, height=y(start) - y(end))
        for time, inspection in zip(times, inspections, strict=True)
        for start, end in (_ends(band) for band in inspection.measurement["bands"])
    ]
    step = next((s for s in _STEPS_MM if high / s <= _MOST_TICKS), _STEPS_MM[-1])
    return History(
        rows=tuple(_row(inspection) for inspection in reversed(inspections)),
        bars=tuple(bars),
        dates=tuple(_spaced([(x(t), f"{t:%Y-%m-%d}") for t in times])),
        places=tuple((y(mm), str(mm)) for mm in range(0, int(high) + 1, step)),
    )


def _spaced(dates: list[tuple[float, str]], least: float = 66.0) -> list[tuple[float, str]]:
    """The dates that can be written without touching each other, the last among them."""
    kept: list[tuple[float, str]] = []
    for at, text in reversed(dates):
        place = min(max(at, _LEFT + least / 2.0 - 4.0), WIDTH - least / 2.0)
        if not kept or kept[-1][0] - place >= least:
            kept.append((place, text))
    return kept


def _time(at: str) -> datetime:
    """A time as kept, local; a zone that stands behind it is left out."""
    return datetime.fromisoformat(at).replace(tzinfo=None)


def _ends(band: Mapping[str, Any]) -> tuple[float, float]:
    return float(band["start_mm"]["value"]), float(band["end_mm"]["value"])


def _row(inspection: KeptInspection) -> HistoryRow:
    bands = []
    for band in inspection.measurement["bands"]:
        start, end = (_place(band[f"{side}_mm"]) for side in ("start", "end"))
        bands.append(f"{start} to {end}" + (" (by hand)" if band.get("by_hand") else ""))
    landing = inspection.landing or inspection.measurement.get("landing") or {}
    lips = [f"{lip['name']}: {lip['verdict']}" for lip in landing.get("lips", ())]
    return HistoryRow(
        date=inspection.at[:10],
        bands="; ".join(bands) or "none",
        verdict="; ".join(lips),
        by=inspection.by,
        note=inspection.note or "",
    )


def _place(item: Mapping[str, Any]) -> str:
    value, margin = rounded(float(item["value"]), float(item["U"]))
    return f"{value} ± {margin}"
