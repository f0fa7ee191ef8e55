"""One inspection as a document: what is kept, exported and merged.

A document is a JSON object: whose shaft, who and when, the measurement as it was written,
and the landings, shaft sheets and notes that were added to it, each with who and when.
"""

from __future__ import annotations

import copy
import json
import math
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

from bandscan.records.names import ShaftName, content_hash, inspection_uuid, key_of, spaced
from calib.quantity import Estimate

Document = dict[str, Any]

RECORD_SCHEMA = "bandscan.record/1"
MEASUREMENT_SCHEMA = "bandscan.measurement/1"
LANDING_SCHEMA = "bandscan.landing/1"
SHEET_SCHEMA = "bandscan.sheet/1"

# From good to bad, as the landing names them; a landing as a whole is its worst lip.
VERDICTS = ("fresh", "undecided", "off land", "on band")

_SHA256 = re.compile(r"[0-9a-f]{64}")
_ADDED = ("landings", "sheets", "notes")


class UnfitError(ValueError):
    """A content that is no measurement, landing or document; the text says why."""


@dataclass(frozen=True, slots=True, kw_only=True)
class KeptBand:
    """A band as kept: its edges and its width, from the shaft end face."""

    start_mm: Estimate
    end_mm: Estimate
    width_mm: Estimate
    looks: str | None = None


def new_document(
    measurement: dict[str, Any],
    name: ShaftName,
    *,
    by: str,
    now: datetime | None = None,
    taken: str | None = None,
    additions: Mapping[str, Iterable[Any]] | None = None,
) -> Document:
    """The document of one measurement.

    Parameters
    ----------
    measurement : dict
        A `bandscan.measurement/1` object without a refusal.
    by : str
        Who keeps it.
    taken : str or None
        Local time of the photo, where the user says it; else the photo's own.
    additions : mapping
        "landings" and "sheets" (objects), "notes" (texts).

    Raises
    ------
    UnfitError
    """
    measurement = _without_folders(copy.deepcopy(measurement))
    check_measurement(measurement)
    kept_at = (now or datetime.now(UTC)).astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    own = local_time(measurement["photo"].get("taken"))
    stamp = {"at": kept_at, "by": spaced(by)}
    additions = {} if additions is None else additions
    landings = [*additions.get("landings", ())]
    if measurement.get("landing") is not None:
        landings.insert(0, measurement["landing"])
    document = {
        "schema": RECORD_SCHEMA,
        "uuid": inspection_uuid(measurement),
        "machine": name.machine,
        "shaft": name.position,
        "kept_at": kept_at,
        "by": spaced(by),
        "taken": taken or own,
        "taken_from": "given" if taken else "photo" if own else "kept",
        "measurement": measurement,
        "landings": [{**stamp, "landing": _without_folders(item)} for item in landings],
        "sheets": [
            {**stamp, "sheet": _without_folders(item)} for item in additions.get("sheets", ())
        ],
        "notes": [
            {**stamp, "text": text.strip()} for text in additions.get("notes", ()) if text.strip()
        ],
    }
    check_document(document)
    return document


def merged(kept: Document, new: Document) -> Document:
    """A kept document with what a second one of the same inspection adds.

    Whose shaft, who and when stay as they were kept first; a time that was given replaces
    none.
    """
    result = dict(kept)
    if kept["taken_from"] == "kept" and new["taken_from"] != "kept":
        result["taken"], result["taken_from"] = new["taken"], new["taken_from"]
    for part in _ADDED:
        seen = {_own_hash(item) for item in kept[part]}
        fresh = [item for item in new[part] if _own_hash(item) not in seen]
        result[part] = sorted([*kept[part], *fresh], key=lambda item: str(item["at"]))
    return result


def _own_hash(item: dict[str, Any]) -> str:
    """What an addition says; the same note of two people is two notes."""
    told = {key: value for key, value in item.items() if key not in ("at", "by")}
    if "text" in item:
        told["by"] = key_of(item["by"])
    return content_hash(told)


def time_of(document: Document) -> str:
    """When the shaft was inspected, to sort by: the photo's time, else when it was kept."""
    return str(document["taken"] or document["kept_at"].rstrip("Z"))


def name_of(document: Document) -> ShaftName:
    """Whose inspection it is."""
    return ShaftName(machine=document["machine"], position=document["shaft"])


def bands_of(measurement: Mapping[str, Any]) -> list[KeptBand]:
    """The bands of a measurement.

    Raises
    ------
    UnfitError
    """
    found = []
    for band in measurement["bands"]:
        start, end = estimate_of(band["start_mm"]), estimate_of(band["end_mm"])
        if start.value > end.value:
            raise UnfitError(f"a band runs from {start.value} back to {end.value}")
        width = estimate_of(band["width_mm"])
        found.append(KeptBand(start_mm=start, end_mm=end, width_mm=width, looks=band.get("looks")))
    return found


