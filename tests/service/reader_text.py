"""What a reader sees of a page, and what must never be in it: names and values that only code knows."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser

from eavefall_model.advice.figures import FIGURES
from eavefall_model.house.fields import FIELDS
from eavefall_model.vocabulary import FORMS, GUARD_KINDS

_UNSEEN = frozenset({"script", "style", "head", "code", "template"})
_SAID = frozenset({"alt", "title", "aria-label", "placeholder", "label"})
_EMPTY = frozenset({"br", "hr", "img", "input", "link", "meta", "source", "wbr", "use", "path"})


class _Reader(HTMLParser):
    """Text, and what is said in its place: descriptions of pictures, labels, what a field is filled with."""

    def __init__(self) -> None:
        super().__init__()
        self.words: list[str] = []
        self.links: list[str] = []
        self._unseen = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in _UNSEEN:
            self._unseen += 1
        given = dict(attrs)
        if self._unseen:
            return
        self.words += [value for name, value in attrs if name in _SAID and value]
        if tag == "input" and given.get("type", "text") in ("text", "search", "number", "submit"):
            self.words.append(given.get("value") or "")
        if tag == "a" and given.get("href"):
            self.links.append(given["href"] or "")

    def handle_endtag(self, tag: str) -> None:
        if tag in _UNSEEN:
            self._unseen -= 1

    def handle_data(self, data: str) -> None:
        if not self._unseen:
            self.words.append(data)


def seen(page: str) -> tuple[str, list[str]]:
    """What a reader sees of a page or drawing, spaces as one, and the links in it."""
    reader = _Reader()
    reader.feed(page)
    return " ".join(" ".join(reader.words).replace("\u00a0", " ").split()), reader.links


def inner_names() -> Iterator[str]:
    """Names that only code and file formats know."""
    yield from (name for name in FIGURES if "_" in name)
    yield from (kind.rpartition(".")[2] for kind in FIELDS if "_" in kind)
    yield from (word for word in (*GUARD_KINDS, *FORMS) if "_" in word)
    yield from ("k_style", "half_round", "clean_in", "class_probability", "to_estimator", "to_owner")
    yield from ("no-guard-needed", "kind-of-tree")


INNER = re.compile(
    rf"\b({'|'.join(map(re.escape, inner_names()))})\b"
    r"|\b(eaves|trees|photos|drop_tests)\[\d|\b[A-Za-z]+_[A-Za-z_]+\b"  # paths and names of fields
    r"|\d\.\d{5,}|\be[+-]\d\d\b"  # figures nobody rounded
    r"|\{[a-z_]+(:[a-z]+)?\}|\{\{|\{%"  # templates nobody filled
    r"|\b[A-Z]\w*\([a-z_]*=?|<[\w.]+ object|\b[A-Z][A-Za-z]+\.[A-Z_]{3,}\b"  # values as Python shows them
    r"|\bNone\b(?! yet| of)|\b(nan|NaN|undefined|null|Undefined|True|False)\b"
)
