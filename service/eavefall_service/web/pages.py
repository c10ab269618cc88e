"""Pages from templates: the words, filters and addresses that every template may use."""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterable, Mapping
from datetime import datetime
from functools import cache
from pathlib import Path
from typing import Any, Final, cast
from urllib.parse import parse_qsl, quote, urlencode

import segno
from babel.dates import format_datetime
from fastapi import Request
from fastapi.templating import Jinja2Templates
from jinja2 import pass_context
from jinja2.runtime import Context
from markupsafe import Markup
from starlette.responses import JSONResponse, RedirectResponse, Response

from eavefall_model.advice.say import assumed_text, figures_text, months_text, say, sentence_case
from eavefall_model.language import LOCALES, script_messages, translate, translations
from eavefall_model.sighting.measured import bearing_taken_text, length_taken_text
from eavefall_model.survey import Eave, Tree
from eavefall_model.units import (
    format_length,
    length_text,
    parse_bearing_deg,
    parse_length_m,
    parse_pitch_deg,
    pitch_text,
)
from eavefall_model.vocabulary import Language, Units
from eavefall_service.journeys.history_words import action_text, changes_of
from eavefall_service.journeys.usual import Usual
from eavefall_service.web import limits, words
from eavefall_service.web.errors import Problem, problem_response
from eavefall_service.web.reader_language import NAMES, language_of

_HERE: Final = Path(__file__).parent
_OWN_ADDRESS: Final = re.compile(rb"""(\s(?:href|src|action|formaction|data-(?!site)[a-z-]+)=")/(?!/)""")
# Not after "1." or an abbreviation: a sentence begins with a large letter after a word of its own.
_SENTENCE_END: Final = re.compile(r"(?<=[^\W\d]{2}[.!?]) +(?=[A-Z“¿¡])|(?<=[)”][.!?]) +(?=[A-Z“¿¡])")
STATIC: Final = _HERE / "static"


@cache
def static_url(name: str) -> str:
    """Address of a static file that changes when the file does, so that browsers may keep it."""
    digest = hashlib.sha256((STATIC / name).read_bytes()).hexdigest()[:12]
    return f"/static/{name}?v={digest}"


def qr_code(address: str) -> Markup:
    """A QR code of an address of ours, drawn by the library: nobody's text is in it as text.

    Black on white whatever the page's colors are, with the quiet zone of four modules that ISO/IEC 18004 asks
    for: cameras need both.
    """
    return Markup(segno.make_qr(address, error="m").svg_inline(scale=5, border=4, dark="#000", light="#fff"))


def language_in(context: Context) -> Language:
    """The language that a page is written in."""
    return cast(Language, context.get("language") or "en")


@pass_context
def _gettext(context: Context, message: str) -> str:
    return translate(language_in(context), message)


@pass_context
def _ngettext(context: Context, one: str, many: str, n: int) -> str:
    return translations(language_in(context)).ngettext(one, many, n)


@pass_context
def in_language(context: Context, message: str) -> str:
    """A message that stands in a table, in the page's language; escaped like any other text."""
    return translate(language_in(context), message)


@pass_context
def when(context: Context, text: str | None) -> str:
    """A stored time as ``6 May 2031, 07:08 UTC``, in the reader's language."""
    if not text:
        return ""
    locale = LOCALES[language_in(context)]
    return format_datetime(datetime.fromisoformat(text), "d MMM y, HH:mm 'UTC'", locale=locale)


def length(meters: float | str | None, units: str = "us") -> str:
    """A length as people of ``units`` read it; empty for none. Takes a survey document's text too."""
    if meters is None or meters == "":
        return ""
    value = float(meters.split()[0]) if isinstance(meters, str) else meters
    return format_length(value, "us" if units == "us" else "metric")


def told_length(meters: float | None, units: str = "us") -> str:
    """A length to read, not to change, such as ``210 ft``; empty for none."""
    return "" if meters is None else length_text(meters, "us" if units == "us" else "metric")


def told_measure(part: Tree | Eave, name: str, units: str = "us") -> str:
    """A measure of a tree or an eave with how it was taken: ``32 ft, by angle, ± 2 ft``; or nothing."""
    taken = getattr(part.taken, name, None)
    if (bearing_deg := getattr(part, f"{name}_deg", None)) is not None:
        return bearing_taken_text(bearing_deg, taken)
    length_m = getattr(part, f"{name}_m", None)
    system: Units = "us" if units == "us" else "metric"
    return "" if length_m is None else length_taken_text(length_m, taken, system)


