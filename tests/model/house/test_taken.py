"""How a measure was taken: its error, what is said of it, and that saying nothing changes nothing."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from eavefall_model.advice import OfficeSettings, answer
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.errors import SurveyError
from eavefall_model.house.house import House, build_house
from eavefall_model.house.streams import Streams
from eavefall_model.house.tree_kinds import gather
from eavefall_model.sighting.measured import bearing_taken_text, length_taken_text
from eavefall_model.survey import Survey, TakenBearing, TakenLength
from eavefall_model.survey_io import dump_survey, parse_survey, survey_from_data

FOOT_M = 0.3048


def survey(tree: dict[str, Any] | None = None, eave: dict[str, Any] | None = None) -> Survey:
    return survey_from_data(
        {
            "name": "h",
            "eaves": [{"name": "back", "length": "12 m", "height": "3 m", "facing": "N", **(eave or {})}],
            "trees": [
                {
                    "name": "pine", "species": "Pinus strobus", "eave": "back", "distance": "6 m",
                    "height": "18 m", "bearing": "N", **(tree or {}),
                }
            ],
        }
    )  # fmt: skip


def house(of: Survey) -> House:
    return build_house(of, gather(of, {}, {}), Streams(3, 4000), load_rules().numbers())


def relative_sd(draws: np.ndarray) -> float:
    return float(np.std(np.log(draws)))


@pytest.mark.parametrize(
    ("taken", "expected"),
    [
        (None, 0.03),
        ({"how": "typed"}, 0.03),
        ({"how": "taped"}, (0.02 + 0.06) / 6),
        ({"how": "paced"}, (0.2 + 0.48) / 6),
        ({"how": "drawn"}, (0.6 + 0.9) / 6),
        ({"how": "paced", "sd": "3 m"}, 0.5),
        ({"how": "angle", "sd": "60 cm"}, 0.1),
        ({"how": "default"}, 0.6),
    ],
)
def test_the_way_of_measuring_is_the_spread_of_the_draws(taken, expected):
    of = survey({} if taken is None else {"taken": {"distance": taken}})
    distance = house(of).distance_m[:, 0]
    assert np.median(distance) == pytest.approx(6.0, rel=0.005 + 4 * expected / 4000**0.5)
    assert relative_sd(distance) == pytest.approx(expected, rel=0.05)


def test_a_default_is_listed_and_can_be_asked_for():
    built = house(survey({"taken": {"distance": {"how": "default"}}}))
    assert "trees[0].distance" in {each.field for each in built.assumed}
    assert next(each for each in built.inputs if each.key == "trees[0].distance").missing


def test_an_eaves_height_and_a_bearing_too():
    sure = house(survey(eave={"taken": {"height": {"how": "photo", "sd": "3 cm"}}}))
    rough = house(survey(eave={"taken": {"height": {"how": "photo", "sd": "60 cm"}}}))
    assert relative_sd(sure.roofs.eave_height_m[:, 0]) < 0.02 < relative_sd(rough.roofs.eave_height_m[:, 0])
    near = house(survey({"taken": {"bearing": {"how": "angle", "sd": "2 deg"}}}))
    far = house(survey({"taken": {"bearing": {"how": "angle", "sd": "20 deg"}}}))
    assert near.along_m.std() < 0.3 * far.along_m.std()


def test_how_sure_a_facing_is_turns_the_house_as_a_whole():
    plain = house(survey())
    assert plain.eaves.facing_deg.shape == (1, 1)
    read = survey(eave={"facing": "N", "taken": {"facing": {"how": "angle", "sd": "20 deg"}}})
    turned = house(read)
    assert turned.eaves.facing_deg.std() == pytest.approx(20, rel=0.05)
    assert turned.eaves.facing_deg.mean() == pytest.approx(0, abs=1)
    # A tree seen from the middle of the house stands farther off the middle of an eave that may be turned.
    assert turned.along_m.std() > 1.5 * plain.along_m.std()
    (asked,) = [each for each in turned.inputs if each.key == "eaves[0].facing"]
    assert (asked.missing, asked.how) == (False, "angle")
    two = survey_from_data(
        {
            "name": "h",
            "eaves": [
                {"name": name, "facing": facing, "taken": {"facing": {"how": "drawn"}}}
                for name, facing in (("a", "N"), ("b", "E"))
            ],
        }
    )
    corners = np.diff(house(two).eaves.facing_deg, axis=1)
    assert corners == pytest.approx(np.full_like(corners, 90.0))


def test_a_rough_compass_reaches_the_ranges():
    """A tree past one end of a short eave: which way the wall faces decides how far off it stands."""

    def loads(**eave):
        of = survey({"distance": "3 m", "bearing": "NE"}, {"length": "6 m", **eave})
        return answer(of, (), OfficeSettings(draws=2000)).eaves[0].litter_kg_per_m_year

    rough, plain = loads(taken={"facing": {"how": "angle", "sd": "40 deg"}}), loads()
    # Turned toward the tree, it stands before the eave: more litter than past its end.
    assert rough.typical > 1.01 * plain.typical
    assert (rough.low, rough.high) != (plain.low, plain.high)


def test_a_rough_direction_can_be_worth_taking_again():
    steps = answer(
        survey({"taken": {"bearing": {"how": "angle", "sd": "60 deg"}}}), (), OfficeSettings(draws=300)
    )
    asked = {each.key: each for each in house(survey({"taken": {"bearing": {"how": "angle"}}})).inputs}
    assert asked["trees[0].bearing"].draws.std() == pytest.approx(10, rel=0.05)
    assert all("compass" in step.sentence for step in steps.measure_next if step.input == "trees[0].bearing")


def test_saying_that_it_was_typed_changes_no_byte():
    plain = answer(survey(), (), OfficeSettings(draws=300))
    typed = survey({"taken": {"distance": {"how": "typed"}, "height": {"how": "typed"}}})
    assert answer(typed, (), OfficeSettings(draws=300)).model_dump_json() == plain.model_dump_json()


def test_a_guess_that_matters_is_worth_taking_again_and_it_is_said_how_it_was_taken():
    guessed = answer(
        survey({"taken": {"distance": {"how": "paced", "sd": "4 m"}}}), (), OfficeSettings(draws=1000)
    )
    steps = {step.input: step.sentence for step in guessed.measure_next}
    assert steps["trees[0].distance"].startswith("Worth repeating (so far by paces): measure the distance")


def test_it_is_read_back_as_written():
    of = survey(
        {"taken": {"height": {"how": "angle", "sd": "2 ft"}, "bearing": {"how": "angle", "sd": "9 deg"}}}
    )
    assert parse_survey(dump_survey(of)) == of
    assert of.trees[0].taken.height.sd_m == pytest.approx(2 * FOOT_M)
    assert "taken" not in dump_survey(survey())


@pytest.mark.parametrize("taken", [{"height": {"how": "guessed"}}, {"height": {"how": "angle", "sd": "2"}}])
def test_an_unknown_way_or_a_bare_number_is_refused(taken):
    with pytest.raises(SurveyError):
        survey({"taken": taken})


def test_how_it_is_said():
    angle = TakenLength(how="angle", sd_m="2 ft")
    assert length_taken_text(32 * FOOT_M, angle, "us") == "32\u00a0ft, by angle, ±\u00a02\u00a0ft"
    assert length_taken_text(10.0, angle, "metric") == "10.0\u00a0m, by angle, ±\u00a061\u00a0cm"
    assert length_taken_text(32 * FOOT_M, None, "us") == "32\u00a0ft"
    small = TakenLength(how="photo", sd_m="1 mm")
    assert length_taken_text(1.0, small, "us").endswith("±\u00a01\u00a0in")
    assert bearing_taken_text(315, TakenBearing(how="angle")) == "NW, by compass, ±\u00a010°"
    assert bearing_taken_text(315, None) == "NW"
