"""The report for the paper file: one or two pages that print on A4 and on Letter."""

from __future__ import annotations

import base64
import io
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any
from xml.sax.saxutils import escape

from bandscan.report.content import Content
from bandscan.report.pdf_drawings import PHOTO_LEGEND, photo_drawing, side_view
from bandscan.report.photo_view import photo_view
from bandscan.report.side_drawing import side_drawing
from bandscan.report.source import Source

if TYPE_CHECKING:
    from reportlab.platypus import Flowable

_MM = 72.0 / 25.4
# What both A4 (210 x 297 mm) and Letter (216 x 279 mm) can print, on an A4 sheet.
_WIDTH, _HEIGHT = 180.0 * _MM, 250.0 * _MM
_PHOTO_WIDTH, _PHOTO_HEIGHT = 104.0 * _MM, 76.0 * _MM
_MOST_PAGES = 2
# Rows of budget, history, warnings and settings by how far the report must be cut to fit.
_CUTS = ((9, 12, 8, 99), (6, 6, 4, 99), (4, 4, 3, 12), (2, 2, 2, 6))
_SIGNATURES = ("Measured by", "Checked by", "Released by")
_FONT, _BOLD = "DejaVu", "DejaVu-Bold"


def report_pdf(source: Source, content: Content) -> bytes:
    """The report as a PDF.

    Parameters
    ----------
    source : Source
    content : Content
        What `content_of` made of it.

    Returns
    -------
    bytes
        Of one page or two; where it would be more, the longest tables are cut and say so.
    """
    _register_fonts()
    data = b""
    for cut in _CUTS:
        data, pages = _build(_story(source, content, cut), content)
        if pages <= _MOST_PAGES:
            break
    return data


def _register_fonts() -> None:
    """Letters beyond Latin-1, from the fonts that matplotlib carries."""
    from pathlib import Path

    import matplotlib
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in ((_FONT, "DejaVuSans.ttf"), (_BOLD, "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, str(folder / file)))
    pdfmetrics.registerFontFamily(_FONT, normal=_FONT, bold=_BOLD, italic=_FONT, boldItalic=_BOLD)


def _build(story: list[Flowable], content: Content) -> tuple[bytes, int]:
    from reportlab.lib.pagesizes import A4
    from reportlab.platypus import BaseDocTemplate, Frame, PageTemplate

    left, bottom = (A4[0] - _WIDTH) / 2.0, (A4[1] - _HEIGHT) / 2.0

    def foot(canvas: Any, document: Any) -> None:
        canvas.setFont(_FONT, 7)
        canvas.drawString(left, bottom - 10.0, f"{content.title[:80]}; {content.made}")
        canvas.drawRightString(left + _WIDTH, bottom - 10.0, f"page {document.page}")

    frame = Frame(left, bottom, _WIDTH, _HEIGHT, 0, 0, 0, 0)
    buffer = io.BytesIO()
    document = BaseDocTemplate(
        buffer, pagesize=A4, title=f"bandscan report: {content.title}", author="bandscan"
    )
    document.addPageTemplates(PageTemplate(frames=[frame], onPage=foot))
    document.build(story)
    return buffer.getvalue(), document.page


def _story(source: Source, content: Content, cut: tuple[int, int, int, int]) -> list[Flowable]:
    budget_rows, history_rows, warning_rows, setting_rows = cut
    sections = (
        _lips(content),
        _bands(content),
        _warnings(content, warning_rows),
        _budget(content, budget_rows),
        _sheet(content),
        _history(content, history_rows),
        _cautions(content),
        _settings(content, setting_rows),
        _signatures(),
    )
    from reportlab.platypus import KeepTogether

    whole = [KeepTogether(section) for section in sections if section]
    return [*_head(content), *_pictures(source, content), *whole]


def _text(words: str, *, size: float = 8.0, bold: bool = False, space: float = 0.0) -> Flowable:
    """A paragraph of text as it is: no mark-up in it counts."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph

    style = ParagraphStyle(
        "text", fontName=_BOLD if bold else _FONT, fontSize=size, leading=1.25 * size,
        spaceBefore=space, splitLongWords=1,
    )  # fmt: skip
    return Paragraph(escape(words), style)


def _heading(words: str) -> Flowable:
    return _text(words, size=9.5, bold=True, space=7.0)


def _table(head: Sequence[str], rows: Sequence[Sequence[str]], widths: Sequence[float]) -> Flowable:
    """A table with lines above and below its rows; widths as shares of the page's."""
    from reportlab.platypus import Table

    cells = [[_text(cell, size=7.5, bold=True) for cell in head]]
    cells += [[_text(cell, size=7.5) for cell in row] for row in rows]
    whole = sum(widths)
    table = Table(
        cells, colWidths=[_WIDTH * width / whole for width in widths], repeatRows=1, spaceBefore=3.0
    )
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LINEBELOW", (0, 0), (-1, 0), 0.8, "black"),
            ("LINEBELOW", (0, 1), (-1, -1), 0.25, "grey"),
            ("TOPPADDING", (0, 0), (-1, -1), 1.5),
            ("BOTTOMPADDING", (0, 0), (-1, -1), 2.0),
            ("LEFTPADDING", (0, 0), (-1, -1), 2.0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 4.0),
        ]
    )
    return table


