"""What can be wrong with records, each told in two sentences."""

from __future__ import annotations

from calib.errors import MeasureError


class RecordsError(MeasureError):
    """A records file that cannot be read or written, or holds nothing of that name."""

    code = "records"
    exit_status = 4


class DamagedRecordsError(RecordsError):
    """SQLite finds the file damaged; `bandscan.records.rescue` may save what is in it."""


class NotKeptError(MeasureError):
    """A result that is not kept, and why."""

    code = "not-kept"
    exit_status = 3
