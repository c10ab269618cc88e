"""What a homeowner is told of a photo: only where the shot asks for a tree, and only where none is likely."""

from __future__ import annotations

import pytest

from eavefall_model.tags.schema import FoliageVerdict, PhotoQuality, PhotoTags, Verdict
from eavefall_service.journeys.checks import problems_of
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.storage.rows import PhotoRow
from eavefall_service.web.words import PROBLEMS


def view(needle: float, broad: float, bare: float, shot: str | None, *problems: str) -> PhotoView:
    tags = PhotoTags(
        photo="p",
        sha256="0" * 64,
        foliage={"needle": needle, "broad": broad, "bare": bare},
        form=dict.fromkeys(("long_needle", "short_needle", "scale_leaf", "broad_leaf", "small_leaflet"), 0.2),
        verdict=Verdict(
            foliage=FoliageVerdict(needle="unsure", broad="unsure", bare="unsure"),
            form="unsure",
            form_set=("broad_leaf",),
        ),
        quality=PhotoQuality(
            width_px=900, height_px=700, sharpness=1.0, exposure=0.5, clipped=0.0, problems=problems
        ),
        model="test",
    )
    return PhotoView(PhotoRow(shot=shot), tags, {}, None)


@pytest.mark.parametrize("shot", ["house", "tree", "other"])
@pytest.mark.parametrize(
    ("needle", "broad", "bare", "told"),
    [
        (0.49, 0.49, 0.49, True),
        (0.5, 0.1, 0.1, False),
        (0.1, 0.5, 0.1, False),
        (0.1, 0.1, 0.5, False),
        (0.0, 0.0, 0.0, True),
    ],
)
def test_no_tree_is_hinted_at_where_each_kind_is_less_likely_than_not(shot, needle, broad, bare, told):
    assert ("no tree" in problems_of(view(needle, broad, bare, shot))) == told


@pytest.mark.parametrize("shot", [None, "leaf", "gutter"])
def test_a_shot_that_needs_no_tree_is_not_checked_for_one(shot):
    assert problems_of(view(0.0, 0.0, 0.0, shot)) == []


def test_faults_of_the_photo_come_first_and_each_has_words():
    found = problems_of(view(0.1, 0.1, 0.1, "tree", "too dark", "blurred"))
    assert found == ["too dark", "blurred", "no tree"]
    assert set(found) <= set(PROBLEMS)
