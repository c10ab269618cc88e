"""Material and price by arithmetic: meters with waste, and a range from low and high prices."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice import Advice, OfficeSettings, answer
from eavefall_model.survey import Prices, Survey

# Invented numbers.
PRICES = Prices(currency="USD", guard_per_m={"woven_micromesh": (10, 16)}, gutter_per_m=(5, 9))
EAVE: dict[str, Any] = {"name": "back", "length": "10 m", "roof_run": "4 m", "pitch": "6/12", "facing": "W"}


def advice(condition: str, *, outlets: int = 2, prices: Prices | None = PRICES) -> Advice:
    eave = {
        **EAVE,
        "inside_corners": 1,
        "outside_corners": 2,
        "gutter": {"condition": condition},
        "downspout": {"outlets": outlets},
    }
    pines = {"name": "pines", "species": "Pinus strobus", "count": 3, "distance": "3 m", "height": "20 m"}
    survey = Survey.model_validate({"name": "h", "eaves": [eave], "trees": [pines]})
    return answer(survey, (), OfficeSettings(prices=prices, draws=300))


@pytest.mark.parametrize("condition", ["sound", "worn", "failing"])
def test_metres_and_prices(condition: str) -> None:
    given = advice(condition)
    assert given.recommended_guard == "woven_micromesh"
    off = given.eaves[0].take_off
    # A tenth of waste on ten meters, taken to a hundredth.
    assert off.waste_share == 0.1
    assert off.guard_m == pytest.approx(11, rel=0.01)
    assert off.gutter_m == (0.0 if condition == "sound" else off.guard_m)
    low = off.guard_m * 10 + off.gutter_m * 5
    high = off.guard_m * 16 + off.gutter_m * 9
    assert off.price_low == pytest.approx(low, abs=0.2)
    assert off.price_high == pytest.approx(high, abs=0.2)
    assert off.currency == "USD"
    assert "Not a quote" in off.note
    assert (off.corners, off.ends, off.outlets) == (3, 2, 2)


def test_the_offices_prices_stand_for_those_of_the_survey() -> None:
    plain = advice("sound", prices=None).eaves[0].take_off
    assert (plain.price_low, plain.price_high, plain.currency, plain.note) == (None, None, None, "")
    lacking = advice("worn", prices=PRICES.model_copy(update={"gutter_per_m": None})).eaves[0].take_off
    assert lacking.price_low is None
    assert "lack" in lacking.note
