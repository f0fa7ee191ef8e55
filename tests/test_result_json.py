"""The JSON that others rely on: names, units, nulls; no NaN; one object or an array."""

import json
import math

import numpy as np
import pytest

from bandscan.output.files import UnwritableFileError, write_file
from bandscan.output.result_json import check_object, json_text, measurement_object
from bandscan.result import CheckReport, Improvement, Measurement, QualityFigure, Refusal
from tests import examples


@pytest.fixture(scope="module")
def content() -> dict:
    return json.loads(json_text([measurement_object(examples.measurement())]))


def test_the_fields_are_those_agreed(content):
    assert content["schema"] == "bandscan.measurement/1"
    assert set(content) == {
        "schema", "photo", "lens", "scales", "agreement", "shaft", "bands", "budget",
        "covariance_mm2", "corrections", "warnings", "refusal", "landing", "seal", "least_contrast",
    }  # fmt: skip
    assert content["photo"] == {
        "file": "leg4.jpg", "sha256": "0" * 64, "width_px": 1200, "height_px": 900,
        "taken": "2026-05-04T10:11:12", "orientation": 1, "camera": None,
    }  # fmt: skip
    assert content["lens"]["source"] == "file"
    assert content["lens"]["cx_px"] == 599.5
    assert content["agreement"] == {"En": 0.4, "agree": True}
    assert content["warnings"] == [{"code": "glare", "message": "Glare covers 12 % of the land."}]
    agreed = {"edge": "band 1 start", "source": "scale", "type": "B", "contribution_mm": 0.012}
    assert agreed.items() <= content["budget"][0].items()
    assert content["refusal"] is None


def test_a_position_carries_u_expanded_uncertainty_and_factor(content):
    start = content["bands"][0]["start_mm"]
    assert (start["value"], start["u"]) == (12.43, 0.03)
    # Student's t for 95 % at 40 degrees of freedom: GUM (JCGM 100:2008) Table G.2 has 2.02.
    assert start["k"] == pytest.approx(2.02, abs=0.005)
    assert start["U"] == pytest.approx(start["k"] * 0.03, rel=1e-12)


def test_a_graduation_that_was_not_seen_is_null(content):
    rule = content["scales"][0]
    assert rule["graduations"] == 40
    assert len(rule["graduations_px"]) == 41
    assert rule["graduations_px"][5] is None
    assert rule["graduations_px"][6] == [250.0, 120.0]
    assert "graduations_px" not in content["scales"][1]


def test_the_curve_of_an_edge_lies_where_a_plain_pinhole_puts_it(content):
    """Worked by hand: x/z of surface points times the focal length, about the middle."""
    edge = content["bands"][1]["start_px"]
    low, high = examples.ARC
    mean_cos = (math.sin(high) - math.sin(low)) / (high - low)
    mean_sin = (math.cos(low) - math.cos(high)) / (high - low)
    foot = np.array([5.0, 150.0])
    facing = -foot / np.hypot(*foot)  # (y, z) toward the camera, square to the axis
    across = np.array([-facing[1], facing[0]])  # x times facing, as (y, z)
    for point, angle in ((edge[0], low), (edge[-1], high)):
        y, z = foot + 22.5 * (math.cos(angle) * facing + math.sin(angle) * across)
        axial = 30.0 + 0.05 * (math.cos(angle) - mean_cos) - 0.02 * (math.sin(angle) - mean_sin)
        expected = [599.5 + 1000.0 * (-40.0 + axial) / z, 449.5 + 1000.0 * y / z]
        assert point == pytest.approx(expected, abs=1e-9)


def test_the_mean_of_an_edge_over_its_arc_is_its_position():
    band = examples.band(12.43, 15.91)
    angles = np.linspace(*band.arc_rad, 20_001)
    assert band.start.along(angles, band.arc_rad).mean() == pytest.approx(12.43, abs=1e-6)


def test_the_shaft_says_what_its_end_rests_on(content):
    shaft = content["shaft"]
    assert shaft["diameter_mm"] == {"value": 45.0, "u": 0.01}
    assert shaft["end_read_from"] == "face rim"
    assert shaft["chamfer_mm"] == {"value": 3.0, "u": 0.03}
    assert shaft["arc_deg"] == pytest.approx([-50.0, 40.0])
    assert shaft["axis_px"][0] == pytest.approx(
        [599.5 - 40.0 / 150.0 * 1000.0, 449.5 + 5.0 / 150.0 * 1000.0]
    )


def test_a_face_that_looks_away_shows_only_the_near_part_of_its_rim(content):
    """The camera stands beyond x = 0 on the shaft's side, so the face cannot be seen."""
    rim = np.array(content["shaft"]["end_px"])
    assert len(rim) > 10
    middle_y = 449.5 + 1000.0 * 5.0 / 150.0
    half = 1000.0 * 21.4 / 150.0  # of the rim, as high as its middle depth would make it
    assert np.all(np.abs(rim[:, 1] - middle_y) < half * 1.05)
    assert np.ptp(rim[:, 1]) > half


