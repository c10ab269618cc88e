"""Building blocks of the PDF: boxes, tables, pictures and lists, each as wide as it is told."""

from __future__ import annotations

import io
from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import Any, Final

from reportlab.graphics.shapes import Drawing, Line, Rect
from reportlab.lib.colors import HexColor
from reportlab.lib.units import mm
from reportlab.platypus import Flowable, Image, KeepTogether, Paragraph, TableStyle
from reportlab.platypus import Table as Grid

from eavefall_service.plots.canvas import plot_png
from eavefall_service.plots.palette import ACCENT, INK, MIST, QUIET, RULE, SECOND
from eavefall_service.report.document import Answer, Entry, Fact, Figure, Picture, Table
from eavefall_service.report.pdf_text import safe_text, style

__all__ = [
    "PADDING",
    "answer_boxes",
    "boxed",
    "bullets",
    "common_once",
    "entry_lines",
    "facts_line",
    "figure_block",
    "grid",
    "paragraph",
    "photo_rows",
    "section",
    "table_block",
    "whole_table",
]

# Few photos are shown large, many small, so that they stay on the first page beside the answers.
_PHOTO_ROWS: Final = ((4, 4, 29 * mm), (6, 6, 27 * mm), (1_000, 8, 19 * mm))
_GAP: Final = 3 * mm
_SHORT_ROWS: Final = 4
PADDING: Final = 4  # points right of every cell
_BUTT: Final = 0
# Relative column widths of each table, by key; they add up to the page width.
_COLUMNS: Final[dict[str, tuple[float, ...]]] = {
    "guards": (1.4, 0.95, 0.95, 2.1, 1.25, 0.95, 4),
    "eaves": (0.9, 0.8, 2.9, 1.3, 1.3, 1.7, 1, 1.6),
    "water": (0.9, 0.95, 0.95, 0.95, 0.95, 1, 5),
    "assumed": (1.9, 1.6, 1.6, 3),
    "take-off": (1.1, 1.7, 1.5, 0.8, 1, 0.7, 0.9),
}


def paragraph(text: str, name: str = "body") -> Paragraph:
    """Plain text in one of our styles."""
    return Paragraph(safe_text(text), style(name))


def grid(cells: Sequence[Sequence[Any]], widths: Sequence[float], *rules: tuple[Any, ...]) -> Grid:
    """Cells with tight padding; ``widths`` in points, ``rules`` as reportlab writes them."""
    tight = [
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ("LEFTPADDING", (0, 0), (-1, -1), 0),
        ("RIGHTPADDING", (0, 0), (-1, -1), PADDING),
        ("TOPPADDING", (0, 0), (-1, -1), 1.5),
        ("BOTTOMPADDING", (0, 0), (-1, -1), 2),
    ]
    return Grid([list(row) for row in cells], colWidths=list(widths), style=TableStyle([*tight, *rules]))


def facts_line(facts: Iterable[Fact], name: str) -> Paragraph:
    """Labels and values in one running line."""
    return Paragraph(
        " &nbsp; ".join(
            f'<font color="{QUIET}">{safe_text(f.label)}</font> {safe_text(f.value)}' for f in facts
        ),
        style(name),
    )


