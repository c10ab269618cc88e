"""Ordinary photos of trees, leaves, flowers and houses hold no reference and are refused, each with a reason.

Photos (not in this repository): ../shared/imagery, openly licensed, credits in manifest.csv.
"""

from pathlib import Path

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
