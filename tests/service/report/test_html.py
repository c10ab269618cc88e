"""The HTML report: whole, self-contained, escaped, and structured for a screen reader."""

from __future__ import annotations

import base64
import re
from dataclasses import replace
from html.parser import HTMLParser
from itertools import pairwise

import pytest

from eavefall_service.report.document import Letterhead, Pictures, ReportDocument
from eavefall_service.report.html import render_html

from .document_text import said

VOID = {"meta", "img", "br", "hr", "link", "input"}


class Page(HTMLParser):
    """Headings, tables, images and texts of a page, with a check that tags nest."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.stack: list[str] = []
        self.headings: list[tuple[int, str]] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)
        assert self.stack == []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.stack.append(tag)
        if re.fullmatch("h[1-6]", tag):
            self.headings.append((int(tag[1]), ""))

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag: str) -> None:
        assert self.stack.pop() == tag

    def handle_data(self, data: str) -> None:
        if self.stack and re.fullmatch("h[1-6]", self.stack[-1]):
            level, text = self.headings[-1]
            self.headings[-1] = (level, text + data)
        if "style" not in self.stack:
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).replace("\u00a0", " ").split())


@pytest.fixture(scope="module")
def html(document: ReportDocument) -> str:
    return render_html(document)


@pytest.fixture(scope="module")
def page(html: str) -> Page:
    return Page(html)


def test_same_document_same_text(document: ReportDocument, html: str) -> None:
    assert render_html(document) == html


def test_nothing_is_fetched_and_nothing_runs(html: str, page: Page) -> None:
    assert html.startswith("<!DOCTYPE html>")
    assert not [tag for tag, _ in page.tags if tag in ("script", "link", "iframe", "object")]
    for _, attributes in page.tags:
        for name in ("src", "href", "xlink:href"):
            target = attributes.get(name)
            assert target is None or target.startswith(("data:image/jpeg;base64,", "#"))
        assert not any(name.startswith("on") or name == "style" for name in attributes)
    assert "url(http" not in html
    assert "@import" not in html


def test_headings_step_down_one_at_a_time(page: Page) -> None:
    levels = [level for level, _ in page.headings]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert all(text.strip() for _, text in page.headings)


def test_answers_come_first_and_long_parts_are_folded(page: Page) -> None:
    names = [text for _, text in page.headings]
    order = [
        "How fine, if a guard goes on?",
        "Is a guard worth it?",
        "How often to clean?",
        "Why",
        "Plan sketch",
    ]
    assert names[1:4] == order[:3]
    assert [name for name in dict.fromkeys(names) if name in order] == order
    folded = [attributes["id"] for tag, attributes in page.tags if tag == "details"]
    # What stands open is the answers, why, what would change them and what can hurt.
    assert folded == [
        "until", "photos", "plan", "need", "guards", "eaves", "opening", "material", "words", "assumed",
        "sources", "made",
    ]  # fmt: skip


def test_tables_have_headers(page: Page) -> None:
    scopes = [attributes.get("scope") for tag, attributes in page.tags if tag == "th"]
    assert set(scopes) == {"col", "row"}
    tables = [attributes for tag, attributes in page.tags if tag == "table"]
    assert len(tables) == 3
    ids = {attributes.get("id") for _, attributes in page.tags}
    assert all(attributes["aria-labelledby"] in ids for attributes in tables)


def test_pictures_and_drawings_have_words(page: Page) -> None:
    images = [attributes for tag, attributes in page.tags if tag == "img"]
    assert len(images) == 3
    assert all(attributes.get("alt") for attributes in images)
    drawings = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(drawings) == 3
    ids = [str(attributes["id"]) for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    for drawing in drawings:
        assert set(str(drawing["aria-labelledby"]).split()) <= set(ids)


def test_pictures_are_the_documents_own(document: ReportDocument, page: Page) -> None:
    sources = [str(attributes["src"]) for tag, attributes in page.tags if tag == "img"]
    decoded = [base64.b64decode(source.partition(",")[2]) for source in sources]
    photos = document.section("photos")
    assert photos is not None
    shown = next(block for block in photos.blocks if isinstance(block, Pictures))
    assert decoded == [picture.jpeg for picture in shown.pictures]


def test_the_whole_document_is_on_the_page(document: ReportDocument, page: Page) -> None:
    for text in said(document):
        assert " ".join(text.replace("\u00a0", " ").split()) in page.text


def test_text_is_escaped(document: ReportDocument) -> None:
    nasty = '<img src=x onerror="alert(1)"> & {{ 7 * 7 }}'
    head = Letterhead(nasty, nasty, nasty, nasty, nasty)
    html = render_html(replace(document, title=nasty, note=nasty, letterhead=head))
    assert "<img src=x" not in html
    assert "{{ 7 * 7 }}" in Page(html).text


def test_a_blank_letterhead_leaves_nothing_behind(document: ReportDocument) -> None:
    named = Letterhead("Hill Country (invented)", "Morgan", "555 0100", "S-7", "2026-11-30")
    words = Page(render_html(replace(document, letterhead=named))).text
    assert all(text in words for text in said(named))
    blank = Page(render_html(replace(document, letterhead=Letterhead()))).text
    assert not any(label in blank for label in ("Phone", "Rep ", "Survey S"))
