"""One photo of a batch, in a process of its own: measured, drawn and written, or done already."""

from __future__ import annotations

import hashlib
import json
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import cv2

from bandscan.cli.running import measure_one, write_results
from bandscan.options import MeasureOptions
from bandscan.output.files import make_folder, write_file
from bandscan.output.result_json import json_text, measurement_object
from bandscan.output.settings_json import settings_object

FAULT = "fault"


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """A photo, what is asked of it, and how the names of its results begin."""

    photo: Path
    options: MeasureOptions
    start: Path

    @property
    def result(self) -> Path:
        """The result's file; it is written last, so where it is whole all are."""
        return self.start.with_name(f"{self.start.name}.json")


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """What became of a photo.

    Parameters
    ----------
    code, message : str
        Of the refusal, empty where it was measured.
    bands : int
        How many were found.
    undecided : bool
        A lip of the planned seal is neither surely fresh nor surely on a band.
    status : int
        Exit status.
    reused : bool
        Measured before, with the same settings.
    """

    code: str = ""
    message: str = ""
    bands: int = 0
    undecided: bool = False
    status: int = 0
    reused: bool = False


def do_job(job: Job) -> Done:
    """Measure a photo and write its results, unless they are there.

    Raises
    ------
    UnwritableFileError
    """
    settings = settings_object(job.options)
    before = _result_before(job, settings)
    if before is not None:
        return _done(before, status=0 if before["refusal"] is None else 3, reused=True)
    cv2.setNumThreads(1)  # the other cores have photos of their own
    measurement = measure_one(job.photo, job.options, verbose=False)
    content = measurement_object(measurement) | settings
    with ThreadPoolExecutor(max_workers=1) as helper:
        _, write_status = write_results(measurement, content, job.start, helper)
    if measurement.photo is None:  # nothing to draw, but why is to be kept
        make_folder(job.start.parent)
        write_file(job.result, json_text([content]).encode())
    return _done(content, status=max(measurement.exit_status, write_status))


def _done(content: dict[str, Any], *, status: int, reused: bool = False) -> Done:
    refusal = content["refusal"] or {}
    lips = (content.get("landing") or {}).get("lips", ())
    return Done(
        code=refusal.get("code", ""),
        message=f"{refusal.get('message', '')} {refusal.get('remedy', '')}".strip(),
        bands=len(content["bands"]),
        undecided=any(lip["verdict"] == "undecided" for lip in lips),
        status=status,
        reused=reused,
    )


def _result_before(job: Job, settings: dict[str, Any]) -> dict[str, Any] | None:
    """The result of this photo with these settings, if it was written before."""
    try:
        content: dict[str, Any] = json.loads(job.result.read_text(encoding="utf-8"))
        with job.photo.open("rb") as file:
            sha256 = hashlib.file_digest(file, "sha256").hexdigest()
        same = content["photo"]["sha256"] == sha256 and all(
            content.get(key) == value for key, value in json.loads(json.dumps(settings)).items()
        )
        fault = (content["refusal"] or {}).get("code") == FAULT
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return content if same and not fault else None
