"""`bandscan batch`: a folder of photos, measured and kept in one command."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bandscan.cli.asking import asking_options, options_from
from bandscan.cli.records_options import records_option, with_records

if TYPE_CHECKING:
    from bandscan.photo_list import ListedPhoto

_FILE = click.Path(path_type=Path)
_NAMES_SHOWN = 3


@click.command()
@click.argument("folder", type=_FILE, metavar="FOLDER")
@click.option(
    "--list",
    "list_path",
    type=_FILE,
    metavar="FILE.csv",
    help="Which photos, and of each: shaft, machine, diameter_mm, note (columns).",
)
@click.option("--keep", "keeping", is_flag=True, help="Keep what was measured in the records.")
@click.option("--shaft", metavar="NAME", help='Shaft of all of them: "MACHINE / POSITION".')
@click.option(
    "--shaft-from",
    type=click.Choice(["folder", "name"]),
    help="Shaft of each by the folder that it is in (MACHINE/POSITION) or by its file's name.",
)
@click.option("--by", metavar="WHO", help="Who keeps them.  [default: login name]")
@click.option(
    "--processes",
    type=click.IntRange(min=1),
    metavar="N",
    help="How many photos at a time.  [default: one a core]",
)
@asking_options
@click.option("--seal", type=_FILE, metavar="FILE", help="Seal file (TOML): plans its landing.")
@click.option("--out", type=_FILE, metavar="DIR", help="For results.  [default: FOLDER-bandscan]")
@records_option
@click.pass_context
def batch(ctx: click.Context, /, **asked: Any) -> None:
    """Measure a folder of photos on all cores, and keep the results.

    Ends with a summary (measured, refused and why, undecided) and contact sheets. Each
    result is on disk as soon as it is done: run the same command again after an
    interruption, or with more photos in the folder, and it goes on from there.
    """
    from bandscan.cli.batching import Batch, run_batch
    from bandscan.photo_list import RESULTS_SUFFIX
    from bandscan.records.keep import login_name

    folder: Path = asked["folder"]
    whole = folder.resolve()
    job = Batch(
        folder=folder,
        out=asked["out"] or whole.with_name(f"{whole.name}{RESULTS_SUFFIX}"),
        photos=_photos(asked),
        options=options_from(asked, seal_path=asked["seal"]),
        processes=asked["processes"] or os.cpu_count() or 1,
        by=asked["by"] or login_name(),
    )
    if not asked["keeping"]:
        ctx.exit(run_batch(job))
    ctx.exit(
        with_records(asked["records_path"], lambda records: run_batch(job, records), create=True)
    )


def _photos(asked: dict[str, Any]) -> tuple[ListedPhoto, ...]:
    """The photos, each with what is known of it; what the list and the folder lack is told."""
    from bandscan.photo_list import ListedPhoto, missing_from, photos_in, read_list

    files = photos_in(asked["folder"])
    photos = [ListedPhoto(file=file) for file in files]
    if asked["list_path"] is not None:
        listed = read_list(asked["list_path"])
        names = [photo.file for photo in listed]
        _tell_missing(missing_from(names, files), "in the list but not in the folder")
        _tell_missing(missing_from(files, names), "not in the list, and left out")
        photos = [photo for photo in listed if photo.file in set(files)]
    named = tuple(_named(photo, asked) for photo in dict.fromkeys(photos))
    nameless = [photo.file for photo in named if not photo.shaft]
    if asked["keeping"] and nameless:
        raise click.UsageError(
            f"Nothing says whose shaft {_few(nameless)} shows: give --shaft, --shaft-from or a "
            "--list with a column shaft."
        )
    if not named:
        raise click.UsageError("None of the photos in the list is in the folder.")
    return named


def _named(photo: ListedPhoto, asked: dict[str, Any]) -> ListedPhoto:
    """The photo with the name of its shaft: from the list, else by the options."""
    from dataclasses import replace
    from pathlib import PurePosixPath

    from bandscan.photo_list import shaft_by_folder

    if photo.shaft:
        return photo
    if asked["shaft"]:
        return replace(photo, shaft=asked["shaft"])
    if asked["shaft_from"] == "folder":
        return replace(photo, shaft=shaft_by_folder(photo.file, asked["folder"].resolve()))
    if asked["shaft_from"] == "name":
        return replace(photo, shaft=PurePosixPath(photo.file).stem)
    return photo


def _tell_missing(files: list[str], what: str) -> None:
    if files:
        click.echo(f"bandscan: {_few(files)}: {what}", err=True)


def _few(files: list[str]) -> str:
    more = f" and {len(files) - _NAMES_SHOWN} more" if len(files) > _NAMES_SHOWN else ""
    return ", ".join(files[:_NAMES_SHOWN]) + more
