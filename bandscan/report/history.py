"""Earlier inspections of the same shaft, as tables and as bars on a time scale."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from bandscan.output.records_text import growth_words
from bandscan.output.wording import plus_minus
from bandscan.records import InspectionLine, ShaftWear
from bandscan.report.words import unbroken
from bandscan.wear_growth import Sighting, Track
from calib.quantity import Estimate

WIDTH, HEIGHT = 400.0, 190.0  # of the plot, in units of about a phone's pixels
_LEFT, _RIGHT, _TOP, _BOTTOM = 40.0, 12.0, 10.0, 34.0
_HALF_BAR = 5.0
_HALF_WHISKER = 3.0
_LEAST_SPAN_DAYS = 1.0
_STEPS_MM = (0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0)
_MOST_TICKS = 6
_DATE_WIDTH = 66.0
_LEAST_SPAN_MM = 1.0
_SPARE = 0.04  # of the span, above and below


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRow:
    """One inspection."""

    date: str
    bands: str
    verdict: str
    by: str
    note: str


@dataclass(frozen=True, slots=True, kw_only=True)
class GrowthRow:
    """How one band grew; rates in mm a year."""

    place: str
    times: int
    width: str
    start: str
    end: str


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryBar:
    """One band of one inspection on the plot; whiskers from top to bottom."""

    x: float
    y: float
    width: float
    height: float
    whiskers: tuple[tuple[float, float], ...]
    middle: float
    half_whisker: float = _HALF_WHISKER


@dataclass(frozen=True, slots=True, kw_only=True)
class History:
    """The tables, and the plot: time to the right, distance from the shaft end downward."""

    rows: tuple[HistoryRow, ...]
    growth: tuple[GrowthRow, ...]
    bars: tuple[HistoryBar, ...]
    dates: tuple[tuple[float, str], ...]
    places: tuple[tuple[float, str], ...]
    width: float = WIDTH
    height: float = HEIGHT
    left: float = _LEFT
    bottom: float = HEIGHT - _BOTTOM


def history_of(wear: ShaftWear) -> History:
    """The history of a shaft."""
    current = [line for line in wear.inspections if not line.replaced]
    seen = [band for line in current for band in line.bands]
    plot = _Plot.around([line.at for line in current], seen)
    return History(
        rows=tuple(_row(line) for line in reversed(wear.inspections)),
        growth=tuple(_growth(track) for track in wear.tracks),
        bars=tuple(plot.bar(band) for band in seen),
        dates=tuple(_spaced([(plot.x(line.at), f"{line.at:%Y-%m-%d}") for line in current])),
        places=plot.ticks(),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Plot:
    """What of time and shaft is shown."""

    first: datetime
    days: float
    low_mm: float
    high_mm: float

    @classmethod
    def around(cls, times: Sequence[datetime], seen: Sequence[Sighting]) -> _Plot:
        first = min(times)
        low = min((s.start_mm.value - s.start_mm.expanded for s in seen), default=0.0)
        high = max((s.end_mm.value + s.end_mm.expanded for s in seen), default=0.0)
        spare = _SPARE * max(high - low, _LEAST_SPAN_MM)
        return cls(
            first=first,
            days=max((max(times) - first).total_seconds() / 86_400.0, 0.0),
            low_mm=low - spare,
            high_mm=max(high, low + _LEAST_SPAN_MM) + spare,
        )

    def x(self, time: datetime) -> float:
        past = (time - self.first).total_seconds() / 86_400.0
        share = past / self.days if self.days >= _LEAST_SPAN_DAYS else 0.5
        return _LEFT + 2.0 * _HALF_BAR + share * (WIDTH - _LEFT - _RIGHT - 4.0 * _HALF_BAR)

    def y(self, mm: float) -> float:
        share = (mm - self.low_mm) / (self.high_mm - self.low_mm)
        return _TOP + share * (HEIGHT - _TOP - _BOTTOM)

    def bar(self, band: Sighting) -> HistoryBar:
        def whisker(edge: Estimate) -> tuple[float, float]:
            return self.y(edge.value - edge.expanded), self.y(edge.value + edge.expanded)

        top, bottom = self.y(band.start_mm.value), self.y(band.end_mm.value)
        return HistoryBar(
            x=self.x(band.at) - _HALF_BAR,
            y=top,
            width=2.0 * _HALF_BAR,
            height=bottom - top,
            whiskers=(whisker(band.start_mm), whisker(band.end_mm)),
            middle=self.x(band.at),
        )

    def ticks(self) -> tuple[tuple[float, str], ...]:
        span = self.high_mm - self.low_mm
        step = next((s for s in _STEPS_MM if span / s <= _MOST_TICKS), _STEPS_MM[-1])
        decimals = 1 if step < 1.0 else 0
        marks = range(int(self.low_mm / step), int(self.high_mm / step) + 1)
        return tuple(
            (self.y(mark * step), f"{mark * step:.{decimals}f}")
            for mark in marks
            if self.low_mm <= mark * step <= self.high_mm
        )


def _spaced(dates: list[tuple[float, str]]) -> list[tuple[float, str]]:
    """The dates that can be written without touching each other, the last among them."""
    kept: list[tuple[float, str]] = []
    for at, text in reversed(dates):
        place = min(max(at, _LEFT + _DATE_WIDTH / 2.0 - 4.0), WIDTH - _DATE_WIDTH / 2.0)
        if not kept or kept[-1][0] - place >= _DATE_WIDTH:
            kept.append((place, text))
    return kept


def _row(line: InspectionLine) -> HistoryRow:
    bands = "; ".join(f"{plus_minus(b.start_mm)} to {plus_minus(b.end_mm)}" for b in line.bands)
    notes = [*line.notes]
    if line.corrections:
        notes.append("Corrected by hand.")
    if line.replaced:
        notes.append("A later result of this photo counts instead.")
    return HistoryRow(
        date=f"{line.at:%Y-%m-%d}",
        bands=unbroken(bands) or "none",
        verdict=line.verdict or "",
        by=line.by,
        note=" ".join(notes),
    )


def _growth(track: Track) -> GrowthRow:
    last = track.sightings[-1]
    width, start, end = (
        "needs two inspections of different days" if line is None else unbroken(growth_words(line))
        for line in (track.width, track.start, track.end)
    )
    return GrowthRow(
        place=f"{last.start_mm.value:.2f} to {last.end_mm.value:.2f} mm",
        times=len(track.sightings),
        width=width,
        start=start,
        end=end,
    )
