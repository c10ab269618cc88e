"""The report as frozen data: sections in reading order, short ones first, before any page is laid out.

Both renderers read this and nothing else, so that the HTML and the PDF of one survey cannot disagree.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from eavefall_model.language import translate
from eavefall_model.vocabulary import Language
from eavefall_service.plots.canvas import Plot


def layout_words(language: Language) -> dict[str, str]:
    """What the layout says beside the document's own words, by its name in the templates."""
    return {
        "why": translate(language, "Why"),
        "date": translate(language, "Date"),
        "survey": translate(language, "Survey"),
        "rep": translate(language, "Rep"),
        "phone": translate(language, "Phone"),
        "advised": translate(language, "(advised)"),
        # The page numbers stand where the braces are.
        "page": translate(language, "page {at} of {last}"),
    }


@dataclass(frozen=True)
class Letterhead:
    """Who made the report, for whom, and when; what is blank is left out. ``logo`` is a JPEG."""

    company: str = ""
    rep: str = ""
    phone: str = ""
    survey_number: str = ""
    date: str = ""
    logo: bytes = b""


@dataclass(frozen=True)
class Fact:
    """A label and a value."""

    label: str
    value: str


@dataclass(frozen=True)
class Facts:
    """Labels and values in a running line."""

    facts: tuple[Fact, ...]


@dataclass(frozen=True)
class Answer:
    """A question, the answer in large type, and the lines below it."""

    question: str
    headline: str
    lines: tuple[str, ...]


@dataclass(frozen=True)
class Picture:
    """A photo ready to show: JPEG bytes without metadata, sizes in pixels, and what was read from it."""

    name: str
    caption: str
    alt: str
    jpeg: bytes
    width_px: int
    height_px: int
    label: str = ""


@dataclass(frozen=True)
class Pictures:
    """Photos side by side."""

    pictures: tuple[Picture, ...]


@dataclass(frozen=True)
class Figure:
    """A drawing with a caption; ``key`` is unique in the document."""

    key: str
    plot: Plot
    caption: str


@dataclass(frozen=True)
class Table:
    """Rows of text; the first column heads its row. ``marked`` numbers the rows to stress, from 0.

    ``shares`` gives the columns' widths in print relative to each other. ``last_below`` puts what the last
    column says on a line of its own below its row, where it is long.
    """

    key: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    marked: tuple[int, ...] = ()
    shares: tuple[float, ...] = ()
    last_below: bool = False


@dataclass(frozen=True)
class Lines:
    """Sentences: a list with or without numbers, or paragraphs."""

    lines: tuple[str, ...]
    style: Literal["numbers", "bullets", "plain"] = "bullets"


@dataclass(frozen=True)
class Entry:
    """A short heading, a sentence, and where it comes from."""

    heading: str
    text: str
    source: str = ""


@dataclass(frozen=True)
class Entries:
    """Entries one below the other, or in columns where there is room."""

    entries: tuple[Entry, ...]


Block = Facts | Pictures | Figure | Table | Lines | Entries


@dataclass(frozen=True)
class Section:
    """One heading with what belongs to it.

    ``folded`` sections open at a tap on a screen; paper shows them all. Of neighboring sections print stacks
    those for the left column beside those for the right.
    """

    key: str
    heading: str
    blocks: tuple[Block, ...]
    folded: bool = False
    column: Literal["full", "left", "right"] = "full"


@dataclass(frozen=True)
class ReportDocument:
    """The whole report: ``answers``, ``why``, ``notices`` that the reader must know, then the sections.

    ``words`` are the few that the layout itself says, in the report's ``language``.
    """

    title: str
    kicker: str
    note: str
    letterhead: Letterhead
    facts: tuple[Fact, ...]
    answers: tuple[Answer, ...]
    why: Lines
    notices: tuple[Entry, ...]
    sections: tuple[Section, ...]
    language: Language = "en"
    words: Mapping[str, str] = field(default_factory=lambda: layout_words("en"))

    def section(self, key: str) -> Section | None:
        """The section of that key, if the report has it."""
        return next((section for section in self.sections if section.key == key), None)