def _head(content: Content) -> list[Flowable]:
    from reportlab.platypus import Table

    mark = {"fresh": "✓", "band": "✗", "off": "✗"}.get(content.style, "i")
    box = Table(
        [[_text(mark, size=17.0, bold=True), _text(content.headline, size=13.0, bold=True)]],
        colWidths=[24.0, _WIDTH - 24.0],
        spaceBefore=6.0,
    )
    box.setStyle([("BOX", (0, 0), (-1, -1), 1.6, "black"), ("VALIGN", (0, 0), (-1, -1), "MIDDLE")])
    head = [
        _text(content.title, size=14.0, bold=True),
        _text(content.subtitle, size=8.5),
        box,
    ]
    if content.advice:
        head.append(_text(content.advice, size=9.0, space=4.0))
    return head


def _pictures(source: Source, content: Content) -> list[Flowable]:
    """The photo, and beside it the side view where a seal was planned."""
    from reportlab.platypus import Table

    plan = content.plan
    lips = () if plan is None else plan.landing.lips
    view = photo_view(source, lips)
    notes = [_text(source.picture_note, size=7.0)] if source.picture_note else []
    columns: list[list[Flowable]] = []
    widths: list[float] = []
    if view is not None:
        picture = base64.b64decode(view.close.address.partition(",")[2])
        most = _WIDTH if plan is None else _PHOTO_WIDTH
        columns.append([photo_drawing(view, picture, most_width=most, most_height=_PHOTO_HEIGHT)])
        widths.append(_PHOTO_WIDTH if plan is not None else _WIDTH)
        notes.insert(0, _text(PHOTO_LEGEND, size=7.0))
    if plan is not None:
        width = _WIDTH - _PHOTO_WIDTH
        drawing = side_view(side_drawing(source, plan), width - 2.0 * _MM)
        columns.append([_text("Side view, to scale along the shaft", size=7.5), drawing])
        widths.append(width)
    if not columns:
        return notes
    table = Table([columns], colWidths=widths, spaceBefore=4.0)
    table.hAlign = "LEFT"
    table.setStyle(
        [
            ("VALIGN", (0, 0), (-1, -1), "TOP"),
            ("LEFTPADDING", (0, 0), (-1, -1), 0.0),
            ("RIGHTPADDING", (0, 0), (-1, -1), 0.0),
        ]
    )
    return [table, *notes]


def _lips(content: Content) -> list[Flowable]:
    if not content.lips:
        return []
    rows = [
        (lip.name, f"{lip.mark} {lip.verdict}", lip.contact, lip.clearance, lip.odds)
        for lip in content.lips
    ]
    head = ("Lip", "Verdict", "Touches", "Clearance", "Odds of a band under it")
    words = [_text(line, size=8.0, space=2.0) for line in content.shifts]
    return [
        _heading("Where the lips of the new seal land"),
        _table(head, rows, (2.0, 2.0, 3.0, 4.5, 3.0)),
        *words,
    ]


