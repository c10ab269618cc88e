"""What the gutter itself tells, by its past and by a photo into it, stands beside what the trees say."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.advice import answer
from eavefall_model.advice.outcome import Outcome, covered_since, depth_since, run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.litter.history import looseness, seen_depth
from eavefall_model.reading import Reading
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import History, Survey
from eavefall_model.survey_io import parse_survey

from ..debris.test_gutter import fill, result


def survey(guard: str | None, **history: object) -> Survey:
    gutter = {"gutter": {"guard": guard}} if guard else {}
    eave = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "N", **gutter}
    pine = {"name": "pine", "species": "Pinus taeda", "distance": "6 m", "height": "18 m", "count": 2}
    return Survey.model_validate(
        {"name": "h", "month": 6, "eaves": [eave], "trees": [pine], "history": history}
    )


def months(guard: str | None, of: str, **history: object) -> tuple[float, float, float]:
    found = run(survey(guard, **history), {}, {}, load_rules(), load_guards(), seed=0, draws=600)
    low, middle, high = np.quantile(found.guards[of].house_months, (0.1, 0.5, 0.9))  # type: ignore[index]
    return float(low), float(middle), float(high)


def test_a_guards_own_past_narrows_and_moves_its_wait() -> None:
    none = months("woven_micromesh", "woven_micromesh")
    bare = months("woven_micromesh", "woven_micromesh", last_cleaned_months_ago=12, now_covered_fifths=0)
    full = months("woven_micromesh", "woven_micromesh", last_cleaned_months_ago=12, now_covered_fifths=5)
    assert full[1] < none[1] < bare[1]
    some = months("woven_micromesh", "woven_micromesh", last_cleaned_months_ago=12, now_covered_fifths=3)
    assert some[2] / some[0] < none[2] / none[0]
    # Water that ran over it speaks for a covered face.
    ran = months("woven_micromesh", "woven_micromesh", last_cleaned_months_ago=12, overflowed=True)
    dry = months("woven_micromesh", "woven_micromesh", last_cleaned_months_ago=12, overflowed=False)
    assert ran[1] <= dry[1]


def test_how_full_it_is_is_not_asked_of_a_guarded_gutter() -> None:
    told = months("woven_micromesh", "none", last_cleaned_months_ago=12, now_full_fifths=5)
    assert told == months("woven_micromesh", "none", last_cleaned_months_ago=12)


def test_what_the_trees_cannot_explain_is_taken_as_it_lies_there_and_asked() -> None:
    far = survey(None, last_cleaned_months_ago=2, now_full_fifths=5)
    far = far.model_copy(update={"trees": (far.trees[0].model_copy(update={"distance_m": 60.0}),)})
    found = run(far, {}, {}, load_rules(), load_guards(), seed=0, draws=400)
    assert found.told is not None
    assert found.told.scale > 1.5
    assert "past-and-trees" in {each.code for each in found.contradictions}
    alone = run(
        far.model_copy(update={"history": History()}), {}, {}, load_rules(), load_guards(), seed=0, draws=400
    )
    assert np.median(found.guards["none"].house_months) < np.median(alone.guards["none"].house_months) / 2


SURVEY = """
format: eavefall.survey/1
name: corner house
month: 11
photos:
- {{file: in.jpg, shows: gutter, of: front}}
trees:
- {{name: pine, species: loblolly pine, distance: 20 ft, height: 60 ft}}
eaves:
- {{name: front, length: 40 ft}}
history: {{{history}}}
"""
DATED = "last_cleaned_months_ago: 8"


def advice(full=None, history=DATED):
    seen = [] if full is None else [Reading("in.jpg", gutter=result(fill(full)))]
    return answer(parse_survey(SURVEY.format(history=history)), seen)


def rules(told):
    return {each.rule: each for each in told.reasons}


def test_a_fill_with_a_date_changes_how_fast_the_gutter_fills_and_a_reason_names_it():
    before, emptier, fuller = advice(), advice(0.15), advice(0.9)
    waits = [each.interval_unguarded_months.typical for each in (fuller, before, emptier)]
    assert waits[0] <= waits[1] <= waits[2]
    assert waits[0] < waits[2]
    said = rules(fuller)["gutter-photo-counted"]
    assert said.sentence.startswith("A photo into the gutter of front shows it 90% full")
    assert "mostly needles" in said.sentence
    assert fuller.past is not None
    # The same filling told by a person says nearly the same.
    told = advice(history=DATED + ", now_full_fifths: 4.5, eave: front")
    assert told.interval_unguarded_months.typical == pytest.approx(waits[0], rel=0.35)


def test_without_a_readable_photo_nothing_changes():
    told = advice()
    assert told == answer(
        parse_survey(SURVEY.format(history=DATED)), [Reading("in.jpg", gutter=result(None))]
    )
    assert not [rule for rule in rules(told) if rule.startswith("gutter-photo")]


def test_a_fill_without_a_date_asks_for_one_and_changes_nothing():
    before, told = advice(history=""), advice(0.9, history="")
    assert told.interval_unguarded_months == before.interval_unguarded_months
    assert "not known" in rules(told)["gutter-photo-undated"].sentence


def test_what_a_person_said_stands_and_a_photo_that_differs_is_a_question():
    said = DATED + ", now_full_fifths: 1, eave: front"
    told = advice(0.9, history=said)
    assert told.interval_unguarded_months == advice(history=said).interval_unguarded_months
    assert [each.code for each in told.questions if each.code.startswith("gutter")] == [
        "gutter-photo-and-past"
    ]
    assert not [each for each in advice(0.25, history=said).questions if each.code.startswith("gutter")]


def outcome(guard: str | None, **history: object) -> Outcome:
    return run(survey(guard, **history), {}, {}, load_rules(), load_guards(), seed=0, draws=600)


def test_when_a_cleaning_is_due_the_gutter_is_as_full_as_makes_it_due() -> None:
    found = outcome(None)
    wait = float(np.median(found.guards["none"].months[:, 0]))
    depth = depth_since(found.gutter, 0, wait, found.survey.month, found.settings)
    due = seen_depth(found.settings["fill_share"], looseness(found.streams.normal("history.loose")))
    assert float(np.median(depth)) == pytest.approx(float(np.median(due)), rel=0.25)


def test_when_a_guard_is_due_its_face_is_as_covered_as_makes_it_due() -> None:
    guard = outcome("woven_micromesh").guards["woven_micromesh"]
    found = outcome("woven_micromesh")
    face = np.array([stage.code for stage in guard.stages])
    assert (face == 1).sum() == 1
    wait = float(np.median(guard.months[guard.first[:, 0] == 1, 0]))
    covered = covered_since(guard.stages, 0, found.sources.past, wait, found.survey.month, found.settings)
    assert float(np.median(covered)) == pytest.approx(found.settings["blinded_limit"], rel=0.25)
    assert (covered_since(guard.stages, 0, found.sources.past, 0.0, 6, found.settings) == 0).all()


def questions(found: Outcome) -> dict[str, tuple[object, ...]]:
    return {each.code: each.values for each in found.contradictions}


def test_a_gutter_as_full_as_its_trees_say_asks_nothing_and_an_empty_one_does() -> None:
    plain = outcome(None, last_cleaned_months_ago=8, now_full_fifths=2).told
    assert plain is not None
    assert plain.expected_fill is not None
    right = outcome(None, last_cleaned_months_ago=8, now_full_fifths=5 * plain.expected_fill)
    assert right.told is not None
    assert right.told.scale == 1
    assert "past-and-trees" not in questions(right)
    empty = outcome(None, last_cleaned_months_ago=60, now_full_fifths=0)
    assert empty.told is not None
    assert empty.told.scale < 1
    assert questions(empty)["past-and-trees"] == (0, empty.told.expected_fill)
    # Of a guard's face nobody knows so well.
    bare = outcome("woven_micromesh", last_cleaned_months_ago=60, now_covered_fifths=0)
    assert bare.told is not None
    assert bare.told.scale == 1
    assert "past-and-trees" not in questions(bare)


@pytest.mark.parametrize(("seen", "asked"), [(0.2, False), (0.35, False), (0.85, True), (1.0, True)])
def test_a_photo_and_a_person_that_say_about_the_same_ask_nothing(seen: float, asked: bool) -> None:
    told = advice(seen, history=DATED + ", now_full_fifths: 1, eave: front")
    found = [each for each in told.questions if each.code == "gutter-photo-and-past"]
    assert bool(found) == asked
    if found:
        assert "20%" in found[0].sentence or "1 of 5" in found[0].sentence
        assert f"{seen:.0%}" in found[0].sentence
