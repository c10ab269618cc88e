"""What is said of one eave and of one guard kind belongs to it; its material and price by arithmetic."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.advice.say import Voice, guard_why, say
from eavefall_model.survey import Prices, Survey


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


# Invented numbers.
PRICES = Prices(currency="USD", guard_per_m={"woven_micromesh": (10, 16)}, gutter_per_m=(5, 9))
PRICED: dict[str, Any] = {
    "name": "back",
    "length": "10 m",
    "roof_run": "4 m",
    "pitch": "6/12",
    "facing": "W",
}


def priced(condition: str, *, outlets: int = 2, prices: Prices | None = PRICES) -> Advice:
    eave = {
        **PRICED,
        "inside_corners": 1,
        "outside_corners": 2,
        "gutter": {"condition": condition},
        "downspout": {"outlets": outlets},
    }
    pines = {"name": "pines", "species": "Pinus strobus", "count": 3, "distance": "3 m", "height": "20 m"}
    survey = Survey.model_validate({"name": "h", "eaves": [eave], "trees": [pines]})
    return answer(survey, (), OfficeSettings(prices=prices, draws=300))


@pytest.mark.parametrize("condition", ["sound", "worn", "failing"])
def test_metres_and_prices(condition: str) -> None:
    given = priced(condition)
    assert given.recommended_guard == "woven_micromesh"
    off = given.eaves[0].take_off
    # A tenth of waste on ten meters, taken to a hundredth.
    assert off.waste_share == 0.1
    assert off.guard_m == pytest.approx(11, rel=0.01)
    assert off.gutter_m == (0.0 if condition == "sound" else off.guard_m)
    low = off.guard_m * 10 + off.gutter_m * 5
    high = off.guard_m * 16 + off.gutter_m * 9
    assert off.price_low == pytest.approx(low, abs=0.2)
    assert off.price_high == pytest.approx(high, abs=0.2)
    assert off.currency == "USD"
    assert "Not a quote" in off.note
    assert (off.corners, off.ends, off.outlets) == (3, 2, 2)


def test_the_offices_prices_stand_for_those_of_the_survey() -> None:
    plain = priced("sound", prices=None).eaves[0].take_off
    assert (plain.price_low, plain.price_high, plain.currency, plain.note) == (None, None, None, "")
    lacking = priced("worn", prices=PRICES.model_copy(update={"gutter_per_m": None})).eaves[0].take_off
    assert lacking.price_low is None
    assert "lack" in lacking.note
