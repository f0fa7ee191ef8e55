"""The report's page in a real Chromium: its numbers, its manners, its size."""

import json
import shutil
from dataclasses import replace
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest

from bandscan.corrections import read_corrections
from bandscan.options import MeasureOptions
from bandscan.output.result_json import json_text, measurement_object
from bandscan.output.settings_json import settings_object
from bandscan.pipeline import measure_photo
from bandscan.planning import plan_seals
from bandscan.report.content import content_of
from bandscan.report.html import report_page
from bandscan.report.live import STEP_MM
from bandscan.report.source import source_of_result
from bandscan.report.words import lip_words
from tests import results
from tests.browser import CHROMIUM, Browser

SAMPLES = Path(__file__).parents[1] / "sample_images"
SEAL = SAMPLES / "elevator_01_seal.toml"
POSITIONS = 200
MOST_BYTES = 1_500_000
NOW = datetime(2026, 5, 4, 10, 11)

needs_chromium = pytest.mark.skipif(CHROMIUM is None, reason="no Chromium is installed")


def page_of(source) -> str:
    return report_page(source, content_of(source, {}, now=NOW))


@pytest.fixture(scope="module")
def source(tmp_path_factory):
    """A sample photo, measured with a seal."""
    folder = tmp_path_factory.mktemp("page")
    photo = shutil.copy(SAMPLES / "elevator_01_rule_level.jpg", folder)
    options = MeasureOptions(diameter_mm=34.99, seal_path=SEAL)
    result = measurement_object(measure_photo(Path(photo), options)) | settings_object(options)
    path = folder / "result.json"
    path.write_text(json_text([result]), encoding="utf-8")
    return source_of_result(path, seal_path=SEAL)


