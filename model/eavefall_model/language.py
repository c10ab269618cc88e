"""What is said, in the reader's language: the English text names the message, a gettext catalog has the rest.

English stays readable where it stands. Numbers, dates, lists and units are written by Babel, from CLDR.
``.ci/catalog.py`` finds every message and brings the catalog up to date.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from functools import cache
from importlib import resources
from typing import Any, Final

from babel.dates import get_month_names
from babel.lists import format_list
from babel.messages.catalog import Catalog
from babel.messages.mofile import write_mo
from babel.messages.pofile import read_po
from babel.numbers import format_percent
from babel.support import NullTranslations, Translations
from babel.units import format_unit

from eavefall_model.vocabulary import Language

# The Spanish of the United States writes 0.5 with a point.
LOCALES: Final[dict[Language, str]] = {"en": "en_US", "es": "es_US"}
# English lists without the comma before "and".
_LISTS: Final[dict[Language, str]] = {"en": "en_001", "es": "es_US"}
# Our units by their names in CLDR; what is missing here is written alike in both languages.
_UNITS: Final = {"ft": "length-foot", "in": "length-inch"}
# "o" before an o and "y" before an i turn into "u" and "e", which CLDR's patterns leave to us.
_EUPHONY: Final = (
    (re.compile(r" y (?=h?i(?![aeou]))", re.I), " e "),
    (re.compile(r" o (?=h?o)", re.I), " u "),
)


@cache
def catalog(language: Language) -> Catalog:
    """The messages of a language other than English, as translators wrote them."""
    place = resources.files("eavefall_model").joinpath("locale", language, "LC_MESSAGES", "eavefall.po")
    with place.open("rb") as file:
        return read_po(file, locale=LOCALES[language])


@cache
def translations(language: Language) -> NullTranslations:
    """The catalog ready for look-ups; English has none. A message that is missing stays English."""
    if language == "en":
        return NullTranslations()
    compiled = io.BytesIO()
    write_mo(compiled, catalog(language))
    compiled.seek(0)
    return Translations(compiled)


@cache
def script_messages(language: Language) -> dict[str, str]:
    """The messages that the pages' scripts say: those that the catalog found in a script."""
    return {
        str(message.id): str(message.string)
        for message in catalog(language)
        if message.id and any(file.endswith(".js") for file, _ in message.locations)
    }


def mark(message: str) -> str:
    """``message`` itself: says to the catalog that it is translated where it is said."""
    return message


def translate(language: Language, message: str, /, **named: Any) -> str:
    """``message`` in the reader's language, its ``{names}`` filled if any are given."""
    if not message:
        return ""
    text: str = translations(language).gettext(message)
    return text.format(**named) if named else text


def translate_count(language: Language, one: str, many: str, n: int, /, **named: Any) -> str:
    """The form of a message that fits the number ``n``, which stands in it as ``{n}``."""
    text: str = translations(language).ngettext(one, many, n)
    return text.format(n=n, **named)


def listed(words: Sequence[str], language: Language = "en", last: str = "and") -> str:
    """``a, b and c``; with ``last`` ``or`` a choice of them."""
    style = "or" if last == "or" else "standard"
    text = format_list(list(words), style=style, locale=_LISTS[language])  # type: ignore[arg-type]
    if language == "es":
        for pattern, instead in _EUPHONY:
            text = pattern.sub(instead, text)
    return text


def month_name(month: int, language: Language = "en") -> str:
    """Month 1 to 12 by name."""
    return str(get_month_names("wide", locale=LOCALES[language])[month])


def per_cent_text(share: float, language: Language = "en") -> str:
    """A share as a whole percentage, as the language writes it."""
    return format_percent(share, locale=LOCALES[language])


def unit_name(unit: str, is_one: bool, language: Language = "en") -> str:
    """A unit beside its figure: ``ft`` is ``pie`` or ``pies`` in Spanish."""
    if language == "en" or unit not in _UNITS:
        return translate(language, unit)  # oz/ft, lb/ft, in/h; the metric ones are everybody's
    text = format_unit(1 if is_one else 2, _UNITS[unit], "long", locale=LOCALES[language])
    return text.split(maxsplit=1)[1]
