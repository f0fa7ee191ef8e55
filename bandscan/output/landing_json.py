"""Landing, attribution and shaft sheet as JSON objects."""

from __future__ import annotations

from typing import Any

from bandscan.attribution import Attribution, Explanation
from bandscan.output.result_json import full_estimate, landing_object
from bandscan.planning import Plan
from bandscan.remedies import Remedy
from bandscan.shaft_sheet import ShaftSheet, SheetLine
from bandscan.stack_up import LipPlace

Json = dict[str, Any]

LANDING_SCHEMA = "bandscan.landing/1"
ATTRIBUTION_SCHEMA = "bandscan.attribution/1"
SHEET_SCHEMA = "bandscan.sheet/1"


def plan_object(plan: Plan) -> Json:
    """One candidate seal."""
    return {
        "schema": LANDING_SCHEMA,
        "seal": {
            "file": plan.file,
            "label": plan.seal.label,
            "facing": plan.seal.mounting.facing,
            "notes": plan.seal.notes,
        },
        **landing_object(plan.landing),
        "stack_up": [_place(place) for place in plan.places],
        "remedies": [_remedy(remedy) for remedy in plan.remedies],
    }


def attribution_object(file: str, attribution: Attribution) -> Json:
    """Who made which band."""
    best = attribution.best
    return {
        "schema": ATTRIBUTION_SCHEMA,
        "seal": {"file": file},
        "best": None if best is None else _explanation(best),
        "alternatives": [_explanation(other) for other in attribution.alternatives],
        "widening_mm": [full_estimate(widening) for widening in attribution.widening_mm],
        "findings": attribution.findings,
    }


def sheet_object(sheet: ShaftSheet) -> Json:
    """The shaft sheet."""
    return {
        "schema": SHEET_SCHEMA,
        "nominal_mm": sheet.facts.nominal_mm,
        "surface_speed_m_s": sheet.facts.speed_m_s,
        "lines": [_line(line) for line in sheet.lines],
        "disagreements": sheet.disagreements,
    }


def _place(place: LipPlace) -> Json:
    return {
        "name": place.lip.name,
        "kind": place.lip.kind,
        "middle_mm": full_estimate(place.middle_mm),
        "half_width_u_mm": place.half_width_u_mm,
        "parts": [
            {
                "source": part.source,
                "limit_mm": [part.low_mm, part.high_mm],
                "u_mm": part.u_mm,
                "dof": part.dof,
            }
            for part in place.parts
        ],
    }


def _remedy(remedy: Remedy) -> Json:
    return {
        "kind": remedy.kind,
        "what": remedy.what,
        "reason": remedy.reason,
        "cautions": remedy.cautions,
        "sources": remedy.sources,
    }


def _explanation(explanation: Explanation) -> Json:
    """Lips and bands are numbered from 1."""
    return {
        "facing": explanation.facing,
        "pairs": [{"lip": lip + 1, "band": band + 1} for lip, band in explanation.pairs],
        "offset_mm": full_estimate(explanation.offset_mm),
        "stated_u_mm": explanation.stated_u_mm,
        "chi_squared": explanation.chi_squared,
        "dof": explanation.dof,
        "spacing_probability": explanation.spacing_probability,
        "residuals_mm": explanation.residuals_mm,
    }


def _line(line: SheetLine) -> Json:
    return {
        "item": line.item,
        "value": line.value,
        "limit": line.limit,
        "verdict": line.verdict,
        "source": line.source,
        "note": line.note,
    }
