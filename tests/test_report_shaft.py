"""The report of a shaft in the records: its last inspection, with those before."""

import io
import json

import pypdf
from click.testing import CliRunner

from bandscan.cli import main
from tests import results

SHAFT = "Elevator 3 / input shaft"
YEARS = range(2008, 2027)  # more inspections than one page of paper lists
# Slope of a straight line through equally weighted points a year apart: its standard uncertainty
# is u / sqrt(n (n^2 - 1) / 12) (any textbook of regression), here 0.03 / sqrt(570) = 0.00126.
GROWTH = "+0.1000 \N{PLUS-MINUS SIGN}\N{NO-BREAK SPACE}0.0025 mm a year"


def run(*words):
    done = CliRunner().invoke(main, [str(word) for word in words])
    assert done.exit_code == 0, done.output
    return done.output


def kept(tmp_path):
    """A band whose start stays and whose end moves 0.10 mm a year, kept each first of March."""
    records = tmp_path / "records.db"
    for year in YEARS:
        path = tmp_path / f"{year}.json"
        bands = [results.band(12.0, 13.0 + 0.1 * (year - YEARS[0]))]
        result = results.result(year, taken=f"{year}-03-01T09:00:00", bands=bands)
        path.write_text(json.dumps(result), encoding="utf-8")
        run("keep", path, "--shaft", SHAFT, "--by", "a fitter", "--records", records)
    return records


def test_the_page_and_the_paper_tell_how_the_band_grew(tmp_path):
    records, page, paper = kept(tmp_path), tmp_path / "r.html", tmp_path / "r.pdf"
    run("report", SHAFT, "--records", records, "-o", page, "-o", paper)
    text = page.read_text(encoding="utf-8")
    assert all(f"{year}-03-01" in text for year in YEARS)
    assert GROWTH in text
    pages = pypdf.PdfReader(io.BytesIO(paper.read_bytes())).pages
    printed = "\n".join(sheet.extract_text() for sheet in pages)
    assert len(pages) <= 2
    assert " ".join(GROWTH.split()) in " ".join(printed.split())
    assert f"{YEARS[-1]}-03-01" in printed  # where the table is cut, the oldest go
    assert f"{YEARS[0]}-03-01" not in printed
    assert "more in the records" in printed


def test_a_shaft_that_is_not_there_is_told_in_a_sentence(tmp_path):
    records = kept(tmp_path)
    done = CliRunner().invoke(
        main, ["report", "no such shaft", "--records", str(records), "-o", str(tmp_path / "r.html")]
    )
    assert done.exit_code not in (0, 1)
    assert "No shaft" in done.output
    assert not (tmp_path / "r.html").exists()
