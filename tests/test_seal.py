"""Seal files: what is read, what is refused and how it is said."""

import math

import pytest

from bandscan.seal import EXPANSION_PER_MK, check_fit, nominal_width_u_mm, read_seal
from bandscan.stack_up import lip_places
from calib.errors import UnreadableFileError
from calib.quantity import Estimate

SEAL = """\
[seal]
label = "double lip 45x65x8"
shaft_mm = 45.0
width_mm = 8.0

[[lip]]
name = "main"
kind = "sealing"
from = "inner"
distance_mm = 2.6
u_mm = 0.1
contact_mm = 0.3

[[lip]]
name = "dust"
kind = "excluder"
from = "outer"
distance_mm = 1.2
u_mm = 0.1
contact_mm = 0.2

[mounting]
outer_face_mm = 6.0
u_mm = 0.15
end_float_mm = 0.1
shift_mm = [-2.0, 3.0]
land_mm = [2.0, 38.0]
"""


@pytest.fixture
def write(tmp_path):
    def write_file(text):
        path = tmp_path / "seal.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write_file


def places(seal):
    return {place.lip.name: place for place in lip_places(seal)}


def test_lips_lie_where_the_file_says(write):
    # main: 6.0 + 8.0 - 2.6 = 11.4; touches 11.4 +/- 0.3/2, and the float sweeps +/- 0.05.
    # dust: 6.0 + 1.2 = 7.2; +/- 0.2/2 +/- 0.05.
    found = places(read_seal(write(SEAL)))
    assert found["main"].middle_mm.value == pytest.approx(11.4)
    assert found["main"].contact_mm == pytest.approx((11.2, 11.6))
    assert found["dust"].contact_mm == pytest.approx((7.05, 7.35))
    # u: 0.15 and 0.1 and, for where in its float the shaft stood, 0.1/sqrt(12).
    expected = math.sqrt(0.15**2 + 0.1**2 + 0.1**2 / 12.0)
    assert found["main"].middle_mm.u == pytest.approx(expected)


def test_several_readings_give_mean_and_type_a_uncertainty(write):
    # JCGM 100:2008, 4.2: mean 2.59667, s = 0.015275, s / sqrt(3) = 0.0088192, 2 dof.
    text = SEAL.replace("distance_mm = 2.6\nu_mm = 0.1", "distance_mm = [2.58, 2.61, 2.60]")
    lip = read_seal(write(text)).lips[0]
    assert lip.distance_mm.value == pytest.approx(2.596667, abs=1e-6)
    assert lip.distance_mm.u == pytest.approx(0.0088192, abs=1e-7)
    assert lip.distance_mm.dof == pytest.approx(2.0)
    assert lip.distance_mm.expanded == pytest.approx(4.303 * 0.0088192, abs=1e-6)


def test_twenty_readings_are_those_of_the_gum(write):
    # JCGM 100:2008, table 1 and 4.4.3: mean 100.145, s = 1.489, s / sqrt(20) = 0.333, 19 dof.
    readings = [
        96.90, 98.18, 98.25, 98.61, 99.03, 99.49, 99.56, 99.74, 99.89, 100.07,
        100.33, 100.42, 100.68, 100.95, 101.11, 101.20, 101.57, 101.84, 102.36, 102.72,
    ]  # fmt: skip
    text = SEAL.replace("outer_face_mm = 6.0\nu_mm = 0.15", f"outer_face_mm = {readings}")
    face = read_seal(write(text)).mounting.face_mm
    assert face.value == pytest.approx(100.145, abs=5e-4)
    assert face.u == pytest.approx(0.333, abs=5e-4)
    assert face.dof == pytest.approx(19.0)


def test_the_gauge_is_added_to_the_scatter(write):
    text = SEAL.replace("distance_mm = 2.6\n", "distance_mm = [2.58, 2.61, 2.60]\n")
    distance = read_seal(write(text)).lips[0].distance_mm
    assert distance.u == pytest.approx(math.hypot(0.0088192, 0.1), abs=1e-6)
    # Welch-Satterthwaite (JCGM 100:2008, G.2b): 2 (u / 0.0088192)^4
    assert distance.dof == pytest.approx(2.0 * (distance.u / 0.0088192) ** 4, rel=1e-4)


