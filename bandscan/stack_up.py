"""From a seal file to where each lip touches the shaft in service, with what adds up to it.

Limits (end float, tilt, thermal travel) are swept by the lip and widen the part of the
shaft that it touches; standard uncertainties say how well the middle of it is known.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bandscan.normal import TWO_SIDED_95
from bandscan.seal import Lip, Seal
from calib.quantity import Estimate, effective_dof


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One entry of a stack-up.

    Parameters
    ----------
    low_mm, high_mm : float
        How far the lip is swept by it, negative toward the shaft end (a limit).
    u_mm, dof : float
        Standard uncertainty of the lip's place from it, and its degrees of freedom.
    """

    source: str
    low_mm: float = 0.0
    high_mm: float = 0.0
    u_mm: float = 0.0
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class LipPlace:
    """Where a lip touches the shaft in service.

    Parameters
    ----------
    middle_mm : Estimate
        Middle of the lip's contact as fitted, from the shaft end face.
    contact_mm : (float, float)
        All that it touches in service, from the end face.
    half_width_u_mm : float
        Standard uncertainty of half the contact width.
    parts : tuple of Part
        The stack-up.
    """

    lip: Lip
    middle_mm: Estimate
    contact_mm: tuple[float, float]
    half_width_u_mm: float
    parts: tuple[Part, ...]

    @property
    def normal_u_mm(self) -> float:
        """Standard deviation of the normal distribution that has the same expanded uncertainty.

        With few readings Student's factor is larger; probabilities are worked with this.
        """
        return self.middle_mm.expanded / TWO_SIDED_95


def combined(value: float, parts: Sequence[tuple[float, float]]) -> Estimate:
    """A value whose uncertainty has independent contributions (u, degrees of freedom)."""
    u = math.sqrt(sum(contribution**2 for contribution, _ in parts))
    return Estimate(value=value, u=u, dof=effective_dof(parts) if u > 0.0 else math.inf)


def lip_places(seal: Seal) -> tuple[LipPlace, ...]:
    """Where every lip touches the shaft, in the order of the file."""
    return tuple(_place(seal, lip) for lip in seal.lips)


def from_near_face(seal: Seal, lip: Lip) -> Estimate:
    """Middle of a lip from the seal face that is nearer the shaft end.

    A lip measured from the far face lies the seal's width less its distance from the near one.
    """
    near = "outer" if seal.mounting.facing == "end" else "inner"
    distance = lip.distance_mm
    if lip.face == near:
        return distance
    return combined(
        seal.width_mm.value - distance.value,
        [(distance.u, distance.dof), (seal.width_mm.u, seal.width_mm.dof)],
    )


def _place(seal: Seal, lip: Lip) -> LipPlace:
    depth = from_near_face(seal, lip)
    face = seal.mounting.face_mm
    parts = [
        Part(source="seal face from the shaft end", u_mm=face.u, dof=face.dof),
        Part(source="lip from that face", u_mm=depth.u, dof=depth.dof),
        *_service_parts(seal),
    ]
    half = lip.contact_mm.value / 2.0
    middle = combined(face.value + depth.value, [(part.u_mm, part.dof) for part in parts])
    return LipPlace(
        lip=lip,
        middle_mm=middle,
        contact_mm=(
            middle.value - half + sum(part.low_mm for part in parts),
            middle.value + half + sum(part.high_mm for part in parts),
        ),
        half_width_u_mm=lip.contact_mm.u / 2.0,
        parts=tuple(parts),
    )


def _service_parts(seal: Seal) -> list[Part]:
    """What moves the lip along the shaft in service, or leaves open where the shaft stood.

    Notes
    -----
    End float F: the lip sweeps +/-F/2 about the middle of the float; where in it the shaft
    stood when the seal face was measured is not known (rectangular, F / sqrt(12)).
    A tilt t across the seat diameter D: the lip sweeps t d / D on a turning shaft.
    Thermal travel: swept from the cold place to the warm one.
    """
    parts = []
    half_float = seal.mounting.end_float_mm / 2.0
    if half_float > 0.0:
        parts.append(
            Part(
                source="end float",
                low_mm=-half_float,
                high_mm=half_float,
                u_mm=half_float / math.sqrt(3.0),
            )
        )
    if seal.squareness is not None:
        sweep = seal.squareness.tilt_mm * seal.shaft_mm / seal.squareness.across_mm
        parts.append(Part(source="seal out of square", low_mm=-sweep / 2.0, high_mm=sweep / 2.0))
    if seal.thermal is not None:
        travel = seal.thermal.travel_mm
        parts.append(
            Part(
                source="thermal growth",
                low_mm=min(0.0, travel.value),
                high_mm=max(0.0, travel.value),
                u_mm=travel.u,
            )
        )
    return parts
