"""The Spanish catalog holds every message that is said and no other, translated, with its placeholders."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path
from types import ModuleType

import pytest
from babel.messages.catalog import Message

from eavefall_model.language import catalog, listed, script_messages, translate, translate_count
from eavefall_model.units import length_text, range_text

ROOT = Path(__file__).parents[2]
# `{name}` and `{name:manner}` of our own texts, `%(name)s` of templates, and the tags of either.
PLACEHOLDER = re.compile(r"\{\w*(?::\w+)?\}|%\(\w+\)s|</?\w+>")
SAME = "same in Spanish"


@pytest.fixture(scope="module")
def found() -> ModuleType:
    spec = importlib.util.spec_from_file_location("catalog_script", ROOT / ".ci/catalog.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def messages() -> list[Message]:
    return [message for message in catalog("es") if message.id]


def forms(said: object) -> list[str]:
    return [str(each) for each in said] if isinstance(said, tuple | list) else [str(said)]


def test_no_message_is_missing_and_none_is_stale(found):
    said = {message.id for message in found.found() if message.id}
    kept = {message.id for message in messages()}
    assert said - kept == set(), "run .ci/catalog.py and translate what is new"
    assert kept - said == set(), "run .ci/catalog.py: these are said no more"


def test_every_message_is_translated():
    left = [
        message.id
        for message in messages()
        if not all(forms(message.string))
        or message.fuzzy
        or (set(forms(message.id)) & set(forms(message.string)) and SAME not in message.user_comments)
    ]
    assert left == []


def test_what_is_called_the_same_is_the_same():
    wrong = [
        message.id
        for message in messages()
        if SAME in message.user_comments and forms(message.id)[0] != forms(message.string)[0]
    ]
    assert wrong == []


def test_placeholders_agree():
    wrong = [
        (message.id, said)
        for message in messages()
        for said in forms(message.string)
        if sorted(PLACEHOLDER.findall(said)) != sorted(PLACEHOLDER.findall(forms(message.id)[-1]))
        and sorted(PLACEHOLDER.findall(said)) != sorted(PLACEHOLDER.findall(forms(message.id)[0]))
    ]
    assert wrong == []


def test_one_word_for_a_gutter_and_no_familiar_you():
    text = " ".join(form for message in messages() for form in forms(message.string)).lower()
    assert "canaleta" in text
    assert "canalón" not in text
    assert not re.search(r"\b(tú|tu|tus|tienes|puedes|vosotros|vuestra)\b", text)


def test_a_message_that_no_catalog_has_stays_english():
    assert translate("es", "A sentence of an office's own rule, {n}.", n=3) == (
        "A sentence of an office's own rule, 3."
    )


def test_plural_lists_and_units():
    assert translate_count("es", "{n} eave", "{n} eaves", 1) == "1 alero"
    assert translate_count("es", "{n} eave", "{n} eaves", 4) == "4 aleros"
    assert listed(["pino", "hiedra", "iris"], "es") == "pino, hiedra e iris"
    assert listed(["seis", "ocho"], "es", "or") == "seis u ocho"
    assert listed(["a", "b", "c"]) == "a, b and c"
    assert length_text(3.3, "us", "es").replace("\u00a0", " ") == "10 pies 10 pulgadas"
    assert length_text(0.3048, "us", "es").replace("\u00a0", " ") == "1 pie"
    assert range_text(0.5, 1, "metric", "es").replace("\u00a0", " ") == "0.5 a 1 mm"


def test_scripts_bring_their_messages():
    assert script_messages("es")["Sending…"] == "Enviando…"
