"""Outlines of a seal's cross-section: a case with a lip for every lip of the file."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from bandscan.seal import Seal
from bandscan.stack_up import LipPlace

Point = tuple[float, float]

# Shares of the height between shaft and seat; the usual look of a lip seal, schematic.
CASE_WALL = 0.10
_FLANGE_FOOT = 0.40
_ROOT_HIGH = 0.52
_THROAT = 0.34  # from the lip's edge to its thin, flexing part, along the axis
_HEAD = 0.20  # from the lip's edge to the head's machine side, along the axis
_SPRING_HEIGHT, _SPRING_RADIUS = 0.42, 0.055


@dataclass(frozen=True, slots=True, kw_only=True)
class Outline:
    """A closed outline, axial position from the shaft end and height above the shaft.

    Parameters
    ----------
    points_mm : tuple of (float, float)
    material : {"case", "rubber"}
    spring_mm : (float, float, float) or None
        Middle and radius of a garter spring's section.
    """

    points_mm: tuple[Point, ...]
    material: str
    spring_mm: tuple[float, float, float] | None = None


def seal_outlines(seal: Seal, places: Iterable[LipPlace], height_mm: float) -> list[Outline]:
    """The parts of the cross-section, back to front.

    Parameters
    ----------
    height_mm : float
        From the shaft's surface to the seat.
    """
    near = seal.mounting.face_mm.value
    width = seal.width_mm.value
    outer_first = seal.mounting.facing == "end"
    outer = near if outer_first else near + width
    inward = 1.0 if outer_first else -1.0

    def at(points: list[Point]) -> tuple[Point, ...]:
        """Points given from the outer face inward, and as shares of the height."""
        return tuple((outer + inward * u, height_mm * v) for u, v in points)

    wall = CASE_WALL * height_mm
    case = [
        (0.0, 1.0), (width, 1.0), (width, 1.0 - CASE_WALL), (wall, 1.0 - CASE_WALL),
        (wall, _FLANGE_FOOT), (0.0, _FLANGE_FOOT),
    ]  # fmt: skip
    outlines = [Outline(points_mm=at(case), material="case")]
    for place in places:
        middle = inward * (place.middle_mm.value - outer)
        half = place.lip.contact_mm.value / 2.0
        if place.lip.kind == "sealing":
            outlines.append(_sealing(at, middle, half, wall, height_mm))
        else:
            outlines.append(Outline(points_mm=at(_thin(middle, half, wall)), material="rubber"))
    return outlines


def _sealing(
    at: Callable[[list[Point]], tuple[Point, ...]],
    middle: float,
    half: float,
    wall: float,
    height: float,
) -> Outline:
    """Shallow toward the air side, steep toward the machine, a spring above the edge."""
    toe, heel = middle - half, middle + half
    throat = max(toe - _THROAT * height, wall)
    knee = max(toe - 0.8 * _THROAT * height, wall)
    back = heel + _HEAD * height
    points = [
        (0.0, _ROOT_HIGH), (throat, _ROOT_HIGH - 0.03), (heel, _ROOT_HIGH + 0.02),
        (back, _ROOT_HIGH), (back, 0.34), (heel, 0.0), (toe, 0.0), (knee, 0.17),
        (throat, _FLANGE_FOOT), (0.0, _FLANGE_FOOT),
    ]  # fmt: skip
    x, y = at([(heel + 0.5 * _HEAD * height, _SPRING_HEIGHT)])[0]
    return Outline(
        points_mm=at(points), material="rubber", spring_mm=(x, y, _SPRING_RADIUS * height)
    )


def _thin(middle: float, half: float, wall: float) -> list[Point]:
    """An auxiliary lip or excluder, from the foot of the flange to its contact."""
    return [
        (0.0, _FLANGE_FOOT), (wall, _FLANGE_FOOT), (middle + half, 0.0), (middle - half, 0.0)
    ]  # fmt: skip
