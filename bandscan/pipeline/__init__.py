"""The order of a measurement: with `bandscan.planning` the only place that uses the steps."""

from bandscan.pipeline.measuring import check_photo, measure_photo

__all__ = ["check_photo", "measure_photo"]
