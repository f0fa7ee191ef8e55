"""The picture beside a lens file: where the board was seen, and what the lens leaves."""

from __future__ import annotations

import io
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from calib.calibrate import LensReport, ViewReport

if TYPE_CHECKING:
    from matplotlib.axes import Axes

_SIZE_IN, _DPI = (12.0, 6.5), 110
_ARROW_SHARE = 0.05  # of the picture's width: length of the longest usual residual
# Okabe and Ito, "Color Universal Design" (2008): told apart with any colour vision.
_BLUE, _ORANGE, _GREY = "#0072B2", "#D55E00", "#999999"
_LONGEST_NAME = 24


def draw_lens_report(report: LensReport) -> bytes:
    """Draw coverage and residuals.

    Parameters
    ----------
    report : LensReport

    Returns
    -------
    bytes
        A PNG file.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=_SIZE_IN, dpi=_DPI, layout="constrained")
    frame, bars = figure.subplots(1, 2, width_ratios=(3, 2))
    _draw_frame(frame, report)
    _draw_views(bars, report)
    rms = report.lens.reprojection_rms_px
    figure.suptitle(
        f"Lens from {sum(view.problem is None for view in report.views)} views: "
        f"reprojection error {rms:.3f} px, {100.0 * report.coverage:.0f} % of the frame seen, "
        f"steepest view {report.steepest_deg:.0f}°"
    )
    png = io.BytesIO()
    figure.savefig(png, format="png")
    return png.getvalue()


def _draw_frame(axes: Axes, report: LensReport) -> None:
    """Every corner where it was seen, with its residual as an arrow, much enlarged."""
    camera = report.lens.camera
    used = [view for view in report.views if view.problem is None]
    corners = np.concatenate([view.corners_px for view in used])
    residuals = np.concatenate([view.residuals_px for view in used])
    usual_px = max(float(np.percentile(np.linalg.norm(residuals, axis=1), 95)), 1e-6)
    enlarged = _ARROW_SHARE * camera.width_px / usual_px
    axes.plot(*corners.T, ".", color=_GREY, markersize=3, label="corner seen")
    arrows = axes.quiver(
        *corners.T, *residuals.T, angles="xy", scale_units="xy", scale=1.0 / enlarged,
        width=0.0018, color=_BLUE,
    )  # fmt: skip
    axes.quiverkey(arrows, 0.85, 1.03, usual_px, f"residual of {usual_px:.2f} px", labelpos="W")
    for view in report.views:
        if view.problem is not None and len(view.corners_px):
            axes.plot(*view.corners_px.T, "x", color=_ORANGE, markersize=4)
    axes.set(
        xlim=(-0.5, camera.width_px - 0.5),
        ylim=(camera.height_px - 0.5, -0.5),
        aspect="equal",
        xlabel="column, px",
        ylabel="row, px",
    )
    axes.set_title("Corners in the frame", loc="left")


def _draw_views(axes: Axes, report: LensReport) -> None:
    """Reprojection error of each view, with its tilt; rejected views by name."""
    rows = np.arange(len(report.views))
    axes.barh(rows, np.nan_to_num([view.rms_px for view in report.views]), color=_BLUE)
    axes.set_yticks(rows, [_short(view.name) for view in report.views])
    axes.invert_yaxis()
    for row, view in zip(rows, report.views, strict=True):
        colour = "black" if view.problem is None else _ORANGE
        axes.annotate(
            _note(view), (0.0 if view.problem else view.rms_px, row), xytext=(4, 0),
            textcoords="offset points", va="center", fontsize=8, color=colour,
        )  # fmt: skip
    axes.margins(x=0.35)
    axes.set_xlabel("reprojection error, px (rms)")
    axes.set_title("Views", loc="left")


def _note(view: ViewReport) -> str:
    if view.problem is not None:
        return f"left out: {view.problem.split(':')[0]}"
    return f"{view.tilt_deg:.0f}° tilt"


def _short(name: str) -> str:
    plain = Path(name).name
    return plain if len(plain) <= _LONGEST_NAME else f"…{plain[1 - _LONGEST_NAME :]}"
