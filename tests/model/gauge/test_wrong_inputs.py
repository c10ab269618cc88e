"""What the gauge must refuse, each with its reason: drawn by our renderer, with and without a reference.

The hand and the fur (a cat's) are drawn: no openly licensed photo of either is at hand. Leaves are also real
photos, in test_ordinary_photos.
"""

import numpy as np
import pytest

from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.references import layout_for
from eavefall_model.gauge.schema import REASONS

from .refused_pictures import render_negative

REFERENCES = ["card", "coin:24.26", "sheet", "a4"]


def refused(photo, reference):
    result = measure(photo, reference, name="photo")
    assert result.refused is not None, [n.length_mm for n in result.needles]
    assert (result.summary, result.needles) == (None, ())
    assert result.refused.retake.startswith(REASONS[result.refused.reason])
    return result.refused.reason


@pytest.mark.parametrize("kind", ["blank", "no_reference", "leaf", "hand", "fur"])
def test_without_a_reference_nothing_is_measured(as_photo, kind):
    photo = as_photo(render_negative(kind, 3, (800, 600)))
    assert [refused(photo, reference) for reference in REFERENCES] == ["no-reference"] * len(REFERENCES)


def beside_a_card(canvas, rgb):
    """The picture with a card on the same sheet to the left of it, 10 px/mm."""
    sheet = np.median(rgb[:, :8].astype(float)) / 255
    picture = canvas(96, rgb.shape[0] / 10, 10.0, ((sheet + 0.055) / 1.055) ** 2.4)
    picture.card(48, 40, 3, 0.03 if sheet > 0.5 else 0.5)
    return np.hstack([picture.paint().rgb, rgb])


@pytest.mark.parametrize(
    ("kind", "reasons"),
    [
        ("blank", {"no-needles"}),
        ("leaf", {"no-needles"}),
        ("hand", {"no-needles"}),
        ("fur", {"no-needles", "too-cluttered"}),
    ],
)
@pytest.mark.parametrize("seed", [0, 1])
def test_beside_a_card_it_is_still_no_needle(canvas, as_photo, kind, reasons, seed):
    picture = beside_a_card(canvas, render_negative(kind, seed, (1000, 750)))
    assert refused(as_photo(picture), "card") in reasons


@pytest.mark.parametrize(
    ("kind", "reasons"),
    [
        ("no_needles", {"no-needles"}),
        ("blurred", {"blurred", "no-reference", "no-needles"}),
        ("shaken", {"blurred", "no-reference", "no-needles"}),
        ("too_far", {"too-coarse", "no-reference"}),
    ],
)
def test_a_card_that_does_not_help(as_photo, kind, reasons):
    assert refused(as_photo(render_negative(kind, 1)), "card") in reasons


def test_a_coin_of_another_size_is_given_away_by_the_sheet(canvas):
    width, height = layout_for("letter").page_mm
    picture = canvas(width, height, 9.0, 0.8)
    picture.sheet()
    picture.coin(120, 120, 21.21)
    picture.needle(60, 80, 20, 40.0, 1.2)
    picture.needle(90, 160, 70, 60.0, 1.2)
    photo = picture.paint()
    assert refused(photo, "coin:24.26") == "references-disagree"
    assert measure(photo, "coin:21.21", name="right").refused is None