def test_equal_readings_have_no_scatter(write):
    text = SEAL.replace("distance_mm = 2.6\nu_mm = 0.1", "distance_mm = [2.6, 2.6]")
    seal = read_seal(write(text))
    assert seal.lips[0].distance_mm == Estimate(value=2.6, u=0.0)
    assert any("gauge's own error" in note for note in seal.notes)


def test_a_tilted_seal_sweeps_more(write):
    # t d / D = 0.2 * 45 / 65 = 0.13846 mm end to end.
    text = SEAL.replace("width_mm = 8.0", "width_mm = 8.0\nseat_mm = 65.0")
    text += "\n[squareness]\ntilt_mm = 0.2\n"
    found = places(read_seal(write(text)))
    assert found["main"].contact_mm == pytest.approx((11.2 - 0.06923, 11.6 + 0.06923), abs=1e-5)


def test_a_warm_shaft_carries_the_lip_inward(write):
    # 250 mm, 60 K: steel 1020 grows 0.1755 mm, aluminium 6061 0.3540 mm (alpha L dT with the
    # coefficients of Callister, table B.6). With an aluminium housing and a steel shaft the
    # lip, held by the housing, moves 0.1785 mm toward the shaft end.
    text = SEAL + (
        '\n[thermal]\nlength_mm = 250.0\nshaft = "steel 1020"\nhousing = "aluminium 6061"\n'
        "shaft_c = 80.0\nhousing_c = 80.0\nu_k = 5.0\n"
    )
    seal = read_seal(write(text))
    assert seal.thermal.travel_mm.value == pytest.approx(0.1755 - 0.3540)
    assert seal.thermal.travel_mm.u == pytest.approx(250e-6 * 5.0 * math.hypot(11.7, 23.6))
    assert places(seal)["main"].contact_mm == pytest.approx((11.2 - 0.1785, 11.6))


def test_coefficients_are_those_of_the_table():
    # W. D. Callister, Fundamentals of Materials Science and Engineering, table B.6.
    assert EXPANSION_PER_MK["steel 1040"] == 11.3
    assert EXPANSION_PER_MK["stainless 304"] == 17.2
    assert EXPANSION_PER_MK["grey iron"] == 11.4


def test_a_seal_turned_round_has_its_inner_face_to_the_shaft_end(write):
    # main: 2.6 from the inner face, which is now at 6.0; dust: 6.0 + 8.0 - 1.2.
    found = places(read_seal(write(SEAL.replace("[mounting]", '[mounting]\nfacing = "machine"'))))
    assert found["main"].middle_mm.value == pytest.approx(8.6)
    assert found["dust"].middle_mm.value == pytest.approx(12.8)


def test_a_catalogue_width_has_the_makers_tolerance(write):
    # 0.2 mm up to 10 mm wide, 0.3 mm above; rectangular.
    assert nominal_width_u_mm(8.0) == pytest.approx(0.11547, abs=1e-5)
    assert nominal_width_u_mm(12.0) == pytest.approx(0.17321, abs=1e-5)
    text = SEAL.replace("width_mm = 8.0", "width_mm = 8.0\nwidth_u_mm = 0.12")
    found = places(read_seal(write(text)))
    # Only the lip that was measured from the far face rests on the width.
    more = math.sqrt(found["main"].middle_mm.u ** 2 - found["dust"].middle_mm.u ** 2)
    assert more == pytest.approx(0.12)


