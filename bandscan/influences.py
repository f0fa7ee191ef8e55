"""What the geometry of a measurement depends on, each with its uncertainty and its source."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from bandscan.chain import Chain, Change
from bandscan.temperature import NOT_STATED, Temperatures
from calib.camera import PARAMETER_NAMES, FloatArray
from calib.lens import LensCalibration
from calib.propagation import covariance_modes

# A lens focuses nearer by moving out: its image distance is f (1 + m), m being the magnification
# (thin lens; Hecht, Optics, 5.2.3), so that photos at a fifth more or less than the distance of
# the calibration (advised: "a like distance"; assumption) differ by 0.2 m.
FOCUS_SHARE = 0.2
USUAL_FOCAL_MM = 6.0  # of a phone's main camera, where EXIF is silent; common practice
_OFFSET_AND_TILT = np.array([[1.0, 1.0], [1.0, -1.0]])
_LENS_ORIGINS = {
    "file": "covariance of the calibration in the lens file",
    "exif": "focal length from EXIF, distortion from the scale where it tells; spread of phone "
    "lenses, common practice",
    "assumed": "a usual phone's lens, distortion from the scale where it tells; common practice",
}
_LENS_UNITS = ("px", "px", "px", "px", "1", "1", "1", "1", "1")


@dataclass(frozen=True, slots=True, kw_only=True)
class Quantity:
    """One input quantity of an influence.

    Parameters
    ----------
    name : str
    u : float
        Standard uncertainty, in `unit`.
    unit : str
    """

    name: str
    u: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Influence:
    """One independent standard deviation of one source.

    Parameters
    ----------
    source : str
        Name in the budget; several influences may share it.
    kind : {"A", "B"}
        How it was evaluated (GUM 4.2, 4.3).
    change : Change
        The inputs moved by one standard uncertainty.
    quantities : tuple of Quantity
        What the source consists of; the same for all its influences.
    parts : ndarray, shape (quantities,)
        How far each of them moves in this influence, in its own unit.
    dof : float
    distribution : {"normal", "rectangular"}
    origin : str
        Where the numbers come from.
    """

    source: str
    kind: str
    change: Change
    quantities: tuple[Quantity, ...]
    parts: FloatArray
    dof: float = math.inf
    distribution: str = "normal"
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stated:
    """Standard uncertainties that the user states or that the tool assumes in their place.

    Parameters
    ----------
    diameter_u_mm, height_u_mm : float
    temperatures : Temperatures
    """

    diameter_u_mm: float
    height_u_mm: float
    temperatures: Temperatures = NOT_STATED


def list_influences(
    chain: Chain,
    *,
    lens: LensCalibration,
    side_u_px: tuple[float, float],
    stated: Stated,
    tilt_u_px: tuple[float, float] | None = None,
) -> list[Influence]:
    """Independent influences on the chain's geometry.

    Parameters
    ----------
    chain : Chain
    lens : LensCalibration
    side_u_px : (float, float)
        Standard uncertainty of either silhouette's place.
    stated : Stated
    tilt_u_px : (float, float), optional
        Of its change from the middle to the ends; without it the same.

    Returns
    -------
    list of Influence
        Silhouettes, lens, focus, temperature, and what of diameter and scale is used.
    """
    influences = [
        *_of_sides(side_u_px, tilt_u_px or side_u_px),
        *_of_lens(lens),
        *_of_focus(chain, lens),
    ]
    if chain.diameter_mm is not None:
        influences.append(
            _single(
                "diameter", Change(diameter_mm=stated.diameter_u_mm),
                Quantity(name="diameter", u=stated.diameter_u_mm, unit="mm"),
                "--diameter-u (default: an outside micrometer at the bench, common practice)",
            )
        )  # fmt: skip
    if chain.plane is not None and chain.height_mm is not None:
        influences += _of_scale(chain)
        influences.append(
            _single(
                "scale height", Change(height_mm=stated.height_u_mm),
                Quantity(name="height above the axis", u=stated.height_u_mm, unit="mm"),
                "--scale-height-u (default: blocks or a calliper, common practice)",
            )
        )  # fmt: skip
    return [*influences, *_of_temperature(stated.temperatures)]


def _single(
    source: str, change: Change, quantity: Quantity, origin: str, distribution: str = "normal"
) -> Influence:
    """A source of type B that is one quantity."""
    return Influence(
        source=source, kind="B", change=change, quantities=(quantity,),
        parts=np.array([quantity.u]), origin=origin, distribution=distribution,
    )  # fmt: skip


def _of_sides(side_u_px: tuple[float, float], tilt_u_px: tuple[float, float]) -> list[Influence]:
    quantities = tuple(
        Quantity(name=f"{side} side, {mode}", u=u, unit="px")
        for side, both in zip(
            ("first", "second"), zip(side_u_px, tilt_u_px, strict=True), strict=True
        )
        for mode, u in zip(("offset", "tilt at its ends"), both, strict=True)
    )
    return [
        Influence(
            source="silhouettes",
            kind="A",
            change=Change(sides_px=_side_mode(index // 2, index % 2) * quantity.u),
            quantities=quantities,
            parts=np.eye(len(quantities))[index] * quantity.u,
            origin="scatter of the edge points about each side's line, rival edges beside it, and "
            "the blur within which an edge may lie",
        )
        for index, quantity in enumerate(quantities)
    ]


def _of_lens(lens: LensCalibration) -> list[Influence]:
    quantities = _quantities(PARAMETER_NAMES, _LENS_UNITS, lens.covariance)
    return [
        Influence(
            source="lens", kind="A" if lens.source == "file" else "B", change=Change(lens=mode),
            quantities=quantities, parts=mode, origin=_LENS_ORIGINS[lens.source],
        )
        for mode in covariance_modes(lens.covariance)
    ]  # fmt: skip


def _of_focus(chain: Chain, lens: LensCalibration) -> list[Influence]:
    """Of a lens from a file, which was calibrated at another distance than the photo's."""
    if lens.source != "file":
        return []  # in the lens's own uncertainty
    distance_mm = float(np.linalg.norm(chain.pose().origin_mm))
    focal_mm = lens.identity.focal_mm or USUAL_FOCAL_MM
    relative = FOCUS_SHARE * min(focal_mm / distance_mm, 1.0)
    change = np.zeros(9)
    change[:2] = relative * lens.camera.parameters[:2]
    return [
        _single(
            "focus", Change(lens=change),
            Quantity(name="focal length", u=float(change[0]), unit="px"),
            "photo and calibration focused at distances that differ by a fifth (assumption); "
            "thin lens",
        )
    ]  # fmt: skip


