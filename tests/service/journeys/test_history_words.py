"""The log in words and units: worked examples."""

from __future__ import annotations

import pytest

from eavefall_service.journeys.history_words import action_text, changes_of

TREE = {"name": "Pine", "distance": "5.334 m", "form": "long_needle"}


def plain(lines: tuple[str, ...]) -> list[str]:
    return [line.replace("\u00a0", " ") for line in lines]


@pytest.mark.parametrize(
    ("before", "after", "us", "metric"),
    [
        # 17.5 ft is 5.334 m; tan(26.565 deg) is 6/12.
        (TREE, {**TREE, "distance": "20 ft"}, "distance to the eave: from 17 ft 6 in to 20 ft",
         "distance to the eave: from 5.3 m to 6.1 m"),
        ({"pitch": "26.565051177 deg"}, {"pitch": "4/12"}, "pitch: from 6/12 to 4/12",
         "pitch: from 27° to 18°"),
        ({"gutter": {"width": "0.127 m"}}, {"gutter": {}}, "gutter's width: 5 in, removed",
         "gutter's width: 127 mm, removed"),
        ({"facing": "315 deg"}, {"facing": "N"}, "faces: from NW to N", "faces: from NW to N"),
        ({}, {"rain": {"intensity": "100 mm/h"}}, "design rain: 3.9 in/h", "design rain: 100 mm/h"),
        ({"wildfire": None}, {"wildfire": True}, "wildfire area: yes", "wildfire area: yes"),
        (TREE, {**TREE, "form": "broad_leaf"}, "kind: from long needles to broad leaves",
         "kind: from long needles to broad leaves"),
    ],
)  # fmt: skip
def test_a_change_is_said_from_what_to_what(before: dict, after: dict, us: str, metric: str) -> None:
    detail = {"before": before, "after": after, "once": "f81c2d"}
    assert plain(changes_of(detail, "us")) == [us]
    assert plain(changes_of(detail, "metric")) == [metric]


def test_what_only_programs_need_is_left_out() -> None:
    assert changes_of({"photo": "photo-01", "shows": "closeup", "bytes": 140173, "once": "a"}, "us") == (
        "photo: photo-01",
        "shows: leaf close-up",
    )
    assert changes_of({"class": None, "note": "", "interval_months": None}, "us") == ()


def test_text_that_is_not_a_length_is_said_as_typed() -> None:
    assert changes_of({"before": None, "after": {"height": "tall_ish"}}, "us") == ("height: tall_ish",)


def test_who_it_was_given_to() -> None:
    assert changes_of({"before": "", "after": "anna"}, "us") == ("from nobody to anna",)
    assert action_text("send back") == "Sent back with a question"
    assert action_text("tree changed") == "Tree changed"
