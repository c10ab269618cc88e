"""The homeowner's pages and the report in Spanish: nothing English is left, and the reader chooses."""

from __future__ import annotations

import re
import secrets
from html.parser import HTMLParser

import pytest

from eavefall_model import language
from eavefall_model.advice.assess import assess
from eavefall_service.report.build import build_report
from eavefall_service.report.document import Letterhead
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import render_pdf
from eavefall_service.web import pages

from ...model.advice.test_every_rule_speaks import HOUSES

HEARD = {"Accept-Language": "es-MX,es;q=0.9,en;q=0.5"}
ANSWERS = {
    "near": "over", "tall": "twice", "storeys": "one", "kind": "needle", "roof": "tile", "cleaned": "1",
    "accept": "1",
}  # fmt: skip
KEPT = re.compile(r"\{\w*(?::\w+)?\}|%\(\w+\)s|</?\w+>")
# What is the same in every language: our name, units, times of day, standards, codes and names of files.
COMMON = re.compile(
    r"eavefall|English|Español|\bUTC\b|\b(?:mm|cm|kg|min|gal|pies?|pulgadas?|in|ft|USD)\b|kg/m|g/m|mm/h|L/s|"
    r"\b[0-9a-f]{12}\b|\d+ mesh(?: bolting| market| mill| x)?|"
    r"ISO [\d-]+|ASTM E11|No\. \d+|photo-\d+|\b[NESWO]{1,3}\b|[\w-]+\.jpg|rules/\d|\bnull\b|"
    r"\b(?:ene|feb|mar|abr|may|jun|jul|ago|sep|sept|oct|nov|dic)\b|"
    r"\b(?:enero|febrero|marzo|abril|mayo|junio|julio|agosto|septiembre|octubre|noviembre|diciembre|y|e|o|u)\b"
)


class Words(HTMLParser):
    """What a page says: its text, and the attributes that are read out."""

    def __init__(self) -> None:
        super().__init__()
        self.said: list[str] = []
        self._silent = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag in ("script", "style", "code", "title"):
            self._silent += 1
        self.said += [
            value or "" for name, value in attrs if name in ("alt", "title", "aria-label", "placeholder")
        ]

    def handle_endtag(self, tag: str) -> None:
        if tag in ("script", "style", "code", "title"):
            self._silent -= 1

    def handle_data(self, data: str) -> None:
        if not self._silent:
            self.said.append(data)


def english_left(text: str) -> list[str]:
    words = Words()
    words.feed(text)
    return [said.strip() for said in words.said if re.search(r"[A-Za-z]{2,}", COMMON.sub("", said))]


class Blank(language.NullTranslations):
    """A catalog that leaves of each message only what is put into it, so that any word left was in none."""

    def gettext(self, message: str) -> str:
        return "¤".join(["", *KEPT.findall(message), ""])

    def ngettext(self, one: str, many: str, n: int) -> str:
        return self.gettext(many)


@pytest.fixture
def blank(monkeypatch):
    known = language.translations

    def translations(name):
        return Blank() if name == "es" else known(name)

    monkeypatch.setattr(language, "translations", translations)
    monkeypatch.setattr(pages, "translations", translations)


@pytest.fixture
def home(rep, server):
    survey = secrets.token_hex(8)
    assert rep.put(f"/api/1/surveys/{survey}", json={"name": "77"}).status_code == 200
    address = rep.post(f"/api/1/surveys/{survey}/links", json={"days": 3}).json()["address"]
    visitor = server.client()
    visitor.headers.update(HEARD)
    return visitor, "/h/" + address.rsplit("/", 1)[1], survey


def test_no_page_of_the_homeowner_has_a_word_outside_the_catalog(home, rep, blank, tree_photo, make_jpeg):
    visitor, link, survey = home
    seen = {"": visitor.get(link).text, "missing": visitor.get(f"{link}?missing=agree").text}
    visitor.post(f"{link}/consent", data={"agree": "yes"})
    visitor.post(f"{link}/photos/tree", files={"file": ("1.jpg", tree_photo)})
    visitor.post(f"{link}/photos/leaf", files={"file": ("2.jpg", make_jpeg(22, 900))})
    seen["broken"] = visitor.post(f"{link}/photos/house", files={"file": ("3.jpg", b"no photo")}).text
    seen["blank handful"] = visitor.post(
        f"{link}/handful", data={"reference": "card"}, files={"file": ("4.jpg", make_jpeg(23, 900))}
    ).text
    for page in ("photos", "questions", "handful", "consent", "answer"):
        seen[page] = visitor.get(f"{link}/{page}").text
    seen["answered"] = visitor.post(f"{link}/questions", data=ANSWERS).text
    seen["sent"] = visitor.post(f"{link}/send").text
    seen["unknown"] = visitor.get("/h/nobody", headers={"Accept": "text/html"}).text
    seen["privacy"] = visitor.get("/privacy").text
    seen["show"] = rep.get(f"/rep/{survey}/show?language=es").text
    rep.get(f"/rep/{survey}/show?language=en")
    for name, text in seen.items():
        assert '<html lang="es"' in text, name
        assert english_left(text) == [], name


