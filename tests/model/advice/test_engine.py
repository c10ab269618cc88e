"""Firing rules: precedence, harshness of equals, what is quoted, and silence about what is not known."""

from __future__ import annotations

from collections.abc import Mapping

from eavefall_model.advice.engine import Spoken, fire, rule_cautions, verdicts
from eavefall_model.advice.figures import Case, Scope
from eavefall_model.advice.rulebook import Rule, RuleBook, load_rules
from eavefall_model.advice.say import Voice, say
from eavefall_model.vocabulary import Value


class Given(Case):
    """Figures as a test gives them, the rest not known."""

    def __init__(self, scope: Scope, values: Mapping[str, Value]) -> None:
        super().__init__()
        self.scope = scope
        self.values = values

    def value(self, name: str) -> Value:
        return self.values.get(name)


def heard(rules: RuleBook, scope: Scope, values: Mapping[str, Value]) -> list[Spoken]:
    return fire(rules, Given(scope, values), "metric")


def book(*rules: dict[str, object]) -> RuleBook:
    shipped = load_rules()
    full = [
        Rule.model_validate(
            {"about": "guard", "sentence": "A plain sentence.", "source": "test", "mark": "judgement", **rule}
        )
        for rule in rules
    ]
    return shipped.model_copy(update={"rules": tuple(full)})


def test_higher_precedence_wins_and_of_equals_the_harsher() -> None:
    rules = book(
        {"id": "mild", "effect": {"verdict": "suits"}, "precedence": 20},
        {"id": "stern", "effect": {"verdict": "does not suit"}, "precedence": 20},
        {
            "id": "strong",
            "effect": {"verdict": "suits with care"},
            "precedence": 30,
            "when": {"refuses": True},
        },
    )
    spoken = heard(rules, "guard", {"refuses": True})
    assert verdicts("wire_netting", spoken).verdict == "suits with care"
    assert verdicts("wire_netting", spoken).rules == ("strong",)
    assert verdicts("wire_netting", heard(rules, "guard", {"refuses": False})).verdict == "does not suit"
    assert verdicts("wire_netting", []).verdict == "suits with care"


def test_a_rule_about_the_house_may_judge_a_guard_by_name() -> None:
    rules = book(
        {"id": "house-rule", "about": "house", "effect": {"guards": {"wire_netting": "does not suit"}}}
    )
    spoken = heard(rules, "house", {})
    assert verdicts("wire_netting", spoken).verdict == "does not suit"
    assert verdicts("woven_micromesh", spoken).rules == ()


def test_the_sentence_quotes_the_figures_and_the_reason_keeps_them() -> None:
    rules = book(
        {"id": "quoting", "sentence": "Waits {guarded_months}, not {unguarded_months:every}.",
         "when": {"gain": {"above": 1}}}
    )  # fmt: skip
    values = {"guarded_months": 8.0625, "unguarded_months": 4.0, "gain": 2.5}
    (spoken,) = heard(rules, "guard", values)
    assert plain(spoken.reason.sentence) == "Waits 8 months, not about every 4 months."
    kept = {figure.name: figure.value for figure in spoken.reason.figures}
    assert kept == {"gain": 2.5, "guarded_months": 8.062, "unguarded_months": 4.0}
    # Not known, not said.
    assert heard(rules, "guard", {**values, "guarded_months": None}) == []


def test_what_is_said_to_the_owner_quotes_figures_of_its_own() -> None:
    rules = book({"id": "two-ways", "to_owner": "you can wait {guarded_months}."})
    (spoken,) = heard(rules, "guard", {"guarded_months": 8.0625})
    assert plain(say(spoken.reason, Voice("owner"))) == "You can wait about 8 months."
    assert spoken.reason.sentence == "A plain sentence."
    # Not known: the estimator is told still, the owner is not.
    (spoken,) = heard(rules, "guard", {"guarded_months": None})
    assert say(spoken.reason, Voice("owner")) is None
    assert spoken.reason.sentence == "A plain sentence."


def plain(text: str | None) -> str:
    assert text is not None
    return text.replace("\u00a0", " ")


def test_one_caution_for_a_topic() -> None:
    rules = book(
        {"id": "first", "effect": {"caution": "wildfire"}},
        {"id": "second", "effect": {"caution": "wildfire"}, "sentence": "Another sentence."},
    )
    (caution,) = rule_cautions(heard(rules, "guard", {}))
    assert (caution.topic, caution.sentence) == ("wildfire", "A plain sentence.")