def _of_scale(chain: Chain) -> list[Influence]:
    """Reading of the scale, and how true it is itself."""
    assert chain.plane is not None
    plane = chain.plane(chain.camera)
    made = plane.made_relative_u
    reading = plane.covariance - np.diag([made**2, 0.0, 0.0])
    quantities = _quantities(
        ("relative distance", "slope along", "slope across"), ("1", "rad", "rad"), reading
    )
    influences = [
        Influence(
            source="scale", kind="A", change=Change(plane=mode), quantities=quantities,
            parts=mode, origin="scatter of its marks or corners about one plane in space",
        )
        for mode in covariance_modes(reading)
    ]  # fmt: skip
    influences.append(
        _single(
            plane.made_source, Change(plane=np.array([made, 0.0, 0.0])),
            Quantity(name="relative length", u=made, unit="1"), plane.made_origin,
            plane.made_distribution,
        )
    )  # fmt: skip
    return influences


def _of_temperature(temperatures: Temperatures) -> list[Influence]:
    inputs = temperatures.inputs
    quantities = tuple(Quantity(name=name, u=u, unit=unit) for name, u, unit, _ in inputs)
    return [
        Influence(
            source="temperature", kind="B", change=Change(stretch=u * sensitivity),
            quantities=quantities, parts=np.eye(len(inputs))[index] * u,
            distribution="rectangular" if index else "normal", origin=temperatures.origin,
        )
        for index, (_, u, _, sensitivity) in enumerate(inputs)
    ]  # fmt: skip


def _quantities(
    names: tuple[str, ...], units: tuple[str, ...], covariance: FloatArray
) -> tuple[Quantity, ...]:
    spread = np.sqrt(np.maximum(np.diag(covariance), 0.0))
    return tuple(
        Quantity(name=name, u=float(u), unit=unit)
        for name, unit, u in zip(names, units, spread, strict=True)
    )


def _side_mode(side: int, mode: int) -> FloatArray:
    ends = np.zeros(4)
    ends[2 * side : 2 * side + 2] = _OFFSET_AND_TILT[mode]
    return ends
