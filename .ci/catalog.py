#!/usr/bin/env python3
"""Find every message and bring the Spanish catalog up to date: new ones empty, those said no more away.

Messages stand in calls of ``translate``, ``translate_count`` and ``mark`` in the code, of ``_`` and ``trans``
in templates, of ``tell`` in scripts; and in tables, from which they are read here. Run it after a change of
words, then fill what is empty in ``model/eavefall_model/locale/es/LC_MESSAGES/eavefall.po``.
"""

from __future__ import annotations

import io
import sys
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, get_args

from babel.messages.catalog import Catalog
from babel.messages.extract import extract
from babel.messages.pofile import read_po, write_po
from jinja2.ext import babel_extract

from eavefall_model import errors, vocabulary
from eavefall_model.advice import calendar, cautions, figures, flips, measure_next, say, worth
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.debris import drop, evidence
from eavefall_model.debris import read as debris_read
from eavefall_model.gauge import schema as gauge_schema
from eavefall_model.house import fields
from eavefall_model.litter import sources as litter_sources
from eavefall_model.screens import catalogue
from eavefall_model.sighting import measured
from eavefall_model.species.table import load_taxa
from eavefall_model.vocabulary import (
    FORMS,
    Condition,
    Covering,
    Failure,
    Mark,
    Verdict,
    WeakestLink,
    WorthAnswer,
)
from eavefall_service.journeys import door
from eavefall_service.report import answers as report_answers
from eavefall_service.report import build, pictures, sources
from eavefall_service.web import errors as web_errors
from eavefall_service.web import words as home_words
from eavefall_service.web.homeowner import answer, questions

ROOT = Path(__file__).resolve().parent.parent
CATALOG = ROOT / "model/eavefall_model/locale/es/LC_MESSAGES/eavefall.po"
_HEADER = """# Spanish of the US trade for homeowners: usted, short sentences, one word for one thing.
#
# canaleta (not canalón): what installers and their customers say in the United States and most of America;
# canalón is Spain's word and in places means the whole drain.
# malla: screen; protector: guard, the product; hojarasca: litter; alero: eave; bajante: downspout;
# salida: outlet; aguja, hoja ancha: needle, broadleaf; orificio: hole of a screen; cálculo: trial run.
# Sizes keep the point (0.5 mm), as in the United States; feet and inches are written out.
# What is the same in both languages says so in a comment.
# The English text is the name of a message. .ci/catalog.py brings this file up to date."""
_PYTHON = {"translate": (2,), "translate_count": (2, 3), "mark": None}
_TEMPLATES = {"_": None, "gettext": None, "ngettext": (1, 2)}
_SCRIPTS = {"tell": None}
_TRIMMED = {"trimmed": "true", "trim_blocks": "true", "lstrip_blocks": "true", "silent": "false"}


def _extracted() -> Iterator[tuple[str, Any]]:
    """Place and message (or one and many) of every call that says something."""
    ways: tuple[tuple[str, Any, dict[str, Any], dict[str, str]], ...] = (
        ("*.py", "python", _PYTHON, {}),
        ("*.html", babel_extract, _TEMPLATES, _TRIMMED),
        ("*.j2", babel_extract, _TEMPLATES, _TRIMMED),
        ("*.js", "javascript", _SCRIPTS, {}),
    )
    for package in ("model/eavefall_model", "service/eavefall_service"):
        for pattern, method, keywords, options in ways:
            for path in sorted((ROOT / package).rglob(pattern)):
                with path.open("rb") as file:
                    for _, message, *_ in extract(method, file, keywords, options=options):
                        yield path.relative_to(ROOT).as_posix(), message


def _tabled() -> Iterator[tuple[str, str]]:
    """Place and message of every table whose words are said as they stand there."""
    for module, *tables in _tables():
        place = Path(module.__file__).resolve().relative_to(ROOT).as_posix()
        for table in tables:
            for message in _flat(table):
                yield place, message
    rules = load_rules()
    for rule in rules.rules:
        for message in (rule.to_owner, rule.id.replace("-", " "), rule.source, rule.mark):
            if message:
                yield "model/eavefall_model/advice/rules.yaml", message
    for taxon in load_taxa().values():
        yield "model/eavefall_model/species/data/taxa.csv", taxon.common
        for part in taxon.parts:
            yield "model/eavefall_model/species/data/parts.csv", part.part


