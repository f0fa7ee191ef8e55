"""`bandscan lens`: calibrate a lens from photos of a flat board."""

from __future__ import annotations

import sys
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bandscan.model import Photo
    from calib.board import Board, BoardView
    from calib.calibrate import LensReport
    from calib.lens import CameraIdentity

_SizeAndCamera = tuple[int, int, "CameraIdentity"]


@click.command(short_help="Calibrate a lens from photos of a flat board.")
@click.argument("photos", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option(
    "--board",
    "board_file",
    required=True,
    type=click.Path(path_type=Path),
    help="TOML description of the printed board.",
)
@click.option(
    "--out",
    "lens_file",
    required=True,
    type=click.Path(path_type=Path),
    help="Lens file to write (JSON); a picture of the calibration is put beside it.",
)
def lens(photos: tuple[Path, ...], board_file: Path, lens_file: Path) -> None:
    """Calibrate a lens from 6 to 40 photos of a flat board.

    Take them with the camera, zoom and size of the measuring photos, at a like
    distance: the board sharp and flat, tilted by 30 to 45 degrees to all four sides,
    and in every part of the picture.
    """
    from calib.board import read_board
    from calib.calibrate import calibrate_lens
    from calib.lensfile import write_lens

    board = read_board(board_file)
    views, shots, problems = _read_views(photos, board)
    width_px, height_px, identity = _commonest(shots, problems)
    views = {name: view for name, view in views.items() if name not in problems}
    _tell_rejected(problems)
    report = calibrate_lens(views, width_px, height_px, identity)
    _tell_rejected({view.name: view.problem for view in report.views if view.problem})
    write_lens(lens_file, report.lens)
    picture = lens_file.with_suffix(".png")
    _write_picture(picture, report)
    _tell(report, lens_file, picture)


def _read_views(
    photos: Sequence[Path], board: Board
) -> tuple[dict[str, BoardView], dict[str, _SizeAndCamera], dict[str, str]]:
    """Corners of every photo, its size and camera, and why a photo gave none."""
    from bandscan.steps.photo import read_photo
    from calib.errors import MeasureError
    from calib.find_board import find_board

    views: dict[str, BoardView] = {}
    shots: dict[str, _SizeAndCamera] = {}
    problems: dict[str, str] = {}
    with click.progressbar(
        photos, label="Finding the board", file=sys.stderr, show_pos=True
    ) as bar:
        for path in bar:
            name = str(path)
            try:
                photo = read_photo(path)
                shots[name] = _size_and_camera(photo)
                views[name] = find_board(photo.grey, board, thorough=True)
            except MeasureError as error:
                problems[name] = error.message
    return views, shots, problems


def _size_and_camera(photo: Photo) -> _SizeAndCamera:
    return photo.width_px, photo.height_px, photo.identity


def _commonest(shots: dict[str, _SizeAndCamera], problems: dict[str, str]) -> _SizeAndCamera:
    """Size and camera of most photos; the others are added to the problems."""
    from calib.errors import UnreadableFileError

    if not shots:
        raise UnreadableFileError(
            f"None of the {len(problems)} photos can be read: {next(iter(problems.values()))}",
            "Give photos of the board as the camera wrote them.",
        )
    common = Counter(shots.values()).most_common(1)[0][0]
    for name, shot in shots.items():
        if shot[:2] != common[:2]:
            problems[name] = (
                f"{shot[0]} x {shot[1]} px, most photos have {common[0]} x {common[1]} px."
            )
        elif shot[2] != common[2]:
            problems[name] = "taken with another camera, lens or zoom than most photos."
    return common


def _tell_rejected(problems: dict[str, str]) -> None:
    for name, why in problems.items():
        click.echo(f"left out {name}: {why}", err=True)


def _write_picture(path: Path, report: LensReport) -> None:
    from bandscan.output.files import write_file
    from bandscan.output.lens_picture import draw_lens_report

    write_file(path, draw_lens_report(report))


def _tell(report: LensReport, lens_file: Path, picture: Path) -> None:
    """The result in a few lines on standard output."""
    camera, covariance = report.lens.camera, report.lens.covariance
    used = [view for view in report.views if view.problem is None]
    click.echo(
        f"{len(used)} views, reprojection error {report.lens.reprojection_rms_px:.3f} px (rms), "
        f"steepest view {report.steepest_deg:.0f} degrees, "
        f"{100.0 * report.coverage:.0f} % of the frame seen"
    )
    values = zip(("fx", "fy", "cx", "cy"), camera.parameters, covariance.diagonal(), strict=False)
    for label, value, variance in values:
        click.echo(f"  {label} {value:9.2f} px, standard uncertainty {variance**0.5:.2f} px")
    for line in report.advice:
        click.echo(f"  {line}")
    click.echo(f"Lens file: {lens_file}")
    click.echo(f"Picture:   {picture}")
