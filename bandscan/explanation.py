"""What an uncertainty is made of, and what would halve it: the budget of a result, read again."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from bandscan.result_file import load_result, read_estimate, result_fields
from calib.quantity import Estimate

# What lessens each cause. The measured effect of each is in the budget itself; the advice is
# common practice, no published source.
ADVICE = {
    "silhouettes": "make the shaft's sides stand out, with dark cloth under a bright shaft or "
    "white paper under a dark one, and move closer",
    "lens": "calibrate the phone's lens once with `bandscan lens` and give the file with --lens; "
    "keep the bands near the middle of the picture",
    "focus": "photograph from the distance at which the lens was calibrated",
    "diameter": "measure the diameter at the seal land with a better micrometer, several times, "
    "and state --diameter-u",
    "scale": "lay the scale close beside the bands, let more of it into the picture, sharp and "
    "evenly lit",
    "rule class": "use a rule of a better class, or a printed card that was measured",
    "print of the card": "measure the print over 100 mm and write it as scale_check_mm into the "
    "card's file",
    "scale height": "lay the rule level with the shaft's axis, measure its height and state "
    "--scale-height-u, or give --diameter as well",
    "temperature": "let shaft and scale come to the same temperature and give --temperature",
    "end face": "photograph the shaft's end sharp and whole, from more nearly square above it",
    "edge fit": "light the shaft softly and evenly, so that the band stands out from the grinding "
    "streaks, and move closer",
    "edge definition": "the band itself fades over that width, which no photo mends; where the "
    "photo is soft, a sharper and closer one helps",
    "edge set by hand": "set it on the photo at full size, or let the light be softer so that it "
    "is found",
    "end face set by hand": "set it on the photo at full size, or photograph the end sharp and "
    "whole so that it is found",
    "tone curve": "use the phone's plain picture mode, without contrast filters, or softer light",
    "wobble outside the part seen": "turn the lamp until the band shows on more of the turn, or "
    "measure again with the shaft turned by a quarter",
}
_HALF = 0.25  # of the variance: what is left of it when the uncertainty is halved


@dataclass(frozen=True, slots=True, kw_only=True)
class Share:
    """One source's part in one uncertainty.

    Parameters
    ----------
    contribution_mm : float
    share : float
        Of the variance, 0 to 1.
    input_u, unit : float, str
        The largest standard uncertainty among its inputs; 0 where they are of several units.
    """

    source: str
    kind: str
    contribution_mm: float
    share: float = 0.0
    input_u: float = 0.0
    unit: str = ""
    origin: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Halving:
    """What would halve an uncertainty.

    Parameters
    ----------
    shares : tuple of Share
        Those that must shrink: one where one is enough.
    factor : float
        To which part of its size each of them must come.
    """

    shares: tuple[Share, ...]
    factor: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """One edge or width of a band, with what its uncertainty is made of.

    Parameters
    ----------
    name : str
        "band 1 start" and so on.
    interval_mm : (float, float) or None
        That of the draws, where the result has them.
    shares : tuple of Share
        The greatest first.
    """

    name: str
    estimate: Estimate
    interval_mm: tuple[float, float] | None
    shares: tuple[Share, ...]

    @property
    def halving(self) -> Halving | None:
        """The fewest sources, the greatest first, that can halve it; None where u is 0."""
        return find_halving(self.shares)


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """The budget of one result.

    Parameters
    ----------
    photo : str
    bands : tuple of tuple of Explained
        Start, end and (in newer results) width of every band.
    """

    photo: str
    bands: tuple[tuple[Explained, ...], ...]


def read_budget(path: Path | str) -> Explanation:
    """The budget of a result written by `bandscan measure`.

    Raises
    ------
    UnreadableFileError
        It is missing, no whole result of one photo, refused, or without a budget.
    """
    content = load_result(path)
    with result_fields(path):
        lines = [_share(line) for line in content["budget"]]
        bands = tuple(
            tuple(_explained(number, band, lines))
            for number, band in enumerate(content["bands"], start=1)
        )
        return Explanation(
            photo=str((content.get("photo") or {}).get("file", path)),
            bands=bands,
        )


def find_halving(shares: Sequence[Share]) -> Halving | None:
    """The fewest sources, the greatest first, that can halve an uncertainty.

    Notes
    -----
    With the others as they are, sources of variance V among v in all must come to V - 3 v / 4,
    so that v / 4 is left.
    """
    total = sum(share.contribution_mm**2 for share in shares)
    if total <= 0.0:
        return None
    ordered = sorted(shares, key=lambda share: -share.contribution_mm)
    chosen = 0.0
    for count, share in enumerate(ordered, start=1):
        chosen += share.contribution_mm**2
        left = chosen - (1.0 - _HALF) * total
        if left > 0.0:
            return Halving(shares=tuple(ordered[:count]), factor=math.sqrt(left / chosen))
    return None


def _share(line: Mapping[str, Any]) -> tuple[str, Share]:
    contribution = float(line["contribution_mm"])
    if not (math.isfinite(contribution) and contribution >= 0.0):
        raise ValueError(f"contribution_mm {contribution}")
    inputs = [(float(item["u"]), str(item["unit"])) for item in line.get("inputs", ())]
    units = {unit for _, unit in inputs}
    alike = len(units) == 1
    return str(line["edge"]), Share(
        source=str(line["source"]),
        kind=str(line["type"]),
        contribution_mm=contribution,
        input_u=max(u for u, _ in inputs) if alike else 0.0,
        unit=units.pop() if alike else "",
        origin=str(line.get("from", "")),
    )


def _explained(
    number: int, band: Mapping[str, Any], lines: Sequence[tuple[str, Share]]
) -> list[Explained]:
    found = []
    for which in ("start", "end", "width"):
        name = f"band {number} {which}"
        own = [share for edge, share in lines if edge == name]
        total = sum(share.contribution_mm**2 for share in own)
        if which == "width" and not own:
            continue  # results of the first versions have none
        if total <= 0.0:
            raise ValueError(f"no budget for {name}")
        item = band[f"{which}_mm"]
        draws = item.get("monte_carlo")
        found.append(
            Explained(
                name=name,
                estimate=read_estimate(item),
                interval_mm=None if draws is None else (float(draws["low"]), float(draws["high"])),
                shares=tuple(
                    replace(share, share=share.contribution_mm**2 / total)
                    for share in sorted(own, key=lambda share: -share.contribution_mm)
                ),
            )
        )
    return found
