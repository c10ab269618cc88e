"""How a measure was taken, from a form into the survey, and what typing over it does; and in the report."""

from __future__ import annotations

from eavefall_model.survey_io import survey_from_data
from eavefall_service.report.sources import measured_entries
from eavefall_service.web.pages import told_measure
from eavefall_service.web.survey_forms import changed_only, eave_of, merged, tree_of

PINE = {
    "name": "pine",
    "distance": "6 m",
    "height": "10 m",
    "taken": {"height": {"how": "angle", "sd": "0.6 m"}, "distance": {"how": "paced"}},
}


def change(**fields):
    changed = changed_only(fields)
    return merged(PINE, changed, tree_of(changed, "ft"))


def test_measured_anew_says_how_and_leaves_the_rest():
    new = change(height="12 m", **{"was.height": "10 m", "how.height": "photo", "sd.height": "1 ft"})
    assert new["height"] == "12 m"
    assert new["taken"] == {"height": {"how": "photo", "sd": "1 ft"}, "distance": {"how": "paced"}}


def test_typed_over_is_typed():
    new = change(height="12 m", **{"was.height": "10 m", "how.height": "", "sd.height": ""})
    assert new["taken"] == {"distance": {"how": "paced"}}


def test_untouched_stays_as_it_was_taken():
    assert change(height="10 m", **{"was.height": "10 m", "how.height": "", "sd.height": ""}) == PINE


def test_cleared_is_cleared():
    new = change(height="", distance="", **{"was.height": "10 m", "was.distance": "6 m"})
    assert new == {"name": "pine"}


def test_a_way_that_does_not_exist_is_typed():
    assert "taken" not in tree_of({"name": "oak", "height": "30 ft", "how.height": "dreamt"}, "ft")
    eave = eave_of({"name": "front", "length": "40", "how.length": "taped"}, "ft", "in")
    assert eave["taken"] == {"length": {"how": "taped"}}


def test_report_and_page_say_value_way_and_error():
    survey = survey_from_data({"name": "h", "eaves": [{"name": "front"}], "trees": [PINE]})
    (entry,) = measured_entries(survey, "us")
    assert entry.heading == "pine"
    assert entry.text.replace("\u00a0", " ") == (
        "distance 19 ft 8 in, by paces, ± 2.5 ft; height 33 ft, by angle, ± 2 ft"
    )
    assert told_measure(survey.trees[0], "height").replace("\u00a0", " ") == "33 ft, by angle, ± 2 ft"
    assert told_measure(survey.trees[0], "overhang") == ""
    plain = survey_from_data({"name": "h", "eaves": [{"name": "front", "length": "40 ft"}]})
    assert measured_entries(plain, "us") == ()
    assert told_measure(plain.eaves[0], "length") == "40\u00a0ft"