def answer_boxes(answers: Sequence[Answer], width: float) -> Grid:
    """The answers side by side."""
    cells = []
    for at, answer in enumerate(answers):
        headline = "why" if at == len(answers) - 1 else "headline"
        cells.append(
            [paragraph(answer.question, "question"), paragraph(answer.headline, headline)]
            + [paragraph(line, "answer") for line in answer.lines]
        )
    return grid(
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


def photo_rows(pictures: Sequence[Picture], width: float) -> list[Flowable]:
    """Pictures in rows with label and caption; more in a row where there are more."""
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
            label = [paragraph(picture.label, "tiny-bold")] if picture.label else []
            cells.append([image, *label, paragraph(picture.caption, "tiny")])
        cells += [[]] * (per_row - len(cells))
        rows.append(grid([cells], [column] * per_row))
    return rows


def figure_block(figure: Figure, width: float) -> list[Flowable]:
    """Title, drawing and caption, ``width`` points wide."""
    inches = figure.plot.size_in
    image = Image(io.BytesIO(plot_png(figure.plot)), width, width * inches[1] / inches[0], hAlign="LEFT")
    return [paragraph(figure.plot.title, "sub"), image, paragraph(figure.caption, "small")]


_BAR_MONTHS: Final = 24.0


def _range_bar(bar: tuple[float, float, float], width: float) -> Drawing:
    """Low to high as a bar and typical as a tick on a scale of two years."""
    low, typical, high = (min(months / _BAR_MONTHS, 1.0) * width for months in bar)
    drawing = Drawing(width, 5)
    drawing.add(Line(0, 2.5, width, 2.5, strokeColor=HexColor(RULE), strokeWidth=0.5))
    drawing.add(Rect(low, 1, max(high - low, 1), 3, fillColor=HexColor(ACCENT), strokeColor=None))
    drawing.add(Line(typical, 0, typical, 5, strokeColor=HexColor(INK), strokeWidth=1.4))
    return drawing


def table_block(table: Table, width: float) -> list[Flowable]:
    """Title, table and note; nothing for a table without rows."""
    if not table.rows:
        return []
    shares = _COLUMNS[table.key]
    cells: list[list[Any]] = [[paragraph(column, "small-bold") for column in table.columns]]
    cells += [
        [paragraph(row[0], "small-bold"), *(paragraph(cell, "small") for cell in row[1:])]
        for row in table.rows
    ]
    for row, bar in zip(cells[1:], table.bars, strict=False):
        column = table.bar_column
        row[column] = [row[column], _range_bar(bar, width * shares[column] / sum(shares) - 6)]
    marks = [("BACKGROUND", (0, at + 1), (-1, at + 1), HexColor(MIST)) for at in table.marked]
    made = grid(
        cells,
        [width * share / sum(shares) for share in shares],
        ("LINEBELOW", (0, 0), (-1, 0), 1, HexColor(INK)),
        ("LINEBELOW", (0, 1), (-1, -1), 0.4, HexColor(RULE)),
        *marks,
    )
    made.repeatRows = 1
    note = [paragraph(table.note, "tiny")] if table.note else []
    return [paragraph(table.title, "heading"), made, *note]


def _in_common(sentences: Sequence[str]) -> str:
    """The ending, from a sentence on, that all of two or more texts share; else nothing."""
    if len(sentences) < 2:
        return ""
    first = sentences[0]
    starts = [at + 2 for at in range(len(first)) if first.startswith(". ", at)]
    return next((first[at:] for at in starts if all(each.endswith(first[at:]) for each in sentences)), "")


def common_once(table: Table) -> Table:
    """The table with the ending that its last column has in every row said once, in the note."""
    ending = _in_common([row[-1] for row in table.rows])
    rows = tuple((*row[:-1], row[-1].removesuffix(ending).rstrip()) for row in table.rows)
    return replace(table, rows=rows, note=f"{table.note} {ending}".strip())


def section(title: str, body: Sequence[Flowable]) -> list[Flowable]:
    """A heading over ``body``; nothing where there is none."""
    return [paragraph(title, "heading"), *body] if body else []


def bullets(lines: Iterable[str], name: str = "body") -> list[Flowable]:
    """One line each, with a bullet."""
    return [Paragraph(safe_text(line), style(name), bulletText="•") for line in lines]


def entry_lines(entries: Iterable[Entry], name: str = "body") -> list[Flowable]:
    """Heading in bold, text after it."""
    return [
        Paragraph(f"<b>{safe_text(entry.heading)}</b> {safe_text(entry.text)}", style(name))
        for entry in entries
    ]


def boxed(body: Sequence[Flowable], width: float) -> list[Flowable]:
    """``body`` behind a thick rule on its left, for what must not be missed."""
    if not body:
        return []
    return [
        grid(
            [[list(body)]],
            [width],
            ("LINEBEFORE", (0, 0), (0, -1), 3, HexColor(SECOND), _BUTT),
            ("LEFTPADDING", (0, 0), (-1, -1), 7),
        )
    ]


def whole_table(table: Table, width: float) -> list[Flowable]:
    """A short table on one page; a long one may go on over the next."""
    parts = table_block(table, width)
    return [KeepTogether(parts)] if 0 < len(table.rows) <= _SHORT_ROWS else parts
