"""What is said of one eave and of one guard kind belongs to it."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.advice.say import Voice, guard_why, say
from eavefall_model.survey import Survey


def house(**tree: Any) -> Advice:
    """Two eaves; three trees stand 4 m from the one in front and far from the other."""
    eaves = [
        {"name": name, "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": facing}
        for name, facing in (("front", "N"), ("back", "S"))
    ]
    trees = {
        "name": "trees",
        "count": 3,
        "distance": "4 m",
        "height": "18 m",
        "eave": "front",
        "bearing": "N",
    }
    survey = Survey.model_validate({"name": "h", "eaves": eaves, "trees": [{**trees, **tree}]})
    return answer(survey, (), OfficeSettings(draws=300))


@pytest.fixture(scope="module")
def known() -> Advice:
    return house(species="Pinus strobus")


def test_an_eave_is_unsure_where_its_tree_is_unknown_and_not_where_it_is_known(known: Advice) -> None:
    unknown = house()
    assert unknown.fineness_class == "unsure"
    assert unknown.eaves[0].fineness_class == "unsure"
    assert known.fineness_class != "unsure"
    assert all(eave.fineness_class != "unsure" for eave in known.eaves)
    assert known.eaves[0].opening_mm is not None


def test_the_loaded_eave_gets_more_and_names_its_trees(known: Advice) -> None:
    front, back = known.eaves
    assert front.litter_kg_per_m_year.typical > back.litter_kg_per_m_year.typical
    assert front.trees == ("trees",)
    assert front.interval_unguarded_months.typical <= back.interval_unguarded_months.typical


def test_why_a_guard_has_its_verdict_is_said_by_its_own_rules(known: Advice) -> None:
    voice = Voice()
    for guard in known.guards:
        own = [
            sentence
            for reason in known.reasons
            if reason.rule in guard.rules
            and reason.about in (guard.kind, None)
            and (sentence := say(reason, voice)) is not None
        ]
        rest = guard_why(known, guard.kind, voice)
        for sentence in sorted(own, key=len, reverse=True):
            rest = rest.replace(sentence, "")
        assert rest.strip() == "", f"{guard.kind}: {rest}"


def test_a_rule_about_the_house_may_judge_a_guard_too(known: Advice) -> None:
    """An office's rule with ``effect: guards`` speaks about the house; the guard's verdict quotes it."""
    of_house = [reason for reason in known.reasons if reason.about is None]
    assert len(of_house) > 1
    for reason in of_house:
        guard = known.guards[0].model_copy(update={"rules": (reason.rule,)})
        told = known.model_copy(update={"guards": (guard, *known.guards[1:])})
        assert guard_why(told, guard.kind, Voice()) == say(reason, Voice())
