"""A folder of photos: measured on all cores, kept, summed up; goes on where it was interrupted."""

from __future__ import annotations

import csv
import io
import os
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path, PurePosixPath

import click
import cv2

from bandscan.cli.batch_job import FAULT, Done, Job, do_job
from bandscan.cli.crew import Fault, run_crew
from bandscan.options import MeasureOptions
from bandscan.output.contact_sheet import Tile, contact_sheets
from bandscan.output.files import make_folder, write_file
from bandscan.photo_list import ListedPhoto
from bandscan.records.document import MEASUREMENT_SCHEMA
from bandscan.records.errors import RecordsError
from bandscan.records.keep import Keeping, keep_measurement, read_objects
from bandscan.records.names import ShaftName
from bandscan.records.put import Outcome
from bandscan.records.store import Records
from calib.errors import MeasureError

INTERRUPTED = 130  # exit status of a program that Ctrl-C ended: 128 + SIGINT; common practice
JPEG_QUALITY = 85
_SUMMARY_HEADER = ("photo", "shaft", "outcome", "code", "bands", "kept", "message", "result")
_NAMES_SHOWN = 6


@dataclass(frozen=True, slots=True, kw_only=True)
class Batch:
    """What is to be done.

    Parameters
    ----------
    folder, out : Path
        Of the photos, and of the results.
    photos : tuple of ListedPhoto
    options : MeasureOptions
        A diameter in the list goes before the one in here.
    processes : int
    by : str
        Who keeps the results.
    """

    folder: Path
    out: Path
    photos: tuple[ListedPhoto, ...]
    options: MeasureOptions
    processes: int
    by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Line:
    """One photo in the summary."""

    photo: ListedPhoto
    job: Job
    done: Done
    kept: str = ""

    @property
    def outcome(self) -> str:
        """measured, undecided, refused or fault."""
        if self.done.code:
            return FAULT if self.done.code == FAULT else "refused"
        return "undecided" if self.done.undecided else "measured"

    @property
    def words(self) -> str:
        """What became of it, short."""
        if self.done.code:
            return "fault in the program" if self.done.code == FAULT else self.done.code
        bands = f"{self.done.bands or 'no'} band{'' if self.done.bands == 1 else 's'}"
        return f"{bands}, landing undecided" if self.done.undecided else bands


def run_batch(batch: Batch, records: Records | None = None) -> int:
    """Measure the photos, keep what was measured, sum up.

    Parameters
    ----------
    records : Records or None
        None: nothing is kept.

    Returns
    -------
    int
        The highest exit status of the photos; 130 where it was interrupted.
    """
    make_folder(batch.out)
    jobs = _jobs(batch)
    lines: list[Line] = []
    try:
        for line in _work_through(batch, jobs, records):
            lines.append(line)
    except KeyboardInterrupt:
        click.echo(
            f"\nbandscan: interrupted; {len(lines)} of {len(jobs)} photos are done and on disk. "
            "The same command goes on from there.",
            err=True,
        )
        return INTERRUPTED
    lines.sort(key=lambda line: line.photo.file)
    written = [_write_summary(batch, lines), *_write_sheets(batch, lines)]
    click.echo(summary_text(lines, keeping=records is not None))
    for path in written:
        click.echo(f"  Written     {path}")
    return max(line.done.status for line in lines)


def _jobs(batch: Batch) -> list[Job]:
    """A job for each photo; where two photos differ by their ending alone, it stays in the name."""
    stems = [PurePosixPath(photo.file).with_suffix("") for photo in batch.photos]
    jobs = []
    for photo, stem in zip(batch.photos, stems, strict=True):
        options = batch.options
        if photo.diameter_mm is not None:
            options = replace(options, diameter_mm=photo.diameter_mm)
        name = stem if stems.count(stem) == 1 else PurePosixPath(photo.file)
        jobs.append(Job(photo=batch.folder / photo.file, options=options, start=batch.out / name))
    return jobs


def _work_through(batch: Batch, jobs: Sequence[Job], records: Records | None) -> Iterator[Line]:
    tell = _progress(len(jobs))
    for index, result in run_crew(do_job, jobs, batch.processes):
        photo, job = batch.photos[index], jobs[index]
        if isinstance(result, Fault):
            done = Done(code=FAULT, message=result.message, status=1)
        else:
            done = result
        line = Line(photo=photo, job=job, done=done)
        if records is not None and not done.code:
            line = _kept(records, line, batch.by)
        tell(line)
        yield line


