"""The report as a PDF, from the same document as the HTML: answers and photos on the first page."""

from __future__ import annotations

import io
from collections.abc import Sequence, Set
from dataclasses import replace
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

from eavefall_service.plots.litter import LitterPlot
from eavefall_service.plots.need import NeedPlot
from eavefall_service.plots.palette import QUIET
from eavefall_service.report.document import Fact, Figure, ReasonLine, ReportDocument
from eavefall_service.report.pdf_columns import balanced, two_columns
from eavefall_service.report.pdf_parts import (
    answer_boxes,
    boxed,
    bullets,
    common_once,
    entry_lines,
    facts_line,
    figure_block,
    paragraph,
    photo_rows,
    section,
    table_block,
    whole_table,
)
from eavefall_service.report.pdf_text import safe_text, short_hashes, style

__all__ = ["render_pdf"]

Paper = Literal["letter", "a4"]
_PAPERS: Final[dict[Paper, tuple[float, float]]] = {"letter": LETTER, "a4": A4}
_MARGIN: Final = 9 * mm
_ROOM: Final = 20 * mm
_GAP: Final = 3 * mm
# Share of a column that a drawing takes, and the height of curves in print, inches. Together they let two
# pages hold a usual report.
_DRAWN: Final = {"plan": 0.85, "opening": 0.85}
_LOW_IN: Final = {NeedPlot: 2.15, LitterPlot: 1.8}


def _low(figure: Figure) -> Figure:
    """The figure with its curves drawn lower than on the page; sketches keep their shape."""
    if isinstance(figure.plot, NeedPlot | LitterPlot):
        across_in, _ = figure.plot.size_in
        return replace(figure, plot=replace(figure.plot, size_in=(across_in, _LOW_IN[type(figure.plot)])))
    return figure


def _trail(reasons: Sequence[ReasonLine], known: Set[str], above: Set[str]) -> str:
    """Small print of one subject: sentences not said ``above``, numbers not ``known`` yet, rules, sources."""
    said = " ".join(
        reason.sentence for reason in reasons if not (reason.in_guards or reason.sentence in above)
    )
    numbers = dict.fromkeys(
        number for reason in reasons for number in _numbers(reason) if number not in known
    )
    rules: dict[str, list[str]] = {}
    for reason in reasons:
        rules.setdefault(reason.source, []).append(reason.rule)
    sources = "; ".join(f"{', '.join(named)}: {source}" for source, named in rules.items())
    quiet = ". ".join(filter(None, ("; ".join(numbers), sources)))
    subject = reasons[0].about or ("" if said else "Said above")
    about = f"<b>{safe_text(subject)}.</b> " if subject else ""
    return f'{about}{safe_text(said)} <font color="{QUIET}">{safe_text(quiet)}</font>'


def _numbers(reason: ReasonLine) -> list[str]:
    return [number for number in reason.numbers.split("; ") if number]


def _reasons(doc: ReportDocument, width: float) -> list[Flowable]:
    """Every reason with its numbers, in two columns: those about the house, then each eave, tree and guard.

    What the answers, the guard table or a caution say already is not said twice, nor are figures of the house
    repeated further down.
    """
    why = doc.answers[-1]
    above = {why.headline, *why.lines, *(caution.text for caution in doc.cautions)}
    subjects: dict[str, list[ReasonLine]] = {}
    for at, reason in enumerate(doc.reasons):
        subjects.setdefault(reason.about or f"#{at}", []).append(reason)
    house: Set[str] = {number for reason in doc.reasons if not reason.about for number in _numbers(reason)}
    lines = [_trail(reasons, house if reasons[0].about else set(), above) for reasons in subjects.values()]
    note = paragraph(
        "What is said above is not repeated here; the web page and the JSON have it all.", "tiny"
    )
    return [note, *two_columns([Paragraph(line, style("trail")) for line in lines], width)] if lines else []


def _assumed(doc: ReportDocument) -> list[Flowable]:
    """What was taken, one line each: a table of it would cost half a page."""
    lines = []
    for what, taken, could, why in doc.assumed.rows:
        between = f" ({safe_text(could)})" if could else ""
        lines.append(
            f"<b>{safe_text(what)}</b> {safe_text(taken)}{between}. "
            f'<font color="{QUIET}">{safe_text(why)}</font>'
        )
    return [Paragraph(line, style("trail")) for line in lines]


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
        figure.key: figure_block(_low(figure), column * _DRAWN.get(figure.key, 1.0))
        for figure in (doc.plan, *doc.figures)
        if figure.key != "guard-plot"
    }
    price = [paragraph(doc.price, "small-bold")] if doc.price else []
    change = [
        *section("Measure next, most useful first", entry_lines(doc.measure_next, "small")),
        *section("The answer turns if", bullets(doc.flips, "small")),
    ]
    until_then = section("How to keep it clean until then", bullets(doc.until_then, "trail"))
    care = section("Cautions", entry_lines(doc.cautions, "trail"))
    half = width / 2 - 2 * _GAP
    words = section("Words used here", entry_lines(doc.glossary, "trail"))
    # The HTML and the JSON have the hashes whole.
    provenance = [Fact(fact.label, short_hashes(fact.value)) for fact in doc.provenance]
    made = section(
        "Made with", [facts_line(provenance, "tiny"), *(paragraph(line, "tiny") for line in doc.credits)]
    )
    take_off = [*table_block(doc.take_off, half), *price]
    assumed = section(doc.assumed.title, _assumed(doc))
    blocks = [
        balanced([drawn["plan"], [*drawn["need"], Spacer(1, 3), *drawn["litter"]], change], width),
        whole_table(doc.eaves, width),
        table_block(doc.guards, width),
        whole_table(common_once(doc.water), width),
        balanced([[*until_then, *care], drawn["opening"], take_off, assumed, words, made], width),
        section("Reasons, with the numbers behind them", _reasons(doc, width)),
    ]
    # A heading takes at least the first lines below it along to the next page.
    return [*first, *(part for block in blocks for part in (CondPageBreak(_ROOM), *block))]


def render_pdf(doc: ReportDocument, paper: Paper = "letter") -> bytes:
    """PDF bytes; equal documents give equal bytes.

    Parameters
    ----------
    paper
        ``letter`` (216 x 279 mm) or ``a4`` (210 x 297 mm), 9 mm margins.
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
