"""The side view: to scale, complete, and legible without colour."""

import struct
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from bandscan.output.side_view import TEXT_PT, SideView, draw_side_view, side_view_files
from bandscan.planning import turned_round
from bandscan.stack_up import lip_places
from bandscan.steps.landing import plan_landing
from tests.stack_ups import make_bands, make_lip, make_seal, moved

SEAL = make_seal(
    [make_lip(5.4, u=0.08, contact=0.3), make_lip(1.2, u=0.08, contact=0.2, name="dust")],
    face=6.0, face_u=0.15, land=(2.0, 38.0), shift=(-2.0, 3.0), end_float_mm=0.1,
)  # fmt: skip
BANDS = make_bands((8.0, 9.0), (11.0, 13.0), u=0.03)


def view_of(seal=SEAL, bands=BANDS, *, landing=True):
    planned = plan_landing(bands, seal) if landing else None
    return SideView(
        seal=seal, places=lip_places(seal), bands=bands, landing=planned, chamfer_mm=2.0
    )


def texts(figure):
    (axes,) = figure.axes
    return [text.get_text() for text in axes.texts if text.get_text()]


def test_axial_and_radial_are_to_the_same_scale():
    figure = draw_side_view(view_of())
    (axes,) = figure.axes
    (x0, y0), (x1, y1), (x2, y2) = axes.transData.transform([(0, 0), (10, 0), (0, 10)])
    assert x1 - x0 == pytest.approx(y2 - y0, rel=1e-6)
    assert (y1, x2) == pytest.approx((y0, x0))


def test_bands_and_lips_are_drawn_where_they_are():
    (axes,) = draw_side_view(view_of()).axes
    spans = {
        (round(box.x0, 3), round(box.x1, 3))
        for box in (
            patch.get_path().get_extents(patch.get_patch_transform()) for patch in axes.patches
        )
    }
    # bands; contacts 11.25..11.55 and 7.1..7.3, each with half the float of 0.1 on both sides
    assert {(8.0, 9.0), (11.0, 13.0), (11.2, 11.6), (7.05, 7.35)} <= spans


def test_verdicts_and_clearances_are_written():
    said = " ".join(texts(draw_side_view(view_of())))
    assert "ON BAND" in said
    assert "FRESH" in said
    assert "clear of band 1" in said
    assert "overlaps band 2" in said
    assert "2 to 38 mm" in said


def test_a_seal_alone_has_every_dimension_of_its_file():
    said = " ".join(texts(draw_side_view(view_of(bands=make_bands(), landing=False))))
    for dimension in ("8 mm wide", "6.00 ±", "5.40 ±", "1.20 ±", "contact 0.3", "outer face"):
        assert dimension in said


def test_the_air_side_is_named_on_the_right_side():
    for seal, first in ((SEAL, "air side"), (turned_round(SEAL), "machine side")):
        (axes,) = draw_side_view(view_of(seal)).axes
        sides = {t.get_text(): t.get_position()[0] for t in axes.texts if "side" in t.get_text()}
        assert min(sides, key=sides.get) == first


def test_texts_stay_inside_the_picture_and_do_not_touch_each_other():
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    figure = draw_side_view(view_of())
    renderer = FigureCanvasAgg(figure).get_renderer()
    (axes,) = figure.axes
    boxes = [t.get_window_extent(renderer) for t in axes.texts if t.get_text()]
    for index, box in enumerate(boxes):
        assert box.x0 >= 0
        assert box.y0 >= 0
        assert box.x1 <= figure.bbox.x1
        assert box.y1 <= figure.bbox.y1
        assert not any(box.overlaps(other) for other in boxes[index + 1 :])


def test_text_is_legible_on_a_phone():
    # A phone shows about 390 px across (CSS pixels); text below 10 px is not read with ease
    # (common practice, no published source).
    figure = draw_side_view(view_of())
    assert TEXT_PT / 72.0 / figure.get_figwidth() * 390.0 > 10.0


def test_a_seal_far_from_the_shaft_end_is_not_drawn_small():
    far = moved(SEAL, 90.0)
    figure = draw_side_view(view_of(far, make_bands((99.0, 101.0), u=0.03)))
    (axes,) = figure.axes
    low, high = axes.get_xlim()
    assert 90.0 < low < 96.0  # the seal lies at 96 to 104
    assert 104.0 < high < 110.0
    near = draw_side_view(view_of()).axes[0].get_xlim()
    assert near[0] < 0.0  # the shaft end is shown


def test_files_are_a_picture_and_a_drawing():
    files = side_view_files(view_of())
    assert files["png"].startswith(b"\x89PNG")
    width, _ = struct.unpack(">II", files["png"][16:24])
    assert width == pytest.approx(1495, abs=2)
    assert ET.fromstring(files["svg"]).tag.endswith("svg")
    assert side_view_files(view_of())["svg"] == files["svg"]  # the same bytes every time


def test_nothing_depends_on_colour():
    figure = draw_side_view(view_of())
    figure.canvas.draw() if hasattr(figure.canvas, "draw") else None
    (axes,) = figure.axes
    for patch in axes.patches:
        for colour in (patch.get_facecolor(), patch.get_edgecolor()):
            red, green, blue, _ = colour
            assert np.ptp([red, green, blue]) == 0.0