def _kept(records: Records, line: Line, by: str) -> Line:
    """Keep a result; what forbids it is told in the summary."""
    name = ShaftName.parse(line.photo.shaft, machine=line.photo.machine)
    keeping = Keeping(name=name, by=by, notes=(line.photo.note,) if line.photo.note else ())
    try:
        (measurement,) = read_objects(line.job.result, MEASUREMENT_SCHEMA)
        measurement["photo"]["file"] = str(line.job.photo)
        kept = keep_measurement(records, measurement, line.job.result, keeping)
    except RecordsError:
        raise  # the disk is full or the file damaged: the next one would meet the same
    except MeasureError as error:
        status = max(line.done.status, error.exit_status)
        return replace(line, done=replace(line.done, status=status), kept=str(error))
    return replace(line, kept=kept.outcome.value)


def _progress(count: int) -> Callable[[Line], None]:
    """Tell each photo as it is done, and how long the rest will take."""
    started = time.monotonic()
    done, measured = [0], [0]

    def tell(line: Line) -> None:
        done[0] += 1
        measured[0] += not line.done.reused
        told = f"[{done[0]}/{count}] {line.photo.file}: {line.words}"
        if line.done.reused:
            told += " (measured before)"
        left = count - done[0]
        if measured[0] and left:
            told += f"; about {_span((time.monotonic() - started) / measured[0] * left)} left"
        click.echo(told, err=True)

    return tell


def _span(seconds: float) -> str:
    if seconds < 90.0:
        return f"{max(1, round(seconds))} s"
    return f"{round(seconds / 60.0)} min"


def summary_text(lines: Sequence[Line], *, keeping: bool) -> str:
    """How many were measured, and why the others were not."""
    groups = {
        outcome: [line for line in lines if line.outcome == outcome]
        for outcome in ("measured", "undecided", "refused", FAULT)
    }
    measured = [*groups["measured"], *groups["undecided"]]
    told = [
        f"{len(lines)} photo{'' if len(lines) == 1 else 's'}",
        f"  measured    {len(measured)}, {sum(not line.done.bands for line in measured)} of them "
        "without a band",
    ]
    if groups["undecided"]:
        told.append(
            f"  undecided   {_names(groups['undecided'])} (measured; a lip of the new seal is)"
        )
    codes = sorted({line.done.code for line in groups["refused"]})
    told.append(f"  refused     {len(groups['refused'])}")
    for code in codes:
        coded = [line for line in groups["refused"] if line.done.code == code]
        told.append(f"    {code:<18}{_names(coded)}")
    if groups[FAULT]:
        told.append(f"  fault       {_names(groups[FAULT])}; tried again by the same command")
    if keeping:
        settled = {Outcome.KEPT.value, Outcome.ADDED.value, Outcome.ALREADY.value}
        new = sum(line.kept == Outcome.KEPT.value for line in lines)
        told.append(
            f"  kept        {sum(line.kept in settled for line in lines)}, {new} of them new"
        )
        told += [f"    {line.kept}" for line in lines if line.kept and line.kept not in settled]
    return "\n".join(told)


def _names(lines: Sequence[Line]) -> str:
    names = ", ".join(line.photo.file for line in lines[:_NAMES_SHOWN])
    more = f" and {len(lines) - _NAMES_SHOWN} more" if len(lines) > _NAMES_SHOWN else ""
    return f"{len(lines)}: {names}{more}"


def _write_summary(batch: Batch, lines: Sequence[Line]) -> Path:
    text = io.StringIO(newline="")
    table = csv.writer(text)
    table.writerow(_SUMMARY_HEADER)
    for line in lines:
        whose = line.photo.shaft
        if line.photo.machine:
            whose = f"{line.photo.machine} / {whose}"
        table.writerow(
            (
                line.photo.file, whose, line.outcome, line.done.code, line.done.bands, line.kept,
                line.done.message, os.path.relpath(line.job.result, batch.out),
            )
        )  # fmt: skip
    path = batch.out / "summary.csv"
    write_file(path, text.getvalue().encode())
    return path


def _write_sheets(batch: Batch, lines: Sequence[Line]) -> list[Path]:
    tiles = [
        Tile(
            name=line.photo.file,
            outcome=line.outcome,
            words=line.words,
            pictures=(_overlay(line.job), line.job.photo),
        )
        for line in lines
    ]
    written = []
    for number, page in enumerate(contact_sheets(batch.folder.resolve().name, tiles), start=1):
        _, data = cv2.imencode(".jpg", page, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
        written.append(batch.out / f"contact-sheet-{number:02d}.jpg")
        write_file(written[-1], data.tobytes())
    return written


def _overlay(job: Job) -> Path:
    return job.start.with_name(f"{job.start.name}-bands.jpg")
