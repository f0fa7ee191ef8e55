"""The history of a shaft as JSON."""

from __future__ import annotations

from typing import Any

from bandscan.output.result_json import full_estimate
from bandscan.records.history import InspectionLine, ShaftWear
from bandscan.wear_growth import Line, Sighting, Track

Json = dict[str, Any]

HISTORY_SCHEMA = "bandscan.history/1"


def history_object(wear: ShaftWear) -> Json:
    """Inspections in order of time, and each band followed through them.

    Rates are mm a year; `t_years` counts from the first inspection with a band.
    """
    return {
        "schema": HISTORY_SCHEMA,
        "machine": wear.name.machine,
        "shaft": wear.name.position,
        "inspections": [_inspection(line) for line in wear.inspections],
        "bands": [_track(number, track) for number, track in enumerate(wear.tracks, start=1)],
    }


def _inspection(line: InspectionLine) -> Json:
    return {
        "uuid": line.uuid,
        "at": line.at.isoformat(timespec="seconds"),
        "time_from": line.taken_from,
        "kept_at": line.kept_at,
        "by": line.by,
        "photo": line.photo,
        "bands": [{"band": seen.band, **_places(seen)} for seen in line.bands],
        "verdict": line.verdict,
        "notes": line.notes,
        "corrected": bool(line.corrections),
        "corrections": line.corrections,
        "replaced": line.replaced,
    }


def _places(seen: Sighting) -> Json:
    return {
        "start_mm": full_estimate(seen.start_mm),
        "end_mm": full_estimate(seen.end_mm),
        "width_mm": full_estimate(seen.width_mm),
    }


def _track(number: int, track: Track) -> Json:
    last = track.sightings[-1]
    return {
        "band": number,
        "sightings": [
            {
                "inspection": seen.inspection,
                "band": seen.band,
                "at": seen.at.isoformat(timespec="seconds"),
                **_places(seen),
            }
            for seen in track.sightings
        ],
        "last": _places(last),
        "growth_mm_per_year": {
            "start": _line(track.start),
            "end": _line(track.end),
            "width": _line(track.width),
        },
    }


def _line(line: Line | None) -> Json | None:
    """A rate; its `u` is widened by the Birge ratio where that is beyond 1."""
    if line is None:
        return None
    return {
        **full_estimate(line.growth),
        "birge_ratio": line.birge_ratio,
        "line": {
            "t_years": line.middle,
            "value_mm": line.value,
            "value_u_mm": line.value_u,
            "slope_u_mm_per_year": line.slope_u,
            "chi_squared": line.chi_squared,
            "dof": line.dof,
        },
    }
