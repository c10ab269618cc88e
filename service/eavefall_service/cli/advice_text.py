"""Advice on a terminal of 80 columns: the answer in ten lines, or the whole report as text."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator

from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table as Grid
from rich.text import Text

from eavefall_model.advice import Advice
from eavefall_model.advice.say import sentence_case
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import Units
from eavefall_service.report.answers import SCREENS, answers_of, notices_of, why_of
from eavefall_service.report.document import (
    Answer,
    Block,
    Entries,
    Entry,
    Facts,
    Lines,
    ReportDocument,
    Table,
)


def print_answer(to: Console, survey: Survey, advice: Advice, units: Units) -> None:
    """The answers, one reason and one next step; the same words as in the report."""
    fine, worth, often = answers_of(advice, units)
    at_all = ", if one goes on at all" if worth.headline == "No" and fine.headline in SCREENS.values() else ""
    guarded = "" if advice.recommended_guard in (None, "none") else " with guard"
    # Of what a line says only its first part: the rest is in the full report.
    rows = [
        ("How fine", f"{fine.headline}{at_all}", _openings(fine.lines[0])),
        ("Worth it", worth.headline, _without_answer(worth.lines[0].partition(". ")[0])),
        ("How often", *_how_often(often, guarded)),
    ]
    if worth.headline != "No":
        # Why no guard is worth it, the second answer says already.
        rows.append(("Why", "", why_of(advice, units)[0].partition(". ")[0]))
    if advice.measure_next:
        rows.append(("Next", "", advice.measure_next[0].sentence))
    to.print(Text(survey.name, style="bold"))
    grid = Grid.grid(padding=(0, 1))
    room = max(30, to.width - max(len(name) for name, _, _ in rows) - 1)
    for name, headline, line in rows:
        said = f"{headline}. {line}" if headline else line
        # Rich parts a number from its unit at a no-break space; textwrap does not.
        grid.add_row(Text(name, style="bold"), Text(textwrap.fill(f"{said.rstrip('.')}.", room)))
    to.print(grid)
    for notice in notices_of(advice):
        to.print(Text(f"{notice.heading}: {notice.text}", style="bold"))
    to.print(Text("Everything else: --full, or --report OUT.pdf.", style="dim"))


def _openings(line: str) -> str:
    """``Openings 0.25 to 0.5 mm`` of a line that begins with the clear openings, so that it fits in one."""
    return sentence_case(line.partition("; ")[0].removeprefix("Clear "))


def _how_often(often: Answer, guarded: str) -> tuple[str, str]:
    """``Twice a year, at the end of June and November``, and why so often or how often by what falls."""
    plan, _, why = often.lines[0].partition(". ")
    _, at, months = plan.rstrip(".").partition(", at the end of ")
    return f"{often.headline}{guarded}{at}{months}", why or often.lines[1].partition(". ")[0]


def _without_answer(line: str) -> str:
    """``A guard is worth it: the open gutter …`` after a headline that says so already."""
    answer, colon, rest = line.partition(": ")
    return sentence_case(rest) if colon else answer


def print_document(to: Console, document: ReportDocument) -> None:
    """The whole report but for its drawings and photos."""
    to.print(Text(document.title, style="bold"))
    to.print(_facts(Facts(document.facts)))
    for answer in document.answers:
        to.print(Text.assemble("\n", (f"{answer.question} {answer.headline}", "bold")))
        for line in answer.lines:
            to.print(Padding(Text(line), (0, 0, 0, 2)))
    to.print(Text("\nWhy", style="bold"))
    to.print(_block(document.why))
    to.print(_block(Entries(document.notices)))
    for section in document.sections:
        shown = [block for block in map(_block, section.blocks) if block is not None]
        if shown:
            to.print(Text(f"\n{section.heading}", style="bold"))
            to.print(Group(*shown))


def _facts(block: Facts) -> Text:
    return Text("; ".join(f"{fact.label}: {fact.value}" for fact in block.facts), style="dim")


def _block(block: Block) -> Text | Group | None:
    """A block of the report as text; a drawing or a photo has none."""
    if isinstance(block, Facts):
        return _facts(block)
    if isinstance(block, Lines):
        signs = [f"{at}." if block.style == "numbers" else "-" for at in range(1, len(block.lines) + 1)]
        return Group(*(_item(sign, Text(line)) for sign, line in zip(signs, block.lines, strict=True)))
    if isinstance(block, Entries):
        return Group(*(_item("-", _entry(entry)) for entry in block.entries))
    if isinstance(block, Table):
        note = [Text(block.note, style="dim")] if block.note else []
        return Group(*(_item("-", row) for row in _rows(block)), *note)
    return None


def _item(sign: str, text: Text) -> Grid:
    row = Grid.grid(padding=(0, 1))
    row.add_row(sign, text)
    return row


def _entry(entry: Entry) -> Text:
    heading = f"{entry.heading}. " if entry.heading else ""
    source = f" [{entry.source}]" if entry.source else ""
    return Text.assemble((heading, "bold"), entry.text, (source, "dim"))


def _rows(table: Table) -> Iterator[Text]:
    """A row as a sentence: a table of seven columns would break every word at 80 letters a line."""
    for at, row in enumerate(table.rows):
        cells = [
            f"{heading.lower()} {cell}"
            for heading, cell in zip(table.columns[1:], row[1:], strict=True)
            if cell
        ]
        advised = " (advised)" if at in table.marked else ""
        yield Text.assemble((f"{row[0]}{advised}: ", "bold"), "; ".join(cells))
