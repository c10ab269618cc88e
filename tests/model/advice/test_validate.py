"""The validator finds what types cannot."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.validate import faults
from eavefall_model.survey import Survey


@pytest.fixture(scope="module")
def good() -> dict[str, Any]:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "back"}],
            "trees": [{"name": "p", "species": "Pinus taeda", "distance": "3 m", "count": 4}],
        }
    )
    return assess(survey, draws=100).model_dump(mode="json")


def test_good_advice_has_no_faults(good: dict[str, Any]) -> None:
    assert faults(good) == ()


@pytest.mark.parametrize(
    ("path", "value", "begins"),
    [
        (("format",), "eavefall.advice/9", "format"),
        (("surprise",), 1, "surprise"),
        (("interval_months", "low"), 99.0, "interval_months"),
        (("interval_months", "high"), float("nan"), "interval_months"),
        (("class_probability", "fine"), 0.9, "class_probability"),
        (("clean_in",), [0, 13], "clean_in"),
        (("opening_mm",), None, "opening_mm"),
        (("opening_mm", "high_mm"), 9.0, "opening_mm"),
        (("guards", 1, "passes_share"), 1.5, "guards.wire_netting"),
        (("guards", 1, "kind"), "none", "guards"),
        (("guards", 0, "time_to_need", "share", 0), 1.0, "guards.none.time_to_need"),
        (("eaves", 0, "litter_by_month", 0, "kg_per_m"), [1.0], "eaves.back.litter_by_month"),
        (("reasons",), [], "reasons"),
        (("eaves", 0, "water", "margin"), "plenty", "eaves.0.water.margin"),
    ],
)
def test_faults_begin_with_the_field(
    good: dict[str, Any], path: tuple[Any, ...], value: Any, begins: str
) -> None:
    bad = copy.deepcopy(good)
    place = bad
    for step in path[:-1]:
        place = place[step]
    place[path[-1]] = value
    found = faults(bad)
    assert found
    assert any(fault.startswith(begins) for fault in found), found


def test_what_is_no_advice_at_all() -> None:
    assert faults(["advice"]) == ("format: not eavefall.advice/2",)
