"""What was found in the records, and the history of a shaft, as lines of text."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from bandscan.output.wording import plus_minus
from bandscan.records.find import Found
from bandscan.records.history import InspectionLine, ShaftWear
from bandscan.wear_growth import Line, Track
from calib.quantity import Estimate

FIND_SCHEMA = "bandscan.find/1"
NOTE_LETTERS = 60

_TIMES = {"photo": "", "given": " (as told)", "kept": " (kept; the photo does not say when)"}


def found_text(found: Sequence[Found], count: int, path: Path) -> str:
    """A line for each inspection, and a last one that says how many and where."""
    lines = []
    for item in found:
        bands = ", ".join(f"{low:.2f}-{high:.2f}" for low, high in item.bands_mm) or "no band"
        note = f"  “{_shortened(item.note)}”" if item.note else ""
        verdict = f"  {item.verdict.upper()}" if item.verdict else ""
        lines.append(f"{item.at[:10]}  {item.name}  {bands} mm{verdict}  {item.by}{note}")
    if count > len(found):
        lines.append(f"... and {count - len(found)} more; narrow the search or raise --limit")
    inspections = "inspection" if count == 1 else "inspections"
    return "\n".join([*lines, f"{count} {inspections} found in {path}"])


def found_object(found: Sequence[Found]) -> dict[str, Any]:
    """What was found, as a JSON object."""
    return {
        "schema": FIND_SCHEMA,
        "inspections": [
            {
                "uuid": item.uuid,
                "at": item.at,
                "machine": item.name.machine,
                "shaft": item.name.position,
                "photo": item.photo,
                "by": item.by,
                "bands_mm": item.bands_mm,
                "verdict": item.verdict,
                "note": item.note or None,
            }
            for item in found
        ],
    }


def history_text(wear: ShaftWear, written: Sequence[Path] = ()) -> str:
    """The inspections of a shaft, and how each band grew."""
    lines = [str(wear.name), ""]
    for line in wear.inspections:
        lines += _inspection_lines(line)
    lines.append("")
    if any(len(track.sightings) > 1 for track in wear.tracks):
        lines.append("  Growth (± holds the true rate in 95 of 100 cases)")
    for number, track in enumerate(wear.tracks, start=1):
        lines += growth_lines(number, track)
    if not wear.tracks:
        lines.append("  No band was found in any of them.")
    if any(line.corrections for line in wear.inspections):
        lines.append("  * corrected by hand; the result says by whom and why")
    return "\n".join([*lines, *(f"  Written     {path}" for path in written)])


def _inspection_lines(line: InspectionLine) -> list[str]:
    bands = [f"{plus_minus(seen.start_mm)} to {plus_minus(seen.end_mm)}" for seen in line.bands]
    mark = "*" if line.corrections else " "
    told = f"{mark} {line.at:%Y-%m-%d}  {'; '.join(bands) or 'no band'} mm  {line.by}"
    if line.verdict:
        told += f"  new seal: {line.verdict.upper()}"
    if line.replaced:
        told += "  (a later result of this photo counts instead)"
    lines = [told + _TIMES[line.taken_from]]
    return lines + [f"{'':14}{note}" for text in line.notes for note in text.splitlines()]


def growth_lines(number: int, track: Track) -> list[str]:
    """How one band grew: its width, and either edge."""
    last = track.sightings[-1]
    place = f"{last.start_mm.value:.2f} to {last.end_mm.value:.2f} mm"
    times = "once" if len(track.sightings) == 1 else f"{len(track.sightings)} times"
    head = f"  band {number:<7}{place}, seen {times}"
    if track.width is None or track.start is None or track.end is None:
        return [f"{head}; two inspections of different days are needed for a rate"]
    rows = {"width": track.width, "start": track.start, "end": track.end}
    return [head, *(f"{'':14}{name:<7}{growth_words(line)}" for name, line in rows.items())]


def growth_words(line: Line) -> str:
    """A rate, whether it can be told from none, and whether the points scatter."""
    growth = line.growth
    told = f"{rate_words(growth)} mm a year"
    if abs(growth.value) <= growth.expanded:
        told += "; not told from none"
    if line.birge_ratio > 1.0:
        told += f" (scatter {line.birge_ratio:.1f} times what was stated; the margin allows for it)"
    return told


def rate_words(growth: Estimate) -> str:
    """A rate with its sign and margin.

    Examples
    --------
    >>> rate_words(Estimate(value=0.1034, u=0.02))
    '+0.103 ± 0.039'
    """
    words = plus_minus(growth)
    is_negative = words.startswith("-") and float(words.split()[0]) != 0.0
    return words if is_negative else f"+{words.removeprefix('-')}"


def _shortened(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= NOTE_LETTERS else f"{line[: NOTE_LETTERS - 3]}..."
