"""The whole answer: same bytes for the same input, valid, linear in trees x eaves."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.schema import Advice
from eavefall_model.advice.validate import faults
from eavefall_model.survey import Survey

SPECIES = ("Pinus strobus", "Quercus rubra", "Acer rubrum", "Picea abies", "Pinus taeda", "Betula papyrifera")


def house(trees: int, eaves: int, **more: Any) -> Survey:
    return Survey.model_validate(
        {
            "name": "house",
            "eaves": [
                {
                    "name": f"eave {e}",
                    "length": "12 m",
                    "facing": (90 * e) % 360,
                    "inside_corners": 1,
                    "outside_corners": 2,
                }
                for e in range(eaves)
            ],
            "trees": [
                {
                    "name": f"tree {t}",
                    "species": SPECIES[t % 6],
                    "distance": f"{2 + t % 9} m",
                    "eave": f"eave {t % eaves}",
                }
                for t in range(trees)
            ],
            **more,
        }
    )


@pytest.fixture(scope="module")
def advice() -> Advice:
    return assess(house(4, 2), draws=400)


def test_the_same_input_gives_the_same_bytes(advice: Advice) -> None:
    assert assess(house(4, 2), draws=400).model_dump_json() == advice.model_dump_json()
    assert assess(house(4, 2), draws=400, seed=1).model_dump_json() != advice.model_dump_json()


def test_it_is_valid_and_comes_back_from_json(advice: Advice) -> None:
    assert faults(advice) == ()
    assert Advice.model_validate_json(advice.model_dump_json()) == advice


def test_another_seed_and_more_draws_tell_the_same_story(advice: Advice) -> None:
    again = assess(house(4, 2), draws=1500, seed=7)
    assert again.fineness_class == advice.fineness_class
    assert again.interval_unguarded_months.typical == pytest.approx(
        advice.interval_unguarded_months.typical, rel=0.2
    )


def test_failed_photos_and_model_are_passed_on() -> None:
    given = assess(house(1, 1), draws=50, failed_photos=["bad.jpg"], model_id="tagger 1")
    assert given.failed_photos == ("bad.jpg",)
    assert given.provenance.model == "tagger 1"
    assert (given.provenance.seed, given.provenance.draws) == (0, 50)


def test_take_off_counts_metres_with_waste_and_prices_are_no_quote() -> None:
    prices = {
        "currency": "USD", "guard_per_m": {"woven_micromesh": [20, 30]}, "gutter_per_m": [10, 15],
    }  # fmt: skip
    priced = assess(house(3, 1, prices=prices, household={"cleanings_per_year": 0}), draws=200)
    take = priced.eaves[0].take_off
    assert priced.recommended_guard == "woven_micromesh"
    # 12 m and a tenth for waste; the tape is a per cent uncertain.
    assert take.guard_m == pytest.approx(13.2, rel=0.01)
    assert take.gutter_m == 0
    assert (take.corners, take.ends) == (3, 2)
    assert take.price_low == pytest.approx(20 * take.guard_m, abs=0.01)
    assert take.price_high == pytest.approx(30 * take.guard_m, abs=0.01)
    assert "Not a quote" in take.note
    bare = assess(house(3, 1), draws=100).eaves[0].take_off
    assert bare.price_low is None


def test_a_price_that_is_lacking_is_said() -> None:
    lacking = assess(house(3, 1, prices={"guard_per_m": {}}, household={"cleanings_per_year": 0}), draws=100)
    assert lacking.eaves[0].take_off.price_low is None
    assert "lack" in lacking.eaves[0].take_off.note
