"""The report as a PDF, from the same document as the HTML: answers and photos on the first page."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from typing import Any, Final, Literal

from reportlab.graphics.shapes import Drawing, Line, Rect
from reportlab.lib.colors import HexColor
from reportlab.lib.pagesizes import A4, LETTER
from reportlab.lib.units import mm
from reportlab.platypus import (
    CondPageBreak,
    Flowable,
    Image,
    KeepTogether,
    Paragraph,
    SimpleDocTemplate,
    Spacer,
    TableStyle,
)
from reportlab.platypus import Table as Grid

from eavefall_service.plots.canvas import plot_png
from eavefall_service.plots.palette import ACCENT, INK, MIST, QUIET, RULE, SECOND
from eavefall_service.plots.words import HORIZON_MONTHS
from eavefall_service.report.document import Answer, Entry, Fact, Figure, Picture, ReportDocument, Table
from eavefall_service.report.pdf_text import safe_text, style

__all__ = ["render_pdf"]

Paper = Literal["letter", "a4"]
_PAPERS: Final[dict[Paper, tuple[float, float]]] = {"letter": LETTER, "a4": A4}
_MARGIN: Final = 10 * mm
# Few photos are shown large, many small, so that they stay on the first page beside the answers.
_PHOTO_ROWS: Final = ((4, 4, 29 * mm), (6, 6, 27 * mm), (1_000, 8, 19 * mm))
_GAP: Final = 3 * mm
_ROOM: Final = 20 * mm
_SHORT_ROWS: Final = 4
_BUTT: Final = 0
# Relative column widths of each table, by key; they add up to the page width.
_COLUMNS: Final[dict[str, tuple[float, ...]]] = {
    "guards": (1.4, 0.95, 0.95, 2.1, 1.25, 0.95, 4),
    "eaves": (0.9, 0.8, 2.9, 1.3, 1.3, 1.7, 1, 1.6),
    "water": (0.9, 0.95, 0.95, 0.95, 0.95, 1, 5),
    "assumed": (1.9, 1.6, 1.6, 3),
    "take-off": (1.2, 1.4, 1.4, 1.1, 1, 0.7, 1),
}


def _text(text: str, name: str = "body") -> Paragraph:
    return Paragraph(safe_text(text), style(name))


def _grid(cells: Sequence[Sequence[Any]], widths: Sequence[float], *rules: tuple[Any, ...]) -> Grid:
    tight = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), 4),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return Grid([list(row) for row in cells], colWidths=list(widths), style=TableStyle([*tight, *rules]))


def _facts(facts: Iterable[Fact], name: str) -> Paragraph:
    return Paragraph(
        " &nbsp; ".join(
            f'<font color="{QUIET}">{safe_text(f.label)}</font> {safe_text(f.value)}' for f in facts
        ),
        style(name),
    )


def _answers(answers: Sequence[Answer], width: float) -> Grid:
    cells = []
    for at, answer in enumerate(answers):
        headline = "why" if at == len(answers) - 1 else "headline"
        cells.append(
            [_text(answer.question, "question"), _text(answer.headline, headline)]
            + [_text(line, "answer") for line in answer.lines]
        )
    return _grid(
        [cells],
        [width / 3] * 3,
        ("LINEABOVE", (0, 0), (-1, 0), 3, HexColor(ACCENT), _BUTT),
        ("BOX", (0, 0), (-1, -1), 0.6, HexColor(RULE)),
        ("INNERGRID", (0, 0), (-1, -1), 0.6, HexColor(RULE)),
        ("LEFTPADDING", (0, 0), (-1, -1), 6),
        ("RIGHTPADDING", (0, 0), (-1, -1), 6),
        ("TOPPADDING", (0, 0), (-1, -1), 4),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 6),
    )


def _photos(pictures: Sequence[Picture], width: float) -> list[Flowable]:
    rows: list[Flowable] = []
    per_row, height = next((across, tall) for most, across, tall in _PHOTO_ROWS if len(pictures) <= most)
    column = width / per_row
    for start in range(0, len(pictures), per_row):
        cells: list[list[Flowable]] = []
        for picture in pictures[start : start + per_row]:
            scale = min((column - _GAP) / picture.width_px, height / picture.height_px)
            image = Image(
                io.BytesIO(picture.jpeg), picture.width_px * scale, picture.height_px * scale, hAlign="LEFT"
            )
            label = [_text(picture.label, "tiny-bold")] if picture.label else []
            cells.append([image, *label, _text(picture.caption, "tiny")])
        cells += [[]] * (per_row - len(cells))
        rows.append(_grid([cells], [column] * per_row))
    return rows


def _figure(figure: Figure, width: float) -> list[Flowable]:
    inches = figure.plot.size_in
    image = Image(io.BytesIO(plot_png(figure.plot)), width, width * inches[1] / inches[0], hAlign="LEFT")
    return [_text(figure.plot.title, "sub"), image, _text(figure.caption, "small")]


def _beside(left: Sequence[Flowable], right: Sequence[Flowable], width: float) -> Grid:
    grid = _grid([[list(left), list(right)]], [width / 2] * 2)
    # Long lists go on over the page instead of failing to fit.
    grid.splitInRow = 1
    return grid


def _range_bar(bar: tuple[float, float, float], width: float) -> Drawing:
    """Low to high as a bar and typical as a tick on a scale of two years."""
    low, typical, high = (min(months / HORIZON_MONTHS, 1.0) * width for months in bar)
    drawing = Drawing(width, 5)
    drawing.add(Line(0, 2.5, width, 2.5, strokeColor=HexColor(RULE), strokeWidth=0.5))
    drawing.add(Rect(low, 1, max(high - low, 1), 3, fillColor=HexColor(ACCENT), strokeColor=None))
    drawing.add(Line(typical, 0, typical, 5, strokeColor=HexColor(INK), strokeWidth=1.4))
    return drawing


def _table(table: Table, width: float) -> list[Flowable]:
    if not table.rows:
        return []
    shares = _COLUMNS[table.key]
    cells: list[list[Any]] = [[_text(column, "small-bold") for column in table.columns]]
    cells += [
        [_text(row[0], "small-bold"), *(_text(cell, "small") for cell in row[1:])] for row in table.rows
    ]
    for row, bar in zip(cells[1:], table.bars, strict=False):
        column = table.bar_column
        row[column] = [row[column], _range_bar(bar, width * shares[column] / sum(shares) - 6)]
    marks = [("BACKGROUND", (0, at + 1), (-1, at + 1), HexColor(MIST)) for at in table.marked]
    grid = _grid(
        cells,
        [width * share / sum(shares) for share in shares],
        ("LINEBELOW", (0, 0), (-1, 0), 1, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(RULE)),
        *marks,
    )
    grid.repeatRows = 1
    note = [_text(table.note, "tiny")] if table.note else []
    return [_text(table.title, "heading"), grid, *note]


def _section(title: str, body: Sequence[Flowable]) -> list[Flowable]:
    return [_text(title, "heading"), *body] if body else []


def _bullets(lines: Iterable[str], name: str = "body") -> list[Flowable]:
    return [Paragraph(safe_text(line), style(name), bulletText="•") for line in lines]


def _entries(entries: Iterable[Entry], name: str = "body") -> list[Flowable]:
    return [
        Paragraph(f"<b>{safe_text(entry.heading)}</b> {safe_text(entry.text)}", style(name))
        for entry in entries
    ]


def _boxed(body: Sequence[Flowable], width: float) -> list[Flowable]:
    if not body:
        return []
    return [
        _grid(
            [[list(body)]],
            [width],
            ("LINEBEFORE", (0, 0), (0, -1), 3, HexColor(SECOND), _BUTT),
            ("LEFTPADDING", (0, 0), (-1, -1), 7),
        )
    ]


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
    first: list[Flowable] = [_text(doc.title, "title")]
    if doc.note:
        first.append(_text(doc.note, "quiet"))
    first += [_facts(doc.facts, "body"), Spacer(1, 5), _answers(doc.answers, width)]
    if doc.notices:
        first += [Spacer(1, 4), *_boxed(_entries(doc.notices), width)]
    if doc.pictures:
        first += [Spacer(1, 4), *_photos(doc.pictures, width)]
    column = width / 2 - 2 * _GAP
    # The guard table's own bars stand in for the guard plot, which would cost half a page.
    drawn = {
        figure.key: _figure(figure, column)
        for figure in (doc.plan, *doc.figures)
        if figure.key != "guard-plot"
    }
    price = [_text(doc.price, "small-bold")] if doc.price else []
    change = [
        *_section("Measure next, most useful first", _entries(doc.measure_next, "small")),
        *_section("The answer turns if", _bullets(doc.flips, "small")),
    ]
    care = [
        *_section("How to keep it clean until then", _bullets(doc.until_then, "small")),
        *_section("Cautions", _entries(doc.cautions, "small")),
    ]
    half = width / 2 - 2 * _GAP
    words = _section("Words used here", _entries(doc.glossary, "small"))
    made = _section(
        "Made with", [_facts(doc.provenance, "tiny"), *(_text(line, "tiny") for line in doc.credits)]
    )
    blocks = [
        [_beside([*drawn["plan"], *change], [*drawn["need"], Spacer(1, 3), *drawn["litter"]], width)],
        _whole(doc.eaves, width),
        _table(doc.guards, width),
        [_beside(care, drawn["opening"], width)],
        _whole(doc.water, width),
        [_beside([*_table(doc.assumed, half), *made], [*_table(doc.take_off, half), *price], width)],
        words,
        _section("Reasons, with the numbers behind them", _reasons(doc)),
    ]
    # A heading takes at least the first lines below it along to the next page.
    return [*first, *(part for block in blocks for part in (CondPageBreak(_ROOM), *block))]


def _whole(table: Table, width: float) -> list[Flowable]:
    """A short table on one page; a long one may go on over the next."""
    parts = _table(table, width)
    return [KeepTogether(parts)] if 0 < len(table.rows) <= _SHORT_ROWS else parts


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
