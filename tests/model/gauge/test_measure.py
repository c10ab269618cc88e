"""The whole gauge on pictures drawn to size, in every direction, and on what it must refuse."""

import numpy as np
import pytest

from eavefall_model.errors import GaugeError
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.references import layout_for
from eavefall_model.gauge.schema import REASONS


def nearest(result, x, y):
    def away(needle):
        axis = np.array(needle.axis_px)
        return np.hypot(*(axis.mean(axis=0) - [x, y]))

    return min(result.needles, key=away)


@pytest.mark.parametrize("ground", [0.75, 0.03])
def test_needles_beside_a_card_in_eight_directions(canvas, ground):
    # Needles near the middle: seen from above, a flat drawing and a round needle look alike.
    picture = canvas(260, 140, 10.0, ground)
    light = 0.08 if ground > 0.5 else 0.5
    picture.card(50, 35, 0, 0.2 if ground > 0.5 else 0.6)
    middle = {}
    for k, toward in enumerate(range(0, 360, 45)):
        x, y = 115 + 45 * (k % 2), 18 + 34 * (k // 2)
        turn = np.radians(toward)
        picture.needle(x - 15 * np.cos(turn), y - 15 * np.sin(turn), toward, 30.0, 1.0 + 0.1 * k, light)
        middle[k] = (x, y)
    result = measure(picture.paint(), "card", name="eight")
    assert result.refused is None
    assert len(result.needles) == 8
    for k, (x, y) in middle.items():
        needle = nearest(result, x * 10, y * 10)
        assert needle.complete
        # A card lies 0.76 mm above the needles; drawn flat, it reads about half a percent too near.
        assert needle.length_mm == pytest.approx(30.0, abs=0.5)
        assert needle.width_mm == pytest.approx(1.0 + 0.1 * k, abs=0.04)
        assert needle.thin_width_mm == pytest.approx(needle.width_mm, abs=0.04)
    assert result.summary.n == result.summary.n_complete == 8
    assert result.summary.form == "short_needle"


def test_the_printed_sheet_is_the_truest(canvas):
    width, height = layout_for("letter").page_mm
    picture = canvas(width, height, 9.0, 0.8)
    picture.sheet()
    picture.needle(60, 80, 20, 90.0, 1.2)
    picture.needle(150, 200, 250, 70.0, 0.8)
    result = measure(picture.paint(), "sheet", name="sheet")
    assert result.refused is None
    assert result.px_per_mm == pytest.approx(9.0, abs=0.02)
    assert result.tilt_deg < 1.5
    lengths = sorted(n.length_mm for n in result.needles)
    assert lengths == pytest.approx([70.0, 90.0], abs=0.4)
    assert sorted(n.width_mm for n in result.needles) == pytest.approx([0.8, 1.2], abs=0.03)
    assert result.summary.refusing_opening_mm in (0.71, 0.8)


def test_a_coin_gives_the_scale(canvas):
    picture = canvas(130, 100, 12.0)
    picture.coin(65, 50, 24.26)
    picture.needle(20, 15, 0, 60.0, 1.0)
    picture.needle(95, 40, 90, 45.0, 1.4)
    result = measure(picture.paint(), "coin:us-quarter", name="coin")
    assert result.refused is None
    assert sorted(n.length_mm for n in result.needles) == pytest.approx([45.0, 60.0], rel=0.03)
    assert sorted(n.width_mm for n in result.needles) == pytest.approx([1.0, 1.4], rel=0.04)


def test_same_photo_same_answer_and_input_untouched(canvas):
    picture = canvas(150, 110, 10.0)
    picture.card(50, 35)
    picture.needle(40, 85, 5, 80.0, 1.0)
    photo = picture.paint()
    before = photo.rgb.copy()
    assert measure(photo, "card", name="a") == measure(photo, "card", name="a")
    assert (photo.rgb == before).all()


def test_shade_that_parts_from_the_needles_widens_what_is_said_of_them(canvas):
    def said(away_mm):
        picture = canvas(170, 120, 10.0)
        picture.card(50, 35)
        for k in range(4):
            if away_mm:
                picture.needle(40 + 3 * k, 72 + 12 * k + away_mm, 4 * k, 66.0, 1.0, 0.6)
        for k in range(4):
            picture.needle(40 + 3 * k, 72 + 12 * k, 4 * k, 66.0, 1.0)
        result = measure(picture.paint(), "card", name="lifted")
        needles = [n for n in result.needles if n.length_mm > 60]
        return result.weakest, max(n.length_sd_mm for n in needles), max(n.width_sd_mm for n in needles)

    flat, lifted = said(0.0), said(1.8)
    assert "lifted" in lifted[0]
    assert "lifted" not in flat[0]
    assert lifted[1] > 2 * flat[1]
    assert lifted[2] > flat[2]


def refused(photo, reference):
    result = measure(photo, reference, name="photo")
    assert result.refused is not None
    assert result.summary is None
    assert result.needles == ()
    assert result.refused.retake
    assert result.refused.reason in REASONS
    return result.refused.reason


@pytest.mark.parametrize("reference", ["card", "coin:24.26", "sheet", "a4", "letter"])
def test_a_blank_photo_has_no_reference(canvas, reference):
    assert refused(canvas(120, 90).paint(), reference) == "no-reference"


@pytest.mark.parametrize("reference", ["coin:24.26", "sheet"])
def test_the_wrong_thing_is_no_reference(canvas, reference):
    picture = canvas(150, 110, 10.0)
    picture.card(50, 35)
    picture.needle(30, 85, 0, 60.0, 1.0)
    assert refused(picture.paint(), reference) == "no-reference"


def test_a_square_tile_is_no_card(canvas):
    picture = canvas(150, 110, 10.0)
    picture.card(50, 35, size=(60.0, 60.0))
    picture.needle(30, 85, 0, 60.0, 1.0)
    assert refused(picture.paint(), "card") == "no-reference"


def test_a_card_without_needles(canvas):
    picture = canvas(150, 110, 10.0)
    picture.card(70, 50, 20)
    assert refused(picture.paint(), "card") == "no-needles"


@pytest.mark.parametrize("between", [12, 30])
def test_a_knot_of_needles_that_cannot_be_told_apart(canvas, between):
    picture = canvas(150, 110, 10.0)
    picture.card(45, 30)
    for k in range(6):
        turn = np.radians(k * between)
        picture.needle(110 - 25 * np.cos(turn), 80 - 25 * np.sin(turn), k * between, 50.0, 1.0)
    assert refused(picture.paint(), "card") == "no-needles"


def test_a_broad_leaf_is_no_needle(canvas):
    picture = canvas(170, 120, 10.0)
    picture.card(50, 35)
    turn = np.linspace(0, 2 * np.pi, 200)
    picture.polygon(np.column_stack([110 + 35 * np.cos(turn), 85 + 18 * np.sin(turn)]), 0.1)
    assert refused(picture.paint(), "card") == "no-needles"


def test_too_few_pixels(canvas):
    picture = canvas(190, 140, 6.0)
    picture.card(50, 35)
    picture.needle(30, 85, 0, 60.0, 1.0)
    assert refused(picture.paint(), "card") == "too-coarse"


def test_a_coin_of_another_size_is_given_away_by_a_card(canvas):
    picture = canvas(170, 120, 10.0)
    picture.card(50, 35)
    picture.coin(130, 30, 21.21)
    picture.needle(30, 85, 0, 60.0, 1.0)
    photo = picture.paint()
    assert refused(photo, "coin:24.26") == "references-disagree"
    assert measure(photo, "coin:21.21", name="right").refused is None


def test_an_unknown_reference_is_an_error(canvas):
    with pytest.raises(GaugeError):
        measure(canvas(60, 40).paint(), "ruler", name="photo")
