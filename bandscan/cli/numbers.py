"""Numbers on the command line: finite, and within what a machine can have."""

from __future__ import annotations

import math
from typing import Any

import click

_LARGEST = 1e6  # beyond any length, speed or roughness that is asked for


class FiniteRange(click.FloatRange):
    """A range of numbers that lets neither nan nor infinity through."""

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number, or a usage error."""
        number = float(super().convert(value, param, ctx))
        if not abs(number) <= _LARGEST:
            self.fail(f"{value!r} cannot be meant.", param, ctx)
        return number


NOT_NEGATIVE = FiniteRange(min=0.0)
POSITIVE = FiniteRange(min=0.0, min_open=True)


class Millimetres(click.ParamType):  # type: ignore[type-arg]
    """A finite number of millimetres, within limits."""

    name = "MM"

    def __init__(self, low: float = -math.inf, high: float = math.inf) -> None:
        self.low, self.high = low, high

    def convert(
        self, value: Any, param: click.Parameter | None, ctx: click.Context | None
    ) -> float:
        """The number, or a usage error."""
        try:
            number = float(value)
        except ValueError:
            self.fail(f"{value!r} is not a number of millimetres.", param, ctx)
        if not math.isfinite(number):
            self.fail(f"{value!r} is not a length.", param, ctx)
        if not self.low <= number <= self.high:
            limits = f"{self.low:g} and {self.high:g} mm"
            self.fail(f"{number:g} mm is not between {limits}.", param, ctx)
        return number
