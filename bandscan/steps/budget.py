"""The uncertainty budget: every influence's share in every edge, and what the edges share.

References
----------
JCGM 100:2008 (GUM), clause 5.1.2 (propagation), 5.2 (correlated inputs), annex G.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from bandscan.chain import NO_CHANGE, Chain, Change, RingReading, positions
from bandscan.model import END_BY_HAND, BandEdge, BandReading, BudgetLine, EndFace
from calib.camera import FloatArray
from calib.quantity import Estimate, effective_dof

# Where within the soft edge a photo puts the half-contrast point depends on the tone curve and
# on how reflection changes with roughness: up to about 0.2 of the edge's width either way.
DEFINITION_SHARE = 0.2
_LEAST_WIDTH_MM = 0.1  # narrower transitions are not resolved, lips do not leave them
_OFFSET_AND_TILT = np.array([[1.0, 1.0], [1.0, -1.0]])


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
    dof : float
    """

    source: str
    kind: str
    change: Change
    dof: float = math.inf


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Budget:
    """The result of the propagation.

    Parameters
    ----------
    edges : list of Estimate
        Start and end of every band in turn, mm from the end face.
    widths : list of Estimate
        Width of every band.
    lines : list of BudgetLine
    covariance_mm2 : ndarray, shape (edges, edges)
    """

    edges: list[Estimate]
    widths: list[Estimate]
    lines: list[BudgetLine]
    covariance_mm2: FloatArray


def list_influences(
    chain: Chain,
    *,
    lens_covariance: FloatArray,
    lens_kind: str,
    side_u_px: tuple[float, float],
    diameter_u_mm: float,
    height_u_mm: float,
) -> list[Influence]:
    """Independent influences on the chain's geometry.

    Parameters
    ----------
    chain : Chain
    lens_covariance : ndarray, shape (9, 9)
    lens_kind : {"A", "B"}
        "A" for a calibrated lens, "B" for one from EXIF.
    side_u_px : (float, float)
        Standard uncertainty of either silhouette's place.
    diameter_u_mm, height_u_mm : float

    Returns
    -------
    list of Influence
        Silhouettes, lens, and what of diameter and scale is used.
    """
    influences = [
        Influence(
            source="silhouettes",
            kind="A",
            change=Change(sides_px=_side_mode(side, mode) * side_u_px[side]),
        )
        for side in (0, 1)
        for mode in (0, 1)
    ]
    influences += [
        Influence(source="lens", kind=lens_kind, change=Change(lens=mode))
        for mode in _modes(lens_covariance)
    ]
    if chain.diameter_mm is not None:
        influences.append(
            Influence(source="diameter", kind="B", change=Change(diameter_mm=diameter_u_mm))
        )
    if chain.plane is not None and chain.height_mm is not None:
        covariance = chain.plane(chain.camera).covariance
        influences += [
            Influence(source="scale", kind="A", change=Change(plane=mode))
            for mode in _modes(covariance)
        ]
        influences.append(
            Influence(source="scale height", kind="B", change=Change(height_mm=height_u_mm))
        )
    return influences


def weigh_scales(chain: Chain, influences: Sequence[Influence]) -> tuple[Chain, Estimate, float]:
    """Give diameter and scale their weights in the distance, and compare them.

    Parameters
    ----------
    chain : Chain
        With a diameter, and a scale at a stated height.
    influences : sequence of Influence

    Returns
    -------
    weighted : Chain
    diameter_in_photo : Estimate
        Diameter by the scale alone, mm.
    en : float
        E_n of the two (ISO 13528); common influences (lens, silhouettes) cancel as they should.
    """
    by_scale = chain.radius_by_scale()
    by_diameter = chain.radius_by_diameter()
    assert by_scale is not None
    assert by_diameter is not None
    scale_variance = diameter_variance = difference_variance = 0.0
    for influence in influences:
        scale = _log_change(chain.radius_by_scale(influence.change), by_scale)
        diameter = _log_change(chain.radius_by_diameter(influence.change), by_diameter)
        difference_variance += (scale - diameter) ** 2
        if influence.source in ("silhouettes", "diameter"):
            diameter_variance += (scale - diameter) ** 2
        elif influence.source != "lens":
            scale_variance += scale**2
    weight = diameter_variance / (diameter_variance + scale_variance)
    in_photo_u = 2.0 * by_scale * math.sqrt(difference_variance)
    en = math.log(by_scale / by_diameter) / (2.0 * math.sqrt(difference_variance))
    return (
        replace(chain, scale_weight=weight),
        Estimate(value=2.0 * by_scale, u=in_photo_u),
        en,
    )