def estimate_of(item: Mapping[str, Any]) -> Estimate:
    """Value, standard uncertainty and degrees of freedom (none: infinite).

    Raises
    ------
    UnfitError
    """
    value, u, dof = float(item["value"]), float(item["u"]), item.get("dof")
    if not (math.isfinite(value) and math.isfinite(u) and u >= 0.0):
        raise UnfitError(f"{value} with u {u} is no measured length")
    return Estimate(value=value, u=u, dof=math.inf if dof is None else max(1.0, float(dof)))


def verdict_of(landing: Mapping[str, Any]) -> str:
    """The verdict of a landing as a whole: that of its worst lip.

    Raises
    ------
    UnfitError
    """
    verdicts = [lip["verdict"] for lip in landing["lips"]]
    if not verdicts or not set(verdicts) <= set(VERDICTS):
        raise UnfitError(f"a landing with the verdicts {verdicts}")
    return str(max(verdicts, key=VERDICTS.index))


def check_measurement(measurement: Any) -> None:
    """Raise `UnfitError` where it is no measurement that can be kept."""
    if not isinstance(measurement, dict):
        raise UnfitError("it is not an object")
    if measurement.get("schema") != MEASUREMENT_SCHEMA:
        raise UnfitError(f"its schema is {measurement.get('schema')!r}, not {MEASUREMENT_SCHEMA!r}")
    try:
        sha256 = measurement["photo"].get("sha256")
        if sha256 is not None and not _SHA256.fullmatch(sha256):
            raise UnfitError(f"the photo's sha256 is {sha256!r}")
        file = measurement["photo"].get("file")
        if not isinstance(file, str | None):
            raise UnfitError(f"the photo's file is {file!r}")
        bands_of(measurement)
        diameter_of(measurement)
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise _unfit(error) from None


def check_landing(landing: Any) -> None:
    """Raise `UnfitError` where it is no landing."""
    try:
        verdict_of(landing)
        for lip in landing["lips"]:
            str(lip["name"])
            if lip.get("contact_mm") is not None:
                low, high = lip["contact_mm"]
                float(low), float(high)
            if lip.get("clearance_mm") is not None:
                estimate_of(lip["clearance_mm"])
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unfit(error) from None


def check_document(document: Any) -> None:
    """Raise `UnfitError` where it is no document of this schema."""
    try:
        if document["schema"] != RECORD_SCHEMA:
            raise UnfitError(f"its schema is {document['schema']!r}, not {RECORD_SCHEMA!r}")
        check_measurement(document["measurement"])
        if document["uuid"] != inspection_uuid(document["measurement"]):
            raise UnfitError("its key is not that of its measurement")
        ShaftName.parse(document["shaft"], machine=document["machine"])
        for key in ("kept_at", "by", "taken_from"):
            if not isinstance(document[key], str):
                raise UnfitError(f"{key} is {document[key]!r}")
        taken = document["taken"]
        if taken is not None and not (isinstance(taken, str) and local_time(taken)):
            raise UnfitError(f"taken is {taken!r}")
        _check_additions(document)
        json.dumps(document, allow_nan=False, ensure_ascii=False).encode()  # half a letter
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise _unfit(error) from None


def _check_additions(document: Document) -> None:
    for item in [item for part in _ADDED for item in document[part]]:
        if not (isinstance(item["at"], str) and isinstance(item["by"], str)):
            raise UnfitError("an addition lacks who or when")
    for item in document["landings"]:
        check_landing(item["landing"])
    for item in document["sheets"]:
        item["sheet"].get("nominal_mm")
    for item in document["notes"]:
        key_of(item["text"])


def diameter_of(measurement: Mapping[str, Any]) -> Estimate | None:
    """The shaft diameter that a measurement rests on, where it has one."""
    shaft = measurement.get("shaft") or {}
    item = shaft.get("diameter_mm")
    return None if item is None else estimate_of(item)


def local_time(text: Any) -> str | None:
    """A date, or a date and time, as `YYYY-MM-DDTHH:MM:SS`; None where it is none.

    Examples
    --------
    >>> local_time("2026-05-04"), local_time("2026-05-04T10:11:12+02:00"), local_time("May")
    ('2026-05-04T00:00:00', '2026-05-04T10:11:12', None)
    """
    try:
        return datetime.fromisoformat(str(text)).replace(tzinfo=None).isoformat(timespec="seconds")
    except ValueError:
        return None


def file_name(path: str) -> str:
    r"""The last part of a path of any system.

    Examples
    --------
    >>> file_name("/home/bench/leg4.jpg"), file_name(r"C:\bench\leg4.jpg"), file_name("leg4.jpg")
    ('leg4.jpg', 'leg4.jpg', 'leg4.jpg')
    """
    return re.split(r"[/\\]", path)[-1]


def _without_folders(content: Any) -> Any:
    """The content with every file named without its folder, which may name a person."""
    if isinstance(content, dict):
        return {
            key: file_name(value)
            if key == "file" and isinstance(value, str)
            else _without_folders(value)
            for key, value in content.items()
        }
    if isinstance(content, list):
        return [_without_folders(item) for item in content]
    return content


def _unfit(error: Exception) -> UnfitError:
    if isinstance(error, UnfitError):
        return error
    if isinstance(error, KeyError):
        return UnfitError(f"{error} is missing")
    return UnfitError(f"a field is wrong ({error})")
