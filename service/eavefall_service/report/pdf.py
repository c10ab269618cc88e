"""The report as a PDF, from the same document as the HTML: answers and photos on the first page."""

from __future__ import annotations

import io
from typing import Any, Final, Literal

from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
)

from eavefall_service.plots.palette import QUIET
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.pdf_parts import (
    answer_boxes,
    beside,
    boxed,
    bullets,
    entry_lines,
    facts_line,
    figure_block,
    paragraph,
    photo_rows,
    section,
    table_block,
    whole_table,
)
from eavefall_service.report.pdf_text import safe_text, style

__all__ = ["render_pdf"]

Paper = Literal["letter", "a4"]
_PAPERS: Final[dict[Paper, tuple[float, float]]] = {"letter": LETTER, "a4": A4}
_MARGIN: Final = 10 * mm
_ROOM: Final = 20 * mm
_GAP: Final = 3 * mm


def _reasons(doc: ReportDocument) -> list[Flowable]:
    lines: list[Flowable] = []
    for number, reason in enumerate(doc.reasons, 1):
        about = f"<b>{safe_text(reason.about)}.</b> " if reason.about else ""
        trail = ". ".join(filter(None, (reason.numbers, reason.rule, f"Source: {reason.source}")))
        quiet = f'<font size="6.3" color="{QUIET}">{safe_text(trail)}</font>'
        said = "" if reason.in_guards else safe_text(reason.sentence)
        lines.append(Paragraph(f"{number}. {about}{said} {quiet}", style("small" if said else "tiny")))
    return lines


def _story(doc: ReportDocument, width: float) -> list[Flowable]:
    first: list[Flowable] = [paragraph(doc.title, "title")]
    if doc.note:
        first.append(paragraph(doc.note, "quiet"))
    first += [facts_line(doc.facts, "body"), Spacer(1, 5), answer_boxes(doc.answers, width)]
    if doc.notices:
        first += [Spacer(1, 4), *boxed(entry_lines(doc.notices), width)]
    if doc.pictures:
        first += [Spacer(1, 4), *photo_rows(doc.pictures, width)]
    column = width / 2 - 2 * _GAP
    # The guard table's own bars stand in for the guard plot, which would cost half a page.
    drawn = {
        figure.key: figure_block(figure, column)
        for figure in (doc.plan, *doc.figures)
        if figure.key != "guard-plot"
    }
    price = [paragraph(doc.price, "small-bold")] if doc.price else []
    change = [
        *section("Measure next, most useful first", entry_lines(doc.measure_next, "small")),
        *section("The answer turns if", bullets(doc.flips, "small")),
    ]
    care = [
        *section("How to keep it clean until then", bullets(doc.until_then, "small")),
        *section("Cautions", entry_lines(doc.cautions, "small")),
    ]
    half = width / 2 - 2 * _GAP
    words = section("Words used here", entry_lines(doc.glossary, "small"))
    made = section(
        "Made with", [facts_line(doc.provenance, "tiny"), *(paragraph(line, "tiny") for line in doc.credits)]
    )
    blocks = [
        [beside([*drawn["plan"], *change], [*drawn["need"], Spacer(1, 3), *drawn["litter"]], width)],
        whole_table(doc.eaves, width),
        table_block(doc.guards, width),
        [beside(care, drawn["opening"], width)],
        whole_table(doc.water, width),
        [beside([*table_block(doc.assumed, half), *made], [*table_block(doc.take_off, half), *price], width)],
        words,
        section("Reasons, with the numbers behind them", _reasons(doc)),
    ]
    # A heading takes at least the first lines below it along to the next page.
    return [*first, *(part for block in blocks for part in (CondPageBreak(_ROOM), *block))]


def render_pdf(doc: ReportDocument, paper: Paper = "letter") -> bytes:
    """PDF bytes; equal documents give equal bytes.

    Parameters
    ----------
    paper
        ``letter`` (216 x 279 mm) or ``a4`` (210 x 297 mm), 13 mm margins.
    """
    size = _PAPERS[paper]
    out = io.BytesIO()
    template = SimpleDocTemplate(
        out,
        pagesize=size,
        leftMargin=_MARGIN,
        rightMargin=_MARGIN,
        topMargin=_MARGIN,
        bottomMargin=_MARGIN,
        title=f"{doc.title}: gutter guard report",
        author="eavefall",
        subject="How fine a gutter screen, how often to clean, and why",
        lang="en",
        invariant=1,
    )
    # The frame pads its content by 6 points on each side.
    width = size[0] - 2 * _MARGIN - 12

    def foot(canvas: Any, _: Any) -> None:
        canvas.setFont("Helvetica", 6.5)
        canvas.setFillColor(HexColor(QUIET))
        canvas.drawRightString(size[0] - _MARGIN, 5 * mm, f"page {canvas.getPageNumber()}")

    template.build(_story(doc, width), onFirstPage=foot, onLaterPages=foot)
    return out.getvalue()
