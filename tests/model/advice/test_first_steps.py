"""While nobody knows the kind of tree, no guard is named: the advice says what to find out first."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.measure_next import FIRST_STEPS, HOW_MEASURED
from eavefall_model.advice.outcome import run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.say import Voice, chance_words, guard_why, say
from eavefall_model.advice.schema import Advice
from eavefall_model.advice.validate import faults
from eavefall_model.house.fields import FIELDS, input_kind, input_place
from eavefall_model.house.reader import Uncertain
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey

KINDS = ["none", "wire_netting", "expanded_metal", "perforated_panel", "front_slot_cover", "woven_micromesh"]
TREE = {
    "name": "tree",
    "count": 3,
    "distance": "4 m",
    "height": "18 m",
    "crown_radius": "5 m",
    "eave": "back",
}
PRICES = {"currency": "USD", "guard_per_m": {kind: [20, 30] for kind in KINDS[1:]}, "gutter_per_m": [10, 15]}


def house(**tree: Any) -> Survey:
    eave = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "N"}
    return Survey.model_validate(
        {"name": "h", "eaves": [eave], "trees": [{**TREE, **tree}], "prices": PRICES}
    )


@pytest.fixture(scope="module")
def unsure() -> Advice:
    return assess(house())


def test_no_guard_is_recommended_and_the_table_still_compares_all(unsure: Advice) -> None:
    assert unsure.fineness_class == "unsure"
    assert unsure.recommended_guard is None
    assert [guard.kind for guard in unsure.guards] == KINDS
    assert all(guard_why(unsure, kind, Voice()) for kind in KINDS)
    assert faults(unsure) == ()
    assert faults(unsure.model_dump(mode="json")) == ()


def test_it_says_to_find_out_the_kind_and_then_to_measure_the_needles(unsure: Advice) -> None:
    first, second = unsure.find_out_first
    assert first.sentence.startswith("Find out the kind first: ")
    assert "photograph the foliage" in first.sentence
    assert "needles" in second.sentence
    assert "drop test" in second.sentence
    assert (first.code, second.code) == ("kind-of-tree", "needle-width") == tuple(FIRST_STEPS)


def test_until_then_the_figures_are_those_of_the_open_gutter(unsure: Advice) -> None:
    none = next(guard for guard in unsure.guards if guard.kind == "none")
    assert unsure.interval_months == unsure.interval_unguarded_months == none.interval_months
    assert unsure.clean_in == none.clean_in
    eave = unsure.eaves[0]
    assert eave.interval_months == eave.interval_unguarded_months
    assert eave.water.inlet_l_s is None
    take = eave.take_off
    assert (take.guard_m, take.price_low, take.price_high) == (0, None, None)
    assert "find out the kind" in take.note


@pytest.mark.parametrize(
    "known", [{"species": "Pinus strobus"}, {"form": "broad_leaf"}, {"species": "Tilia cordata"}]
)
def test_once_the_kind_is_known_a_guard_is_named_and_nothing_stands_first(known: dict[str, Any]) -> None:
    advice = assess(house(**known, count=3), draws=300)
    assert advice.fineness_class != "unsure"
    assert advice.recommended_guard in KINDS
    assert advice.find_out_first == ()


def test_the_validator_holds_the_two_together(unsure: Advice) -> None:
    named = unsure.model_copy(update={"recommended_guard": "woven_micromesh"})
    assert any("recommended_guard" in fault for fault in faults(named))
    known = assess(house(species="Pinus strobus"), draws=100)
    lost = known.model_copy(update={"recommended_guard": None})
    assert any("recommended_guard" in fault for fault in faults(lost))
    asked = known.model_copy(update={"find_out_first": unsure.find_out_first})
    assert any("find_out_first" in fault for fault in faults(asked))


@pytest.mark.parametrize(
    ("key", "kind", "place"),
    [
        ("trees[12].crown_radius", "trees.crown_radius", ("trees", 12)),
        ("eaves[0].gutter.width", "eaves.gutter.width", ("eaves", 0)),
        ("source.any long needle..width", "source.width", None),
        ("source.Picea abies.St. John's.litter", "source.litter", None),
        ("wind.from", "wind.from", None),
    ],
)
def test_kind_of_an_input(key: str, kind: str, place: tuple[str, int] | None) -> None:
    assert input_kind(key) == kind
    assert input_place(key) == place


@pytest.mark.parametrize("key", ["trees[0].smell", "source.oak.color", "moon", "trees.height.more"])
def test_an_input_that_is_not_registered_is_refused(key: str) -> None:
    with pytest.raises(KeyError, match="not a registered kind"):
        Uncertain(key, np.zeros(3), True)


def kinds_asked_about(survey: Survey) -> set[str]:
    outcome = run(survey, {}, {}, load_rules(), load_guards(), seed=0, draws=50)
    return {input_kind(each.key) for each in (*outcome.house.inputs, *outcome.sources.inputs)}


def test_the_registry_holds_what_is_asked_about_and_nothing_else() -> None:
    two = {"name": "h", "eaves": [{"name": "a"}, {"name": "b"}], "trees": [{"name": "t"}]}
    by_compass = {
        "name": "h",
        "eaves": [{"name": "a", "facing": "N", "taken": {"facing": {"how": "angle"}}}],
        "trees": [{"name": "t", "bearing": "N", "taken": {"bearing": {"how": "angle"}}}],
    }
    found = kinds_asked_about(house(overhang="1 m"))
    for plain in (two, by_compass):
        found |= kinds_asked_about(Survey.model_validate(plain))
    # What is not drawn: the owner's word, and how full the gutter is now. Next year's litter nobody can find.
    said = {"household.cleanings_per_year", "history.now_full_fifths"}
    asked = {kind for kind, field in FIELDS.items() if field.ask is not None}
    assert (found | said) - {"source.litter"} == asked == {*HOW_MEASURED, *said}


def test_what_to_find_out_is_said_to_both_and_names_what_it_is_about() -> None:
    advice = assess(house(name="the big one", species="Pinus strobus"), draws=300)
    assert advice.measure_next
    for row in advice.measure_next:
        estimator, owner = (say(row, Voice(audience)) for audience in ("estimator", "owner"))
        assert row.sentence == estimator
        assert owner is not None
        assert "the big one" in estimator if row.input.startswith("trees[0]") else True
        place = input_place(row.input)
        assert ("back" in estimator) == (place is not None and place[0] == "eaves")
        # The greater of the two chances is told, and of what.
        by_class, by_interval = row.chance_changes_class, row.chance_changes_interval
        what = "the answer" if by_class >= by_interval else "the interval"
        assert f"odds {chance_words(max(by_class, by_interval))} that it changes {what}" in estimator
