"""Where the old bands lie, as numbers with their joint covariance."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from bandscan.normal import TWO_SIDED_95
from bandscan.result_file import check_result, load_result, read_estimate, result_fields
from calib.camera import FloatArray
from calib.quantity import Estimate, coverage_factor_95

_ROUNDING = 1e-6  # relative; what digits that were cut off do to a singular covariance
# Sources of a budget that belong to one edge alone; all others (scale, lens, pose, end face)
# move every edge the same way.
_OWN_SOURCES = ("edge", "fit", "noise", "streak", "arc", "unseen", "wobble", "tone")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandPlaces:
    """The edges of all bands, from the shaft end face.

    Parameters
    ----------
    edges_mm : ndarray, shape (n, 2)
        Start (nearer the shaft end) and end of each band.
    covariance_mm2 : ndarray, shape (2n, 2n)
        Joint covariance, rows in the order start 1, end 1, start 2 and so on; the
        uncertainty of the zero is in it.
    dof : ndarray, shape (2n,)
        Degrees of freedom of each edge.
    """

    edges_mm: FloatArray
    covariance_mm2: FloatArray
    dof: FloatArray

    def __post_init__(self) -> None:
        count = self.edges_mm.size
        if self.covariance_mm2.shape != (count, count) or self.dof.shape != (count,):
            raise ValueError(f"{count} edges need a covariance of shape ({count}, {count})")
        for name in ("edges_mm", "covariance_mm2", "dof"):
            frozen = np.array(getattr(self, name), dtype=float)
            frozen.setflags(write=False)
            object.__setattr__(self, name, frozen)

    @classmethod
    def of(
        cls,
        edges: Sequence[tuple[Estimate, Estimate]],
        covariance_mm2: FloatArray | None = None,
    ) -> BandPlaces:
        """From the two edges of each band; without a covariance they are independent."""
        flat = [edge for band in edges for edge in band]
        own = np.diag([edge.u**2 for edge in flat]) if flat else np.zeros((0, 0))
        return cls(
            edges_mm=np.array([edge.value for edge in flat]).reshape(-1, 2),
            covariance_mm2=own if covariance_mm2 is None else np.asarray(covariance_mm2),
            dof=np.array([edge.dof for edge in flat]),
        )

    @property
    def count(self) -> int:
        """Number of bands."""
        return len(self.edges_mm)

    def edge(self, index: int) -> Estimate:
        """One edge: 2 i is the start of band i, 2 i + 1 its end."""
        return Estimate(
            value=float(self.edges_mm.ravel()[index]),
            u=math.sqrt(max(float(self.covariance_mm2[index, index]), 0.0)),
            dof=float(self.dof[index]),
        )

    def normal_covariance_mm2(self) -> FloatArray:
        """Covariance of the normal distribution with the same expanded uncertainties."""
        widened = [coverage_factor_95(dof) / TWO_SIDED_95 for dof in self.dof]
        return np.asarray(self.covariance_mm2 * np.outer(widened, widened))


def covariance_from_budget(
    edges: Sequence[tuple[Estimate, Estimate]],
    lines: Iterable[tuple[str, str, float]],
) -> FloatArray | None:
    """Joint covariance from the budget's contributions.

    Parameters
    ----------
    edges : sequence of (Estimate, Estimate)
        Start and end of each band.
    lines : iterable of (edge, source, contribution_mm)
        `edge` is "band 1 start", "band 1 end" and so on.

    Returns
    -------
    ndarray, shape (2n, 2n), or None
        None where the budget does not cover every edge.

    Notes
    -----
    A source that edges share moves them together and the same way; one that belongs to an
    edge alone adds to its variance only. The variances are those of the edges.
    """
    names = [f"band {i} {side}" for i in range(1, len(edges) + 1) for side in ("start", "end")]
    shares: dict[str, FloatArray] = {}
    for edge, source, contribution in lines:
        if edge in names:
            share = shares.setdefault(source, np.zeros(len(names)))
            share[names.index(edge)] = contribution
    covariance = np.zeros((len(names), len(names)))
    for source, share in shares.items():
        own = any(word in source.lower() for word in _OWN_SOURCES)
        covariance += np.diag(share**2) if own else np.outer(share, share)
    spread = np.sqrt(np.diag(covariance))
    if not names or not (spread > 0.0).all():
        return None
    stated = np.array([edge.u for band in edges for edge in band])
    return np.asarray(covariance * np.outer(stated / spread, stated / spread))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BandFile:
    """What a landing needs of one result: its bands and what of the shaft was seen.

    Parameters
    ----------
    photo : str
        Name of the photo.
    diameter_mm : Estimate or None
    bands : BandPlaces
    seen_mm : (Estimate, Estimate)
        Where the land begins (chamfer, else the end face) and up to where it was seen.
    cut_in_mm : tuple of (float, float)
        Where the outline looks cut in; not searched for bands.
    """

    photo: str
    diameter_mm: Estimate | None
    bands: BandPlaces
    seen_mm: tuple[Estimate, Estimate]
    cut_in_mm: tuple[tuple[float, float], ...] = ()


def read_bands(path: Path | str) -> BandFile:
    """Read the bands of a result written by `bandscan measure --json`.

    Raises
    ------
    UnreadableFileError
        It is missing, no result of one photo, or that photo was refused.
    """
    return bands_of(load_result(path), path)


def bands_of(content: Mapping[str, Any], path: Path | str) -> BandFile:
    """The bands of a `bandscan.measurement/1` object; see `read_bands`.

    Parameters
    ----------
    path : Path or str
        Where it is from, for messages.
    """
    check_result(content, path)
    with result_fields(path):
        edges = [_edges(band) for band in content["bands"]]
        shaft = content.get("shaft") or {}
        return BandFile(
            photo=str((content.get("photo") or {}).get("file", path)),
            diameter_mm=_optional(shaft.get("diameter_mm")),
            bands=BandPlaces.of(edges, _covariance(content, edges)),
            seen_mm=_seen(shaft),
            cut_in_mm=tuple((float(a), float(b)) for a, b in shaft.get("cut_in_mm") or ()),
        )


def _edges(band: Mapping[str, Any]) -> tuple[Estimate, Estimate]:
    start, end = read_estimate(band["start_mm"]), read_estimate(band["end_mm"])
    if start.value > end.value:
        raise ValueError(f"a band runs from {start.value} back to {end.value}")
    return start, end


def _optional(item: Mapping[str, Any] | None) -> Estimate | None:
    return None if item is None else read_estimate(item)


def _covariance(
    content: Mapping[str, Any], edges: Sequence[tuple[Estimate, Estimate]]
) -> FloatArray | None:
    joint = content.get("covariance_mm2")
    if joint is not None:
        matrix = np.array(joint, dtype=float).reshape(2 * len(edges), 2 * len(edges))
        if not np.isfinite(matrix).all() or not np.allclose(matrix, matrix.T):
            raise ValueError("covariance_mm2 is not symmetric")
        if len(matrix) and np.linalg.eigvalsh(matrix)[0] < -_ROUNDING * np.trace(matrix):
            raise ValueError("covariance_mm2 is no covariance")
        return np.asarray(matrix)
    lines = [
        (str(line["edge"]), str(line["source"]), float(line["contribution_mm"]))
        for line in content.get("budget", ())
    ]
    return covariance_from_budget(edges, lines)


def _seen(shaft: Mapping[str, Any]) -> tuple[Estimate, Estimate]:
    chamfer = _optional(shaft.get("chamfer_mm"))
    zero = Estimate(value=0.0, u=float(shaft.get("end_u_mm") or 0.0))
    seen_to = shaft.get("seen_to_mm")
    until = math.inf if seen_to is None else float(seen_to)
    return chamfer or zero, Estimate(value=until, u=0.0)
