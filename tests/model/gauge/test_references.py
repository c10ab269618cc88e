"""Sizes against the issuing bodies' figures."""

from itertools import pairwise

import pytest

from eavefall_model.errors import GaugeError
from eavefall_model.gauge.references import (
    COINS,
    MARKER_MM,
    PAPERS_MM,
    layout_for,
    paper_of_marker,
    parse_reference,
)


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


def test_each_reference_says_how_well_its_size_is_known():
    card, sheet = parse_reference("card"), parse_reference("sheet")
    # ISO/IEC 7810 allows 85.47 to 85.72 mm: 0.12 mm to either side is taken for two standard deviations.
    assert card.size_rel_sd == pytest.approx(0.06 / 85.6, rel=0.01)
    assert 0 < card.thick_sd_mm < 0.1 * card.thick_mm
    assert (sheet.size_mm, sheet.thick_mm, sheet.corner_mm) == ((0.0, 0.0), 0.0, 0.0)
    assert sheet.kind == "sheet"
    # A tenth of a millimeter in a hundred.
    assert sheet.size_rel_sd == 0.001
    assert 0 < sheet.thick_sd_mm <= 0.1
    for name in ("a4", "letter"):
        page = parse_reference(name.upper())
        assert (page.name, page.kind, page.size_mm) == (name, "paper", PAPERS_MM[name])
        # 0.3 mm in 300.
        assert page.size_rel_sd == 0.001
        assert page.corner_mm == 0.0
        assert 0 < page.thick_sd_mm <= 0.1
    for name, (across, thick) in COINS.items():
        coin = parse_reference(f"coin:{name}")
        assert (coin.kind, coin.size_mm, coin.thick_mm) == ("coin", (across, across), thick)
        # Two hundredths of a millimeter.
        assert coin.size_rel_sd == pytest.approx(0.02 / across)
        assert 0 < coin.thick_sd_mm <= 0.05


def test_a_coin_of_unknown_make_has_a_thickness_as_coins_have():
    coin = parse_reference("coin:22.0 mm")
    thick = [each for _, each in COINS.values()]
    assert coin.thick_mm == pytest.approx((min(thick) + max(thick)) / 2, abs=0.03)
    # All of them within two standard deviations.
    assert max(abs(each - coin.thick_mm) for each in thick) < 2 * coin.thick_sd_mm
    # By its diameter to a hundredth it is a coin we know.
    for name, (across, thick_mm) in COINS.items():
        same = [size for size, _ in COINS.values() if size == across]
        if len(same) == 1:
            assert parse_reference(f"coin:{across}").thick_mm == thick_mm, name
    assert parse_reference("coin:24.27").thick_mm == coin.thick_mm


@pytest.mark.parametrize(("size", "known"), [("14", True), ("13.9", False), ("40", True), ("40.1", False)])
def test_coins_from_14_to_40_mm_are_believed(size, known):
    if known:
        assert parse_reference(f"coin:{size}").size_mm[0] == float(size)
    else:
        with pytest.raises(GaugeError):
            parse_reference(f"coin:{size}")


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_twelve_markers_lie_evenly_round_the_field(paper):
    layout = layout_for(paper)
    width, height = PAPERS_MM[paper]
    assert layout.page_mm == (width, height)
    assert len(layout.markers) == 12
    assert all(paper_of_marker(number) == paper for number in layout.markers)
    # Mirrored left and right and top and bottom, in five rows at even distances.
    places = {(round(x, 6), round(y, 6)) for x, y in layout.markers.values()}
    assert {(round(width - MARKER_MM - x, 6), y) for x, y in places} == places
    assert {(x, round(height - MARKER_MM - y, 6)) for x, y in places} == places
    rows = sorted({y for _, y in places})
    assert len(rows) == 5
    assert [b - a for a, b in pairwise(rows)] == pytest.approx([(rows[-1] - rows[0]) / 4] * 4, abs=1e-5)
    assert sorted(y for _, y in places if y in (rows[0], rows[-1])) == [rows[0]] * 3 + [rows[-1]] * 3
    # 14 mm from every edge, and the field 4 mm from the markers, with the ruler's strip below it.
    assert min(x for x, _ in places) == min(y for _, y in places) == 14.0
    left, top, right, bottom = layout.field
    assert (left, top) == (14.0 + MARKER_MM + 4.0, 14.0 + MARKER_MM + 4.0)
    assert right == pytest.approx(width - left)
    assert bottom < rows[-1] - 4.0
    x0, y, length = layout.ruler
    assert x0 + length / 2 == pytest.approx(width / 2)
    assert bottom < y - 4 < y < rows[-1]
    for number, (x, y) in layout.markers.items():
        corners = layout.corners_mm(number)
        assert corners == ((x, y), (x + 16, y), (x + 16, y + 16), (x, y + 16))


def test_a_marker_of_neither_paper_is_nobodys():
    numbers = {paper: sorted(layout_for(paper).markers) for paper in ("letter", "a4")}
    assert not set(numbers["letter"]) & set(numbers["a4"])
    for number in range(50):
        expected = next((paper for paper, mine in numbers.items() if number in mine), None)
        assert paper_of_marker(number) == expected