def make_budget(
    chain: Chain,
    influences: Sequence[Influence],
    *,
    zero: RingReading,
    end: EndFace,
    bands: Sequence[BandReading],
    rings: Sequence[RingReading],
) -> Budget:
    """Propagate everything to the band edges.

    Parameters
    ----------
    chain, influences
        Geometry and its influences.
    zero : RingReading
        The end face.
    end : EndFace
    bands : sequence of BandReading
    rings : sequence of RingReading
        Start and end of every band in turn.

    Returns
    -------
    Budget
    """
    best = positions(chain, zero, list(rings), NO_CHANGE)
    shared = [
        (i.source, i.kind, i.dof, positions(chain, zero, list(rings), i.change) - best)
        for i in influences
    ]
    by_hand = end.what == END_BY_HAND
    source, kind = ("end face set by hand", "B") if by_hand else ("end face", "A")
    shared.append((source, kind, end.axial_mm.dof, np.full(best.size, -end.axial_mm.u)))
    own = [_own_lines(edge) for band in bands for edge in (band.start, band.end)]
    names = [f"band {i // 2 + 1} {('start', 'end')[i % 2]}" for i in range(best.size)]
    covariance = sum((np.outer(s, s) for *_, s in shared), np.zeros((best.size, best.size)))
    lines: list[BudgetLine] = []
    edges: list[Estimate] = []
    for index, name in enumerate(names):
        here = _collect(name, [(s, k, d, float(c[index])) for s, k, d, c in shared]) + [
            replace(line, edge=name) for line in own[index]
        ]
        lines += here
        covariance[index, index] += sum(line.contribution_mm**2 for line in own[index])
        edges.append(_estimate(float(best[index]), here))
    widths = []
    for index in range(0, best.size, 2):
        name = f"band {index // 2 + 1} width"
        here = _collect(name, [(s, k, d, float(c[index + 1] - c[index])) for s, k, d, c in shared])
        here += [replace(line, edge=name) for line in own[index] + own[index + 1]]
        widths.append(_estimate(float(best[index + 1] - best[index]), here))
    return Budget(edges=edges, widths=widths, lines=lines, covariance_mm2=covariance)


def _own_lines(edge: BandEdge) -> list[BudgetLine]:
    """What belongs to one edge alone."""
    definition = DEFINITION_SHARE * max(edge.width_mm, _LEAST_WIDTH_MM)
    source, kind = ("edge set by hand", "B") if edge.by_hand else ("edge fit", "A")
    return [
        BudgetLine(
            edge="", source=source, kind=kind, contribution_mm=edge.fit_u_mm, dof=edge.fit_dof
        ),
        BudgetLine(edge="", source="edge definition", kind="B", contribution_mm=definition),
        BudgetLine(
            edge="", source="wobble outside the part seen", kind="B",
            contribution_mm=edge.unseen_u_mm,
        ),
    ]  # fmt: skip


def _collect(name: str, contributions: Sequence[tuple[str, str, float, float]]) -> list[BudgetLine]:
    """One line a source, its influences added in quadrature."""
    lines: dict[str, BudgetLine] = {}
    for source, kind, dof, contribution in contributions:
        before = lines.get(source)
        total = math.hypot(before.contribution_mm if before else 0.0, contribution)
        lines[source] = BudgetLine(
            edge=name, source=source, kind=kind, contribution_mm=total, dof=dof
        )
    return list(lines.values())


def _estimate(value: float, lines: Sequence[BudgetLine]) -> Estimate:
    u = math.sqrt(sum(line.contribution_mm**2 for line in lines))
    return Estimate(
        value=value, u=u, dof=effective_dof((line.contribution_mm, line.dof) for line in lines)
    )


def _side_mode(side: int, mode: int) -> FloatArray:
    ends = np.zeros(4)
    ends[2 * side : 2 * side + 2] = _OFFSET_AND_TILT[mode]
    return ends


def _modes(covariance: FloatArray) -> list[FloatArray]:
    """Independent changes that add up to a covariance (its eigenvectors, scaled)."""
    scale = np.sqrt(np.maximum(np.diag(covariance), 1e-300))
    values, vectors = np.linalg.eigh(covariance / np.outer(scale, scale))
    return [
        np.asarray(scale * vectors[:, i] * math.sqrt(value))
        for i, value in enumerate(values)
        if value > 1e-9
    ]


def _log_change(changed: float | None, best: float) -> float:
    assert changed is not None
    return math.log(changed / best)
