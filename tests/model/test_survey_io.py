"""Survey text: round trips, and problems that name field, line, what was given and what would do."""

from __future__ import annotations

import pytest
import yaml
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model import yaml_lines
from eavefall_model.errors import ERROR_CODES
from eavefall_model.survey import Survey
from eavefall_model.survey_io import SurveyProblems, dump_survey, parse_survey, survey_from_data

GOOD = """
name: Lane end
photos:
  - {file: front.jpg, of: pine}
trees:
  - {name: pine, distance: 12 ft 6 in, eave: back, bearing: NW}
eaves:
  - {name: back, length: 40', pitch: 6/12, gutter: {width: 5"}}
rain: {intensity: 4 in/h, duration_min: 60, return_period_y: 100}
"""


def problems(text: str) -> list[tuple[str, str]]:
    with pytest.raises(SurveyProblems) as caught:
        parse_survey(text)
    for problem in caught.value.problems:
        assert problem.code in ERROR_CODES
    return [(problem.code, str(problem)) for problem in caught.value.problems]


def test_good_survey() -> None:
    survey = parse_survey(GOOD)
    assert survey.trees[0].distance_m == pytest.approx(3.81)
    assert survey.trees[0].bearing_deg == 315
    assert survey.eaves[0].length_m == pytest.approx(12.192)
    assert survey.eaves[0].pitch_deg == pytest.approx(26.565, abs=1e-3)
    assert survey.eaves[0].gutter.width_m == pytest.approx(0.127)
    assert survey.rain.intensity_mm_h == pytest.approx(101.6)
    assert survey.trees[0].height_m is None


def test_json_is_taken_too() -> None:
    assert parse_survey(parse_survey(GOOD).model_dump_json(exclude_none=True)) == parse_survey(GOOD)


lengths = st.floats(0, 500).map(lambda number: f"{number:.4f} m")
trees = st.fixed_dictionaries(
    {},
    optional={
        "distance": lengths,
        "height": lengths,
        "bearing": st.floats(0, 359).map(lambda b: round(b, 3)),
    },
)


@settings(max_examples=60, deadline=None)
@given(st.lists(trees, max_size=4), lengths, st.integers(1, 12))
def test_round_trip(drawn: list[dict[str, object]], length: str, month: int) -> None:
    data = {
        "name": "x",
        "month": month,
        "eaves": [{"name": "e", "length": length}],
        "trees": [{"name": f"t{number}", **tree} for number, tree in enumerate(drawn)],
    }
    survey = survey_from_data(data)
    assert parse_survey(dump_survey(survey)) == survey
    assert Survey.model_validate(survey.dump()) == survey


@pytest.mark.parametrize(
    ("change", "code", "words"),
    [
        (("12 ft 6 in", "12"), "survey-wrong-unit", ["trees[0].distance", "line 6", "'12'", "3.8 m"]),
        (("12 ft 6 in", "-2 m"), "survey-wrong-value", ["trees[0].distance", "negative"]),
        (("12 ft 6 in", "900 m"), "survey-wrong-value", ["trees[0].distance", "'900 m'", "500"]),
        (("distance", "distence"), "survey-unknown-field", ["distence", "'distance'"]),
        (("gutter: {width", "gutter: {widht"), "survey-unknown-field", ["eaves[0].gutter.widht", "'width'"]),
        (("pitch: 6/12", "pitch: 372"), "survey-wrong-unit", ["eaves[0].pitch", "6/12"]),
        (('width: 5"', "width: 5 ft"), "survey-wrong-value", ["eaves[0].gutter.width", "at most", "2 ft"]),
        (("eave: back", "eave: bakc"), "survey-unknown-name", ["trees[0].eave", "'back'"]),
        (("of: pine", "of: oak"), "survey-unknown-name", ["photos[0].of", "pine"]),
        (("name: Lane end\n", "\n"), "survey-missing-field", ["name"]),
        (("bearing: NW", "bearing: uphill"), "survey-wrong-unit", ["trees[0].bearing", "NW"]),
        (("duration_min: 60", "duration_min: 0"), "survey-wrong-value", ["rain.duration_min", "0"]),
        (("NW}", "NW, form: conifer}"), "survey-wrong-value", ["trees[0].form", "long_needle"]),
        (("NW}", "NW, count: 0}"), "survey-wrong-value", ["trees[0].count"]),
    ],
)
def test_one_mistake(change: tuple[str, str], code: str, words: list[str]) -> None:
    found = problems(GOOD.replace(*change))
    assert [one[0] for one in found] == [code]
    for word in words:
        assert word in found[0][1]


def test_all_mistakes_are_told_at_once() -> None:
    text = GOOD.replace("12 ft 6 in", "12").replace("40'", "far").replace("4 in/h", "4")
    assert [code for code, _ in problems(text)] == ["survey-wrong-unit"] * 3


def test_names_that_clash_are_not_hidden_behind_other_mistakes() -> None:
    text = GOOD.replace("12 ft 6 in", "12").replace("eaves:", "  - {name: pine}\neaves:")
    assert [code for code, _ in problems(text)] == ["survey-wrong-unit", "survey-duplicate-name"]


def test_a_word_stays_a_word() -> None:
    # YAML 1.1 reads 6:12 as 372 (base 60) and 2026-02-28 as a date; YAML 1.2 reads both as words.
    assert parse_survey(GOOD.replace("6/12", "6:12")) == parse_survey(GOOD)
    for note in ("2026-02-30", "2026-02-28", "12:30:15", "1.5.3"):
        assert parse_survey(f"note: {note}\n{GOOD}").note == note


def test_many_fields_are_checked_for_repeats_in_one_pass() -> None:
    class Counted(str):
        """Counts comparisons between names."""

        compared = 0

        def __eq__(self, other: object) -> bool:
            Counted.compared += 1
            return str.__eq__(self, other)

        __hash__ = str.__hash__

    root = yaml.compose("".join(f"field{at}: 1\n" for at in range(2000)), yaml.SafeLoader)
    for key, _ in root.value:
        key.value = Counted(key.value)
    yaml_lines._check(root)
    # Each against each would be two million.
    assert Counted.compared < 4000


def test_names_are_used_once() -> None:
    assert problems(GOOD + "drop_tests: [{opening_mm: 0.5, dropped: 5, passed: 4, lodged: 2, tree: pin}]")[0][
        0
    ] == ("survey-unknown-name")
    twice = GOOD.replace("eaves:", "  - {name: pine}\neaves:")
    assert problems(twice) == [
        ("survey-duplicate-name", "trees[1]: the name 'pine' is used twice. Give each its own name.")
    ]


def test_drop_test_counts_each_needle_once() -> None:
    text = GOOD + "drop_tests: [{opening_mm: 0.5, dropped: 5, passed: 4, lodged: 2}]"
    assert problems(text)[0][0] == "survey-wrong-value"


def test_gauge_photo_needs_its_reference() -> None:
    text = GOOD.replace("of: pine}", "of: pine, shows: gauge}")
    assert problems(text)[0][0] == "survey-missing-field"


@pytest.mark.parametrize(
    "text",
    [
        "",
        "just words",
        "- a\n- b",
        "name: [",
        "name: x\nname: y",
        "a: &x [1]\nb: *x",
        "\tname: x",
        "name: \x00",
        "[" * 5000,
        "x" * 1_000_001,
    ],
)
def test_not_a_survey(text: str) -> None:
    assert problems(text)[0][0] == "survey-not-yaml"


def test_repeated_key_names_its_line() -> None:
    assert "Line 3" in problems("name: x\neaves: []\nname: y")[0][1]
