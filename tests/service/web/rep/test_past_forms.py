"""What a guard tells, from taps into the survey; and a tree's name that means several is asked about."""

from __future__ import annotations

from typing import Any

from eavefall_model.survey_io import survey_from_data
from eavefall_service.web.survey_forms import changed_only, merged, site_of, which_trees

KEPT = {"history": {"last_cleaned_months_ago": 7, "overflowed": True}, "household": {"cleanings_per_year": 2}}


def change(**fields: str) -> dict[str, Any]:
    changed = changed_only({name.replace("was_", "was.", 1): text for name, text in fields.items()})
    return merged(KEPT, changed, site_of(changed))


def test_a_tap_about_a_guard_is_kept_beside_what_stood_there() -> None:
    new = change(now_covered_fifths="3", was_now_covered_fifths="")
    assert new["history"] == {"last_cleaned_months_ago": 7, "overflowed": True, "now_covered_fifths": 3}
    assert new["household"] == {"cleanings_per_year": 2}


def test_which_tree_is_asked_where_a_name_means_several() -> None:
    trees = [
        {"name": "street tree", "species": "sycamore"},
        {"name": "hedge", "species": "Thuja occidentalis"},
        {"name": "odd one", "species": "oack"},
    ]
    survey = survey_from_data({"name": "h", "eaves": [{"name": "front"}], "trees": trees})
    asked = which_trees(survey)
    assert set(asked) == {"street tree", "odd one"}
    assert len(asked["street tree"].choices) >= 2
    assert "Which one" in asked["street tree"].text
    # Each choice is a name that means one tree.
    chosen = [{**trees[0], "species": name} for name in asked["street tree"].choices]
    for tree in chosen:
        one = survey_from_data({"name": "h", "eaves": [{"name": "front"}], "trees": [tree]})
        assert which_trees(one) == {}
    assert asked["odd one"].choices == ()
    assert "oak" in asked["odd one"].text
