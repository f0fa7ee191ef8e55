"""Candidate seals against the bands of one shaft: landings, and what to do about them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from bandscan.band_places import BandFile
from bandscan.lip_odds import LipOdds
from bandscan.remedies import Candidate, Remedy, Situation, list_remedies
from bandscan.result import Landing
from bandscan.seal import Seal, check_fit
from bandscan.stack_up import LipPlace, lip_places
from bandscan.steps.landing import lip_odds, plan_landing


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One candidate seal: where its lips land and what can be done.

    Parameters
    ----------
    file : str
        The seal file as the user named it.
    odds : tuple of LipOdds
        What decides about each lip at any shift.
    flipped : Landing
        The same seal turned round in the same seat.
    """

    file: str
    seal: Seal
    places: tuple[LipPlace, ...]
    odds: tuple[LipOdds, ...]
    landing: Landing
    flipped: Landing
    remedies: tuple[Remedy, ...]


def plan_seals(measured: BandFile, seals: Sequence[tuple[str, Seal]]) -> list[Plan]:
    """Plan every candidate; the others are options for each.

    Parameters
    ----------
    measured : BandFile
        Bands and diameter of the shaft.
    seals : sequence of (file, Seal)

    Raises
    ------
    UnreadableFileError
        A seal is made for another shaft.
    """
    for _, seal in seals:
        if measured.diameter_mm is not None:
            check_fit(seal, measured.diameter_mm)
    landings = [_land(measured, seal) for _, seal in seals]
    plans = []
    for index, ((file, seal), landing) in enumerate(zip(seals, landings, strict=True)):
        others = tuple(
            Candidate(label=f"{other.label} ({name})", landing=landings[place])
            for place, (name, other) in enumerate(seals)
            if place != index
        )
        plans.append(_plan(measured, file, seal, landing, others))
    return plans


def _land(measured: BandFile, seal: Seal) -> Landing:
    return plan_landing(
        measured.bands, seal, seen_mm=measured.seen_mm, cut_in_mm=measured.cut_in_mm
    )


def turned_round(seal: Seal) -> Seal:
    """The same seal the other way round in the same seat."""
    facing = "machine" if seal.mounting.facing == "end" else "end"
    return replace(seal, mounting=replace(seal.mounting, facing=facing))


def _plan(
    measured: BandFile, file: str, seal: Seal, landing: Landing, others: tuple[Candidate, ...]
) -> Plan:
    flipped = _land(measured, turned_round(seal))
    places = lip_places(seal)
    situation = Situation(
        seal=seal,
        places=places,
        bands=measured.bands,
        landing=landing,
        flipped=flipped,
        others=others,
        diameter_mm=measured.diameter_mm,
    )
    return Plan(
        file=file,
        seal=seal,
        places=places,
        odds=lip_odds(measured.bands, seal, seen_mm=measured.seen_mm, cut_in_mm=measured.cut_in_mm),
        landing=landing,
        flipped=flipped,
        remedies=list_remedies(situation),
    )