@pytest.fixture(scope="module")
def page(source, tmp_path_factory):
    path = tmp_path_factory.mktemp("page") / "report.html"
    path.write_text(page_of(source), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def browser():
    if CHROMIUM is None:
        pytest.skip("no Chromium is installed")
    browser = Browser()
    yield browser
    browser.close()


def lips_at(source, shift):
    """How the lips land with the seal moved, worked out anew by the program."""
    mounting = source.seal.mounting
    face = replace(mounting.face_mm, value=mounting.face_mm.value + shift)
    moved = replace(source.seal, mounting=replace(mounting, face_mm=face))
    return plan_seals(source.measured, [("", moved)])[0].landing.lips


def test_the_page_is_small_and_loads_nothing(page):
    text = page.read_text(encoding="utf-8")
    assert len(text.encode("utf-8")) < MOST_BYTES
    assert "http://" not in text.replace("http://www.w3.org/", "")
    assert "https://" not in text


def test_every_number_follows_the_seal_as_python_has_it(browser, page, source):
    """At 200 places of the seal, on and between the slider's steps."""
    steps = (np.arange(POSITIONS // 2) - POSITIONS // 4) * STEP_MM
    between = np.random.default_rng(5).uniform(-4.0, 4.0, POSITIONS - steps.size)
    shifts = [*steps.round(2).tolist(), *between.tolist()]
    browser.open(page)
    shown = browser.ask(
        f"""(() => {{
          const data = JSON.parse(document.getElementById("data").textContent).live;
          const formulas = shiftFormulas(data);
          return {json.dumps(shifts)}.map((shift) => data.lips.map((lip) => {{
            const now = formulas.at(lip, shift);
            return [now.verdict, formulas.clearanceWords(now.clearance),
              formulas.oddsWords(now.odds), formulas.contactWords(now.contact), now.odds];
          }}));
        }})()"""
    )
    for shift, page_lips in zip(shifts, shown, strict=True):
        for lip, words in zip(lips_at(source, shift), page_lips, strict=True):
            expected = lip_words(lip)
            assert words[:4] == [
                expected.verdict, expected.clearance, expected.odds, expected.contact,
            ], shift  # fmt: skip
            assert words[4] == pytest.approx(lip.probability_on_band, abs=1e-9)


def test_the_seal_moves_by_keys_and_buttons(browser, page):
    browser.open(page)
    before = browser.ask("document.querySelector('#lip-0 .contact').textContent")
    browser.ask("document.querySelector('#shift').focus()")
    for kind in ("keyDown", "keyUp"):
        browser.send(
            "Input.dispatchKeyEvent", type=kind, key="ArrowLeft", code="ArrowLeft",
            windowsVirtualKeyCode=37,
        )  # fmt: skip
    assert browser.ask("document.querySelector('#shift').value") == "-0.05"
    assert browser.ask("document.querySelector('#lip-0 .contact').textContent") != before
    browser.ask("document.querySelector('[data-shift=\"0\"]').click()")
    assert browser.ask("document.querySelector('#lip-0 .contact').textContent") == before
    assert browser.messages() == []


def place_of(browser, selector) -> tuple[float, float]:
    """Middle of an element on the screen, scrolled into view."""
    x, y = browser.ask(
        f"""(() => {{
          const part = document.querySelector({json.dumps(selector)});
          part.scrollIntoView({{ block: "center", behavior: "instant" }});
          const box = part.getBoundingClientRect();
          return [box.x + box.width / 2, box.y + box.height / 2];
        }})()"""
    )
    return x, y


def drag(browser, start, by_px, *, finger=False) -> None:
    """Pull to the right (negative: left) with the mouse or with a finger."""
    (x, y), parts = start, 8

    def point(kind, at):
        if finger:
            points = [] if kind == "touchEnd" else [{"x": at, "y": y}]
            browser.send("Input.dispatchTouchEvent", type=kind, touchPoints=points)
        else:
            browser.send(
                "Input.dispatchMouseEvent", type=kind, x=at, y=y, button="left", buttons=1,
                clickCount=1,
            )  # fmt: skip

    down, move, up = (
        ("touchStart", "touchMove", "touchEnd")
        if finger
        else ("mousePressed", "mouseMoved", "mouseReleased")
    )
    point(down, x)
    for part in range(1, parts + 1):
        point(move, x + by_px * part / parts)
    point(up, x + by_px)


SHOWN = """[...document.querySelectorAll(".lip")].map((lip) =>
  [".lip-name", ".verdict-word", ".clearance", ".odds", ".contact"].map(
    (part) => lip.querySelector(part).textContent))"""


@pytest.mark.parametrize("finger", [False, True], ids=["mouse", "finger"])
@pytest.mark.parametrize("grip", ["#shift", "#seal rect"], ids=["slider", "drawing"])
def test_the_seal_is_pulled_and_what_is_shown_is_what_python_has(
    browser, page, source, grip, finger
):
    browser.screen(390, 844, phone=finger)
    browser.send("Emulation.setTouchEmulationEnabled", enabled=finger)
    browser.open(page)
    drag(browser, place_of(browser, grip), -60.0, finger=finger)
    shift = float(browser.ask("document.querySelector('#shift').value"))
    shown = browser.ask(SHOWN)
    browser.send("Emulation.setTouchEmulationEnabled", enabled=False)
    assert shift < -1.0
    expected = [lip_words(lip) for lip in lips_at(source, shift)]
    assert shown == [[w.name, w.verdict, w.clearance, w.odds, w.contact] for w in expected]


@pytest.mark.parametrize("dark", [False, True])
def test_an_accessibility_checker_finds_nothing_serious(browser, page, dark):
    """axe-core (Deque Systems), its rules for WCAG 2.1 A and AA among them."""
    axe = pytest.importorskip("axe_core_python")
    checker = Path(axe.__file__).with_name("axe.min.js").read_text(encoding="utf-8")
    browser.screen(390, 844, dark=dark, phone=True)
    browser.open(page)
    browser.send("Page.setBypassCSP", enabled=True)
    browser.ask(checker + "; 0")
    found = browser.ask("axe.run().then((r) => r.violations.map((v) => [v.id, v.impact]))")
    assert [rule for rule, impact in found if impact in ("serious", "critical")] == []


def test_without_scripts_all_of_it_is_there(browser, page):
    browser.open(page, script=False)
    browser.send("Emulation.setScriptExecutionDisabled", value=False)
    text = browser.ask("document.body.innerText")
    for words in ("main", "on band", "Cautions", "SHA-256", "Polished bands"):
        assert words in text
    assert not browser.ask("document.querySelector('#shift').checkVisibility()")


@needs_chromium
def test_markup_in_names_does_nothing(browser, tmp_path):
    odd = "<img src=x onerror=alert(1)><script>window.hit=1<script>.jpg"
    warnings = [{"code": "w", "message": "</script><script>window.hit=1</script>"}]
    path = tmp_path / "result.json"
    path.write_text(json.dumps(results.result("x", file=odd, warnings=warnings)), encoding="utf-8")
    found = source_of_result(path)
    (tmp_path / "odd.html").write_text(page_of(found), encoding="utf-8")
    browser.open(tmp_path / "odd.html")
    assert browser.ask("window.hit === undefined && document.querySelector('img') === null")
    assert odd in browser.ask("document.body.innerText")


def test_an_edge_pulled_on_the_photo_comes_out_as_a_file_that_measure_reads(
    browser, page, source, tmp_path
):
    browser.screen(1280, 900)
    browser.open(page)
    browser.ask("document.querySelector('#correct').open = true")
    start = place_of(browser, "#grip-1-start .dot")
    drag(browser, start, -40.0)
    set_mm = float(browser.ask("document.querySelector('#field-1-start').value"))
    found_mm = float(source.content["bands"][0]["start_mm"]["value"])
    assert set_mm < found_mm - 0.5
    x, _ = place_of(browser, "#grip-1-start .dot")
    assert x == pytest.approx(start[0] - 40.0, abs=2.0)  # the grip went with the pointer
    let_download(browser, tmp_path)
    browser.ask("document.querySelector('#save').click()")
    corrections = read_corrections(next(iter(_downloaded(tmp_path))))
    options = MeasureOptions(diameter_mm=34.99, corrections=corrections)
    result = measure_photo(SAMPLES / "elevator_01_rule_level.jpg", options)
    # To a micrometre, the last digit that is ever printed of an edge.
    assert result.bands[0].start.position_mm.value == pytest.approx(set_mm, abs=1e-3)
    assert result.bands[0].end.by_hand is False
    (note,) = result.corrections
    assert note.automatic_mm.value == pytest.approx(found_mm, abs=1e-3)
    assert note.corrected_mm == result.bands[0].start.position_mm


def let_download(browser, folder: Path) -> None:
    browser.send(
        "Browser.setDownloadBehavior", behavior="allow", downloadPath=str(folder),
        eventsEnabled=True,
    )  # fmt: skip


def test_a_corrected_edge_comes_out_as_a_file_that_measure_reads(browser, page, source, tmp_path):
    browser.open(page)
    let_download(browser, tmp_path)
    browser.ask(
        """(() => {
          const set = (id, value) => {
            const field = document.getElementById(id);
            field.value = value;
            field.dispatchEvent(new Event("input", { bubbles: true }));
            field.dispatchEvent(new Event("change", { bubbles: true }));
          };
          set("field-1-start", "21.10");
          set("by", "a fitter");
          set("why", "lip mark");
          document.getElementById("save").click();
        })()"""
    )
    saved = next(iter(_downloaded(tmp_path)))
    corrections = read_corrections(saved)
    assert corrections.by == "a fitter"
    result = measure_photo(
        SAMPLES / "elevator_01_rule_level.jpg",
        MeasureOptions(diameter_mm=34.99, corrections=corrections),
    )
    assert result.bands[0].start.position_mm.value == pytest.approx(21.10, abs=0.01)
    assert [c.by for c in result.corrections] == ["a fitter"]


def _downloaded(folder: Path) -> list[Path]:
    import time

    until = time.monotonic() + 20.0
    while time.monotonic() < until:
        if found := list(folder.glob("*.json")):
            return found
        time.sleep(0.1)
    raise AssertionError("nothing was downloaded")
