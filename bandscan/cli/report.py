"""`bandscan report`: a result or a kept shaft in, a page or a PDF out."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from bandscan.cli.asking import verbose_option
from bandscan.cli.facts import facts_options
from bandscan.cli.numbers import POSITIVE
from bandscan.cli.records_options import records_option, with_records

if TYPE_CHECKING:
    from bandscan.report.source import Source

_FILE = click.Path(path_type=Path)
_SUFFIXES = (".html", ".htm", ".pdf")


@click.command()
@click.argument("what", metavar="RESULT.json|SHAFT")
@click.option(
    "-o",
    "--out",
    "outs",
    multiple=True,
    type=_FILE,
    metavar="FILE",
    help="Page (.html) or paper (.pdf); repeat it for both.  [default: NAME-report.html]",
)
@click.option("--photo", type=_FILE, metavar="FILE", help="The photo, where it is not found.")
@click.option(
    "--seal",
    "seal_path",
    type=_FILE,
    metavar="FILE",
    help="Seal file, in place of the one that the result was made with.",
)
@records_option
@click.option(
    "--nominal",
    "nominal_mm",
    type=POSITIVE,
    metavar="MM",
    help="Nominal size of the shaft.  [default: that of the seal]",
)
@facts_options
@verbose_option
def report(
    what: str,
    outs: tuple[Path, ...],
    photo: Path | None,
    seal_path: Path | None,
    records_path: Path | None,
    verbose: bool,  # noqa: ARG001, FBT001 - read by the group when something fails
    **facts: Any,
) -> None:
    """Make a report of one measurement: one page that opens anywhere, or a PDF.

    RESULT.json is what `bandscan measure` wrote; the photo is looked for beside it. SHAFT
    is the name of a shaft in the records: its last inspection, with its history.

    Neither holds what the camera wrote about places and owners, nor names of folders.
    """
    for path in outs:
        if path.suffix.lower() not in _SUFFIXES:
            raise click.UsageError(f"{path}: give a name that ends in .html or .pdf.")
    from bandscan.output.files import make_folder, write_file
    from bandscan.report.content import content_of

    source = _source(what, photo, seal_path, records_path)
    content = content_of(source, facts, now=datetime.now())
    for path in outs or (_default_place(what),):
        make_folder(path.parent)
        if path.suffix.lower() == ".pdf":
            from bandscan.report.pdf import report_pdf

            data = report_pdf(source, content)
        else:
            from bandscan.report.html import report_page

            data = report_page(source, content).encode("utf-8")
        write_file(path, data)
        click.echo(f"Written {path} ({len(data) / 1e6:.2f} MB)")


def _is_result(what: str) -> bool:
    return what.lower().endswith(".json") or Path(what).is_file()


def _source(
    what: str, photo: Path | None, seal_path: Path | None, records_path: Path | None
) -> Source:
    from bandscan.report.source import source_of_result, source_of_shaft

    if _is_result(what):
        return source_of_result(Path(what), photo=photo, seal_path=seal_path)
    return with_records(
        records_path,
        lambda records: source_of_shaft(records, what, photo=photo, seal_path=seal_path),
    )


def _default_place(what: str) -> Path:
    """Beside the result; for a shaft in the current folder."""
    if _is_result(what):
        path = Path(what)
        return path.with_name(f"{path.stem}-report.html")
    plain = "".join(c if c.isalnum() else "-" for c in what).strip("-")
    return Path(f"{plain}-report.html")
