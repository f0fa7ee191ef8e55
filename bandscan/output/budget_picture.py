"""Bars of what an uncertainty is made of; legible without colour."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

from bandscan.explanation import Explained, Explanation
from bandscan.output.wording import plus_minus

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

# Okabe and Ito, "Color Universal Design" (2008); type B is hatched as well, so that it is told
# from type A in black and white.
_BLUE, _ORANGE = "#0072B2", "#E69F00"
_DPI = 150
_PANEL_IN = 3.6  # width of the bars of one edge
_NAMES_IN = 2.2
_ROW_IN, _HEAD_IN = 0.27, 0.95
_TEXT_PT = 9.0
_LEAST_SHARE = 0.0005


def draw_budget(explanation: Explanation) -> Figure:
    """Draw the budget: a row of panels a band, a bar a source.

    Parameters
    ----------
    explanation : Explanation
        With at least one band.
    """
    from matplotlib.figure import Figure

    sources = _sources(explanation)
    columns = max(len(band) for band in explanation.bands)
    rows = len(explanation.bands)
    figure = Figure(
        figsize=(
            _NAMES_IN + _PANEL_IN * columns,
            0.7 + rows * (_HEAD_IN + _ROW_IN * (len(sources) + 1)),
        ),
        dpi=_DPI,
        layout="constrained",
    )
    panels = figure.subplots(rows, columns, squeeze=False, sharey="row")
    for row, band in zip(panels, explanation.bands, strict=True):
        for axes, item in zip(row, band, strict=False):
            _draw_panel(axes, item, sources)
        for axes in row[len(band) :]:
            axes.set_axis_off()
    figure.suptitle(
        f"{Path(explanation.photo).name}: standard uncertainty by cause, mm "
        "(plain: type A, from readings; hatched: type B, stated or assumed)",
        fontsize=_TEXT_PT + 1.0,
    )
    return figure


def budget_png(explanation: Explanation) -> bytes:
    """The picture as a PNG file."""
    png = io.BytesIO()
    draw_budget(explanation).savefig(png, format="png")
    return png.getvalue()


def _sources(explanation: Explanation) -> list[str]:
    """All that matter anywhere, the greatest first."""
    greatest: dict[str, float] = {}
    for band in explanation.bands:
        for item in band:
            for share in item.shares:
                if share.share >= _LEAST_SHARE:
                    known = greatest.get(share.source, 0.0)
                    greatest[share.source] = max(known, share.contribution_mm)
    return sorted(greatest, key=lambda source: -greatest[source])


def _draw_panel(axes: Axes, item: Explained, sources: list[str]) -> None:
    by_source = {share.source: share for share in item.shares}
    total = item.estimate.u
    axes.barh(0, total, color="black", height=0.62)
    _note(axes, 0, total, f"{total:.3f}", bold=True)
    for row, source in enumerate(sources, start=1):
        share = by_source.get(source)
        if share is None or share.share < _LEAST_SHARE:
            continue
        stated = share.kind == "B"
        axes.barh(
            row, share.contribution_mm, height=0.62, color="white" if stated else _BLUE,
            edgecolor=_ORANGE if stated else _BLUE, hatch="////" if stated else None,
        )  # fmt: skip
        axes.barh(row, share.contribution_mm, height=0.62, color="none", edgecolor="black")
        part = f"{share.share:.0%}" if share.share >= 0.01 else "< 1%"
        _note(axes, row, share.contribution_mm, f"{share.contribution_mm:.3f}  {part}")
    axes.set_yticks(range(len(sources) + 1), ["all together", *sources], fontsize=_TEXT_PT)
    axes.set_ylim(len(sources) + 0.6, -0.6)
    axes.set_xlim(0.0, 1.4 * total)
    axes.tick_params(axis="x", labelsize=_TEXT_PT - 1.0)
    axes.spines[["top", "right"]].set_visible(False)
    axes.set_title(
        f"{item.name[0].upper()}{item.name[1:]}: {plus_minus(item.estimate)} mm",
        fontsize=_TEXT_PT + 1.0, loc="left",
    )  # fmt: skip


def _note(axes: Axes, row: int, at: float, text: str, *, bold: bool = False) -> None:
    axes.annotate(
        text, (at, row), xytext=(4, 0), textcoords="offset points", va="center",
        fontsize=_TEXT_PT, fontweight="bold" if bold else "normal",
    )  # fmt: skip
