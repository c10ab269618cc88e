"""What to measure next, where by construction one input alone decides: then it alone is worth knowing."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from numpy.typing import NDArray

from eavefall_model.advice.decide import decide
from eavefall_model.advice.judge import Judged, judge
from eavefall_model.advice.measure_next import HOW_MEASURED, How, measure_next, narrowing, results_weights
from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.say import chance_words
from eavefall_model.advice.schema import MeasureNext
from eavefall_model.house.fields import input_kind
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey

EAVE = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "N", "height": "3 m"}
DRAWS = 1500
Array = NDArray[np.float64]


def outcome(tree: dict[str, Any], **more: Any) -> Outcome:
    full = {"name": "pines", "eave": "back", "species": "Pinus strobus", "count": 2, **tree}
    survey = Survey.model_validate({"name": "h", "eaves": [EAVE], "trees": [full], **more})
    return run(survey, {}, {}, load_rules(), load_guards(), seed=0, draws=DRAWS)


@pytest.fixture(scope="module")
def found() -> Outcome:
    return outcome({"height": "20 m", "crown_radius": "4 m"}, household={"cleanings_per_year": 1})


@pytest.fixture(scope="module")
def judged(found: Outcome) -> Judged:
    return judge(found, load_rules())


def draws_of(found: Outcome, key: str) -> Array:
    return next(item.draws for item in (*found.house.inputs, *found.sources.inputs) if item.key == key)


def waiting(found: Outcome, months: Array) -> Outcome:
    """The same house, whose gutter and guards all wait so long."""
    guards = {
        kind: replace(guard, house_months=months, months=np.repeat(months[:, None], guard.months.shape[1], 1))
        for kind, guard in found.guards.items()
    }
    return replace(found, guards=guards)


def without_class(found: Outcome) -> Outcome:
    """No draw asks for a guard: whatever is measured, the class stays."""
    enough = np.ones(DRAWS, dtype=bool)
    safe = found.settings["safe_share"]
    return replace(
        found, enough=enough, answer=decide(found.house_needed_mm, found.house_index, enough, safe)
    )


def steps(found: Outcome, judged: Judged) -> dict[str, MeasureNext]:
    return {step.input: step for step in measure_next(found, judged, "metric")}


@pytest.mark.parametrize("power", [-1.0, 1.0])
def test_a_wait_that_one_input_decides_is_worth_measuring_it_alone(
    found: Outcome, judged: Judged, power: float
) -> None:
    distance = draws_of(found, "trees[0].distance")
    spread = np.exp(power * (np.log(distance) - np.log(distance).mean()))
    told = steps(waiting(without_class(found), 12 * spread), judged)
    step = told.pop("trees[0].distance")
    # Twice as far, twice (or half) as long: measured, it moves the middle beyond what planning allows for.
    ratio = found.settings["interval_ratio"]
    beyond = np.mean(np.abs(np.log(spread) - np.median(np.log(spread))) > np.log(ratio))
    assert step.chance_changes_interval == pytest.approx(float(beyond), abs=0.17)
    assert step.chance_changes_class == 0
    assert f"odds {chance_words(step.chance_changes_interval)} that" in step.sentence
    assert all(
        each.chance_changes_interval < 0.3 * step.chance_changes_interval
        for key, each in told.items()
        if key != "history.now_full_fifths"
    )


def test_a_wait_that_hardly_differs_is_worth_nothing(found: Outcome, judged: Judged) -> None:
    distance = draws_of(found, "trees[0].distance")
    even = 12 * (distance / distance.mean()) ** 0.02
    (nearest,) = measure_next(waiting(without_class(found), even), judged, "us")
    assert (nearest.chance_changes_class, nearest.chance_changes_interval) == (0, 0)
    assert "Nothing left out is likely to change the answer; what comes nearest is" in nearest.sentence
    # Of what was left out, that which moves the wait most: here nothing else does.
    assert nearest.input in ("trees[0].distance", "history.now_full_fifths")
    assert nearest.missing


@pytest.mark.parametrize("share", [0.45, 0.6])
def test_a_class_that_one_input_decides_is_changed_as_often_as_it_decides_else(
    found: Outcome, judged: Judged, share: float
) -> None:
    # Near trees ask for a guard, far ones do not: so many of the draws stand near.
    distance = draws_of(found, "trees[0].distance")
    near = distance < np.quantile(distance, share)
    safe = found.settings["safe_share"]
    index = np.full(DRAWS, 3)
    made = replace(
        found,
        enough=~near,
        house_index=index,
        answer=decide(np.full(DRAWS, 0.8), index, ~near, safe),
    )
    assert made.answer.fineness_class == "fine"
    step = steps(waiting(made, np.full(DRAWS, 12.0)), judged)["trees[0].distance"]
    # Measured nearly without error: the answer becomes no guard as often as the tree stands far.
    assert step.chance_changes_class == pytest.approx(1 - share, abs=0.1)
    assert step.chance_changes_interval == 0
    assert "that it changes the answer" in step.sentence


def test_what_may_change_the_answer_stands_first_then_what_takes_least_time(
    found: Outcome, judged: Judged
) -> None:
    told = measure_next(found, judged, "us")
    assert 1 < len(told) <= 6
    worth = [
        (
            step.chance_changes_class >= 0.03,
            max(step.chance_changes_class, step.chance_changes_interval)
            / np.sqrt(HOW_MEASURED[input_kind(step.input)].minutes),
        )
        for step in told
    ]
    assert worth == sorted(worth, reverse=True)


def test_narrowing_is_what_the_missing_inputs_explain(found: Outcome) -> None:
    distance = draws_of(found, "trees[0].distance")
    alone = narrowing(waiting(found, 12 * distance / np.exp(np.log(distance).mean())))
    low, high = np.quantile(12 * distance / np.exp(np.log(distance).mean()), (0.1, 0.9))
    assert alone.now == pytest.approx((float(low), float(high)))
    # The error of a tape is all that is left of it.
    assert np.log(alone.measured[1] / alone.measured[0]) < 0.2 * np.log(high / low)
    # What no input explains stays.
    chance = 12 * np.exp(0.5 * np.random.default_rng(1).standard_normal(DRAWS))
    free = narrowing(waiting(found, chance))
    assert np.log(free.measured[1] / free.measured[0]) > 0.97 * np.log(free.now[1] / free.now[0])
    # Half of the variance explained leaves the root of a half of the range.
    own = np.log(distance) - np.log(distance).mean()
    half = 12 * np.exp(own + own.std() * np.random.default_rng(2).standard_normal(DRAWS))
    both = narrowing(waiting(found, half))
    left = np.log(both.measured[1] / both.measured[0]) / np.log(both.now[1] / both.now[0])
    assert left == pytest.approx(np.sqrt(0.5), abs=0.06)
    even = narrowing(waiting(found, np.full(DRAWS, 12.0)))
    assert even.now == even.measured == even.with_past == (12.0, 12.0)


def test_a_measurement_of_no_error_tells_as_finely_as_the_draws_allow() -> None:
    draws = np.random.default_rng(3).normal(0, 1, 2000)
    weights = results_weights(draws, How(0.0, "plain", 1))
    assert weights.shape == (12, 2000)
    assert weights.sum(axis=1) == pytest.approx(np.ones(12))
    # Fifty draws or so are left to decide by.
    left = 1 / np.square(weights).sum(axis=1)
    assert 40 < float(np.median(left)) < 250
    means = weights @ draws
    assert float(np.std(means)) == pytest.approx(1.0, abs=0.12)
    # Where nothing is open nothing is told.
    assert results_weights(np.full(100, 3.0), How(0.0, "plain", 1)) == pytest.approx(np.full((1, 100), 0.01))
    three = results_weights(np.repeat([0.0, 1.0, 2.0], [100, 200, 300]), How(0.1, "kind", 1))
    # As many results of a kind as it is likely: two, four and six of twelve.
    assert len(three) == 12
    assert np.bincount(
        np.argmax(three @ np.eye(3)[np.repeat([0, 1, 2], [100, 200, 300])], axis=1)
    ).tolist() == [2, 4, 6]


@pytest.mark.parametrize(("months", "changed"), [(3.0, 0), (9.0, 1), (18.0, 1), (30.0, 0)])
def test_an_owner_who_has_not_said_may_be_any_of_three(months: float, changed: int) -> None:
    # Every draw waits so long, and the default is once a year: one who accepts half of that wants a wait of
    # two years, one who accepts twice that of half a year.
    found = outcome({"height": "20 m", "crown_radius": "4 m"})
    assert found.accepted_per_year == 1
    waits = np.full_like(found.asked_months, months)
    enough = np.full(DRAWS, months >= 12)
    index = np.full(DRAWS, 3)
    safe = found.settings["safe_share"]
    made = replace(
        found,
        asked_months=waits,
        enough=enough,
        house_index=index,
        answer=decide(np.full(DRAWS, 0.8), index, enough, safe),
    )
    judged = replace(judge(found, load_rules()), guard_anyway=False)
    asked = steps(waiting(made, np.full(DRAWS, 12.0)), judged).get("household.cleanings_per_year")
    assert (0 if asked is None else asked.chance_changes_class) == pytest.approx(changed / 3, abs=1e-3)
