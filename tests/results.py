"""Made-up results of measurements, as `bandscan measure --json` writes them."""

from __future__ import annotations

import hashlib
import json
from typing import Any

from bandscan.options import MeasureOptions
from bandscan.output.result_json import measurement_object
from bandscan.output.settings_json import settings_object
from tests import examples

_WHOLE = json.dumps(
    measurement_object(examples.measurement()) | settings_object(MeasureOptions(diameter_mm=45.0)),
    default=list,
)


def edge(value: float, u: float = 0.03) -> dict[str, float | None]:
    return {"value": value, "u": u, "U": 1.96 * u, "k": 1.96, "dof": None}


def band(start_mm: float, end_mm: float, u: float = 0.03) -> dict[str, Any]:
    return {
        "start_mm": edge(start_mm, u),
        "end_mm": edge(end_mm, u),
        "width_mm": edge(end_mm - start_mm, u),
        "start_px": [[1.0, 2.0]],
        "end_px": [[3.0, 4.0]],
        "arc_deg": [-45.0, 45.0],
        "looks": "darker",
        "strength": 7.1,
    }


def result(name: str | int = 0, /, **changes: Any) -> dict[str, Any]:
    """A result of its own photo; `taken` and `file` go into the photo."""
    whole = json.loads(_WHOLE)
    whole["photo"]["sha256"] = hashlib.sha256(str(name).encode()).hexdigest()
    whole["photo"]["file"] = f"{name}.jpg"
    for key in ("taken", "file", "sha256"):
        if key in changes:
            whole["photo"][key] = changes.pop(key)
    return whole | changes
