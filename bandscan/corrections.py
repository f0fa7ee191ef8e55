"""What a person sets by hand in place of what was found, and how it joins the readings.

A hand-set place is read off the photo like an automatic one, so scale, lens, pose and end face
add to its uncertainty; only the fit of the edge is replaced by the eye of the person.
"""

from __future__ import annotations

import itertools
import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bandscan.errors import CorrectionError
from bandscan.model import BandEdge, BandReading, Photo
from bandscan.options import DEFAULT_HAND_U_MM, SIDES, BandByHand, Corrections, Interval
from bandscan.result import Band, Correction
from calib.errors import UnreadableFileError
from calib.quantity import Estimate

CORRECTIONS_SCHEMA = "bandscan.corrections/1"
_UNKNOWN_WIDTH_MM = 0.3  # 10-90 % width of an edge that was not fitted; as for the eye's u
_Note = tuple[str, Estimate | None, Estimate | None]
BY_HAND = "by hand"  # how a band looks that the program did not see


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectedReading:
    """A band after correction, and what it replaces.

    Parameters
    ----------
    reading : BandReading or None
        None where the person sees no band.
    replaced : tuple of int
        Indices of the automatic readings.
    by_hand : tuple of {"start", "end"}
    """

    reading: BandReading | None
    replaced: tuple[int, ...]
    by_hand: tuple[str, ...] = ()


def correct_readings(
    readings: Sequence[BandReading], corrections: Corrections, *, seen_to_mm: float
) -> list[CorrectedReading]:
    """Put the bands set by hand in the place of the automatic ones that they overlap.

    Returns
    -------
    list of CorrectedReading
        Bands in order from the shaft end, then those that are none.

    Raises
    ------
    CorrectionError
        A place is off the shaft that was seen, two bands overlap, or there is no band to take
        away.
    """
    found = [(r.start.axial_mm, r.end.axial_mm) for r in readings]
    gone = [_at(place, found) for place in corrections.no_bands_mm]
    made: list[CorrectedReading] = []
    taken = set(gone)
    for band in corrections.bands:
        _check_on_shaft(band, seen_to_mm)
        replaced = tuple(i for i, other in enumerate(found) if i not in gone and _meet(band, other))
        taken.update(replaced)
        made.append(_by_hand(band, [readings[i] for i in replaced], replaced, corrections))
    kept = [
        CorrectedReading(reading=reading, replaced=(i,))
        for i, reading in enumerate(readings)
        if i not in taken
    ]
    bands = sorted([*made, *kept], key=_start)
    _check_apart(bands)
    return [*bands, *(CorrectedReading(reading=None, replaced=(i,)) for i in sorted(set(gone)))]


def check_made_for(photo: Photo, corrections: Corrections | None) -> None:
    """Refuse corrections that were made for another photo.

    Raises
    ------
    CorrectionError
    """
    made_for = None if corrections is None else corrections.photo_sha256
    if made_for is not None and made_for != photo.sha256:
        raise CorrectionError(
            f"The corrections were made for another photo (SHA-256 {made_for[:12]}..., this one "
            f"is {photo.sha256[:12]}...).",
            "Give the photo that the report page shows.",
        )


def note_bands(
    corrected: Sequence[CorrectedReading],
    bands: Sequence[Band],
    automatic: Sequence[Band],
    corrections: Corrections,
) -> list[Correction]:
    """A note of every edge that was set by hand or taken away.

    Parameters
    ----------
    corrected : sequence of CorrectedReading
        As `correct_readings` gives them.
    bands, automatic : sequence of Band
        The results of the corrected readings that are bands, and of the automatic ones.
    """
    notes: list[Correction] = []
    for index, change in enumerate(corrected):
        replaced = [automatic[i] for i in change.replaced]
        made: list[_Note] = []
        if change.reading is None:
            made = [(f"no band: {side}", edge, None) for side, edge in _edges(replaced)]
        elif change.by_hand:
            made = _moved_edges(index + 1, bands[index], replaced)
        notes += [noted(*note, corrections) for note in made]
    return notes


