"""The uncertainty budget: every influence's share in every edge, and what the edges share.

References
----------
JCGM 100:2008 (GUM), clause 5.1.2 (propagation), 5.2 (correlated inputs), annex G; JCGM 101:2008
for the draws beside it.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bandscan.chain import NO_CHANGE, Chain, RingReading, positions
from bandscan.chain_draws import ChainDraws, Changes
from bandscan.influences import Influence, Quantity
from bandscan.model import END_BY_HAND, BandEdge, BandReading, BudgetInput, BudgetLine, EndFace
from calib.camera import FloatArray
from calib.monte_carlo import Draw, Spread, propagate, rectangular, student
from calib.propagation import first_order
from calib.quantity import Estimate, effective_dof

# Where within the soft edge a photo puts the half-contrast point depends on how reflection
# changes with roughness: up to about 0.2 of the edge's width either way. Common practice, no
# published source.
DEFINITION_SHARE = 0.2
_LEAST_WIDTH_MM = 0.1  # narrower transitions are not resolved, lips do not leave them
# Of the exponent by which a phone's picture departs from the sRGB curve (IEC 61966-2-1) that the
# light is worked out with; assumption, no published source.
TONE_EXPONENT_U = 0.2
_MOST_BLOCKS = 3  # of draws: some 40 ms each


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
        Of the edges, then of the widths.
    covariance_mm2 : ndarray, shape (edges, edges)
    """

    edges: list[Estimate]
    widths: list[Estimate]
    lines: list[BudgetLine]
    covariance_mm2: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Share:
    """What one independent standard deviation moves.

    Parameters
    ----------
    moves_mm : ndarray, shape (edges,)
    """

    influence: Influence
    moves_mm: FloatArray


def make_budget(
    chain: Chain,
    influences: Sequence[Influence],
    *,
    zero: RingReading,
    end: EndFace,
    bands: Sequence[BandReading],
    rings: Sequence[RingReading],
) -> Budget:
    """Propagate everything to the band edges, to first order.

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
    best, geometry = first_order(
        lambda change: positions(chain, zero, list(rings), change),
        NO_CHANGE, [(i.change.reversed, i.change) for i in influences],
    )  # fmt: skip
    shares = [
        _Share(influence=influence, moves_mm=move)
        for influence, move in zip(influences, geometry, strict=True)
    ] + _added_shares(end, bands)
    moves = np.stack([share.moves_mm for share in shares])
    names = [f"band {i // 2 + 1} {('start', 'end')[i % 2]}" for i in range(best.size)]
    lines: list[BudgetLine] = []
    edges = []
    for index, name in enumerate(names):
        here = _lines(name, shares, moves[:, index])
        lines += here
        edges.append(_estimate(float(best[index]), here))
    widths = []
    for index in range(0, best.size, 2):
        here = _lines(f"band {index // 2 + 1} width", shares, moves[:, index + 1] - moves[:, index])
        lines += here
        widths.append(_estimate(float(best[index + 1] - best[index]), here))
    return Budget(edges=edges, widths=widths, lines=lines, covariance_mm2=moves.T @ moves)


def simulate(
    chain: Chain,
    influences: Sequence[Influence],
    *,
    zero: RingReading,
    end: EndFace,
    bands: Sequence[BandReading],
    rings: Sequence[RingReading],
) -> list[Spread]:
    """Propagate everything by draws of the inputs; parameters as of `make_budget`.

    Returns
    -------
    list of Spread
        Of every edge, then of every width.
    """
    added = _added_shares(end, bands)
    moves = np.stack([share.moves_mm for share in added]).T
    changes = [influence.change for influence in influences]
    draws = ChainDraws(chain, zero, rings, changes)

    def model(drawn: FloatArray) -> FloatArray:
        geometry = draws.positions(Changes.mixed(changes, drawn[: len(changes)]))
        edges = geometry + moves @ drawn[len(changes) :]
        return np.concatenate([edges, edges[1::2] - edges[::2]])

    inputs = [_draw(i) for i in influences] + [_draw(share.influence) for share in added]
    return propagate(model, inputs, most=_MOST_BLOCKS)


def _draw(influence: Influence) -> Draw:
    """A standardised draw: standard uncertainty 1, or Student's t."""
    if influence.distribution == "rectangular":
        return rectangular(-math.sqrt(3.0), math.sqrt(3.0))
    return student(0.0, 1.0, influence.dof)


def _added_shares(end: EndFace, bands: Sequence[BandReading]) -> list[_Share]:
    """What adds to the edges without the geometry: the zero, the tone curve, the edges' own."""
    edges = [edge for band in bands for edge in (band.start, band.end)]
    zero = Quantity(name="plane of the end face", u=end.axial_mm.u, unit="mm")
    tone = Quantity(name="exponent of the tone curve", u=TONE_EXPONENT_U, unit="1")
    source, kind, origin = "end face", "A", _END_ORIGIN
    if end.what == END_BY_HAND:
        source, kind, origin = "end face set by hand", "B", _HAND_ORIGIN
    shares = [
        _Share(
            influence=_influence(source, kind, zero, origin, end.axial_mm.dof),
            moves_mm=np.full(len(edges), -end.axial_mm.u),
        ),
        _Share(
            influence=_influence("tone curve", "B", tone, _TONE_ORIGIN),
            moves_mm=TONE_EXPONENT_U * np.array([edge.tone_mm for edge in edges]),
        ),
    ]
    for index, edge in enumerate(edges):
        here = np.eye(len(edges))[index]
        shares += [
            _Share(influence=own, moves_mm=here * move_mm)
            for own, move_mm in _own(edge, ("start", "end")[index % 2])
        ]
    return shares


