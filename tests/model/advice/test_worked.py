"""Twenty houses against the answer an experienced estimator would give, written before the engine ran."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import yaml

from eavefall_model.advice.assess import assess
from eavefall_model.advice.validate import faults
from eavefall_model.survey import Survey

HOUSES: list[dict[str, Any]] = yaml.safe_load(
    Path(__file__).with_name("worked_surveys.yaml").read_text(encoding="utf-8")
)


def test_there_are_twenty_and_each_says_why() -> None:
    assert len(HOUSES) == 20
    assert len({house["name"] for house in HOUSES}) == 20
    assert all(len(house["why"]) > 20 and len(house["story"]) > 20 for house in HOUSES)


def test_the_engine_agrees_with_most_of_them() -> None:
    rows = []
    for house in HOUSES:
        survey = {"name": house["name"], **house["survey"]}
        advice = assess(Survey.model_validate(survey), draws=600)
        assert faults(advice) == ()
        # How fine is another question than whether it is worth it: an owner who wants none of the work asks
        # it.
        never = Survey.model_validate({**survey, "household": {"cleanings_per_year": 0.2}})
        answers = {advice.fineness_class, assess(never, draws=600).fineness_class}
        rows.append((house["class"] in answers, house["name"], house["class"], advice.fineness_class))
    differs = "; ".join(f"{name}: {wanted}, not {found}" for same, name, wanted, found in rows if not same)
    assert sum(same for same, *_ in rows) >= 15, differs
