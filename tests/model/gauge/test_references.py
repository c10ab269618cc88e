"""Sizes against the issuing bodies' figures."""

import pytest

from eavefall_model.errors import GaugeError
from eavefall_model.gauge.references import COINS, PAPERS_MM, parse_reference


def test_card_is_id_1():
    # ISO/IEC 7810: 85.60 x 53.98 mm, thickness 0.76 mm, corner radius 2.88 to 3.48 mm
    card = parse_reference(" Card ")
    assert card.size_mm == (85.60, 53.98)
    assert card.thick_mm == 0.76
    assert card.corner_mm == 3.48


@pytest.mark.parametrize(
    ("name", "inches"),
    # US Mint, coin specifications: diameters in inches beside the millimeters
    [("us-cent", 0.750), ("us-nickel", 0.835), ("us-dime", 0.705), ("us-quarter", 0.955),
     ("us-half-dollar", 1.205), ("us-dollar", 1.043)],
)  # fmt: skip
def test_us_coins_agree_with_their_inches(name, inches):
    assert COINS[name][0] == pytest.approx(inches * 25.4, abs=0.011)


def test_papers():
    assert PAPERS_MM["letter"] == pytest.approx((8.5 * 25.4, 11 * 25.4))
    width, height = PAPERS_MM["a4"]  # ISO 216: one sixteenth of a square meter, sides as 1 : sqrt 2
    assert height / width == pytest.approx(2**0.5, abs=0.001)
    assert width * height == pytest.approx(1e6 / 16, rel=0.003)


def test_coin_by_diameter_takes_the_known_thickness():
    assert parse_reference("coin:24.26").thick_mm == 1.75
    assert parse_reference("coin:24,26").size_mm == (24.26, 24.26)
    assert parse_reference("coin:us-quarter").size_mm == (24.26, 24.26)
    assert parse_reference("coin:22.0").thick_sd_mm > parse_reference("coin:24.26").thick_sd_mm


@pytest.mark.parametrize("text", ["", "coin", "coin:9", "coin:400", "coin:us-shilling", "cards", "a3"])
def test_unknown_reference_says_what_may_be_written(text):
    with pytest.raises(GaugeError) as caught:
        parse_reference(text)
    assert caught.value.code == "gauge-reference-unknown"
    assert "coin:24.26" in caught.value.hint