def test_the_browser_asks_and_a_tap_is_kept_for_the_link(home, server):
    visitor, link, _ = home
    assert "¿Su casa necesita una malla" in visitor.get(link).text
    english = visitor.get(f"{link}?language=en").text
    assert '<html lang="en"' in english
    assert "Does your house need" in english
    assert 'lang="es" hreflang="es">Español</a>' in english
    assert '<html lang="en"' in visitor.get(link).text  # kept, whatever the browser asks for
    other = server.client()
    assert '<html lang="en"' in other.get(link).text  # who asks for nothing reads English
    assert '<html lang="es"' in other.get(f"{link}?language=es").text
    assert '<html lang="es"' in other.get(link).text
    assert '<html lang="en"' in other.get("/privacy").text  # kept for the link, not for the whole site


@pytest.mark.parametrize(
    ("asked", "read"),
    [("es", "es"), ("es-US,en;q=0.9", "es"), ("en-US,es;q=0.9", "en"), ("fr,es;q=0.4,en;q=0.2", "es"),
     ("de", "en"), ("", "en"), ("es;q=0", "en"), (";;q=,,es;q=x", "es")],
)  # fmt: skip
def test_what_a_browser_asks_for(home, server, asked, read):
    _, link, _ = home
    assert f'<html lang="{read}"' in server.client().get(link, headers={"Accept-Language": asked}).text


def test_a_refusal_to_a_script_is_in_the_readers_language(home):
    visitor, link, _ = home
    visitor.post(f"{link}/consent", data={"agree": "yes"})
    refused = visitor.post(f"{link}/shots/house", content=b"no photo").json()
    assert refused["code"] == "photo-wrong-type"
    assert "no es una imagen JPEG" in refused["detail"]
    assert refused["hint"] == "Envíe la foto tal como la guardó el teléfono."


def test_the_rep_chooses_for_owner_and_report(home, rep):
    _, _, survey = home
    assert "Answer" in rep.get(f"/rep/{survey}/share?language=es").text  # the rep's own pages stay English
    made = rep.post(f"/rep/{survey}/links", data={"days": "3"}).text
    assert "?language=es" in made
    assert '<html lang="es"' in rep.get(f"/rep/{survey}/show").text
    assert '<html lang="es">' in rep.get(f"/rep/{survey}/report.html").text
    assert rep.get(f"/rep/{survey}/report.pdf?language=en").content.startswith(b"%PDF")
    assert '<html lang="en">' in rep.get(f"/rep/{survey}/report.html").text


@pytest.mark.parametrize("survey", HOUSES[::3])
def test_no_report_has_a_word_outside_the_catalog(survey, blank):
    advice = assess(survey, draws=50)
    document = build_report(survey, advice, {}, [], letterhead=Letterhead(), language="es")
    names = [survey.name, survey.note or ""]
    names += [part.name for part in (*survey.trees, *survey.eaves)] + [ref.file for ref in survey.photos]
    made = advice.provenance
    names += [made.package, made.rules, made.model, made.tables, advice.format]
    page = render_html(document)
    left = []
    for said in english_left(page):
        for each in sorted(filter(None, names), key=len, reverse=True):
            said = re.sub(rf"\b{re.escape(each)}\b", "", said, flags=re.IGNORECASE)
        if re.search(r"[A-Za-z]{3,}", COMMON.sub("", said)):
            left.append(said)
    assert left == []


def test_the_pdf_is_in_spanish_and_says_so():
    survey = HOUSES[0]
    head = Letterhead(company="Canaletas 77")
    document = build_report(survey, assess(survey, draws=50), {}, [], letterhead=head, language="es")
    made = render_pdf(document)
    assert made.startswith(b"%PDF")
    assert re.search(rb"/Lang ?\(es\)", made)