@pytest.mark.parametrize(
    ("old", "new", "said", "fix"),
    [
        ("distance_mm = 2.6", "distance_mm = '2.6'", "line 10: distance_mm", "[2.58, 2.61, 2.60]"),
        ("distance_mm = 2.6\nu_mm = 0.1", "distance_mm = 2.6", "u_mm in [[lip]] number 1", "u_mm"),
        ('from = "inner"', 'from = "inside"', "line 9: from", '"outer", "inner"'),
        ('from = "inner"\n', "", "from in [[lip]] number 1 is missing", "from ="),
        ("contact_mm = 0.3", "contact_mm = 0", "line 12: contact_mm", "Correct"),
        ("contact_mm = 0.3", "contact_mm = nan", "line 12: contact_mm", "number"),
        ("end_float_mm", "end_flot_mm", "line 25: end_flot_mm", "end_float_mm"),
        ("shift_mm = [-2.0, 3.0]", "shift_mm = [3.0, -2.0]", "line 26: shift_mm", "lower first"),
        ("land_mm = [2.0, 38.0]", "land_mm = [2.0]", "line 27: land_mm", "two numbers"),
        ("[mounting]", "[mountings]", "line 22: the table mountings", "mounting"),
        ("[mounting]", "[[mounting]]", "no table [mounting]", "[mounting]"),
        ("[[lip]]", "[lip", "not valid TOML", "line"),
        ('name = "dust"', 'name = "main"', '"main" more than once', "own name"),
        ("shaft_mm = 45.0", "shaft_mm = -45.0", "line 3: shaft_mm", "Correct"),
        ("distance_mm = 2.6", "distance_mm = 26", "line 10: distance_mm", "nearer face"),
    ],
)  # fmt: skip
def test_a_mistake_is_named_with_its_line_and_its_fix(write, old, new, said, fix):
    with pytest.raises(UnreadableFileError) as caught:
        read_seal(write(SEAL.replace(old, new, 1)))
    assert said in caught.value.message
    assert fix in str(caught.value)
    assert caught.value.exit_status == 4


def test_a_missing_file_is_said(tmp_path):
    with pytest.raises(UnreadableFileError, match="cannot be read"):
        read_seal(tmp_path / "none.toml")


def test_a_seal_for_another_shaft_is_refused(write):
    seal = read_seal(write(SEAL))
    check_fit(seal, Estimate(value=44.9, u=0.01))
    with pytest.raises(UnreadableFileError, match="for a shaft of 45 mm"):
        check_fit(seal, Estimate(value=50.0, u=0.01))


# A. A. Michelson's velocities of light in air, 1000 km/s, as NIST's Statistical Reference
# Datasets give them (StRD, univariate, "Michelso").
MICHELSON = """
.85 .74 .90 1.07 .93 .85 .95 .98 .98 .88 1.00 .98 .93 .65 .76 .81 1.00 1.00 .96 .96 .96 .94 .96
.94 .88 .80 .85 .88 .90 .84 .83 .79 .81 .88 .88 .83 .80 .79 .76 .80 .88 .88 .88 .86 .72 .72 .62
.86 .97 .95 .88 .91 .85 .87 .84 .84 .85 .84 .84 .84 .89 .81 .81 .82 .80 .77 .76 .74 .75 .76 .91
.92 .89 .86 .88 .72 .84 .85 .85 .78 .89 .84 .78 .81 .76 .81 .79 .81 .82 .85 .87 .87 .81 .74 .81
.94 .95 .80 .81 .87
"""


@pytest.mark.parametrize(
    ("readings", "mean", "deviation"),
    [
        # Certified by NIST StRD.
        ([float(f"{299.0 + float(x):.2f}") for x in MICHELSON.split()],
         299.852400000000, 0.0790105478190518),
        ([10000001.0, 10000003.0, 10000002.0], 10000002.0, 1.0),  # NumAcc1
        # NumAcc2 to 4: the base, then 500 times 0.1 below and above it.
        ([1.2] + [1.1, 1.3] * 500, 1.2, 0.1),
        ([1000000.2] + [1000000.1, 1000000.3] * 500, 1000000.2, 0.1),
        ([10000000.2] + [10000000.1, 10000000.3] * 500, 10000000.2, 0.1),
    ],
)  # fmt: skip
def test_mean_and_standard_deviation_are_those_certified_by_nist(write, readings, mean, deviation):
    text = SEAL.replace("outer_face_mm = 6.0\nu_mm = 0.15", f"outer_face_mm = {readings}")
    face = read_seal(write(text)).mounting.face_mm
    assert face.value == pytest.approx(mean, rel=1e-14)
    # Numbers of 10^7 with 0.1 behind the point are held to 2e-9, 2e-8 of the deviation.
    assert face.u * math.sqrt(len(readings)) == pytest.approx(deviation, rel=3e-8)
