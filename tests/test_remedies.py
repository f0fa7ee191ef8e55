"""What to do when a lip does not land on fresh metal."""

from dataclasses import replace

import pytest

from bandscan.band_places import BandFile
from bandscan.planning import plan_seals
from bandscan.remedies import unworn_places_mm
from calib.errors import UnreadableFileError
from tests.stack_ups import exactly, make_bands, make_lip, make_seal

# A lip at 11.4 (0.3 wide) with u 0.17, on a band from 11.0 to 13.0; land 2 to 38.
BANDS = make_bands((11.0, 13.0), u=0.03)


def plans(seals, bands=BANDS, diameter=45.0):
    measured = BandFile(
        photo="leg4.jpg",
        diameter_mm=exactly(diameter, 0.01),
        bands=bands,
        seen_mm=(exactly(1.5, 0.05), exactly(40.0)),
    )
    return plan_seals(measured, [(f"{i}.toml", seal) for i, seal in enumerate(seals)])


def seal(*, shift=(-2.0, 3.0), distance=5.4, **more):
    lip = make_lip(distance, u=0.08, contact=0.3)
    return make_seal([lip], face=6.0, face_u=0.15, shift=shift, land=(2.0, 38.0), **more)


def kinds(plan):
    return [remedy.kind for remedy in plan.remedies]


def only(plan, kind):
    (found,) = [remedy for remedy in plan.remedies if remedy.kind == kind]
    return found


def test_a_fresh_landing_needs_nothing():
    (plan,) = plans([seal()], make_bands((20.0, 22.0), u=0.03))
    assert kinds(plan) == ["leave"]


def test_the_shift_is_told_in_steps_that_can_be_made_and_stay_fresh():
    # The contact 11.25..11.55 must end 0.28395 before 11.0: shift -0.83395, to the next step
    # of 0.05 away from zero -0.85.
    (plan,) = plans([seal()])
    shift = plan.landing.shift
    assert shift.smallest_mm == pytest.approx(-0.83395, abs=1e-5)
    assert "0.85 mm toward the shaft end" in only(plan, "shift").what
    assert "shim of 0.85 mm" in only(plan, "shift").what


def test_into_the_machine_no_shim_is_offered():
    # Only room inward: the contact must begin 0.284 after 13.0: +2.03395, so 2.05.
    (plan,) = plans([seal(shift=(0.0, 3.0))])
    what = only(plan, "shift").what
    assert "2.05 mm into the machine" in what
    assert "shim" not in what


def test_without_room_no_shift_is_offered():
    (plan,) = plans([seal(shift=(0.0, 0.0))])
    assert "shift" not in kinds(plan)
    assert "beyond the room" in plan.landing.shift.why_none


def test_turned_round_the_lip_runs_elsewhere():
    # Turned round, the lip lies at 6.0 + 8.0 - 5.4 = 8.6, far from the band.
    (plan,) = plans([seal(shift=(0.0, 0.0))])
    flip = only(plan, "flip")
    assert flip.what == "Turn the seal round in the same seat."
    assert any("does not hold the oil" in caution for caution in flip.cautions)


def test_another_seal_is_offered_where_it_is_fresh():
    first, second = plans([seal(), seal(distance=2.0)])
    assert "1.toml" in only(first, "other seal").what
    assert kinds(second) == ["leave"]


def test_refinishing_names_every_published_set_and_what_they_share():
    # Elastomer sets: 0.20-0.43, 0.2-0.8, 0.2-0.63, 0.1-0.32; common to all 0.2-0.32 um.
    (plan,) = plans([seal()])
    refinish = only(plan, "refinish")
    for text in ("RMA OS-1-1 Ra 0.2 to 0.43", "JIS B 2402 practice Ra 0.1 to 0.32"):
        assert text in refinish.what
    assert "All of them allow Ra 0.2 to 0.32" in refinish.what
    cautions = " ".join(refinish.cautions)
    assert "44.840 to 45.000" in cautions
    for word in ("Spark out", "thread test", "no gloves", "hard case"):
        assert word in cautions
    assert len(refinish.sources) == 4


def test_what_may_be_ground_off_follows_from_the_diameter():
    # h11 of 45: down to 44.840. 44.98 with U 0.0196 leaves 0.12; 44.85 leaves nothing.
    for diameter, said in ((44.98, "at most 0.12 mm may come off"), (44.85, "nothing may come")):
        (plan,) = plans([seal()], diameter=diameter)
        assert said in " ".join(only(plan, "refinish").cautions)


def test_beyond_the_tables_the_drawing_counts():
    big = replace(seal(), shaft_mm=600.0)
    (plan,) = plans([big], diameter=599.9)
    assert "tolerance of the drawing" in " ".join(only(plan, "refinish").cautions)


def test_the_sleeve_covers_every_lip_with_its_uncertainty():
    # Contact 11.25..11.55, U = 1.96 * 0.17 = 0.333: 10.9 to 11.9; it may run off the land's edge.
    described = seal()
    described = replace(described, mounting=replace(described.mounting, land_mm=(11.4, 38.0)))
    (plan,) = plans([described], make_bands((20.0, 21.0), u=0.03))
    assert "10.9 to 11.9 mm" in only(plan, "sleeve").what


def test_a_sleeve_does_not_end_over_a_track():
    # The band 11..13 reaches below it: to 13 + 1.96 * 0.03 = 13.06, rounded up to what covers.
    (plan,) = plans([seal()])
    assert "10.9 to 13.1 mm" in only(plan, "sleeve").what


def test_unworn_places_lie_between_the_bands():
    # Land 2..38 with bands 8..10 and 14..15: strips 2..8, 10..14, 15..38.
    places = unworn_places_mm(make_bands((14.0, 15.0), (8.0, 10.0)), seal())
    assert places == pytest.approx([5.0, 12.0, 26.5])


def test_unworn_places_leave_out_grooves():
    # With a groove 20..24: strips 2..8, 10..14, 15..20, 24..38; the three longest.
    described = seal()
    grooved = replace(described.mounting, grooves_mm=((20.0, 24.0),))
    places = unworn_places_mm(
        make_bands((14.0, 15.0), (8.0, 10.0)), replace(described, mounting=grooved)
    )
    assert places == pytest.approx([5.0, 17.5, 31.0])


def test_a_seal_for_another_shaft_stops_the_plan():
    with pytest.raises(UnreadableFileError, match="for a shaft of 45 mm"):
        plans([seal()], diameter=50.0)
