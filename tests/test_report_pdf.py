"""The PDF of a report, read back by another library (pypdf)."""

import io
from datetime import datetime
from pathlib import Path

import pytest

from bandscan.report.content import content_of
from bandscan.report.pdf import report_pdf
from bandscan.report.source import source_of_result
from tests import results

pypdf = pytest.importorskip("pypdf")
LETTER_HEIGHT_PT, A4_PT = 792.0, (595.3, 841.9)
SEAL = Path(__file__).parents[1] / "sample_images" / "elevator_01_seal.toml"


def read(tmp_path, seal=None, **changes):
    """The pages of the PDF of a made-up result, and all their text."""
    import json

    path = tmp_path / "result.json"
    path.write_text(json.dumps(results.result("shaft", **changes)), encoding="utf-8")
    source = source_of_result(path, seal_path=seal)
    content = content_of(source, {}, now=datetime(2026, 5, 4, 10, 11))
    pages = pypdf.PdfReader(io.BytesIO(report_pdf(source, content))).pages
    return pages, "\n".join(page.extract_text() for page in pages)


def test_a_report_has_the_values_and_room_to_sign(tmp_path):
    pages, text = read(tmp_path, bands=[results.band(12.0, 15.0)])
    assert len(pages) <= 2
    assert "12.000 ± 0.059" in text
    for words in ("Measured by", "Checked by", "lock it out", "shaft.jpg", "SHA-256"):
        assert words in text


def test_it_prints_on_a4_and_on_letter(tmp_path):
    pages, _ = read(tmp_path)
    assert [float(v) for v in pages[0].mediabox[2:]] == pytest.approx(A4_PT, abs=0.1)
    heights = []

    def note(text, matrix, line, *_):
        if text.strip():
            heights.append(float(line[4] * matrix[1] + line[5] * matrix[3] + matrix[5]))

    for page in pages:
        page.extract_text(visitor_text=note)
    spare = (A4_PT[1] - LETTER_HEIGHT_PT) / 2.0
    assert min(heights) > spare
    assert max(heights) < A4_PT[1] - spare


def test_many_bands_and_warnings_stay_on_two_pages(tmp_path):
    bands = [results.band(5.0 + 4.0 * k, 7.0 + 4.0 * k) for k in range(8)]
    warnings = [
        {"code": f"w{k}", "message": f"Reservation {k}: " + "words " * 40} for k in range(30)
    ]
    pages, text = read(tmp_path, bands=bands, warnings=warnings)
    assert len(pages) <= 2
    assert "more in the result's file" in text


def test_markup_in_a_name_is_text(tmp_path):
    odd = '<b>shaft<b> & <para> "x".jpg'
    _, text = read(tmp_path, file=odd)
    assert odd in text.replace("\n", " ")
