"""Which lip of the old seal made which band."""

import numpy as np
import pytest
from scipy.stats import chi2

from bandscan.attribution import attribute_bands
from bandscan.normal import chi_squared_above
from tests.stack_ups import make_bands, make_lip, make_seal, moved

# Lips at 6.0 + 1.2 = 7.2 and 6.0 + 5.4 = 11.4, each 0.3 wide; u of a lip 0.1, of the face 0.15.
LIPS = [
    make_lip(1.2, u=0.1, contact=0.3, name="dust"), make_lip(5.4, u=0.1, contact=0.3, name="main")
]  # fmt: skip
OLD = make_seal(LIPS, face=6.0, face_u=0.15)


def bands_at(*middles, width=0.3):
    return make_bands(*[(m - width / 2.0, m + width / 2.0) for m in middles], u=0.03)


def found_in(attribution, text):
    return any(text in finding for finding in attribution.findings)


@pytest.mark.parametrize("dof", [1, 2, 3, 4, 7])
def test_chi_squared_against_scipy(dof):
    for value in (0.0, 0.3, 3.84, 12.0, 30.0):
        assert chi_squared_above(value, dof) == pytest.approx(chi2.sf(value, dof), abs=1e-12)


def test_bands_where_the_lips_ran():
    # Middles at 7.25 and 11.50: differences 0.05 and 0.10, equal weights, so the offset is
    # 0.075; u of a difference sqrt(0.1^2 + 0.03^2 / 2) = 0.10223, of the offset / sqrt(2).
    result = attribute_bands(bands_at(7.25, 11.50), OLD)
    assert result.best.pairs == ((0, 0), (1, 1))
    assert result.best.offset_mm.value == pytest.approx(0.075)
    assert result.best.offset_mm.u == pytest.approx(0.10223 / np.sqrt(2.0), abs=1e-5)
    # chi-squared: 2 * (0.025 / 0.10223)^2 = 0.1196
    assert result.best.chi_squared == pytest.approx(0.1196, abs=1e-4)
    assert found_in(result, "within the stated uncertainties")
    assert found_in(result, "spacing of the bands fits")


def test_a_seal_that_sat_deeper():
    # Both bands 0.8 further in: offset 0.8, its u with the mounting's sqrt(0.0723^2 + 0.15^2)
    # = 0.1665, so 4.8 standard uncertainties.
    result = attribute_bands(bands_at(8.0, 12.2), OLD)
    assert result.best.pairs == ((0, 0), (1, 1))
    assert result.best.offset_mm.value == pytest.approx(0.8)
    assert result.best.offset_ratio == pytest.approx(0.8 / 0.1665, abs=0.01)
    assert found_in(result, "assembly offset")


def test_another_seal():
    # Bands 2.3 apart, lips 4.2 apart: 1.9 mm off with u 0.145.
    result = attribute_bands(bands_at(7.2, 9.5), OLD)
    assert len(result.best.pairs) == 1
    assert found_in(result, "points to another seal")
    assert found_in(result, "Band 2 is not explained")


def test_one_band_proves_nothing():
    result = attribute_bands(bands_at(11.4), OLD)
    assert result.best.pairs == ((1, 0),)
    assert found_in(result, "cannot prove the seal")
    assert found_in(result, 'Lip "dust" has no band')


def test_what_cannot_be_told_is_said():
    # One lip, a band on either side at the same distance.
    old = make_seal([make_lip(5.0, u=0.1, contact=0.3)], face=6.0, face_u=0.15)
    result = attribute_bands(bands_at(10.8, 11.2), old)
    assert len(result.alternatives) == 1
    assert found_in(result, "cannot be told")


def test_bands_wider_than_the_lips_point_to_end_float():
    # Each band 0.5 wide, the lips touch 0.3: 0.2 wider, U = 1.96 * 0.03 * sqrt(2) = 0.083.
    result = attribute_bands(bands_at(7.2, 11.4, width=0.5), OLD)
    assert [w.value for w in result.widening_mm] == pytest.approx([0.2, 0.2])
    assert found_in(result, "end float")
    with_float = make_seal(LIPS, face=6.0, face_u=0.15, end_float_mm=0.2)
    explained = attribute_bands(bands_at(7.2, 11.4, width=0.5), with_float)
    assert not found_in(explained, "end float")


def test_one_wide_band_points_to_its_lip():
    bands = make_bands((7.05, 7.35), (11.1, 11.7), u=0.03)
    assert found_in(attribute_bands(bands, OLD), 'wider than "main"')


def test_the_other_way_round_is_tried():
    # Turned round in the same seat the lips lie at 14 - 1.2 = 12.8 and 14 - 5.4 = 8.6. A third
    # lip at 10.0 (12.0 - 2.0 ...) breaks the mirror symmetry of the spacing.
    lips = [*LIPS, make_lip(2.4, u=0.1, contact=0.3, name="middle")]
    old = make_seal(lips, face=6.0, face_u=0.15)
    result = attribute_bands(bands_at(8.6, 11.6, 12.8), old)
    assert result.best.facing == "machine"
    assert found_in(result, "other way round")


def test_no_band_nothing_to_attribute():
    result = attribute_bands(make_bands(), OLD)
    assert result.best is None
    assert found_in(result, "nothing to attribute")


@pytest.mark.parametrize("offset", [-0.6, 0.0, 0.35])
def test_the_offset_found_is_that_of_the_seal(offset):
    simulated = moved(OLD, offset)
    middles = [simulated.mounting.face_mm.value + lip.distance_mm.value for lip in LIPS]
    result = attribute_bands(bands_at(*middles), OLD)
    assert result.best.offset_mm.value == pytest.approx(offset, abs=1e-9)


def test_offsets_lie_within_their_uncertainty():
    # 400 old seals at their stated place within the stated uncertainties: the offset ratio is
    # a standard normal value, so |ratio| < 1.96 in 95 %, within four binomial deviations.
    rng = np.random.default_rng(3)
    inside = 0
    for _ in range(400):
        shift = rng.normal(0.0, 0.15)
        middles = [7.2 + shift + rng.normal(0, 0.1), 11.4 + shift + rng.normal(0, 0.1)]
        edges = np.add.outer(middles, (-0.15, 0.15)) + rng.normal(0.0, 0.03, (2, 2))
        result = attribute_bands(make_bands(*edges, u=0.03), OLD)
        inside += abs(result.best.offset_ratio) < 1.96
    assert inside / 400 == pytest.approx(0.95, abs=4.0 * np.sqrt(0.95 * 0.05 / 400))