def _tables() -> Iterator[tuple[Any, ...]]:
    """Modules with the tables in them; only strings count."""
    yield say, say.BEYOND, say.CLASSES, say.GUARDS, say.FORMS, say.FOLIAGE, say.FAILURES, say.OWN_TREES
    yield say, say.TIMES
    yield say, say.YES_NO, "oz/ft", "lb/ft", "in/h", [form.replace("_", " ") for form in FORMS]
    yield (
        vocabulary,
        *(
            get_args(words)
            for words in (Verdict, WorthAnswer, Failure, WeakestLink, Mark, Covering, Condition)
        ),
    )
    both = (*worth.SAID.values(), worth.CHANCE, worth.ASK, worth.MOVES, worth.EMBERS, worth.MEASURED)
    both = (*both, *worth.PAST.values())
    yield worth, [owner for _, owner in both], [owner for _, owner in worth.RANGE.values()]
    yield worth, worth.HARDLY, worth.ALONE, worth.USED, [each[0] for each in worth.ASKED.values()]
    yield worth, [words for _, words in say.ODDS]
    yield calendar, [owner for _, owner in (*calendar.PLAN.values(), *calendar.WHY.values())]
    yield flips, flips.THEN, flips.THEN_CLASS, flips.MOVED, flips.WIDTH, flips.FEWER, flips.MORE
    yield measure_next, [owner for _, owner in measure_next.CHANGES.values()], measure_next.FIRST_STEPS
    yield cautions, [owner for _, owner in cautions.CAUTIONS.values()]
    yield fields, [field.label for field in fields.FIELDS.values()]
    yield (
        fields,
        [
            words.rstrip(".")
            for field in fields.FIELDS.values()
            if field.ask is not None
            for words in (field.ask.at_visit, field.ask.of_owner)
            if words
        ],
    )
    yield figures, figures.PIECES, figures.SLOT_FOES
    yield litter_sources, litter_sources.GENERIC_WORDS
    yield measured, measured.BY, measured.COMPASS
    yield evidence, evidence.NAMES, evidence.GUTTER_LITTER_WORDS
    yield drop, get_args(drop.Fate)
    yield debris_read, debris_read.RETAKES, debris_read.SPREAD
    yield gauge_schema, gauge_schema.REASONS
    told = {code: words for code, words in errors.ERROR_CODES.items() if web_errors.is_told_on_the_web(code)}
    yield errors, told
    yield door, [state.replace("_", " ") for state in get_args(door.State)]
    yield home_words, home_words.PROBLEMS, home_words.PIECES
    yield answer, answer.HOLES, answer.SAFE_SIDE
    yield questions, [(shot.title, shot.how) for shot in questions.SHOTS]
    yield questions, [(each.text, [text for _, text in each.answers]) for each in questions.QUESTIONS]
    yield build, build.CAUTION_HEADINGS, build.PREVAILS
    yield pictures, pictures.SHOWS
    yield report_answers, report_answers.SCREENS
    yield sources, sources.METHODS
    sold = {each.kind for each in catalogue.load_catalogue()}
    yield catalogue, sorted(sold | {" ".join(kind.split()[1:]) for kind in sold})
    yield catalogue, sorted({each.designation for each in catalogue.load_catalogue()})


def _flat(table: Any) -> Iterator[str]:
    if isinstance(table, str):
        yield table
    elif table is not None and not isinstance(table, bool | int | float):
        for each in table.values() if hasattr(table, "values") else table:
            yield from _flat(each)


def found() -> Catalog:
    """A fresh catalog of every message that is said, with the files it stands in and no translation."""
    long_ago = datetime(2026, 1, 1, tzinfo=UTC)  # a date that does not change makes no change
    fresh = Catalog(
        locale="es_US",
        header_comment=_HEADER,
        project="eavefall",
        version="1",
        msgid_bugs_address="",
        last_translator="",
        language_team="Spanish of the US trade",
        creation_date=long_ago,
        revision_date=long_ago,
        fuzzy=False,
    )
    for place, message in sorted((*_extracted(), *_tabled()), key=lambda pair: (pair[0], str(pair[1]))):
        if message:
            fresh.add(message, locations=[(place, None)])  # type: ignore[list-item]
    return fresh


def kept() -> Catalog:
    """The catalog as it lies in the repository."""
    with CATALOG.open("rb") as file:
        return read_po(file, locale="es_US")


def main() -> int:
    """Rewrite the catalog; 1 if a message in it is empty."""
    fresh, old = found(), kept()
    for message in fresh:
        before = old.get(message.id) if message.id else None
        if before is not None:
            message.string = before.string
            message.user_comments = before.user_comments
    out = io.BytesIO()
    write_po(out, fresh, width=110, omit_header=False, include_lineno=False, sort_output=False)
    nobody = (b'"Report-Msgid-Bugs-To', b'"Last-Translator', b'"Generated-By')
    lines = [line for line in out.getvalue().splitlines(keepends=True) if not line.startswith(nobody)]
    CATALOG.write_bytes(b"".join(lines))
    empty = [message for message in fresh if message.id and not _is_full(message.string)]
    print(f"{len(fresh)} messages, {len(empty)} of them without a translation")
    return 1 if empty else 0


def _is_full(said: Any) -> bool:
    return all(said) if isinstance(said, tuple | list) else bool(said)


if __name__ == "__main__":
    sys.exit(main())
