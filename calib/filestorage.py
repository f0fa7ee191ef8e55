"""The text of OpenCV's FileStorage: JSON, YAML and XML, into a plain dictionary."""

from __future__ import annotations

import json
from collections.abc import Sequence
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike


def matrix_node(values: ArrayLike) -> dict[str, Any]:
    """A matrix, shape (rows, cols), as FileStorage writes it in JSON."""
    array = np.asarray(values, dtype=float)
    rows, cols = array.shape
    data = array.ravel().tolist()
    return {"type_id": "opencv-matrix", "rows": rows, "cols": cols, "dt": "d", "data": data}


def parse(text: str, *, matrices: Sequence[str], numbers: Sequence[str]) -> dict[str, Any] | None:
    """Read a file's text.

    Parameters
    ----------
    text : str
        JSON, or YAML or XML as FileStorage writes them.
    matrices, numbers : sequence of str
        Keys to read. Of JSON all other keys are returned as well, as they stand.

    Returns
    -------
    dict or None
        Matrices as arrays of float, shape (rows, cols); None where the text is damaged.
    """
    if text.lstrip().startswith("{"):
        return _parse_json(text, matrices)
    return _parse_filestorage(text, matrices, numbers)


def _parse_json(text: str, matrices: Sequence[str]) -> dict[str, Any] | None:
    try:
        content = json.loads(text)
    except (ValueError, RecursionError):
        return None
    for key in matrices:
        node = content.get(key)
        if node is None:
            continue
        try:
            shape = (int(node["rows"]), int(node["cols"]))
            content[key] = np.array(node["data"], dtype=float).reshape(shape)
        except (TypeError, ValueError, KeyError, OverflowError):
            return None
    return dict(content)


def _parse_filestorage(
    text: str, matrices: Sequence[str], numbers: Sequence[str]
) -> dict[str, Any] | None:
    """YAML or XML through OpenCV, whose complaints on standard error are held back."""
    level = cv2.utils.logging.getLogLevel()
    cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)
    content: dict[str, Any] = {}
    try:
        storage = cv2.FileStorage(text, cv2.FILE_STORAGE_READ | cv2.FILE_STORAGE_MEMORY)
        for key in matrices:
            node = storage.getNode(key)
            if node.isMap():
                content[key] = node.mat()
        for key in numbers:
            node = storage.getNode(key)
            if node.isInt() or node.isReal():
                content[key] = node.real()
        storage.release()
    except (cv2.error, SystemError):  # a parse error leaves the constructor as a SystemError
        return None
    finally:
        cv2.utils.logging.setLogLevel(level)
    return content or None