def _bands(content: Content) -> list[Flowable]:
    heading = _heading("Polished bands, mm from the shaft end")
    if not content.bands:
        return [heading, _text("None was found. A band too faint for the photo is not found.")]
    rows = [
        (str(band.number), band.start, band.end, band.width, band.looks, band.by_hand)
        for band in content.bands
    ]
    note = "± is the expanded uncertainty: it holds the true edge in 95 of 100 cases."
    head = ("Band", "Start", "End", "Width", "Looks", "")
    lines = [heading, _table(head, rows, (1.0, 2.5, 2.5, 2.5, 2.0, 3.0)), _text(note, size=7.0)]
    lines += [_text(line, size=7.5) for line in content.corrections]
    return lines


def _shortened(
    rows: Sequence[Any], most: int, where: str = "in the result's file"
) -> tuple[list[Any], list[Flowable]]:
    """The first rows, and a line that says how many are left out."""
    left_out = len(rows) - most
    note = [_text(f"{left_out} more {where}.", size=7.0)] if left_out > 0 else []
    return list(rows[:most]), note


def _warnings(content: Content, most: int) -> list[Flowable]:
    if not content.warnings:
        return []
    shown, note = _shortened(content.warnings, most)
    return [_heading("Reservations"), *(_text(line, size=7.5) for line in shown), *note]


def _budget(content: Content, most: int) -> list[Flowable]:
    if not content.budget:
        return []
    shown, note = _shortened(content.budget, most)
    edges = content.budget_edges[:6]
    rows = [(row.source, row.kind, *row.shares[: len(edges)]) for row in shown]
    return [
        _heading("Standard uncertainties by source, mm"),
        _table(("Source", "Type", *edges), rows, (4.0, 1.0, *([1.8] * len(edges)))),
        *note,
    ]


def _sheet(content: Content) -> list[Flowable]:
    heading = _heading("Shaft against published limits")
    if content.sheet is None:
        return [heading, _text(content.sheet_note, size=7.5)] if content.sheet_note else []
    rows = [
        (line.item, line.value, line.limit, line.verdict, line.source)
        for line in content.sheet.lines
        if line.verdict != "not measured"
    ]
    if not rows:
        return []
    head = ("Item", "Measured", "Limit", "Verdict", "Source")
    notes = [_text(content.sheet_note, size=7.0)] if content.sheet_note else []
    return [heading, _table(head, rows, (2.5, 2.5, 3.5, 2.0, 5.0)), *notes]


def _history(content: Content, most: int) -> list[Flowable]:
    if content.history is None:
        return []
    shown, note = _shortened(content.history.rows, most, "in the records")
    rows = [(row.date, row.bands, row.verdict, row.by, row.note) for row in shown]
    head = ("Date", "Bands, mm", "New seal", "By", "Note")
    growth = [(row.place, row.width, row.start, row.end) for row in content.history.growth]
    grown = ("Growth of the band at", "Width", "Start", "End")
    return [
        _heading("Inspections of this shaft"),
        _table(head, rows, (2.0, 5.0, 3.0, 2.0, 4.0)),
        *note,
        *([_table(grown, growth, (3.0, 4.0, 4.0, 4.0))] if growth else []),
    ]


def _cautions(content: Content) -> list[Flowable]:
    return [_heading("Cautions"), *(_text(line, size=7.5) for line in content.cautions)]


def _settings(content: Content, most: int) -> list[Flowable]:
    shown, note = _shortened(content.settings, most)
    rows = [_text(f"{name}: {value}", size=6.5) for name, value in shown]
    return [_heading("Where the numbers come from"), *rows, *note]


def _signatures() -> list[Flowable]:
    from reportlab.platypus import Table

    line = "\n\n_______________________"
    cells = [[f"{name}{line}\nname, date" for name in _SIGNATURES]]
    table = Table(cells, colWidths=[_WIDTH / len(_SIGNATURES)] * len(_SIGNATURES), spaceBefore=10.0)
    table.setStyle([("FONT", (0, 0), (-1, -1), _FONT, 7.5)])
    return [table]
