"""A homeowner's answers in the survey: put in, changed, taken back; the office's own entries stay."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.outcome import run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey_io import survey_from_data
from eavefall_service.journeys.prequote import (
    HOME_TREE,
    answered,
    document_with_answers,
    without_answers,
)

ANSWERS = {
    "near": "over",
    "tall": "twice",
    "storeys": "one",
    "kind": "needle",
    "roof": "tile",
    "cleaned": "2",
    "accept": "0.5",
}
EMPTY: dict[str, Any] = {"name": "7 Larkspur Bend", "eaves": [{"name": "Front"}]}


def stored(document: dict[str, Any]) -> dict[str, Any]:
    """As the survey's row keeps it."""
    return survey_from_data(document).dump()


def test_answers_go_into_the_survey_with_the_middle_of_their_bands() -> None:
    document = stored(answered(stored(EMPTY), {}, ANSWERS))
    assert document["trees"] == [
        {
            "name": HOME_TREE,
            "count": 1,
            "distance": "1.5 m",
            "overhang": "1.5 m",
            "height": "13.0 m",
            "foliage": "needle",
        }
    ]
    assert (document["eaves"][0]["height"], document["eaves"][0]["roof"]) == ("2.8 m", "tile")
    assert document["household"]["cleanings_per_year"] == 0.5
    assert "2 times a year" in document["note"]
    assert document["history"] == {"cleanings_per_year": 2.0}


def test_nearer_taller_and_over_the_roof_never_give_a_milder_answer() -> None:
    def waits(near: str, tall: str) -> np.ndarray:
        document = document_with_answers(EMPTY, {"near": near, "tall": tall, "kind": "needle"}, 1)
        survey = survey_from_data(document)
        found = run(survey, {}, {}, load_rules(), load_guards(), seed=0, draws=100)
        return np.asarray(found.guards["none"].house_months)

    for tall in ("roof", "twice", "taller"):
        by_distance = [waits(near, tall) for near in ("over", "car", "two_cars", "far")]
        for nearer, farther in pairwise(by_distance):
            assert (nearer <= farther + 1e-9).all()
    for near in ("over", "car", "far"):
        by_height = [waits(near, tall) for tall in ("taller", "twice", "roof", "eave")]
        for taller, lower in pairwise(by_height):
            assert (taller <= lower + 1e-9).all()


def test_taking_answers_back_leaves_the_survey_as_it_was() -> None:
    before = stored(EMPTY)
    document = stored(answered(before, {}, ANSWERS))
    assert document != before
    assert stored(without_answers(document, ANSWERS)) == before


def test_a_changed_answer_replaces_the_earlier_one() -> None:
    first = stored(answered(stored(EMPTY), {}, ANSWERS))
    later = {**ANSWERS, "near": "far", "storeys": "two", "roof": "slate", "cleaned": "1", "accept": "2"}
    assert stored(answered(first, ANSWERS, later)) == stored(answered(stored(EMPTY), {}, later))


def test_both_kinds_are_left_to_the_visit_and_not_lost() -> None:
    both = {**ANSWERS, "kind": "both"}
    before = stored(EMPTY)
    document = stored(answered(before, {}, both))
    assert "foliage" not in document["trees"][0]
    assert document["note"] == (
        "Cleaned now, by the household's word: 2 times a year. "
        "Needles and leaves both fall, by the household's word."
    )
    assert stored(without_answers(document, both)) == before
    # Thought again: the note follows.
    assert stored(answered(document, both, ANSWERS)) == stored(answered(before, {}, ANSWERS))
    assert answered(before, {}, {"kind": "both"})["note"] == (
        "Needles and leaves both fall, by the household's word."
    )


def test_what_the_office_entered_stays() -> None:
    document = stored(answered(stored(EMPTY), {}, ANSWERS))
    document["eaves"][0]["height"] = "3.3 m"
    document["trees"][0]["species"] = "Pinus strobus"
    document["note"] = "Gate code at the office."
    left = without_answers(document, ANSWERS)
    assert left["eaves"][0]["height"] == "3.3 m"
    assert left["trees"] == [{"name": HOME_TREE, "count": 1, "species": "Pinus strobus"}]
    assert left["note"] == "Gate code at the office."
    again = document_with_answers(left, {"near": "car"}, 1)
    assert again["trees"][0] == {
        "name": HOME_TREE,
        "count": 1,
        "species": "Pinus strobus",
        "distance": "3.0 m",
        "overhang": "0 m",
    }


def test_a_tree_with_a_drop_test_is_kept() -> None:
    test = {"opening_mm": 0.6, "dropped": 100, "passed": 0, "tree": HOME_TREE}
    document = stored({**answered(stored(EMPTY), {}, ANSWERS), "drop_tests": [test]})
    left = stored(without_answers(document, ANSWERS))
    assert [tree["name"] for tree in left["trees"]] == [HOME_TREE]
    assert stored(answered(left, {}, {}))["drop_tests"] == document["drop_tests"]


@pytest.mark.parametrize(("end", "distance", "height"), [(0, "0.5 m", "18.0 m"), (2, "3.0 m", "9.0 m")])
def test_ends_of_the_bands(end: int, distance: str, height: str) -> None:
    tree = document_with_answers(stored(EMPTY), ANSWERS, end)["trees"][0]
    assert (tree["distance"], tree["height"]) == (distance, height)
