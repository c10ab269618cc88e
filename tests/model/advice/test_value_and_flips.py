"""What to measure next and what would change the answer."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.flips import nearest_change
from eavefall_model.advice.measure_next import HOW_MEASURED, How, narrowing, results_weights
from eavefall_model.advice.outcome import run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.advice.say import chance_words, times_text
from eavefall_model.advice.schema import Said
from eavefall_model.advice.worth import worth_answer
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey


def survey(tree: dict[str, Any], **more: Any) -> Survey:
    eave = {
        "name": "back",
        "length": "12 m",
        "roof_run": "5 m",
        "pitch": "6/12",
        "facing": "N",
        "height": "3 m",
    }
    full = {"name": "pines", "eave": "back", "species": "Pinus strobus", **tree}
    return Survey.model_validate({"name": "h", "eaves": [eave], "trees": [full], **more})


BARE = {"name": "h", "eaves": [{"name": "back", "length": "12 m"}]}
MEASURED = {"distance": "4 m", "height": "22 m", "crown_radius": "5 m", "count": 4, "bearing": "N"}


def figure(said: Said, name: str) -> float:
    return float(next(each.value for each in said.figures if each.name == name))  # type: ignore[arg-type]


def test_the_missing_distance_is_worth_more_than_the_measured_height() -> None:
    missing = {key: value for key, value in MEASURED.items() if key != "distance"}
    advice = assess(survey(missing, wind={"from": "N", "prevails": "clearly"}))
    by_input = {item.input: item for item in advice.measure_next}
    step = by_input["trees[0].distance"]
    chance = max(step.chance_changes_class, step.chance_changes_interval)
    assert chance >= 0.2
    assert "distance" in step.sentence
    assert chance_words(chance) in step.sentence
    height = by_input.get("trees[0].height")
    assert height is None or max(height.chance_changes_class, height.chance_changes_interval) < chance


def test_they_are_ranked_by_what_they_are_likely_to_change_for_each_minute() -> None:
    advice = assess(survey({"count": 2}))
    assert 1 <= len(advice.measure_next) <= 6
    assert all(max(s.chance_changes_class, s.chance_changes_interval) >= 0.03 for s in advice.measure_next)
    # The gutter's own past takes two minutes and tells of everything that the litter decides.
    assert "history.now_full_fifths" in {step.input for step in advice.measure_next[:3]}


def test_the_mean_posterior_variance_is_the_textbook_one() -> None:
    # A normal belief of spread s read with error e: the variance left is s^2 e^2 / (s^2 + e^2), whatever is
    # read.
    rng = np.random.default_rng(2)
    draws = rng.normal(10, 2.0, 40_000)
    weights = results_weights(draws, How(1.0, "plain", 1))
    np.testing.assert_allclose(weights.sum(axis=1), 1)
    means = weights @ draws
    left = (weights * (draws - means[:, None]) ** 2).sum(axis=1)
    assert left.mean() == pytest.approx(4 / 5, rel=0.05)
    # Results spread as beliefs do, and a relative error is one of the logarithm.
    assert means.std() == pytest.approx(np.sqrt(4 - 4 / 5), rel=0.15)
    lengths = np.exp(rng.normal(1, 0.4, 40_000))
    relative = results_weights(lengths, How(0.1, "log", 1))
    means = relative @ np.log(lengths)
    left = (relative * (np.log(lengths) - means[:, None]) ** 2).sum(axis=1)
    assert left.mean() == pytest.approx(0.16 * 0.01 / 0.17, rel=0.1)


def test_a_second_reading_of_the_same_error_leaves_seven_tenths_of_it() -> None:
    how = HOW_MEASURED["source.width"]
    draws = 0.6 * np.exp(how.error * np.random.default_rng(4).standard_normal(40_000))
    weights = results_weights(draws, how)
    means = weights @ np.log(draws)
    left = np.sqrt((weights * (np.log(draws) - means[:, None]) ** 2).sum(axis=1))
    assert left.mean() == pytest.approx(how.error / np.sqrt(2), rel=0.03)


def test_a_kind_is_told_but_for_the_chance_of_a_mistake() -> None:
    draws = np.repeat([0.0, 1.0], [750, 250])
    weights = results_weights(draws, How(0.05, "kind", 1))
    needle = weights[:, draws == 0].sum(axis=1)
    # Bayes: 0.95 * 0.75 against 0.05 * 0.25, and the other way round.
    assert needle.max() == pytest.approx(0.95 * 0.75 / (0.95 * 0.75 + 0.05 * 0.25))
    assert needle.min() == pytest.approx(0.05 * 0.75 / (0.05 * 0.75 + 0.95 * 0.25))
    assert (needle > 0.5).mean() == pytest.approx(0.75, abs=0.1)


def test_what_measuring_could_narrow_and_what_the_past_adds() -> None:
    def of(tree: dict[str, Any], **more: Any) -> Any:
        return narrowing(run(survey(tree, **more), {}, {}, load_rules(), load_guards(), seed=0, draws=1000))

    bare = of({"count": 2})
    ratio = [high / low for low, high in (bare.now, bare.measured, bare.with_past)]
    assert ratio[0] > 1.2 * ratio[1] > 1.2 * ratio[2] > 1.2
    # With nearly all measured there is little left to measure; the past still helps.
    full = of({**MEASURED, "bearing": "N"}, wind={"from": "N", "prevails": "clearly"})
    ratio = [high / low for low, high in (full.now, full.measured, full.with_past)]
    assert ratio[1] > 0.8 * ratio[0]
    assert ratio[2] < 0.9 * ratio[0]


def test_moving_the_pines_across_the_stated_distance_does_flip_the_class() -> None:
    advice = assess(survey(MEASURED))
    assert advice.fineness_class == "extra-fine"
    flip = next(each for each in advice.flips if each.input == "trees[0].distance")
    assert flip.from_class == "extra-fine"
    assert flip.to_class == "no-guard-needed"
    meters = figure(flip, "moved_m")
    # On either side of it, with room for chance in the draws.
    assert assess(survey({**MEASURED, "distance": f"{meters * 1.4:.1f} m"})).fineness_class == flip.to_class
    assert assess(survey({**MEASURED, "distance": f"{meters / 1.4:.1f} m"})).fineness_class == flip.from_class


def test_what_a_guard_gains_is_the_visits_that_it_saves() -> None:
    advice = assess(survey({**MEASURED, "count": 1}), draws=200)
    assert advice.worth is not None
    assert advice.worth.gain is not None
    guard = next(each for each in advice.guards if each.kind == advice.worth.guard)
    bare = next(each for each in advice.guards if each.kind == "none")
    assert advice.worth.gain == pytest.approx(bare.visits_per_year / guard.visits_per_year, rel=0.05)
    assert advice.worth.answer == "yes"
    # The chance is that of an open gutter which waits less than the owner accepts.
    assert advice.worth.chance == pytest.approx(1 - advice.class_probability["no-guard-needed"], abs=1e-3)


@pytest.mark.parametrize(
    ("no_guard_share", "helps", "anyway", "said"),
    [
        (0.0, True, False, "yes"),
        (0.34, True, False, "yes"),
        (0.36, True, False, "could go either way"),
        (0.64, True, False, "could go either way"),
        (0.66, True, False, "no"),
        (0.0, False, False, "no"),
        (1.0, False, True, "yes"),
    ],
)
def test_worth_it_is_two_in_three_and_a_guard_that_helps(
    no_guard_share: float, helps: bool, anyway: bool, said: str
) -> None:
    assert worth_answer(no_guard_share, helps, anyway) == said


def test_odds_said_are_near_the_chance() -> None:
    for chance in np.linspace(0.03, 0.969, 95):
        words = chance_words(float(chance))
        part, of = (int(each) for each in words.removeprefix("about ").split(" in "))
        # As near as the next odds on either side.
        assert part / of == pytest.approx(chance, abs=0.09)
    assert (chance_words(0.0), chance_words(1.0)) == ("about 1 in 20", "about 19 in 20")


# Catkins in spring and leaves in fall, by the trunk or far off; next to nothing; nothing.
BIRCH = {"name": "birch", "eave": "back", "species": "Betula pendula", "height": "12 m"}
YARDS: dict[str, tuple[dict[str, Any], ...]] = {
    "near": ({**BIRCH, "distance": "5 m"},),
    "far": ({**BIRCH, "distance": "12 m"},),
    "away": ({**BIRCH, "distance": "40 m"},),
    "bare": (),
}


@pytest.mark.parametrize("accepted", [1, 2])
@pytest.mark.parametrize("yard", YARDS)
def test_worth_and_visits_planned_tell_one_story(yard: str, accepted: float) -> None:
    house = {**BARE, "trees": list(YARDS[yard]), "household": {"cleanings_per_year": accepted}}
    advice = assess(Survey.model_validate(house), draws=400)
    visits = {each.kind: each.visits_per_year for each in advice.guards}
    assert advice.worth is not None
    assert advice.worth.guard is not None
    helps = visits["none"] >= 1.5 * visits[advice.worth.guard]
    if visits["none"] > accepted and helps:
        assert advice.worth.answer != "no"
    if visits["none"] <= accepted:
        assert advice.worth.answer != "yes"
    # The sentence names the visits that are planned.
    assert times_text(visits["none"]) in advice.worth.sentence.replace("\u00a0", " ")
    if yard == "bare":
        assert advice.worth.answer == "no"


def test_two_visits_advised_and_one_accepted_make_a_guard_worth_it() -> None:
    birch = Survey.model_validate(
        {**BARE, "trees": list(YARDS["near"]), "household": {"cleanings_per_year": 1}}
    )
    advice = assess(birch)
    bare = next(each for each in advice.guards if each.kind == "none")
    assert bare.visits_per_year == 2
    assert advice.worth is not None
    assert advice.worth.answer == "yes"
    # What an owner who comes twice is told.
    twice = birch.model_copy(
        update={"household": birch.household.model_copy(update={"cleanings_per_year": 2})}
    )
    assert (worth := assess(twice).worth) is not None
    assert worth.answer == "no"


@pytest.mark.parametrize(
    ("here", "borders", "found"),
    [
        # Below 3 another class, and from 9 on: from 4 the nearer is 2, from 7 it is 9 (by ratio).
        (4.0, (3, 9), (2, "finer")),
        (7.0, (3, 9), (9, "coarser")),
        (7.0, (3, 99), (2, "finer")),
        (4.0, (0, 6), (6, "coarser")),
        (4.0, (0, 99), None),
        (4.0, (4, 5), (5, "coarser")),
        (12.0, (3, 99), (2, "finer")),
        (0.5, (0, 3), (3, "coarser")),
    ],
)
def test_the_nearest_change_is_found_on_either_side(
    here: float, borders: tuple[int, int], found: tuple[float, str] | None
) -> None:
    candidates = tuple(float(each) for each in range(1, 12))

    def answer(at: int) -> str:
        low, high = borders
        return "finer" if candidates[at] < low else "same" if candidates[at] < high else "coarser"

    assert nearest_change(candidates, here, answer, "same") == found  # type: ignore[arg-type]


def test_flips_hold_on_the_draws_they_were_counted_on() -> None:
    near = assess(survey(MEASURED), draws=200)
    far = assess(survey({**MEASURED, "distance": "45 m"}), draws=200)
    away, closer = (
        next(each for each in advice.flips if each.input == "trees[0].distance") for advice in (near, far)
    )
    assert (near.fineness_class, far.fineness_class) == ("extra-fine", "no-guard-needed")
    assert figure(away, "here_m") == 4.0 < figure(away, "moved_m") < 45
    assert 4 < figure(closer, "moved_m") < figure(closer, "here_m") == 45.0
    assert closer.from_class == away.to_class == "no-guard-needed"
    for flip, factor, said in ((away, 1.6, away.to_class), (away, 0.6, away.from_class)):
        there = assess(
            survey({**MEASURED, "distance": f"{figure(flip, 'moved_m') * factor:.1f} m"}), draws=200
        )
        assert there.fineness_class == said


def test_thicker_needles_would_do_with_less() -> None:
    advice = assess(survey(MEASURED))
    flip = next(each for each in advice.flips if "width" in each.input)
    assert (flip.from_class, flip.to_class) == ("extra-fine", "fine")
    assert "or thicker" in flip.sentence
    assert figure(flip, "width_mm") == 0.6
    # Beside trees whose needles are thicker it is still about these.
    thick = {**MEASURED, "name": "loblolly", "eave": "back", "species": "Pinus taeda"}
    both = survey(MEASURED).trees[0], Survey.model_validate({**BARE, "trees": [thick]}).trees[0]
    for trees in (both, both[::-1]):
        advice = assess(survey(MEASURED).model_copy(update={"trees": trees}))
        flip = next(each for each in advice.flips if "width" in each.input)
        assert next(each.value for each in flip.figures if each.name == "trees") == ("pines",)


def test_the_owner_who_accepts_what_the_flip_says_needs_no_guard() -> None:
    advice = assess(survey(MEASURED))
    flip = next(each for each in advice.flips if each.input == "household.cleanings_per_year")
    per_year = figure(flip, "per_year")
    willing = assess(survey(MEASURED, household={"cleanings_per_year": per_year * 1.1}))
    assert willing.fineness_class == "no-guard-needed"
    back = next(each for each in willing.flips if each.input == "household.cleanings_per_year")
    assert back.to_class == "extra-fine"


SPRUCES = {
    "name": "spruces",
    "species": "Picea abies",
    "distance": "3 m",
    "height": "20 m",
    "crown_radius": "3.5 m",
}


def test_where_the_owner_has_not_said_the_advice_says_so_on_top_and_asks_first() -> None:
    eave = {
        "name": "back",
        "length": "10 m",
        "roof_run": "4.5 m",
        "pitch": "8/12",
        "facing": "E",
        "height": "3 m",
    }
    house = {"name": "h", "eaves": [eave], "trees": [{**SPRUCES, "distance": "12 m", "eave": "back"}]}
    silent = assess(Survey.model_validate(house))
    assert silent.fineness_class == "no-guard-needed"
    top = [reason.rule for reason in silent.reasons[:2]]
    assert top == ["no-guard-by-default", "owner-has-not-said"]
    assert "has said nothing is taken to accept once a year" in silent.reasons[0].sentence
    assert "fineness fine" in silent.reasons[1].sentence
    ask = next(item for item in silent.measure_next if item.input == "household.cleanings_per_year")
    # An owner who accepts one in two years gets a guard, who accepts one or two a year none: one in three.
    assert ask.chance_changes_class == pytest.approx(1 / 3, abs=0.001)
    assert ask.chance_changes_class == max(item.chance_changes_class for item in silent.measure_next)
    for per_year, answer in ((0.5, "fine"), (1, "no-guard-needed"), (2, "no-guard-needed")):
        said = assess(Survey.model_validate({**house, "household": {"cleanings_per_year": per_year}}))
        assert said.fineness_class == answer
        assert "owner-has-not-said" not in {reason.rule for reason in said.reasons}
        assert "household.cleanings_per_year" not in {item.input for item in said.measure_next}
    assert (
        "the owner accepts once a year"
        in assess(Survey.model_validate({**house, "household": {"cleanings_per_year": 1}}))
        .reasons[0]
        .sentence
    )
