"""The files that are used beside the photo, as the record names them: name and SHA-256."""

from __future__ import annotations

import hashlib
from pathlib import Path

from bandscan.options import MeasureOptions
from bandscan.result import InputFile


def list_inputs(options: MeasureOptions) -> list[InputFile]:
    """Lens and card file; one that is not there is refused where it is needed."""
    files = (("lens", options.lens_path), ("card", options.card_path))
    return [input_file(what, path) for what, path in files if path is not None and path.is_file()]


def input_file(what: str, path: Path, *, keep_text: bool = False) -> InputFile:
    """One file; `keep_text` keeps what stands in it, so that the result can be planned anew."""
    data = path.read_bytes()
    return InputFile(
        what=what,
        name=path.name,
        sha256=hashlib.sha256(data).hexdigest(),
        text=data.decode("utf-8") if keep_text else None,
    )
