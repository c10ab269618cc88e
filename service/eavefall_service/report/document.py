"""The report as frozen data: what it says and in which order, before any page is laid out.

Both renderers read this and nothing else, so that the HTML and the PDF of one survey cannot disagree.
"""

from __future__ import annotations

from dataclasses import dataclass

from eavefall_service.plots.canvas import Plot

__all__ = ["Answer", "Entry", "Fact", "Figure", "Picture", "ReasonLine", "ReportDocument", "Table"]


@dataclass(frozen=True)
class Fact:
    """A label and a value, as in the title block."""

    label: str
    value: str


@dataclass(frozen=True)
class Answer:
    """One of the three answers: the question, the answer in large type, and the lines below it."""

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
class Figure:
    """A plot with a caption; ``key`` is unique in the document."""

    key: str
    plot: Plot
    caption: str


@dataclass(frozen=True)
class Table:
    """Rows of text; the first column heads its row. ``marked`` numbers the rows to stress, from 0.

    ``bars`` may give each row low, typical and high, drawn small in column ``bar_column`` where there is no
    room for a plot.
    """

    key: str
    title: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    note: str = ""
    marked: tuple[int, ...] = ()
    bars: tuple[tuple[float, float, float], ...] = ()
    bar_column: int = 0


@dataclass(frozen=True)
class ReasonLine:
    """One rule that spoke, with every number that it used and where the rule comes from.

    ``in_guards`` says that it is about a guard kind: the guard table gives the sentence that decided, and
    print leaves the others to their numbers.
    """

    rule: str
    about: str
    sentence: str
    numbers: str
    source: str
    in_guards: bool = False


@dataclass(frozen=True)
class Entry:
    """A short heading and a sentence."""

    heading: str
    text: str


@dataclass(frozen=True)
class ReportDocument:
    """Everything on the page, top to bottom. An empty tuple leaves its section out."""

    title: str
    note: str
    facts: tuple[Fact, ...]
    answers: tuple[Answer, Answer, Answer]
    notices: tuple[Entry, ...]
    pictures: tuple[Picture, ...]
    plan: Figure
    figures: tuple[Figure, ...]
    guards: Table
    eaves: Table
    water: Table
    until_then: tuple[str, ...]
    reasons: tuple[ReasonLine, ...]
    measure_next: tuple[Entry, ...]
    flips: tuple[str, ...]
    assumed: Table
    take_off: Table
    price: str
    cautions: tuple[Entry, ...]
    glossary: tuple[Entry, ...]
    provenance: tuple[Fact, ...]
    credits: tuple[str, ...]
