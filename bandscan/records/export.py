"""Write records for others: a table, JSON lines, or one zip with everything.

Folders of this machine stay behind: a photo is named by its file and its hash alone.
"""

from __future__ import annotations

import json
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from io import TextIOWrapper
from pathlib import Path
from typing import TextIO

from bandscan import __version__
from bandscan.output.files import UnwritableFileError, whole_file
from bandscan.records.document import Document
from bandscan.records.find import FROM, Search, conditions
from bandscan.records.names import sha256_of
from bandscan.records.reading import document_of
from bandscan.records.store import Records, damaged, is_whole
from bandscan.records.tables import write_bands, write_lips

EXPORT_SCHEMA = "bandscan.export/1"
MANIFEST, DOCUMENTS, PHOTOS = "manifest.json", "records.jsonl", "photos"
KINDS = (".csv", ".jsonl", ".zip")

Progress = Callable[[int, int], None]


def no_progress(done: int, of: int) -> None:
    """Tell nobody."""


def export(records: Records, path: Path, search: Search, progress: Progress = no_progress) -> int:
    """Write what a search finds to a file; its ending says of which kind.

    Returns
    -------
    int
        Number of inspections.

    Raises
    ------
    UnwritableFileError
        The ending is none of `KINDS`, or the file cannot be written.
    RecordsError
    """
    if path.suffix.lower() not in KINDS:
        raise UnwritableFileError(
            f"{path} does not say what to write.",
            "Let the name end in .csv (table of bands), .jsonl (JSON lines) or .zip (everything).",
        )
    with records.reading(), whole_file(path) as temporary:
        count = _count(records, search)
        if path.suffix.lower() == ".zip":
            _write_zip(records, temporary, search, lambda done: progress(done, count))
        else:
            with temporary.open("w", encoding="utf-8", newline="") as file:
                if path.suffix.lower() == ".csv":
                    write_bands(records, search, file)
                else:
                    for done, document in enumerate(_documents(records, search), start=1):
                        file.write(json_line(document))
                        progress(done, count)
    return count


def json_line(document: Document) -> str:
    """A document as one line of JSON."""
    return json.dumps(document, ensure_ascii=False, separators=(",", ":")) + "\n"


def _count(records: Records, search: Search) -> int:
    where, values = conditions(search)
    return int(records.connection.execute(f"SELECT count(*) {FROM} {where}", values).fetchone()[0])


def _documents(records: Records, search: Search) -> Iterator[Document]:
    where, values = conditions(search)
    for row in records.connection.execute(
        f"SELECT document.sha256, json {FROM} "
        f"JOIN document ON document.inspection_id = inspection.id {where} ORDER BY inspection.id",
        values,
    ):
        yield document_of(records, row)


def _write_zip(
    records: Records, path: Path, search: Search, progress: Callable[[int], None]
) -> None:
    """The manifest comes last: a zip that breaks off has none."""
    hashes: list[str] = []
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        with archive.open(DOCUMENTS, "w", force_zip64=True) as part:
            for done, document in enumerate(_documents(records, search), start=1):
                line = json_line(document).encode()
                hashes.append(sha256_of(line))
                part.write(line)
                progress(done)
        for name, write in (("bands.csv", write_bands), ("lips.csv", write_lips)):
            with archive.open(name, "w", force_zip64=True) as part:
                text: TextIO = TextIOWrapper(part, encoding="utf-8", newline="")
                write(records, search, text)
                text.flush()
                text.detach()  # type: ignore[attr-defined]
        manifest = {
            "schema": EXPORT_SCHEMA,
            "program": {"name": "bandscan", "version": __version__},
            "made_at": datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ"),
            "inspections": len(hashes),
            "records_sha256": sha256_of("".join(hashes).encode()),
            "photos": _write_photos(records, archive, search),
        }
        archive.writestr(MANIFEST, json.dumps(manifest, indent=1))


def _write_photos(
    records: Records, archive: zipfile.ZipFile, search: Search
) -> list[dict[str, object]]:
    where, values = conditions(search)
    listed: list[dict[str, object]] = []
    for row in records.connection.execute(
        "SELECT photo.sha256, reduced_photo.sha256 AS jpeg_sha256, jpeg, orientation "
        "FROM reduced_photo JOIN photo ON photo.id = reduced_photo.photo_id "
        f"WHERE photo.id IN (SELECT inspection.photo_id {FROM} {where})",
        values,
    ):
        if not is_whole(row["jpeg_sha256"], row["jpeg"]):
            raise damaged(records.path, "a picture has changed")
        name = f"{PHOTOS}/{row['sha256']}.jpg"
        archive.writestr(zipfile.ZipInfo(name), row["jpeg"])  # a JPEG does not get smaller
        listed.append(
            {
                "file": name,
                "photo_sha256": row["sha256"],
                "sha256": row["jpeg_sha256"],
                "orientation": row["orientation"],
            }
        )
    return listed
