"""Litter without a tree: by the roof's covering, a little everywhere, and said to be a judgement."""

from __future__ import annotations

from typing import get_args

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.species.blown_in import BLOWN_IN, COVERING_FACTOR, MOSSY_FACTOR
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import Covering


def _year_kg_m(**eave: object) -> float:
    house = {"name": "bare", "eaves": [{"name": "e", "length": "12 m", "roof_run": "5 m", **eave}]}
    return assess(Survey.model_validate(house)).eaves[0].litter_kg_per_m_year.typical


def test_every_covering_has_its_factor_and_metal_the_least() -> None:
    assert set(COVERING_FACTOR) == set(get_args(Covering))
    assert min(COVERING_FACTOR.values()) == COVERING_FACTOR["metal"]
    assert COVERING_FACTOR["shingle"] == 1.0


def test_a_house_without_trees_collects_a_little_more_from_shingles_than_from_metal() -> None:
    shingle, metal = _year_kg_m(roof="shingle"), _year_kg_m(roof="metal")
    assert 0 < metal < shingle < 0.1
    assert shingle / metal == pytest.approx(1 / COVERING_FACTOR["metal"], rel=0.05)
    assert _year_kg_m(roof="tile", shaded_or_mossy=True) > MOSSY_FACTOR * 0.9 * _year_kg_m(roof="tile")


def test_it_sums_to_one_and_says_that_nobody_measured() -> None:
    assert sum(part.litter_share for part in BLOWN_IN.parts) == pytest.approx(1.0)
    assert all(sum(part.month_share) == pytest.approx(1.0) for part in BLOWN_IN.parts)
    assert {part.mark for part in BLOWN_IN.parts} == {BLOWN_IN.litter_mark} == {"judgement"}
