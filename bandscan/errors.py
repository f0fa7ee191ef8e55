"""Refusals of a photo: one class for each code that is not calib's own."""

from __future__ import annotations

from calib.errors import MeasureError


class NoShaftError(MeasureError):
    """Nothing in the photo looks like a ground shaft."""

    code = "no-shaft"


class NoEndError(MeasureError):
    """A shaft is seen, its end is not."""

    code = "no-end"


class NoScaleError(MeasureError):
    """Neither a scale nor a diameter is there to measure by."""

    code = "no-scale"


class ScaleDisagreesError(MeasureError):
    """Scale and diameter contradict each other."""

    code = "scale-disagrees"


class TooCoarseError(MeasureError):
    """The shaft has too few pixels for the bands."""

    code = "too-coarse"


class BlurredError(MeasureError):
    """Edges are too soft to be placed."""

    code = "blurred"


class CorrectionError(MeasureError):
    """What was set by hand does not fit the photo."""

    code = "correction"
    exit_status = 4


class ClippedError(MeasureError):
    """Too much of the shaft is white: the sensor gave up there."""

    code = "clipped"
