"""The rules file: checked line by line, known by its hash, changed by an office without touching code."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.figures import FIGURES
from eavefall_model.advice.rulebook import ADDED_SETTINGS, SETTINGS, Condition, load_rules, parse_rules
from eavefall_model.errors import RulesError
from eavefall_model.survey import Survey

TEXT = files("eavefall_model.advice").joinpath("rules.yaml").read_text(encoding="utf-8")
HOUSE = Survey.model_validate(
    {
        "name": "house",
        "eaves": [{"name": "back", "length": "12 m", "facing": "N"}],
        "trees": [{"name": "pines", "species": "Pinus strobus", "distance": "4 m", "count": 3}],
    }
)


def line_of(words: str, text: str = TEXT) -> int:
    return next(at for at, line in enumerate(text.splitlines(), 1) if words in line)


def refused(text: str) -> str:
    with pytest.raises(RulesError) as caught:
        parse_rules(text, "office.yaml")
    assert caught.value.code == "rules-invalid"
    return caught.value.message


def test_the_shipped_file_is_whole() -> None:
    book = load_rules()
    assert set(book.settings) == set(SETTINGS)
    assert len(book.rules) >= 40
    assert len(book.digest) == 64
    for rule in book.rules:
        assert rule.source
        assert rule.mark in ("found", "from memory", "judgement", "common practice, no source")


def test_every_figure_is_described_and_the_docs_name_each() -> None:
    readme = files("eavefall_model.advice").joinpath("README.md").read_text(encoding="utf-8")
    for name, figure in FIGURES.items():
        assert f"| `{name}` | {figure.unit} | {figure.label} |" in readme, f"README.md of advice lacks {name}"
    settings = load_rules().settings
    for name in SETTINGS:
        row = f"| `{name}` | {settings[name].value:g} | {settings[name].mark} |"
        assert row in readme, f"README.md of advice says something else of {name}"


def test_a_wrong_figure_is_named_by_its_line() -> None:
    wrong = TEXT.replace("when: {shaded_or_mossy: true}", "when: {mossy: true}")
    message = refused(wrong)
    assert f"line {line_of('id: mossy-roof-metal', wrong)}" in message
    assert "'mossy' is not a figure of a eave" in message


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("safe_share: {value: 0.1,", "safe_share: {value: 7,", "safe_share must lie between"),
        ("id: mossy-roof-metal", "id: roof-warranty", "two rules are called roof-warranty"),
        ("effect: {verdict: suits}", "effect: {verdict: perfect}", "verdict"),
        ("{eave} is shaded", "{eave.__class__} is shaded", "is not the name of a figure"),
        ("{eave} is shaded", "{eave is shaded", "sentence"),
        ("{eave} is shaded", "{eave:.1f} is shaded", "its unit says how it is written"),
        ("{eave} is shaded", "{eave:every} is shaded", "only a wait can be said as"),
        ("{eave} is shaded or mossy. A", "{bliss} is shaded or mossy. A", "'bliss' is not a figure"),
        ("{eave} is shaded or mossy. A", "{eave is shaded or mossy. A", "to_owner: "),
        ("format: eavefall.rules/1", "format: eavefall.rules/9", "format"),
        ("    when: {wildfire: true}\n", "    when: {litter_kg_m: {above: 1}}\n", "may only depend on"),
        ("mark: found\n", "mark: hearsay\n", "mark"),
    ],
)
def test_what_is_refused(old: str, new: str, words: str) -> None:
    assert old in TEXT
    message = refused(TEXT.replace(old, new, 1))
    assert words in message
    assert "office.yaml, line " in message


def test_a_missing_setting_and_a_digest_of_ones_own_are_refused() -> None:
    kept = [line for line in TEXT.splitlines() if not line.startswith("  safe_share")]
    assert "safe_share is missing" in refused("\n".join(kept))
    assert "digest is computed" in refused(f"{TEXT}\ndigest: abc\n")
    assert "office.yaml, line 1" in refused("just words")


def test_a_file_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(RulesError, match="cannot be read"):
        load_rules(tmp_path / "none.yaml")


def test_an_office_changes_a_sentence_a_setting_and_a_verdict(tmp_path: Path) -> None:
    mine = tmp_path / "office.yaml"
    mine.write_text(
        TEXT.replace("A fine screen moves the work", "Our crews say: a fine screen moves the work"),
        encoding="utf-8",
    )
    book = load_rules(mine)
    assert book.digest != load_rules().digest
    advice = assess(HOUSE, rules=book, draws=200)
    assert any(reason.sentence.startswith("Our crews say") for reason in advice.reasons)
    assert book.digest in advice.provenance.rules
    # An owner taken to accept twelve cleanings a year needs no guard.
    mine.write_text(
        TEXT.replace("cleanings_default: {value: 1,", "cleanings_default: {value: 12,"), encoding="utf-8"
    )
    assert assess(HOUSE, rules=load_rules(mine), draws=200).fineness_class == "no-guard-needed"


def test_conditions_on_borders_and_on_what_is_not_known() -> None:
    assert Condition(at_least=2).holds(2)
    assert not Condition(above=2).holds(2)
    assert Condition(at_most=2).holds(2)
    assert not Condition(below=2).holds(2)
    assert Condition(at_least=1, below=3).holds(2)
    assert not Condition(at_least=1, below=3).holds(3)
    assert Condition(one_of=("a", "b")).holds("b")
    assert Condition(not_equals="a").holds("b")
    assert Condition(equals=True).holds(True)
    for condition in (Condition(at_least=0), Condition(not_equals="a"), Condition(known=True)):
        assert not condition.holds(None)
    assert Condition(known=False).holds(None)
    assert not Condition(known=False).holds(0)


def test_a_copy_made_before_a_setting_was_added_still_holds() -> None:
    shipped = load_rules()
    for name, value in ADDED_SETTINGS.items():
        assert shipped.settings[name].value == value
        older = "\n".join(line for line in TEXT.splitlines() if not line.startswith(f"  {name}:"))
        assert name not in parse_rules(older, "office.yaml").settings
        assert parse_rules(older, "office.yaml").numbers() == shipped.numbers()
