"""Read an exported zip into a records file, without keeping anything twice."""

from __future__ import annotations

import json
import zipfile
import zlib
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice
from pathlib import Path
from typing import Any

from bandscan.records.document import Document, UnfitError, check_document, name_of
from bandscan.records.export import (
    DOCUMENTS,
    EXPORT_SCHEMA,
    MANIFEST,
    Progress,
    no_progress,
)
from bandscan.records.names import sha256_of
from bandscan.records.put import Outcome, ReducedPhoto, put
from bandscan.records.reduced import is_bare_jpeg
from bandscan.records.store import Records
from calib.errors import UnreadableFileError

_TOGETHER = 50  # inspections in a transaction: short enough for others to write in between


@dataclass(frozen=True, slots=True, kw_only=True)
class Imported:
    """What an import gave.

    Parameters
    ----------
    counts : Counter of Outcome
    elsewhere : tuple of str
        Inspections that are kept under another shaft here; they stay there.
    """

    counts: Counter[Outcome]
    elsewhere: tuple[str, ...]


def import_zip(records: Records, path: Path, progress: Progress = no_progress) -> Imported:
    """Add what an exported zip holds; it is checked whole before anything is written.

    Raises
    ------
    UnreadableFileError
        It is missing, not whole, or no export; nothing was written then.
    RecordsError
        It could not be written; what was added before is whole, and a second import adds
        the rest.
    """
    try:
        with zipfile.ZipFile(path) as archive:
            try:
                manifest = _manifest(archive)
                _check(archive, manifest)
            except (KeyError, TypeError, ValueError, AttributeError) as error:
                raise _unusable(path, f"it is no whole export of bandscan ({error})") from None
            return _add(records, archive, manifest, progress)
    except OSError as error:
        raise _unusable(path, error.strerror or str(error)) from None
    except (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError) as error:
        raise _unusable(path, f"it is not whole, or no zip ({error})") from None


def _unusable(path: Path, why: str) -> UnreadableFileError:
    return UnreadableFileError(
        f"{path} cannot be imported: {why}.",
        "Nothing of it was kept; check its name, or export it again where it comes from.",
    )


def _manifest(archive: zipfile.ZipFile) -> dict[str, Any]:
    manifest = json.loads(archive.read(MANIFEST))
    if manifest["schema"] != EXPORT_SCHEMA:
        raise UnfitError(f"its schema is {manifest['schema']!r}, not {EXPORT_SCHEMA!r}")
    if not isinstance(manifest["inspections"], int):
        raise UnfitError(f"inspections is {manifest['inspections']!r}")
    return dict(manifest)


def _check(archive: zipfile.ZipFile, manifest: dict[str, Any]) -> None:
    hashes = []
    with archive.open(DOCUMENTS) as lines:
        for line in lines:
            hashes.append(sha256_of(line))
            check_document(json.loads(line))
    if sha256_of("".join(hashes).encode()) != manifest["records_sha256"]:
        raise UnfitError(f"{DOCUMENTS} is not what was exported")
    for photo in manifest["photos"]:
        picture = archive.read(photo["file"])
        if sha256_of(picture) != photo["sha256"]:
            raise UnfitError(f"{photo['file']} is not what was exported")
        if photo["orientation"] not in (None, *range(1, 9)):
            raise UnfitError(f"the orientation of {photo['file']} is {photo['orientation']!r}")
        if not is_bare_jpeg(picture):
            raise UnfitError(f"{photo['file']} is no JPEG, or holds more than a picture")


def _add(
    records: Records, archive: zipfile.ZipFile, manifest: dict[str, Any], progress: Progress
) -> Imported:
    photos = {photo["photo_sha256"]: photo for photo in manifest["photos"]}
    counts: Counter[Outcome] = Counter()
    elsewhere = []
    documents = _documents(archive)
    while group := list(islice(documents, _TOGETHER)):
        with records.writing() as connection:
            for document in group:
                outcome = put(connection, document, _picture(archive, photos, document))
                counts[outcome] += 1
                if outcome is Outcome.ELSEWHERE:
                    file = document["measurement"]["photo"].get("file")
                    elsewhere.append(f"{file} ({name_of(document)})")
        progress(counts.total(), manifest["inspections"])
    return Imported(counts=counts, elsewhere=tuple(elsewhere))


def _documents(archive: zipfile.ZipFile) -> Iterator[Document]:
    with archive.open(DOCUMENTS) as lines:
        for line in lines:
            yield json.loads(line)


def _picture(
    archive: zipfile.ZipFile, photos: dict[str, dict[str, Any]], document: Document
) -> ReducedPhoto | None:
    photo = photos.get(document["measurement"]["photo"].get("sha256"))
    if photo is None:
        return None
    return ReducedPhoto(jpeg=archive.read(photo["file"]), orientation=photo["orientation"] or 1)