def noted(
    what: str,
    automatic: Estimate | None,
    corrected: Estimate | None,
    corrections: Corrections,
) -> Correction:
    """A note of one place, with both values and what the person said."""
    return Correction(
        what=what,
        automatic_mm=automatic,
        corrected_mm=corrected,
        by=corrections.by,
        why=corrections.why,
        when=corrections.when,
    )


def read_corrections(path: Path | str) -> Corrections:
    """Read a corrections file, as the report page writes it.

    Raises
    ------
    UnreadableFileError
        It is missing, no JSON, or a value in it is impossible.
    """
    try:
        content = json.loads(Path(path).read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableFileError(
            f"The corrections {path} cannot be read: {error.strerror or error}.",
            "Check its name.",
        ) from None
    except ValueError:
        raise _unfit(path, "it is not JSON") from None
    if not isinstance(content, dict) or content.get("schema") != CORRECTIONS_SCHEMA:
        raise _unfit(path, f'its schema is not "{CORRECTIONS_SCHEMA}"')
    try:
        return _from_object(content)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise _unfit(path, f"a field is missing or wrong ({error})") from None


def checked_band(start_mm: float, end_mm: float) -> BandByHand:
    """A band with both edges set by hand.

    Raises
    ------
    ValueError
        The edges are no lengths, or not in order.
    """
    if not (math.isfinite(start_mm) and math.isfinite(end_mm)):
        raise ValueError("both edges must be lengths in mm")
    if not 0.0 <= start_mm < end_mm:
        raise ValueError(
            f"a band from {start_mm:g} to {end_mm:g} mm does not run from the shaft end inward"
        )
    return BandByHand(start_mm=start_mm, end_mm=end_mm)


def _from_object(content: Mapping[str, Any]) -> Corrections:
    photo = content.get("photo") or {}
    end_px = content.get("end_px")
    u = float(content.get("hand_u_mm", DEFAULT_HAND_U_MM))
    if not (math.isfinite(u) and u > 0.0):
        raise ValueError(f"hand_u_mm is {u:g}")
    return Corrections(
        bands=tuple(_band(item) for item in content.get("bands") or ()),
        no_bands_mm=tuple(_finite(place) for place in content.get("no_bands_mm") or ()),
        end_px=None if end_px is None else (_finite(end_px[0]), _finite(end_px[1])),
        hand_u_mm=u,
        by=_text(content.get("by")),
        why=_text(content.get("why")),
        when=_text(content.get("when")),
        photo_sha256=_text(photo.get("sha256")),
    )


def _band(item: Mapping[str, Any]) -> BandByHand:
    instead = item.get("instead_of_mm")
    sides = tuple(str(side) for side in item.get("by_hand", SIDES))
    if not sides or any(side not in SIDES for side in sides):
        raise ValueError(f"by_hand is {sides}")
    return replace(
        checked_band(float(item["start_mm"]), float(item["end_mm"])),
        sides=sides,
        instead_of_mm=None if instead is None else (_finite(instead[0]), _finite(instead[1])),
    )


def _finite(value: Any) -> float:
    number = float(value)
    if not math.isfinite(number):
        raise ValueError(f"{value} is no place")
    return number


def _text(value: Any) -> str | None:
    return None if value is None or str(value).strip() == "" else str(value)


def _unfit(path: Path | str, why: str) -> UnreadableFileError:
    return UnreadableFileError(
        f"The corrections {path} cannot be used: {why}.",
        "Give the file that the report page saved, or use --band.",
    )


def _meet(band: BandByHand, other: Interval) -> bool:
    spans = [(band.start_mm, band.end_mm)]
    if band.instead_of_mm is not None:
        spans.append(band.instead_of_mm)
    return any(low < other[1] and other[0] < high for low, high in spans)


def _at(place_mm: float, found: Sequence[Interval]) -> int:
    for index, (start, end) in enumerate(found):
        if start <= place_mm <= end:
            return index
    where = ", ".join(f"{start:.2f} to {end:.2f}" for start, end in found) or "nowhere"
    raise CorrectionError(
        f"No band was found at {place_mm:g} mm that could be taken away; bands: {where}.",
        "Give --no-band a place inside the band that is none.",
    )


def _check_on_shaft(band: BandByHand, seen_to_mm: float) -> None:
    if band.end_mm > seen_to_mm:
        raise CorrectionError(
            f"A band to {band.end_mm:g} mm was set by hand, but the photo shows the shaft up to "
            f"{seen_to_mm:.1f} mm only.",
            "Give both edges in mm from the shaft end face.",
        )


def _check_apart(bands: Sequence[CorrectedReading]) -> None:
    spans = [(b.reading.start.axial_mm, b.reading.end.axial_mm) for b in bands if b.reading]
    for (_, end), (start, _) in itertools.pairwise(spans):
        if start < end:
            raise CorrectionError(
                f"Two bands overlap after correction: one ends at {end:.2f} mm, the next begins "
                f"at {start:.2f} mm.",
                "Give one --band for both, or edges that lie apart.",
            )


def _start(band: CorrectedReading) -> float:
    assert band.reading is not None
    return band.reading.start.axial_mm


def _by_hand(
    band: BandByHand,
    automatic: Sequence[BandReading],
    replaced: tuple[int, ...],
    corrections: Corrections,
) -> CorrectedReading:
    places = {"start": band.start_mm, "end": band.end_mm}
    edges = {
        "start": automatic[0].start if automatic else None,
        "end": automatic[-1].end if automatic else None,
    }
    sides = SIDES if not automatic else band.sides
    made = {
        side: _hand_edge(places[side], edge, corrections.hand_u_mm)
        if side in sides or edge is None
        else edge
        for side, edge in edges.items()
    }
    if made["start"].axial_mm >= made["end"].axial_mm:
        raise CorrectionError(
            f"The corrected band would run from {made['start'].axial_mm:.2f} back to "
            f"{made['end'].axial_mm:.2f} mm.",
            "Set both of its edges.",
        )
    first = automatic[0] if automatic else None
    return CorrectedReading(
        reading=BandReading(
            start=made["start"],
            end=made["end"],
            looks=BY_HAND if first is None else first.looks,
            strength=0.0 if first is None else first.strength,
        ),
        replaced=replaced,
        by_hand=sides,
    )


def _hand_edge(place_mm: float, automatic: BandEdge | None, u_mm: float) -> BandEdge:
    """An edge set by eye; how it runs round the shaft is kept from the automatic one."""
    return BandEdge(
        axial_mm=place_mm,
        fit_u_mm=u_mm,
        fit_dof=math.inf,
        unseen_u_mm=0.0 if automatic is None else automatic.unseen_u_mm,
        width_mm=_UNKNOWN_WIDTH_MM if automatic is None else automatic.width_mm,
        wobble_mm=(0.0, 0.0) if automatic is None else automatic.wobble_mm,
        by_hand=True,
    )


def _edges(bands: Sequence[Band]) -> list[tuple[str, Estimate]]:
    return [
        (side, edge.position_mm)
        for band in bands
        for side, edge in (("start", band.start), ("end", band.end))
    ]


def _moved_edges(number: int, band: Band, replaced: Sequence[Band]) -> list[_Note]:
    """What became of the edges that a hand-set band replaces: the outer two, and those inside."""
    found = [edge for _, edge in _edges(replaced)]
    notes: list[_Note] = []
    if band.start.by_hand:
        start = found[0] if found else None
        notes.append((f"band {number} start", start, band.start.position_mm))
    if band.end.by_hand:
        end = found[-1] if found else None
        notes.append((f"band {number} end", end, band.end.position_mm))
    return notes + [(f"edge inside band {number}", edge, None) for edge in found[1:-1]]
