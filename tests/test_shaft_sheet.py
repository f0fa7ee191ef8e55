"""The shaft sheet: limits against the published tables, verdicts and disagreements."""

import math

import pytest

from bandscan import shaft_limits as limits
from bandscan.shaft_sheet import ShaftFacts, make_sheet

# ISO 286-1, table 1, IT11 in micrometres, "over - up to and including" in mm; h11 has its upper
# deviation at zero. Read in two independent reprints of the table.
ISO_286_IT11 = [
    (0, 3, 60), (3, 6, 75), (6, 10, 90), (10, 18, 110), (18, 30, 130), (30, 50, 160),
    (50, 80, 190), (80, 120, 220), (120, 180, 250), (180, 250, 290), (250, 315, 320),
    (315, 400, 360), (400, 500, 400),
]  # fmt: skip

# JIS B 2402 as a Japanese seal maker prints it: over, up to, d1 - d2 at least (mm).
JIS_CHAMFER = [
    (0, 10, 1.5), (10, 20, 2.0), (20, 30, 2.5), (30, 40, 3.0), (40, 50, 3.5), (50, 70, 4.0),
    (70, 95, 4.5), (95, 130, 5.5), (130, 240, 7.0), (240, 480, 11.0),
]  # fmt: skip


def line(sheet, item, limit=""):
    found = [one for one in sheet.lines if one.item == item and limit in one.limit]
    assert len(found) == 1, [one.limit for one in found]
    return found[0]


@pytest.mark.parametrize(("over", "up_to", "it11_um"), ISO_286_IT11)
def test_h11_of_every_size_step(over, up_to, it11_um):
    just_over = over + 0.001
    assert limits.h11_limits_mm(up_to) == pytest.approx((up_to - it11_um / 1000, up_to))
    assert limits.h11_limits_mm(just_over) == pytest.approx((just_over - it11_um / 1000, just_over))


@pytest.mark.parametrize(("over", "up_to", "it11_um"), ISO_286_IT11[2:])
def test_h11_follows_the_standards_formula(over, up_to, it11_um):
    # ISO 286-1: IT11 = 100 i, i = 0.45 D^(1/3) + 0.001 D um, D the geometric mean of the step;
    # rounded in the table, so to 3 %.
    mean = math.sqrt(over * up_to)
    assert 100.0 * (0.45 * mean ** (1 / 3) + 0.001 * mean) == pytest.approx(it11_um, rel=0.03)


@pytest.mark.parametrize(("over", "up_to", "drop"), JIS_CHAMFER)
def test_chamfer_of_every_size_step(over, up_to, drop):
    assert limits.chamfer_small_diameter_mm(up_to) == pytest.approx(up_to - drop)
    just_over = over + 0.001
    assert limits.chamfer_small_diameter_mm(just_over) == pytest.approx(just_over - drop)


@pytest.mark.parametrize("size", [0.0, -1.0, 500.1])
def test_beyond_the_tables_nothing_is_said(size):
    with pytest.raises(ValueError, match="tabulated"):
        limits.h11_limits_mm(size)


def test_chamfer_length_and_surface_speed():
    # (50 - 46.5) / 2 / tan 30 degrees = 3.03 mm; pi * 0.050 * 3000 / 60 = 7.854 m/s.
    assert limits.chamfer_length_mm(50.0, 46.5, 30.0) == pytest.approx(3.031, abs=1e-3)
    assert limits.surface_speed_m_s(50.0, 3000.0) == pytest.approx(7.8540, abs=1e-4)


def test_diameter_near_a_limit_is_undecided():
    # h11 of 45: 44.840 to 45.000; u 0.01, guard 1.645 u = 0.01645 (ISO 14253-1).
    def verdict(diameter):
        return line(
            make_sheet(ShaftFacts(nominal_mm=45.0, diameter_mm=diameter)), "diameter"
        ).verdict

    assert verdict(44.98) == "within"
    assert verdict(44.99) == "undecided"
    assert verdict(44.85) == "undecided"
    assert verdict(44.82) == "outside"
    assert verdict(45.02) == "outside"


