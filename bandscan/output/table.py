"""Results as text in a terminal, in the trade's words."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from bandscan.output.landing_words import lip_lines, shift_lines
from bandscan.output.wording import (
    CAUTION,
    agreement_words,
    correction_words,
    end_words,
    plus_minus,
    scale_words,
)
from bandscan.result import CheckReport, Landing, Measurement, ScaleResult, ShaftResult

_NAME_WIDTH = 12
_COLUMN = 20

_LENS_WORDS = {
    "file": "calibrated (lens file)",
    "exif": "estimated from what the camera wrote into the photo; a lens file would be surer",
    "assumed": "assumed to be a usual phone's; a lens file would be surer",
}


def measurement_text(
    measurement: Measurement, *, written: Sequence[Path] = (), budget: bool = False
) -> str:
    """The result of one photo as lines of text.

    Parameters
    ----------
    written : sequence of Path
        Files that were written for it.
    budget : bool
        Adds the uncertainty budget of every edge.
    """
    if measurement.refusal is not None:
        return "\n".join([measurement.file, *_files(written)]) if written else ""
    lines = [measurement.file]
    if measurement.shaft is not None:
        lines += _shaft_lines(measurement.shaft)
    lines += _scale_lines(measurement)
    lines += ["", *_band_lines(measurement), ""]
    if measurement.landing is not None:
        lines += [*_landing_lines(measurement.landing), ""]
    if budget:
        lines += [*_budget_lines(measurement), ""]
    lines += [_row("Corrected", correction_words(c)) for c in measurement.corrections]
    lines += [_row("Warning", doubt.message) for doubt in measurement.warnings]
    lines += _files(written)
    lines.append(_row("Caution", CAUTION))
    return "\n".join(lines)


def check_text(report: CheckReport) -> str:
    """What a photo is good for, a line each."""
    lines = [report.file]
    if report.photo is not None:
        size = f"{report.photo.width_px} x {report.photo.height_px} pixels"
        lines.append(_row("Photo", size))
    if report.lens is not None:
        lines.append(_row("Lens", _LENS_WORDS.get(report.lens.source, report.lens.source)))
    lines += [_row("Scale", _scale_line(scale)) for scale in report.scales]
    if report.shaft is not None:
        lines += _shaft_lines(report.shaft)
    for figure in report.quality:
        verdict = "good" if figure.good else f"POOR: {figure.advice}"
        lines.append(f"  {figure.name:<22} {figure.value:>8.3g} {figure.unit:<6} {verdict}")
    if report.expected_expanded_mm is not None:
        lines.append(_row("To expect", f"± {report.expected_expanded_mm:.2f} mm on a clear edge"))
    if report.improvement is not None:
        better = report.improvement
        best = f"± {better.expanded_mm:.2f} mm at best"
        lines.append(_row("Best change", f"{better.advice} ({better.source}; {best})"))
    return "\n".join(lines)


def _row(name: str, text: str) -> str:
    return f"  {name:<{_NAME_WIDTH}}{text}"


def _shaft_lines(shaft: ShaftResult) -> list[str]:
    end = f"0 mm is the end face, read from the {end_words(shaft)}"
    lines = [_row("Shaft end", f"{end}; ± {shaft.end.axial_mm.expanded:.2g} mm")]
    if shaft.end.chamfer_mm is not None:
        text = f"outer edge at {plus_minus(shaft.end.chamfer_mm)} mm; it is not the zero"
        lines.append(_row("Chamfer", text))
    diameter = f"diameter {plus_minus(shaft.diameter_mm)} mm"
    if shaft.diameter_mm == shaft.diameter_in_photo_mm:
        diameter += ", by the scale"
    elif shaft.diameter_in_photo_mm is not None:
        diameter += f"; {plus_minus(shaft.diameter_in_photo_mm)} mm in the photo, by the scale"
    return [*lines, _row("Shaft", diameter)]


def _scale_line(scale: ScaleResult) -> str:
    return f"{scale_words(scale)}; {scale.mm_per_px:.4f} mm a pixel (u {scale.relative_u:.2%})"


def _scale_lines(measurement: Measurement) -> list[str]:
    lines = [_row("Scale", _scale_line(scale)) for scale in measurement.scales]
    agreement = agreement_words(measurement)
    if agreement is not None:
        lines.append(_row("", agreement))
    if measurement.lens is not None:
        source = measurement.lens.source
        lines.append(_row("Lens", _LENS_WORDS.get(source, source)))
    return lines


def _band_lines(measurement: Measurement) -> list[str]:
    faint = _faint_words(measurement)
    if not measurement.bands:
        return [
            "  No polished band was found on the part of the shaft that the photo shows.",
            *faint,
        ]
    lines = [
        "  Polished bands, mm from the shaft end (± holds the true edge in 95 of 100 cases)",
        _row("", f"{'start':<{_COLUMN}}{'end':<{_COLUMN}}{'width':<{_COLUMN}}looks"),
    ]
    for number, band in enumerate(measurement.bands, start=1):
        start, end = plus_minus(band.start.position_mm), plus_minus(band.end.position_mm)
        width = plus_minus(band.width_mm)
        by_hand = f"; {' and '.join(band.by_hand)} set by hand" if band.by_hand else ""
        cells = f"{start:<{_COLUMN}}{end:<{_COLUMN}}{width:<{_COLUMN}}{band.looks}{by_hand}"
        lines.append(_row(f"band {number}", cells))
    factors = sorted(
        edge.position_mm.k for band in measurement.bands for edge in (band.start, band.end)
    )
    low, high = f"{factors[0]:.2f}", f"{factors[-1]:.2f}"
    span = low if low == high else f"{low} to {high}"
    lines.append(_row("", f"(± is k = {span} standard uncertainties)"))
    return [*lines, *faint]


def _faint_words(measurement: Measurement) -> list[str]:
    """How plain a band must be to be found on this photo."""
    if measurement.least_contrast is None:
        return []
    contrast = f"{measurement.least_contrast:.0%}"
    return [
        _row("", f"(half of all bands of {contrast} contrast are found, fewer of fainter ones)")
    ]


def _landing_lines(landing: Landing) -> list[str]:
    head = "  Lips of the new seal, mm from the shaft end"
    return [head, *lip_lines(landing.lips), *shift_lines(landing)]


def _budget_lines(measurement: Measurement) -> list[str]:
    lines = ["  Where the uncertainty comes from (standard uncertainty, mm)"]
    edge = None
    for share in measurement.budget:
        if share.edge != edge:
            edge = share.edge
            lines.append(f"    {edge}")
        lines.append(f"      {share.contribution_mm:7.4f}  {share.kind}  {share.source}")
    return lines


def _files(written: Sequence[Path]) -> list[str]:
    return [_row("Written" if index == 0 else "", str(path)) for index, path in enumerate(written)]