_END_ORIGIN = (
    "edges of the end's rim; chamfer, rounding and burr that could not be told apart are in it"
)
_FIT_ORIGIN = (
    "scatter that the metal's own streaks and noise give the same fit elsewhere on the strip, "
    "rows correlated as they are"
)
_HAND_ORIGIN = "what the eye leaves open, as stated or assumed with the correction"
_TONE_ORIGIN = (
    "a phone's curve against sRGB (IEC 61966-2-1), exponent ±0.2 (assumption); sensitivity from "
    "the contrast of the edge"
)


def _own(edge: BandEdge, side: str) -> list[tuple[Influence, float]]:
    """What belongs to one edge alone, and how far it moves it, mm."""
    width_mm = max(edge.width_mm, _LEAST_WIDTH_MM)
    source, kind, by, origin = "edge fit", "A", "by the fit", _FIT_ORIGIN
    if edge.by_hand:
        source, kind, by, origin = "edge set by hand", "B", "by hand", _HAND_ORIGIN
    return [
        (
            _influence(
                source, kind,
                Quantity(name=f"{side}, place {by}", u=edge.fit_u_mm, unit="mm"),
                origin, edge.fit_dof,
            ),
            edge.fit_u_mm,
        ),
        (
            _influence(
                "edge definition", "B",
                Quantity(
                    name=f"{side}, share of its 10-90 % width of {width_mm:.2f} mm",
                    u=DEFINITION_SHARE, unit="1",
                ),
                "half-contrast point within the soft edge, a fifth of its 10-90 % width (common "
                "practice)",
            ),
            DEFINITION_SHARE * width_mm,
        ),
        (
            _influence(
                "wobble outside the part seen", "B",
                Quantity(name=f"{side}, run about the turn", u=edge.unseen_u_mm, unit="mm"),
                "rows that carry the edge, and a run of 0.1 mm beyond them (common practice)",
            ),
            edge.unseen_u_mm,
        ),
    ]  # fmt: skip


def _influence(
    source: str, kind: str, quantity: Quantity, origin: str, dof: float = math.inf
) -> Influence:
    return Influence(
        source=source, kind=kind, change=NO_CHANGE, quantities=(quantity,),
        parts=np.array([quantity.u]), dof=dof, origin=origin,
        distribution="normal" if math.isinf(dof) else "t",
    )  # fmt: skip


def _lines(name: str, shares: Sequence[_Share], moves_mm: FloatArray) -> list[BudgetLine]:
    """One line a source, its influences added in quadrature; `moves_mm` one a share."""
    by_source: dict[str, list[int]] = {}
    for index, share in enumerate(shares):
        if share.influence.change is NO_CHANGE and not moves_mm[index]:
            continue  # an edge's own, and this is another
        by_source.setdefault(share.influence.source, []).append(index)
    return [
        _line(name, [shares[i].influence for i in chosen], moves_mm[chosen])
        for chosen in by_source.values()
    ]


def _line(name: str, influences: Sequence[Influence], moves_mm: FloatArray) -> BudgetLine:
    first = influences[0]
    origins = dict.fromkeys(influence.origin for influence in influences)
    distributions = {influence.distribution for influence in influences}
    return BudgetLine(
        edge=name,
        source=first.source,
        kind=first.kind,
        contribution_mm=float(np.linalg.norm(moves_mm)),
        dof=effective_dof(
            (float(move), influence.dof)
            for influence, move in zip(influences, moves_mm, strict=True)
        ),
        distribution=first.distribution if len(distributions) == 1 else "mixed",
        inputs=_inputs(influences, moves_mm),
        origin="; ".join(origins),
    )


def _inputs(influences: Sequence[Influence], moves_mm: FloatArray) -> tuple[BudgetInput, ...]:
    """Input quantities with their sensitivities.

    Notes
    -----
    Influences that move the same quantities are modes of their covariance: the sensitivities
    are those that give the modes' effects (of the least size where the modes leave them open,
    as for two quantities that only move together).
    """
    if any(influence.quantities != influences[0].quantities for influence in influences):
        return tuple(
            found
            for influence, move in zip(influences, moves_mm, strict=True)
            for found in _inputs([influence], np.array([move]))
        )
    quantities = influences[0].quantities
    u = np.array([quantity.u for quantity in quantities])
    known = u > 0.0
    parts = np.stack([influence.parts[known] / u[known] for influence in influences])
    per_u = np.zeros(u.size)
    per_u[known] = np.linalg.lstsq(parts, moves_mm, rcond=1e-6)[0] / u[known]
    return tuple(
        BudgetInput(
            name=quantity.name, u=quantity.u, unit=quantity.unit, sensitivity_mm=float(slope)
        )
        for quantity, slope in zip(quantities, per_u, strict=True)
        if quantity.u > 0.0
    )


def _estimate(value: float, lines: Sequence[BudgetLine]) -> Estimate:
    u = math.sqrt(sum(line.contribution_mm**2 for line in lines))
    return Estimate(
        value=value, u=u, dof=effective_dof((line.contribution_mm, line.dof) for line in lines)
    )
