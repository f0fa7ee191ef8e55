"""A result that `bandscan measure` wrote, read again; whatever is wrong with it in a sentence."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from calib.errors import UnreadableFileError
from calib.quantity import Estimate

_SCHEMA = "bandscan.measurement/1"


def load_result(path: Path | str) -> Mapping[str, Any]:
    """The object of one photo that was measured.

    Raises
    ------
    UnreadableFileError
        It is missing, no result of one photo, or that photo was refused.
    """
    content = _load(Path(path))
    check_result(content, path)
    return content


def check_result(content: Mapping[str, Any], path: Path | str) -> None:
    """Refuse what is no result of a photo that was measured; `path` is for the message.

    Raises
    ------
    UnreadableFileError
    """
    if content.get("schema") != _SCHEMA:
        raise _unfit(path, f"its schema is {content.get('schema')!r}, not {_SCHEMA!r}")
    refusal = content.get("refusal")
    if refusal:
        said = refusal.get("message", "") if isinstance(refusal, dict) else ""
        raise _unfit(path, f"its photo was refused: {said}".removesuffix("."))


@contextmanager
def result_fields(path: Path | str) -> Iterator[None]:
    """Turn what a missing or wrong field of a result raises into a sentence.

    Raises
    ------
    UnreadableFileError
    """
    try:
        yield
    except (KeyError, TypeError, ValueError, AttributeError, OverflowError) as error:
        raise _unfit(path, f"a field is missing or wrong ({error})") from None


def read_estimate(item: Mapping[str, Any]) -> Estimate:
    """An estimate of a result's fields.

    Raises
    ------
    KeyError, TypeError, ValueError
    """
    dof = item.get("dof")
    value, u = float(item["value"]), float(item["u"])
    if not (math.isfinite(value) and u >= 0.0):
        raise ValueError(f"{value} with u {u}")
    return Estimate(value=value, u=u, dof=math.inf if dof is None else max(1.0, float(dof)))


def _load(path: Path) -> Mapping[str, Any]:
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise UnreadableFileError(
            f"The result {path} cannot be read: {error.strerror or error}.", "Check its name."
        ) from None
    except (ValueError, RecursionError):
        raise _unfit(path, "it is not JSON, or only a part of it was written") from None
    if isinstance(content, list):
        if len(content) != 1:
            raise _unfit(path, f"it holds {len(content)} photos, and one is needed")
        content = content[0]
    if not isinstance(content, dict):
        raise _unfit(path, "it is not an object")
    return content


def _unfit(path: Path | str, why: str) -> UnreadableFileError:
    return UnreadableFileError(
        f"The result {path} cannot be used: {why}.",
        "Give what `bandscan measure PHOTO --json FILE` wrote for one photo.",
    )
