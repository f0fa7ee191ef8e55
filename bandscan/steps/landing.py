"""The landing of a new seal: each lip against the old bands, and the room to move it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bandscan.band_places import BandPlaces
from bandscan.lip_odds import CONFORMANCE, LipOdds, Room
from bandscan.normal import ONE_SIDED_95
from bandscan.result import Landing, LandingShift
from bandscan.seal import Seal
from bandscan.stack_up import LipPlace, combined, lip_places
from calib.camera import FloatArray
from calib.quantity import Estimate

# Of either end of a cut in the outline: lens blur and shading reach so far (the bands' search
# keeps 0.6 mm away from it, taken as twice this).
CUT_IN_U_MM = 0.3
_LEAST_U_MM = 1e-9  # stands for "exact" where a division needs a number
_HALVINGS = 40  # bisection of a window's end to far below a micrometre

Window = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Track:
    """Strips of the shaft between obstacles, in order, with the covariance of their limits.

    Parameters
    ----------
    strips_mm : ndarray, shape (m, 2)
        Infinite where nothing limits a strip.
    covariance_mm2 : ndarray, shape (2m, 2m)
    """

    strips_mm: FloatArray
    covariance_mm2: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class _Choice:
    """Shifts that put every lip treated so far on fresh metal, each in a chosen strip.

    Parameters
    ----------
    window_mm : (float, float)
    low_mm, high_mm : float
        Least distance to a strip's limit toward and away from the shaft end, unshifted.
    """

    window_mm: Window
    low_mm: float = math.inf
    high_mm: float = math.inf


def plan_landing(
    bands: BandPlaces,
    seal: Seal,
    *,
    seen_mm: tuple[Estimate, Estimate] | None = None,
    cut_in_mm: Sequence[Window] = (),
) -> Landing:
    """Where every lip of a seal lands, and by how much to shift the seal if need be.

    Parameters
    ----------
    bands : BandPlaces
        The old bands, from the shaft end face.
    seal : Seal
        The new seal and its mounting.
    seen_mm : (Estimate, Estimate), optional
        Where the land begins in the photo (the chamfer's edge, else the end face) and up to
        where it could be seen and was searched. Before the first there is no land; beyond
        the second it is not known, and no lip is called fresh.
    cut_in_mm : sequence of (float, float)
        Where the outline looks cut in and no band could be looked for; no lip is called fresh
        there, nor off the land, which is for the seal file's grooves.

    Returns
    -------
    Landing
    """
    lips = lip_odds(bands, seal, seen_mm=seen_mm, cut_in_mm=cut_in_mm)
    return Landing(
        lips=tuple(lip.at(0.0) for lip in lips), shift=_shift(lips, seal.mounting.shift_mm)
    )


def lip_odds(
    bands: BandPlaces,
    seal: Seal,
    *,
    seen_mm: tuple[Estimate, Estimate] | None = None,
    cut_in_mm: Sequence[Window] = (),
) -> tuple[LipOdds, ...]:
    """What decides about every lip at any shift; parameters as in `plan_landing`."""
    land = _land(seal)
    known = _cut(land, seen_mm)
    grooves = _exactly(seal.mounting.grooves_mm, seal.mounting.land_u_mm)
    cuts = _exactly(cut_in_mm, CUT_IN_U_MM)
    free = _track(_together(bands, grooves, cuts), known)
    unlimited = _track(bands, _NO_LIMITS)
    bare = _track(grooves, (known[0], land[1]))
    without = _without_each(land, seen_mm, grooves, cuts)
    return tuple(
        LipOdds(
            name=place.lip.name,
            contact_mm=place.contact_mm,
            u_mm=place.middle_mm.u,
            expanded_mm=place.middle_mm.expanded,
            gaps_mm=_gaps(place, bands),
            free=_rooms(place, free),
            between_bands=_rooms(place, unlimited),
            on_land=_rooms(place, bare),
            without=tuple((words, _rooms(place, track)) for words, track in without),
        )
        for place in lip_places(seal)
    )


def _land(seal: Seal) -> tuple[Estimate, Estimate]:
    u = seal.mounting.land_u_mm
    low, high = seal.mounting.land_mm
    return Estimate(value=low, u=u), Estimate(value=high, u=u)


def _exactly(intervals_mm: Sequence[Window], u_mm: float) -> BandPlaces:
    """Places that are known on their own, independent of the bands."""
    return BandPlaces.of(
        [(Estimate(value=a, u=u_mm), Estimate(value=b, u=u_mm)) for a, b in intervals_mm]
    )


def _together(*places: BandPlaces) -> BandPlaces:
    """All obstacles, independent of each other; one that lies within another is left out."""
    edges = np.concatenate([p.edges_mm for p in places])
    ends = np.cumsum([0, *(p.edges_mm.size for p in places)])
    covariance = np.zeros((edges.size, edges.size))
    for p, first, last in zip(places, ends[:-1], ends[1:], strict=True):
        covariance[first:last, first:last] = p.covariance_mm2
    kept = [
        number
        for number, (start, end) in enumerate(edges)
        if not any(
            a <= start and end <= b and (other < number or (a, b) != (start, end))
            for other, (a, b) in enumerate(edges)
            if other != number
        )
    ]
    rows = (2 * np.array(kept, dtype=int)[:, None] + np.array([0, 1])).ravel()
    return BandPlaces(
        edges_mm=edges[kept],
        covariance_mm2=covariance[np.ix_(rows, rows)],
        dof=np.concatenate([p.dof for p in places])[rows],
    )


_NO_LIMITS = (Estimate(value=-math.inf, u=0.0), Estimate(value=math.inf, u=0.0))
_NO_BANDS = BandPlaces.of([])


def _cut(
    land: tuple[Estimate, Estimate], seen: tuple[Estimate, Estimate] | None
) -> tuple[Estimate, Estimate]:
    if seen is None:
        return land
    low = max(land[0], seen[0], key=lambda limit: limit.value)
    return low, min(land[1], seen[1], key=lambda limit: limit.value)


def _track(bands: BandPlaces, limits: tuple[Estimate, Estimate]) -> _Track:
    """The strips that bands leave between two limits; the limits are independent of them.

    Bands wholly beyond a limit leave the strip before it as it is.
    """
    reach = (bands.edges_mm[:, 0] < limits[1].value) & (bands.edges_mm[:, 1] > limits[0].value)
    order = np.flatnonzero(reach)[np.argsort(bands.edges_mm[reach, 0])]
    rows = (2 * order[:, None] + np.array([0, 1])).ravel()
    inner = bands.edges_mm.ravel()[rows]
    covariance = np.zeros((len(rows) + 2, len(rows) + 2))
    covariance[1:-1, 1:-1] = bands.normal_covariance_mm2()[np.ix_(rows, rows)]
    covariance[0, 0], covariance[-1, -1] = (limit.u**2 for limit in limits)
    ends = np.concatenate([[limits[0].value], inner, [limits[1].value]])
    return _Track(strips_mm=ends.reshape(-1, 2), covariance_mm2=covariance)


def _rooms(place: LipPlace, track: _Track) -> tuple[Room, ...]:
    """The lip in every strip.

    Notes
    -----
    The ends of a contact of middle m and half width h are m - h and m + h; their covariance
    is u(m)^2 - u(h)^2. The distances are (m - h) - low and high - (m + h).
    """
    middle, half = place.normal_u_mm**2, place.half_width_u_mm**2
    rooms = []
    for number, (low, high) in enumerate(track.strips_mm):
        i, j = 2 * number, 2 * number + 1
        joint = track.covariance_mm2
        low_u = max(math.sqrt(middle + half + joint[i, i]), _LEAST_U_MM)
        high_u = max(math.sqrt(middle + half + joint[j, j]), _LEAST_U_MM)
        shared = -(middle - half) - joint[i, j]
        rooms.append(
            Room(
                low_mm=place.contact_mm[0] - float(low),
                high_mm=float(high) - place.contact_mm[1],
                low_u_mm=low_u,
                high_u_mm=high_u,
                rho=float(np.clip(shared / (low_u * high_u), -1.0, 1.0)),
            )
        )
    return tuple(rooms)


def _gaps(place: LipPlace, bands: BandPlaces) -> tuple[tuple[Estimate, Estimate], ...]:
    """Signed distances of a contact to both edges of every band."""
    low, high = place.contact_mm
    return tuple(
        (
            _gap(float(start) - high, place, bands.edge(2 * number)),
            _gap(low - float(end), place, bands.edge(2 * number + 1)),
        )
        for number, (start, end) in enumerate(bands.edges_mm)
    )


def _gap(value: float, place: LipPlace, edge: Estimate) -> Estimate:
    return combined(
        value,
        [
            (edge.u, edge.dof),
            (place.middle_mm.u, place.middle_mm.dof),
            (place.half_width_u_mm, math.inf),
        ],
    )


def _without_each(
    land: tuple[Estimate, Estimate],
    seen: tuple[Estimate, Estimate] | None,
    grooves: BandPlaces,
    cuts: BandPlaces,
) -> tuple[tuple[str, _Track], ...]:
    """What other than a band a lip may not reach, in words, and the track that each leaves."""
    nothing, everything = _NO_LIMITS
    found = [
        (f"the ground land begins at {land[0].value:.2f} mm", (land[0], everything)),
        (f"the ground land ends at {land[1].value:.2f} mm", (nothing, land[1])),
    ]
    if seen is not None:
        found += [
            (f"in the photo the land begins at {seen[0].value:.2f} mm", (seen[0], everything)),
            (f"the photo shows the shaft up to {seen[1].value:.1f} mm", (nothing, seen[1])),
        ]
    tracks = [(words, _track(_NO_BANDS, limits)) for words, limits in found]
    for one in _singly(grooves):
        start, end = one.edges_mm[0]
        tracks.append((f"a groove runs from {start:.2f} to {end:.2f} mm", _track(one, _NO_LIMITS)))
    for one in _singly(cuts):
        start, end = one.edges_mm[0]
        words = (
            f"the outline looks cut in from {start:.1f} to {end:.1f} mm (a groove?); no band can "
            "be looked for there"
        )
        tracks.append((words, _track(one, _NO_LIMITS)))
    return tuple(tracks)


def _singly(places: BandPlaces) -> list[BandPlaces]:
    return [
        BandPlaces.of([(places.edge(2 * i), places.edge(2 * i + 1))]) for i in range(places.count)
    ]


def _shift(lips: tuple[LipOdds, ...], room_mm: Window) -> LandingShift:
    choices = [_Choice(window_mm=(-math.inf, math.inf))]
    alone: dict[str, bool] = {}
    for lip in lips:
        windows = [(_window(room), room) for room in lip.free]
        alone[lip.name] = any(window for window, _ in windows)
        choices = [
            kept
            for choice in choices
            for window, room in windows
            if window and (kept := _narrowed(choice, window, room))
        ]
    inside = [kept for choice in choices if (kept := _narrowed(choice, room_mm))]
    inside.sort(key=lambda choice: choice.window_mm)
    if not inside:
        windows_mm = [choice.window_mm for choice in choices]
        return LandingShift(
            windows_mm=(),
            smallest_mm=None,
            roomiest_mm=None,
            why_none=_why_none(alone, windows_mm, room_mm),
        )
    return LandingShift(
        windows_mm=tuple(choice.window_mm for choice in inside),
        smallest_mm=min((_nearest(0.0, c.window_mm) for c in inside), key=abs),
        roomiest_mm=_roomiest(inside),
        why_none=None,
    )


def _narrowed(choice: _Choice, window_mm: Window, room: Room | None = None) -> _Choice | None:
    """What is left of a choice inside a window; None where nothing is."""
    low = max(choice.window_mm[0], window_mm[0])
    high = min(choice.window_mm[1], window_mm[1])
    if low > high:
        return None
    return _Choice(
        window_mm=(low, high),
        low_mm=choice.low_mm if room is None else min(choice.low_mm, room.low_mm),
        high_mm=choice.high_mm if room is None else min(choice.high_mm, room.high_mm),
    )


def _window(room: Room) -> Window | None:
    """Shifts at which a lip lies inside one strip with the probability that a verdict asks for.

    Notes
    -----
    Each limit alone gives low + d >= 1.645 u and high - d >= 1.645 u. Where both matter the
    probability is smaller; it is log-concave in d, so the window is one interval around its
    greatest value, and its ends are bisected.
    """
    low = ONE_SIDED_95 * room.low_u_mm - room.low_mm
    high = room.high_mm - ONE_SIDED_95 * room.high_u_mm
    if low > high:
        return None
    if math.isinf(low) or math.isinf(high):
        return low, high
    best = _greatest(room, low, high)
    if room.probability(best) < CONFORMANCE:
        return None
    return _bisected(room, best, low), _bisected(room, best, high)


def _greatest(room: Room, low: float, high: float) -> float:
    """Shift of the greatest probability, by thirds."""
    for _ in range(_HALVINGS):
        third = (high - low) / 3.0
        if room.probability(low + third) < room.probability(high - third):
            low += third
        else:
            high -= third
    return (low + high) / 2.0


def _bisected(room: Room, inside: float, outside: float) -> float:
    """Where the probability falls to what a verdict asks for."""
    if room.probability(outside) >= CONFORMANCE:
        return outside
    for _ in range(_HALVINGS):
        middle = (inside + outside) / 2.0
        if room.probability(middle) >= CONFORMANCE:
            inside = middle
        else:
            outside = middle
    return inside


def _nearest(value: float, window_mm: Window) -> float:
    return min(max(value, window_mm[0]), window_mm[1])


def _roomiest(choices: list[_Choice]) -> float:
    """Shift with the greatest least distance to a band or an end of the land.

    One side grows with the shift and the other shrinks, so within a window it is where they
    are equal, or an end of the window.
    """

    def best(choice: _Choice) -> tuple[float, float]:
        even = (choice.high_mm - choice.low_mm) / 2.0
        if math.isnan(even):  # no limit on either side
            even = 0.0
        shift = _nearest(even, choice.window_mm)
        return min(choice.low_mm + shift, choice.high_mm - shift), shift

    return max((best(choice) for choice in choices), key=lambda b: (b[0], -abs(b[1])))[1]


def _why_none(alone: dict[str, bool], windows_mm: list[Window], room_mm: Window) -> str:
    never = [name for name, possible in alone.items() if not possible]
    room = f"the room of {room_mm[0]:+.2f} to {room_mm[1]:+.2f} mm"
    if never:
        names = " and ".join(never)
        return f"no strip of fresh land is wide enough for {names}, wherever the seal sits"
    if not windows_mm:
        return "each lip alone could be put on fresh metal, but no one shift does it for all"
    nearest = min(
        (_nearest(edge, window) for window in windows_mm for edge in room_mm),
        key=lambda shift: min(abs(shift - edge) for edge in room_mm),
    )
    return f"every lip would be fresh from a shift of {nearest:+.2f} mm, which is beyond {room}"
