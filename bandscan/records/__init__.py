"""Records of many inspections in one SQLite file; the names below are for others to use."""

from bandscan.records.history import InspectionLine, ShaftWear, shaft_wear
from bandscan.records.reading import KeptInspection, find_shaft, shaft_history, shafts
from bandscan.records.store import Records, open_records

__all__ = [
    "InspectionLine",
    "KeptInspection",
    "Records",
    "ShaftWear",
    "find_shaft",
    "open_records",
    "shaft_history",
    "shaft_wear",
    "shafts",
]
