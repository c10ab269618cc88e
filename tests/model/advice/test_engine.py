"""Firing rules: precedence, harshness of equals, what is quoted, and silence about what is not known."""

from __future__ import annotations

from eavefall_model.advice.engine import fire, rule_cautions, verdicts
from eavefall_model.advice.rulebook import Rule, RuleBook, load_rules


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
    heard = fire(rules, "guard", {"refuses": True})
    assert verdicts("wire_netting", heard).verdict == "suits with care"
    assert verdicts("wire_netting", heard).rules == ("strong",)
    assert verdicts("wire_netting", fire(rules, "guard", {"refuses": False})).verdict == "does not suit"
    assert verdicts("wire_netting", []).verdict == "suits with care"


def test_a_rule_about_the_house_may_judge_a_guard_by_name() -> None:
    rules = book(
        {"id": "house-rule", "about": "house", "effect": {"guards": {"wire_netting": "does not suit"}}}
    )
    heard = fire(rules, "house", {})
    assert verdicts("wire_netting", heard).verdict == "does not suit"
    assert verdicts("woven_micromesh", heard).rules == ()


def test_the_sentence_quotes_the_figures_and_the_reason_keeps_them() -> None:
    rules = book(
        {"id": "quoting", "sentence": "Waits {guarded_months:.1f} months.", "when": {"gain": {"above": 1}}}
    )
    (spoken,) = fire(rules, "guard", {"guarded_months": 8.0625, "gain": 2.5})
    assert spoken.reason.sentence == "Waits 8.1 months."
    assert spoken.reason.numbers == {"gain": 2.5, "guarded_months": 8.062}
    # Not known, not said.
    assert fire(rules, "guard", {"guarded_months": None, "gain": 2.5}) == []


def test_what_is_said_to_the_owner_quotes_figures_of_its_own() -> None:
    rules = book({"id": "two-ways", "to_owner": "You can wait {guarded_months:.0f} months."})
    (spoken,) = fire(rules, "guard", {"guarded_months": 8.0625})
    assert spoken.reason.to_owner == "You can wait 8 months."
    assert spoken.reason.sentence == "A plain sentence."
    assert spoken.reason.numbers == {"guarded_months": 8.062}
    # Not known: the estimator is told still, the owner is not.
    (spoken,) = fire(rules, "guard", {"guarded_months": None})
    assert spoken.reason.to_owner is None
    assert spoken.reason.sentence == "A plain sentence."


def test_one_caution_for_a_topic() -> None:
    rules = book(
        {"id": "first", "effect": {"caution": "wildfire"}},
        {"id": "second", "effect": {"caution": "wildfire"}, "sentence": "Another sentence."},
    )
    (caution,) = rule_cautions(fire(rules, "guard", {}))
    assert (caution.topic, caution.sentence) == ("wildfire", "A plain sentence.")
