"""The bands of a shaft over the years as a picture: where they lie, and how wide they are.

Bands are told by marker and hatching as well as by colour.
"""

from __future__ import annotations

import io
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from bandscan.output.records_text import rate_words
from bandscan.records.history import ShaftWear
from bandscan.wear_growth import Track, time_after, years_between
from calib.quantity import Estimate

if TYPE_CHECKING:
    from matplotlib.axes import Axes

WIDTH_IN, HEIGHT_IN, DPI = 7.0, 7.4, 110
TEXT_PT = 10.0
# Okabe and Ito's palette, as in the other pictures; dark enough for lines on white.
_STYLES = (("#0072B2", "o", "///"), ("#D55E00", "s", "\\\\\\"), ("#009E73", "^", "..."),
           ("#CC79A7", "D", "xxx"), ("#000000", "v", "---"))  # fmt: skip
_LINE_POINTS = 60
_BAR_SHARE = 0.012  # width of an inspection's bar, of the time that is shown
_SPARE_DAYS = 60.0
_MIN_BAR_DAYS = 5.0
_EPOCH, _DAY_S = datetime(1970, 1, 1), 86_400.0  # of matplotlib's dates


def history_picture(wear: ShaftWear) -> bytes:
    """The history as PNG; a shaft without bands gives empty axes that say so."""
    from matplotlib import rc_context
    from matplotlib.figure import Figure

    with rc_context({"font.size": TEXT_PT, "hatch.linewidth": 0.7}):
        figure = Figure(figsize=(WIDTH_IN, HEIGHT_IN))
        places, widths = figure.subplots(2, 1, sharex=True, height_ratios=(3, 2))
        figure.subplots_adjust(left=0.1, right=0.97, top=0.95, bottom=0.07, hspace=0.12)
        days = _days(wear)
        corrected = {i for i, line in enumerate(wear.inspections) if line.corrections}
        for number, track in enumerate(wear.tracks, start=1):
            _draw_places(places, number, track, days)
            _draw_widths(widths, number, track, corrected)
        _dress(places, widths, wear, days)
        data = io.BytesIO()
        figure.savefig(data, format="png", dpi=DPI, pil_kwargs={"compress_level": 1})
    return data.getvalue()


def _day(at: datetime) -> float:
    """A time as matplotlib has it."""
    return (at - _EPOCH).total_seconds() / _DAY_S


def _days(wear: ShaftWear) -> tuple[float, float]:
    days = [_day(line.at) for line in wear.inspections]
    return min(days), max(days)


def _dress(places: Axes, widths: Axes, wear: ShaftWear, days: tuple[float, float]) -> None:
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    places.set_title(str(wear.name), loc="left", weight="bold")
    places.set_ylabel("Bands, mm from the shaft end")
    widths.set_ylabel("Width of the bands, mm")
    spare = max(_SPARE_DAYS, 0.05 * (days[1] - days[0]))
    widths.set_xlim(days[0] - spare, days[1] + spare)
    locator = AutoDateLocator(minticks=3, maxticks=8)  # type: ignore[no-untyped-call]
    widths.xaxis.set_major_locator(locator)
    widths.xaxis.set_major_formatter(ConciseDateFormatter(locator))  # type: ignore[no-untyped-call]
    for axes in (places, widths):
        axes.grid(visible=True, color="0.88", linewidth=0.7)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
    if wear.tracks:
        places.invert_yaxis()  # the shaft end is at the top
        widths.set_ylim(0.0, 1.3 * widths.get_ylim()[1])  # room for the legend
        widths.legend(loc="upper left", frameon=False, fontsize=TEXT_PT)
    else:
        places.text(0.5, 0.5, "no band was found", transform=places.transAxes, ha="center")
    if any(line.corrections for line in wear.inspections):
        places.set_xlabel("open marks: corrected by hand", loc="right", fontsize=TEXT_PT - 1)


def _style(number: int) -> tuple[str, str, str]:
    return _STYLES[(number - 1) % len(_STYLES)]


def _draw_places(axes: Axes, number: int, track: Track, days: tuple[float, float]) -> None:
    """A bar for each inspection with its margins, and the edges' lines between them."""
    colour, _, hatch = _style(number)
    bar = max((days[1] - days[0]) * _BAR_SHARE, _MIN_BAR_DAYS)
    seen = track.sightings
    when = [_day(one.at) for one in seen]
    starts, ends = [one.start_mm for one in seen], [one.end_mm for one in seen]
    axes.bar(
        when, [one.width_mm.value for one in seen], bar, bottom=[start.value for start in starts],
        facecolor="none", edgecolor=colour, hatch=hatch, linewidth=1.2,
    )  # fmt: skip
    for edges in (starts, ends):
        axes.errorbar(
            when, [edge.value for edge in edges], yerr=[edge.expanded for edge in edges],
            color=colour, capsize=3, linewidth=1.0, linestyle="none",
        )  # fmt: skip
    if track.start is not None and track.end is not None:
        days_between, years = _sampled(track)
        low, high = ([line.at(t).value for t in years] for line in (track.start, track.end))
        axes.fill_between(days_between, low, high, color=colour, alpha=0.15, linewidth=0)
    last = track.sightings[-1]
    axes.annotate(
        f"band {number}", (_day(last.at), last.end_mm.value + last.end_mm.expanded),
        (0, -4), textcoords="offset points", ha="center", va="top", color=colour,
    )  # fmt: skip


def _draw_widths(axes: Axes, number: int, track: Track, corrected: set[int]) -> None:
    colour, marker, _ = _style(number)
    line = track.width
    label = f"band {number}: " + (
        "one inspection" if line is None else f"{rate_words(line.growth)} mm a year"
    )
    axes.errorbar(
        [_day(seen.at) for seen in track.sightings],
        [seen.width_mm.value for seen in track.sightings],
        yerr=[seen.width_mm.expanded for seen in track.sightings],
        fmt=marker, color=colour, capsize=3, linewidth=1.0, label=label,
    )  # fmt: skip
    for seen in track.sightings:
        if seen.inspection in corrected:
            place = ([_day(seen.at)], [seen.width_mm.value])
            axes.plot(*place, marker, color=colour, markerfacecolor="white", zorder=4)
    if line is not None:
        when, years = _sampled(track)
        fitted = [line.at(t) for t in years]
        axes.plot(when, [point.value for point in fitted], color=colour, linewidth=1.2)
        axes.fill_between(when, *_margins(fitted), color=colour, alpha=0.15, linewidth=0)


def _margins(fitted: list[Estimate]) -> tuple[list[float], list[float]]:
    low = [point.value - point.expanded for point in fitted]
    return low, [point.value + point.expanded for point in fitted]


def _sampled(track: Track) -> tuple[list[float], list[float]]:
    """Times from the first to the last sighting, as matplotlib's days and the lines' years."""
    first, last = (years_between(track.since, track.sightings[i].at) for i in (0, -1))
    years = [float(t) for t in np.linspace(first, last, _LINE_POINTS)]
    return [_day(time_after(track.since, t)) for t in years], years
