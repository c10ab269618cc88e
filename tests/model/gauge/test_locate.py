"""References and the plane they give, on pictures drawn to size; what is none is refused in words."""

import numpy as np
import pytest

from eavefall_model.gauge.locate import Located, locate_reference
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.references import layout_for
from eavefall_model.gauge.schema import Refusal


@pytest.mark.parametrize("turn", [0, 35, 90, 200])
def test_a_card_gives_a_plane_with_millimeters_both_ways(canvas, turn):
    picture = canvas(130, 110, 9.0)
    picture.card(65, 55, turn)
    found = locate_reference(picture.paint(), "card")
    assert isinstance(found, Located)
    # Drawn flat, a card is as large as one 0.76 mm nearer: half a percent at most.
    assert found.plane.px_per_mm == pytest.approx(9.0, rel=0.006)
    points = np.array([[200.0, 150.0], [900.0, 700.0]])
    there = found.plane.to_mm(points)
    assert found.plane.to_px(there) == pytest.approx(points, abs=0.01)
    assert np.hypot(*(there[1] - there[0])) == pytest.approx(np.hypot(700, 550) / 9.0, rel=0.008)
    assert found.outline_px.mean(axis=0) == pytest.approx([65 * 9, 55 * 9], abs=3)


@pytest.mark.parametrize("turn", [0, 10])
@pytest.mark.parametrize(
    ("size", "radius"),
    [((85.0, 55.0), 0.01), ((88.9, 50.8), 0.01), ((90.0, 50.0), 0.01), ((105.0, 60.0), 3.9)],
)
def test_a_business_card_or_a_piece_of_paper_is_no_bank_card(canvas, size, radius, turn):
    picture = canvas(130, 110, 9.0)
    picture.card(65, 55, turn, size=size, radius=radius)
    found = locate_reference(picture.paint(), "card")
    assert isinstance(found, Refusal)
    assert found.reason == "no-reference"


def test_a_card_that_differs_in_color_only_is_found(canvas, as_photo):
    picture = canvas(130, 110, 9.0, ground=0.4)
    picture.card(65, 55, 10, light=0.0)
    mask = picture.paint(noise=0.0).rgb[..., 0].astype(float) / 170.0
    red, gray = np.array([255, 90, 90]), np.array([140, 140, 140])
    rgb = np.clip(red + (gray - red) * mask[..., None], 0, 255).astype(np.uint8)
    found = locate_reference(as_photo(rgb), "card")
    assert isinstance(found, Located)
    assert found.plane.px_per_mm == pytest.approx(9.0, rel=0.015)


@pytest.mark.parametrize("inner", [0.62, 0.78])
def test_a_coin_of_two_metals_is_its_outer_rim(canvas, inner):
    picture = canvas(80, 60, 11.0)
    picture.coin(40, 30, 25.75, light=0.45)
    picture.coin(40, 30, 25.75 * inner, light=0.25)
    found = locate_reference(picture.paint(), "coin:euro-2")
    assert isinstance(found, Located)
    # Drawn flat: the outline is as large as the rim, whatever height is taken for it.
    radius_px = np.hypot(*(found.outline_px - found.outline_px.mean(axis=0)).T).mean()
    assert radius_px == pytest.approx(25.75 / 2 * 11.0, rel=0.005)


def test_all_coins_are_named_and_sizes_that_leave_it_open_are_refused(canvas):
    picture = canvas(100, 60, 11.0)
    picture.coin(25, 30, 24.26)
    picture.coin(70, 30, 24.26)
    found = locate_reference(picture.paint(), "coin:us-quarter")
    assert isinstance(found, Located)
    assert "2 coins seen" in found.notes[0]
    assert "us-quarter" in found.notes[0]
    other = canvas(100, 60, 11.0)
    other.coin(25, 30, 24.26)
    other.coin(70, 30, 21.21)
    refused = locate_reference(other.paint(), "coin:us-quarter")
    assert isinstance(refused, Refusal)
    assert refused.reason == "references-disagree"


@pytest.mark.parametrize("printed", [0.94, 1.0, 1.04])
def test_a_card_on_the_sheet_proves_and_corrects_its_print(canvas, printed):
    width, height = layout_for("letter").page_mm
    picture = canvas(width, height, 8.5, 0.8)
    picture.sheet(printed)
    picture.card(108, 150, 20)
    found = locate_reference(picture.paint(), "sheet")
    assert isinstance(found, Located)
    assert found.plane.px_per_mm == pytest.approx(8.5, rel=0.008)
    said = " ".join(found.notes)
    assert ("corrected" in said) == (printed != 1.0)
    assert found.plane.px_per_mm_sd < 0.01 * found.plane.px_per_mm


def test_a_sheet_without_a_check_says_so(canvas):
    width, height = layout_for("letter").page_mm
    picture = canvas(width, height, 8.5, 0.8)
    picture.sheet()
    found = locate_reference(picture.paint(), "sheet")
    assert isinstance(found, Located)
    assert "not checked" in found.weakest
    assert found.plane.px_per_mm_sd > 0.015 * found.plane.px_per_mm


@pytest.mark.parametrize("turn_deg", [17, 60])
def test_ruled_paper_is_refused_and_named(canvas, turn_deg):
    picture = canvas(150, 110, 9.0)
    turn = np.radians(turn_deg)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    for k in range(-25, 26):
        middle = np.array([75, 55]) + across * 8 * k
        a, b = middle - along * 130, middle + along * 130
        picture.polygon(np.array([a, b, b + across * 0.3, a + across * 0.3]), 0.45)
    picture.card(50, 35)
    picture.needle(30, 85, 40, 30.0, 1.0)
    result = measure(picture.paint(), "card", name="ruled")
    assert result.refused is not None
    assert result.refused.reason == "ruled-paper"
    assert "8 mm" in result.refused.message


def test_what_lies_on_the_table_beyond_the_paper_is_not_measured(canvas):
    picture = canvas(190, 130, 9.0, ground=0.12)
    picture.polygon(np.array([[10, 10], [125, 10], [125, 120], [10, 120]]), 0.75)
    picture.card(65, 45)
    picture.needle(30, 100, 0, 50.0, 1.0)
    for k in range(6):
        picture.needle(140, 20 + 17 * k, 5, 40.0, 1.0, 0.5)
    result = measure(picture.paint(), "card", name="table")
    assert [n.length_mm for n in result.needles] == pytest.approx([50.0], abs=0.5)