def test_a_polished_track_is_too_smooth_and_sources_disagree():
    # Ra 0.12: below RMA (0.20), DIN practice and GB practice (0.2); within the Japanese 0.1-0.32.
    sheet = make_sheet(ShaftFacts(nominal_mm=45.0, ra_um=0.12))
    assert line(sheet, "roughness Ra", "RMA").verdict == "outside"
    assert "starved" in line(sheet, "roughness Ra", "RMA").note
    assert line(sheet, "roughness Ra", "JIS").verdict == "within"
    assert sheet.disagreements == ("roughness Ra",)
    mirror = make_sheet(ShaftFacts(nominal_mm=45.0, ra_um=0.04))
    assert {one.verdict for one in mirror.lines if one.item == "roughness Ra"} == {"outside"}
    assert mirror.disagreements == ()


def test_ptfe_lips_have_limits_of_their_own():
    sheet = make_sheet(ShaftFacts(nominal_mm=45.0, ra_um=0.3, material="ptfe"))
    assert {one.verdict for one in sheet.lines if one.item == "roughness Ra"} == {"outside"}


@pytest.mark.parametrize(
    ("rpm", "dirty", "verdicts"),
    [
        # 45 mm: 1450 rpm is 3.42 m/s, 3000 rpm 7.07 m/s, 6000 rpm 14.1 m/s. Limits in the order
        # of the sources: 45 | 45 | 0 | 45 | 30, then 55 | 45 | 45 | 45 | 30, then
        # 55 | 55 | 60 | 50 | 30; dirty 55 | 45 | 60 | 50 | 30.
        (1450, False, "within within within within within"),
        (3000, False, "outside within within within within"),
        (6000, False, "outside outside outside outside within"),
        (1450, True, "outside within outside outside within"),
    ],
)
def test_hardness_by_surface_speed(rpm, dirty, verdicts):
    facts = ShaftFacts(nominal_mm=45.0, speed_rpm=rpm, hardness_hrc=46.0, dirty=dirty)
    found = [one.verdict for one in make_sheet(facts).lines if one.item == "hardness"]
    assert found == verdicts.split()


def test_without_a_speed_hardness_is_not_judged_by_it():
    facts = ShaftFacts(nominal_mm=45.0, hardness_hrc=46.0)
    assert line(make_sheet(facts), "hardness", "from 4 m/s").verdict == "limit only"


def test_lead_counts_either_way():
    # 0 +/- 0.05 degrees
    def verdict(lead):
        return line(make_sheet(ShaftFacts(nominal_mm=45.0, lead_deg=lead)), "lead").verdict

    assert (verdict(0.05), verdict(-0.04), verdict(-0.06)) == ("within", "within", "outside")


def test_runout_and_offset_add_up():
    # 0.13 and 0.08 are each within the limits for full life, but 0.21 together is above 0.20.
    sheet = make_sheet(ShaftFacts(nominal_mm=45.0, runout_mm=0.13, offset_mm=0.08))
    assert line(sheet, "runout, turning (full life)").verdict == "within"
    assert line(sheet, "runout and offset together (full life)").verdict == "outside"


def test_every_line_has_a_source_and_nothing_is_invented():
    sheet = make_sheet(ShaftFacts(nominal_mm=80.0))
    assert all(one.source for one in sheet.lines)
    assert {one.verdict for one in sheet.lines} <= {"not measured", "limit only"}
    # 80 mm: the two chamfer tables agree by chance; 92 mm: 4.5 in one, 5.0 in the other.
    assert len([one for one in sheet.lines if one.item == "chamfer, small diameter"]) == 2
    between = make_sheet(ShaftFacts(nominal_mm=92.0, chamfer_small_mm=87.3))
    assert "chamfer, small diameter" in between.disagreements
