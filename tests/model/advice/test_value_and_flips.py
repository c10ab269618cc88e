"""What to measure next and what would change the answer."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice.assess import assess
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


MEASURED = {"distance": "4 m", "height": "22 m", "crown_radius": "5 m", "count": 4, "bearing": "N"}


def test_the_missing_distance_is_worth_more_than_the_measured_height() -> None:
    missing = {key: value for key, value in MEASURED.items() if key != "distance"}
    advice = assess(survey(missing, wind={"from": "N", "prevails": "clearly"}))
    by_input = {item.input: item for item in advice.measure_next}
    first = advice.measure_next[0]
    assert first.input == "trees[0].distance"
    assert max(first.chance_changes_class, first.chance_changes_interval) >= 0.4
    assert "distance" in first.sentence
    assert "%" in first.sentence
    height = by_input.get("trees[0].height")
    assert height is None or height.chance_changes_class <= first.chance_changes_class


def test_they_are_ranked() -> None:
    advice = assess(survey({"count": 2}))
    chances = [(item.chance_changes_class, item.chance_changes_interval) for item in advice.measure_next]
    assert chances == sorted(chances, reverse=True)
    assert 1 <= len(chances) <= 6


def test_moving_the_pines_across_the_stated_distance_does_flip_the_class() -> None:
    advice = assess(survey(MEASURED))
    assert advice.fineness_class == "extra-fine"
    flip = next(each for each in advice.flips if each.input == "trees[0].distance")
    assert flip.from_class == "extra-fine"
    assert flip.to_class == "no-guard-needed"
    metres = float(flip.sentence.split(" stood ")[1].split(" m ")[0])
    # On either side of it, with room for the luck of the draws.
    assert assess(survey({**MEASURED, "distance": f"{metres * 1.4:.1f} m"})).fineness_class == flip.to_class
    assert assess(survey({**MEASURED, "distance": f"{metres / 1.4:.1f} m"})).fineness_class == flip.from_class


def test_thicker_needles_would_do_with_less() -> None:
    advice = assess(survey(MEASURED))
    flip = next(each for each in advice.flips if "width" in each.input)
    assert (flip.from_class, flip.to_class) == ("extra-fine", "fine")
    assert "0.6 mm or thicker" in flip.sentence


def test_the_owner_who_accepts_what_the_flip_says_needs_no_guard() -> None:
    advice = assess(survey(MEASURED))
    flip = next(each for each in advice.flips if each.input == "household.cleanings_per_year")
    per_year = float(flip.sentence.split("accepts ")[1].split(" ")[0])
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
    house = {"name": "h", "eaves": [eave], "trees": [{**SPRUCES, "distance": "5 m", "eave": "back"}]}
    silent = assess(Survey.model_validate(house))
    assert silent.fineness_class == "no-guard-needed"
    top = [reason.rule for reason in silent.reasons[:2]]
    assert top == ["no-guard-needed", "owner-has-not-said"]
    assert "has said nothing is taken to accept 1 a year" in silent.reasons[0].sentence
    assert "fineness fine" in silent.reasons[1].sentence
    ask = next(item for item in silent.measure_next if item.input == "household.cleanings_per_year")
    # An owner who accepts one in two years gets a guard, who accepts one or two a year none: one in three.
    assert ask.chance_changes_class == pytest.approx(1 / 3, abs=0.001)
    assert ask == max(silent.measure_next, key=lambda item: item.chance_changes_class)
    for per_year, answer in ((0.5, "fine"), (1, "no-guard-needed"), (2, "no-guard-needed")):
        said = assess(Survey.model_validate({**house, "household": {"cleanings_per_year": per_year}}))
        assert said.fineness_class == answer
        assert "owner-has-not-said" not in {reason.rule for reason in said.reasons}
        assert "household.cleanings_per_year" not in {item.input for item in said.measure_next}
    assert (
        "the owner accepts 1 a year"
        in assess(Survey.model_validate({**house, "household": {"cleanings_per_year": 1}}))
        .reasons[0]
        .sentence
    )
