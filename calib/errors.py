"""The one error that reaches a user: a code, what was seen, and what to do.

Both packages raise subclasses of `MeasureError`; the command line turns them
into a refusal in the result or a line on standard error.
"""

from __future__ import annotations


class MeasureError(Exception):
    """A photo or file that cannot be used, told in two sentences.

    Parameters
    ----------
    message : str
        What was seen, with numbers and units.
    remedy : str
        What the user can do about it.
    """

    code = "unreadable"
    exit_status = 3

    def __init__(self, message: str, remedy: str) -> None:
        super().__init__(message)
        self.message = message
        self.remedy = remedy

    def __str__(self) -> str:
        return f"{self.message} {self.remedy}".strip()


class UnreadableFileError(MeasureError):
    """A file is missing, damaged, or not of the kind that was expected."""

    code = "unreadable"
    exit_status = 4


class LensMismatchError(MeasureError):
    """The lens file was made for another camera, size or focal length."""

    code = "lens-mismatch"
    exit_status = 4


class ScaleUnreadableError(MeasureError):
    """A scale lies in the picture but its marks cannot be followed."""

    code = "scale-unreadable"


class CalibrationError(MeasureError):
    """The board photos do not fix the lens."""

    code = "calibration"
