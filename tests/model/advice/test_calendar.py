"""What is put in the calendar, and the second sentence that says why."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.say import Voice, say
from eavefall_model.advice.schema import Advice
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey

EAVE = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "N"}


def advice(*trees: dict[str, Any], **more: Any) -> Advice:
    eave = {**EAVE, "height": "3 m"}
    named = [{"name": f"tree {at}", "eave": "back", **tree} for at, tree in enumerate(trees)]
    return assess(Survey.model_validate({"name": "h", "eaves": [eave], "trees": named, **more}), draws=300)


def said(found: Advice, audience: str = "estimator") -> str:
    assert found.plan is not None
    return (say(found.plan, Voice(audience, "us")) or "").replace("\u00a0", " ")  # type: ignore[arg-type]


def visits(found: Advice, kind: str) -> float:
    return next(each.visits_per_year for each in found.guards if each.kind == kind)


# Catkins in spring, leaves and seed in fall.
BIRCH = {"species": "Betula pendula", "distance": "5 m", "height": "12 m", "crown_radius": "3 m"}
PINES = {"species": "Pinus strobus", "distance": "4 m", "height": "24 m", "crown_radius": "6 m", "count": 9}


@pytest.mark.parametrize(
    ("audience", "word"), [("estimator", "Plan a cleaning"), ("owner", "Plan to have it cleared")]
)
def test_a_tree_that_asks_for_one_is_planned_twice_as_is_usually_advised(audience: str, word: str) -> None:
    found = advice(BIRCH, household={"cleanings_per_year": 2})
    assert found.recommended_guard == "none"
    assert visits(found, "none") == 2
    assert len(found.clean_in) == 2
    text = said(found, audience)
    assert text.startswith(f"{word} twice a year, at the end of ")
    assert "usually advised" in text
    # A guard is looked at half as often as that.
    assert visits(found, "woven_micromesh") == 1


def test_the_gutters_own_filling_stands_above_what_is_usual() -> None:
    seen = {"last_cleaned_months_ago": 36, "now_full_fifths": 1}
    found = advice(BIRCH, household={"cleanings_per_year": 2}, history=seen, month=8)
    assert visits(found, "none") < 1
    assert "usually advised" not in said(found)
    assert found.past is not None


def test_no_tree_is_planned_by_litter_alone() -> None:
    found = advice()
    assert visits(found, "none") <= 0.5
    assert "usually advised" not in said(found)


def test_more_than_anybody_comes_asks_for_the_trees_to_be_cut_back() -> None:
    flood = {**PINES, "count": 40, "distance": "2 m"}
    found = advice(flood)
    assert visits(found, "none") == 4
    if found.recommended_guard == "none":
        assert "arborist" in said(found)
    assert found.range_said is not None


def test_a_guard_is_looked_at_and_the_range_says_what_a_look_tells() -> None:
    found = advice({**PINES, "count": 2})
    assert found.recommended_guard == "woven_micromesh"
    assert said(found).startswith("Plan a look and a brush ")
    assert found.range_said is not None
    assert "With the guard it may wait" in found.range_said.sentence
    assert "nobody has measured" in found.range_said.sentence


def of_guard(**history: Any) -> Outcome:
    """A house with micromesh on its one gutter and what its owner tells of that."""
    eave = {**EAVE, "gutter": {"guard": "woven_micromesh"}}
    pine = {"name": "pine", "species": "Pinus taeda", "distance": "6 m", "height": "18 m", "count": 2}
    survey = Survey.model_validate(
        {"name": "h", "month": 6, "eaves": [eave], "trees": [pine], "history": history}
    )
    return run(survey, {}, {}, load_rules(), load_guards(), seed=0, draws=800)


def middle_wait(found: Outcome) -> float:
    return float(np.median(found.guards["woven_micromesh"].house_months))


def test_a_guard_brushed_as_often_as_its_trees_alone_would_say_waits_about_as_long() -> None:
    alone = middle_wait(of_guard())
    told = of_guard(cleanings_per_year=min(12 / alone, 12))
    assert told.told is not None
    assert float(np.median(told.told.before_months)) == pytest.approx(alone, rel=0.03)
    # The waits thought possible crowd below their middle and trail off above it, so an answer at the middle
    # draws it down a little, never up.
    assert 0.85 * alone < middle_wait(told) <= 1.03 * alone
    # More often is a shorter wait, and less often a longer one, by about as much.
    often, seldom = (middle_wait(of_guard(cleanings_per_year=12 / alone * times)) for times in (1.6, 1 / 1.6))
    assert often < 0.93 * alone
    assert seldom > 1.07 * alone
    assert often * seldom == pytest.approx(alone**2, rel=0.15)


def test_how_much_of_a_guard_is_covered_is_expected_to_grow_with_the_time_since_brushing() -> None:
    expected = [
        told.expected_fill
        for months in (1, 6, 24)
        if (told := of_guard(last_cleaned_months_ago=months, now_covered_fifths=2).told) is not None
    ]
    assert len(expected) == 3
    assert 0 <= expected[0] < expected[1] < expected[2] <= 1  # type: ignore[operator]
    # Without the time nothing is expected.
    untold = of_guard(cleanings_per_year=1).told
    assert untold is not None
    assert untold.expected_fill is None