def pitch(pitch_deg: float, units: str = "us") -> str:
    """A roof's pitch as people of ``units`` read it."""
    return pitch_text(pitch_deg, "us" if units == "us" else "metric")


def first_sentence(text: str) -> str:
    """The first sentence of a text, for where the rest is one tap away."""
    return _SENTENCE_END.split(text, maxsplit=1)[0]


def usual_value(one: Usual, units: str = "us") -> str:
    """A usual value as people read it."""
    return _usual_field(one, units, {**words.ROOFS, **words.PROFILES, "True": "yes", "False": "no"})


def usual_fields(facts: Iterable[Usual], units: str = "us") -> str:
    """Usual values as a form writes them: a JSON object of field and text."""
    return json.dumps({one.fact: _usual_field(one, units, {"True": "yes", "False": "no"}) for one in facts})


def _usual_field(one: Usual, units: str, names: Mapping[str, str]) -> str:
    text = str(one.value)
    if one.fact in ("height", "width"):
        return length(parse_length_m(text), units)
    if one.fact == "wind_from":
        return words.compass(parse_bearing_deg(text))
    if one.fact == "pitch":
        return pitch(parse_pitch_deg(text), units)
    return names.get(text, text.removesuffix(".0"))


def page_query(query: str, start: int) -> str:
    """An address's query with another ``start``."""
    kept = [(name, value) for name, value in parse_qsl(query) if name != "start"]
    return urlencode([*kept, ("start", str(start))])


templates: Final = Jinja2Templates(_HERE / "templates")
templates.env.add_extension("jinja2.ext.i18n")
templates.env.install_gettext_callables(_gettext, _ngettext, newstyle=True)  # type: ignore[attr-defined]
templates.env.policies["ext.i18n.trimmed"] = True
templates.env.trim_blocks = templates.env.lstrip_blocks = True
templates.env.globals.update(
    static=static_url, words=words, limits=limits, page_query=page_query, language_names=NAMES
)
templates.env.filters.update(
    when=when,
    in_language=in_language,
    in_units=length,
    told_in_units=told_length,
    measure=told_measure,
    as_pitch=pitch,
    months=months_text,
    said=say,
    large_first=sentence_case,
    usual_value=usual_value,
    usual_fields=usual_fields,
    first_sentence=first_sentence,
    assumed=assumed_text,
    figures=figures_text,
    done_words=action_text,
    changes=changes_of,
    quote_path=lambda text: quote(text, safe=""),
)


def page(request: Request, name: str, status: int = 200, /, **context: Any) -> Response:
    """Render a template. ``actor`` is the signed-in person or None; ``area`` marks the part of the site."""
    base = request.scope.get("base_path", "")
    language = context.setdefault("language", "en")
    if language != "en":
        context["script_messages"] = script_messages(language)
    given = {"actor": None, "typed": {}, "wrong": {}, "meanwhile": (), "site": base, **context}
    answer = templates.TemplateResponse(request, name, given, status)
    if base:
        # What people typed cannot look like this: its quotation marks are written as &#34;.
        answer.body = _OWN_ADDRESS.sub(rb"\1" + base.encode() + rb"/", bytes(answer.body))
        answer.headers["content-length"] = str(len(answer.body))
    return answer


def wants_json(request: Request) -> bool:
    """Whether the page's script, and not the browser itself, sent the form."""
    return "application/json" in request.headers.get("accept", "")


def done(request: Request, location: str) -> Response:
    """After a form: on to the next page, or for a script the address of it."""
    if wants_json(request):
        return JSONResponse({"next": request.scope.get("base_path", "") + location})
    return RedirectResponse(location, 303)


def problem_page(request: Request, problem: Problem) -> Response:
    """A refusal for people; someone who is not signed in is asked to."""
    language = language_of(request) if request.url.path.startswith("/h/") else "en"
    if wants_json(request):
        return problem_response(problem)
    if problem.code == "not-signed-in" and request.method == "GET":
        return RedirectResponse(f"/sign-in?next={quote(request.url.path, safe='/')}", 303)
    if problem.code == "second-factor-needed" and request.method == "GET":
        return RedirectResponse("/second-factor", 303)
    return page(request, "problem.html", problem.status, problem=problem, language=language)
