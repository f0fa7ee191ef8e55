"""Run photo after photo: pictures and results to disk, text to the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from concurrent.futures import Executor, ThreadPoolExecutor
from pathlib import Path
from typing import Any

import click
import cv2

from bandscan.cli.faults import explain
from bandscan.options import MeasureOptions
from bandscan.output.drawing import Picture, load_font
from bandscan.output.files import UnwritableFileError, make_folder, write_file
from bandscan.output.overlay import draw_overlay
from bandscan.output.result_json import check_object, json_text, measurement_object
from bandscan.output.settings_json import settings_object
from bandscan.output.strip import draw_strip
from bandscan.output.table import check_text, measurement_text
from bandscan.pipeline import check_photo, measure_photo
from bandscan.result import CheckReport, Measurement, Refusal
from calib.errors import MeasureError

JPEG_QUALITY = 85  # text and lines stay clean; half the size and time of 95
STANDARD_OUTPUT = Path("-")
# Drawn on the main thread: another thread's memory is a heap of its own that is not used again.
_PICTURES = {"bands": draw_overlay, "strip": draw_strip}


def measure_all(
    photos: Sequence[Path],
    options: MeasureOptions,
    *,
    out: Path | None = None,
    json_path: Path | None = None,
    verbose: bool = False,
) -> int:
    """Measure photos one after the other.

    Returns
    -------
    int
        The highest exit status of them.
    """
    objects: list[dict[str, Any]] = []
    settings = settings_object(options)
    status = 0
    with ThreadPoolExecutor(max_workers=1) as helper:
        helper.submit(load_font)  # while the first photo is measured
        for number, (path, stem) in enumerate(zip(photos, _stems(photos), strict=True), start=1):
            _tell_progress(number, photos)
            measurement = measure_one(path, options, verbose=verbose)
            content = measurement_object(measurement) | settings
            objects.append(content)
            folder = path.with_name(f"{path.name}-bandscan") if out is None else out
            written, write_status = write_results(measurement, content, folder / stem, helper)
            status = max(status, measurement.exit_status, write_status)
            if measurement.refusal is not None:
                _complain(refusal_sentence(measurement.file, measurement.refusal))
            if json_path != STANDARD_OUTPUT:
                text = measurement_text(measurement, written=written, budget=verbose)
                click.echo(f"{text}\n" if text else "", nl=False)
    return max(status, _write_json(objects, json_path))


def check_all(
    photos: Sequence[Path],
    options: MeasureOptions,
    *,
    json_path: Path | None = None,
    verbose: bool = False,
) -> int:
    """Check photos one after the other; the highest exit status of them."""
    objects: list[dict[str, Any]] = []
    status = 0
    for number, path in enumerate(photos, start=1):
        _tell_progress(number, photos)
        report = _check_one(path, options, verbose=verbose)
        status = max(status, report.exit_status)
        objects.append(check_object(report))
        if json_path != STANDARD_OUTPUT:
            click.echo(check_text(report))
        if report.refusal is not None:
            _complain(refusal_sentence(report.file, report.refusal))
    return max(status, _write_json(objects, json_path))


def measure_one(path: Path, options: MeasureOptions, *, verbose: bool) -> Measurement:
    """Measure a photo; whatever is raised becomes a refusal in the result."""
    try:
        return measure_photo(path, options)
    except Exception as error:
        return Measurement(file=str(path), refusal=_refusal_of(error, verbose=verbose))


def _check_one(path: Path, options: MeasureOptions, *, verbose: bool) -> CheckReport:
    try:
        return check_photo(path, options)
    except Exception as error:
        return CheckReport(file=str(path), refusal=_refusal_of(error, verbose=verbose))


def _refusal_of(error: Exception, *, verbose: bool) -> Refusal:
    """A refusal in place of whatever was raised, so that the other photos go on."""
    if isinstance(error, MeasureError):
        return Refusal.from_error(error)
    message, status = explain(error, verbose=verbose)
    return Refusal(code="fault", message=message, remedy="", exit_status=status)


def refusal_sentence(file: str, refusal: Refusal) -> str:
    """Why a photo was not measured, and what to do."""
    return f"{file}: not measured ({refusal.code}). {refusal.message} {refusal.remedy}".rstrip()


def _complain(sentence: str) -> None:
    click.echo(f"bandscan: {sentence}", err=True)


def _tell_progress(number: int, photos: Sequence[Path]) -> None:
    if len(photos) > 1:
        click.echo(f"[{number}/{len(photos)}] {photos[number - 1]}", err=True)


def _stems(photos: Sequence[Path]) -> list[str]:
    """A name for each photo's files; photos of one name are numbered."""
    stems: list[str] = []
    for path in photos:
        stem, number = path.stem, 2
        while stem in stems:
            stem, number = f"{path.stem}-{number}", number + 1
        stems.append(stem)
    return stems


def write_results(
    measurement: Measurement, content: dict[str, Any], start: Path, helper: Executor
) -> tuple[list[Path], int]:
    """Write pictures and JSON under names that begin with `start`.

    Returns
    -------
    written : list of Path
    status : int
        Exit status; what could not be written has been told.
    """
    if measurement.photo is None:
        return [], 0
    encoded = {}
    for name, draw in _PICTURES.items():  # one is encoded there while the next is drawn here
        picture = draw(measurement)
        if picture is not None:
            encoded[name] = helper.submit(_jpeg, picture)
    written: list[Path] = []
    try:
        make_folder(start.parent)
        for name, future in encoded.items():
            written.append(start.with_name(f"{start.name}-{name}.jpg"))
            write_file(written[-1], future.result())
        written.append(start.with_name(f"{start.name}.json"))
        write_file(written[-1], json_text([content]).encode())
    except UnwritableFileError as error:
        _complain(str(error))
        return written[:-1], error.exit_status
    return written, 0


def _jpeg(picture: Picture) -> bytes:
    _, data = cv2.imencode(".jpg", picture, [cv2.IMWRITE_JPEG_QUALITY, JPEG_QUALITY])
    return data.tobytes()


def _write_json(objects: list[dict[str, Any]], json_path: Path | None) -> int:
    if json_path is None:
        return 0
    text = json_text(objects)
    if json_path == STANDARD_OUTPUT:
        click.echo(text, nl=False)
        return 0
    try:
        write_file(json_path, text.encode())
    except UnwritableFileError as error:
        _complain(str(error))
        return error.exit_status
    return 0