def test_numbers_keep_their_full_precision():
    odd = 12.0 + 1.0 / 3.0
    text = json_text([measurement_object(examples.measurement(bands=(examples.band(odd, 15.0),)))])
    assert json.loads(text)["bands"][0]["start_mm"]["value"] == odd


def test_nan_and_infinity_become_null():
    text = json_text([{"a": float("nan"), "b": [float("inf"), np.float32(0.5)], "c": np.bool_(1)}])
    assert json.loads(text) == {"a": None, "b": [None, 0.5], "c": True}


def test_infinite_degrees_of_freedom_are_null():
    sure = examples.estimate(1.0, 0.1, dof=math.inf)
    shaft = examples.measurement().shaft
    assert shaft is not None
    band = examples.band(1.0, 2.0)
    lone = type(band)(
        start=band.start, end=band.end, width_mm=sure, arc_rad=band.arc_rad, looks="darker",
        strength=1.0,
    )  # fmt: skip
    text = json_text([measurement_object(examples.measurement(bands=(lone,)))])
    assert json.loads(text)["bands"][0]["width_mm"]["dof"] is None


def test_a_refused_photo_has_no_bands():
    refusal = Refusal(code="no-scale", message="No scale was seen.", remedy="Lay a rule down.")
    content = measurement_object(examples.measurement(refusal=refusal))
    assert content["bands"] == []
    assert content["refusal"] == {
        "code": "no-scale", "message": "No scale was seen.", "remedy": "Lay a rule down.",
    }  # fmt: skip
    assert content["scales"]  # what could be read is still given


def test_an_unreadable_photo_has_a_name_and_nothing_else():
    refusal = Refusal(code="unreadable", message="It is empty.", remedy="Copy it.", exit_status=4)
    unread = Measurement(file="gone.jpg", refusal=refusal)
    content = json.loads(json_text([measurement_object(unread)]))
    assert content["photo"]["file"] == "gone.jpg"
    assert content["photo"]["sha256"] is None
    assert content["lens"] is None
    assert content["shaft"] is None
    assert unread.exit_status == 4


def test_one_photo_is_an_object_and_several_are_an_array():
    one = measurement_object(examples.measurement())
    assert isinstance(json.loads(json_text([one])), dict)
    assert len(json.loads(json_text([one, one]))) == 2


def test_a_landing_is_given_in_full(content):
    lip = content["landing"]["lips"][0]
    assert lip["contact_mm"] == [10.2, 10.5]
    assert lip["verdict"] == "fresh"
    assert set(lip["clearance_mm"]) >= {"value", "u", "U", "k"}
    assert content["landing"]["shift"] == {
        "windows_mm": [[-1.0, 1.5]], "smallest_mm": 0.0, "roomiest_mm": -1.0, "why_none": None,
    }  # fmt: skip


def test_a_check_has_the_agreed_fields():
    figure = QualityFigure(name="sharpness", value=0.8, unit="px", good=True, advice="")
    better = Improvement(source="lens", advice="Calibrate the camera.", expanded_mm=0.04)
    report = CheckReport(
        file="leg4.jpg",
        photo=examples.photo(),
        quality=(figure,),
        expected_expanded_mm=0.07,
        improvement=better,
    )
    content = json.loads(json_text([check_object(report)]))
    assert content["schema"] == "bandscan.check/1"
    assert set(content) == {
        "schema", "photo", "lens", "scales", "shaft", "quality", "expected_U_mm", "improvement",
        "refusal",
    }  # fmt: skip
    assert content["shaft"] is None
    assert content["expected_U_mm"] == 0.07
    assert content["improvement"] == {
        "source": "lens", "advice": "Calibrate the camera.", "expected_U_mm": 0.04,
    }  # fmt: skip
    assert content["quality"] == [
        {"name": "sharpness", "value": 0.8, "unit": "px", "good": True, "advice": ""}
    ]


def test_a_file_is_whole_or_not_there(tmp_path, monkeypatch):
    target = tmp_path / "result.json"
    target.write_text("old")

    def full_disk(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("pathlib.Path.replace", full_disk)
    with pytest.raises(UnwritableFileError, match="No space left"):
        write_file(target, b"new")
    assert target.read_text() == "old"
    assert [path.name for path in tmp_path.iterdir()] == ["result.json"]


def test_a_folder_that_is_not_there_cannot_be_written_to(tmp_path):
    with pytest.raises(UnwritableFileError, match="No such file"):
        write_file(tmp_path / "absent" / "result.json", b"x")
