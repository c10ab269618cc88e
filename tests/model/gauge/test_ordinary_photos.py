"""Ordinary photos of trees, leaves, flowers and houses hold no reference and are refused, each with a reason.

Photos (not in this repository): ../shared/imagery, openly licensed, credits in manifest.csv.
"""

from pathlib import Path

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.measure import measure
from eavefall_model.photo import decode

PHOTOS = Path(__file__).resolve().parents[3].parent / "shared" / "imagery" / "photos"

pytestmark = [
    pytest.mark.shared,
    pytest.mark.skipif(not PHOTOS.is_dir(), reason="../shared/imagery is absent: ordinary photos NOT tested"),
]


@pytest.mark.parametrize("reference", ["card", "coin:24.26", "sheet", "a4"])
def test_no_number_from_an_ordinary_photo(reference):
    chosen = sorted(PHOTOS.glob("*.jpg"))[::60]
    assert len(chosen) >= 5
    for path in chosen:
        result = measure(decode(path.read_bytes(), name=path.name), reference, name=path.name)
        assert result.refused is not None, path.name
        assert result.needles == ()


# Leaf close-ups without twigs before the sky: redbud, sugar maple, bur oak, white oak.
LEAVES = ["3e46b84bee98", "c883a725dd32", "cc390b633426", "450f6c6751a4"]


def test_a_leaf_beside_a_card_gives_no_number(canvas, as_photo):
    sheet = canvas(96, 75, 10.0)
    sheet.card(48, 37, 3, 0.03)
    card = sheet.paint().rgb
    for leaf in LEAVES:
        path = PHOTOS / f"kenakofer_{leaf}.jpg"
        rgb = decode(path.read_bytes(), name=path.name).rgb
        rgb = cv2.resize(rgb, (round(rgb.shape[1] * card.shape[0] / rgb.shape[0]), card.shape[0]))
        result = measure(as_photo(np.hstack([card, rgb])), "card", name=path.name)
        assert result.refused is not None, path.name
        assert result.refused.reason in ("no-needles", "too-cluttered")
