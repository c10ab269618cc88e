"""Photos of a whole place: one kind of tree, or both; one pine among maples is not talked down."""

from __future__ import annotations

from typing import Any

import pytest
from tests.model.house.test_tree_kinds import OAK_PHOTO, PINE_PHOTO, gauge, sure, survey, tag

from eavefall_model.advice.assess import assess
from eavefall_model.house.place_photos import PHOTO_TREE, PHOTO_TREE_OF, kinds_shown, with_photo_trees
from eavefall_model.house.tree_kinds import gather
from eavefall_model.tags.schema import PhotoTags


def pine(name: str) -> PhotoTags:
    return sure(PINE_PHOTO, "yes", "no").model_copy(update={"photo": name, "sha256": name})


def oak(name: str) -> PhotoTags:
    return sure(OAK_PHOTO, "no", "yes").model_copy(update={"photo": name, "sha256": name})


def both(name: str) -> PhotoTags:
    mixed = tag(name, 0.97, 0.97, broad_leaf=0.5, long_needle=0.4)
    return sure(mixed, "yes", "yes")


def place(*photos: PhotoTags, trees: tuple[dict[str, Any], ...] = ()) -> tuple[Any, dict[str, PhotoTags]]:
    return survey(*trees, photos=tuple({"file": photo.photo} for photo in photos)), {
        photo.photo: photo for photo in photos
    }


def test_kinds_are_told_apart_only_where_photos_are_sure_of_both() -> None:
    assert kinds_shown([pine("a"), pine("b"), OAK_PHOTO]) == {}
    assert kinds_shown([oak("a"), oak("b")]) == {}
    shown = kinds_shown([pine("a"), oak("b"), both("c"), oak("b"), tag("d", 0.6, 0.4)])
    assert [photo.photo for photo in shown["needle"]] == ["a", "c"]
    assert [photo.photo for photo in shown["broad"]] == ["b", "c"]


@pytest.mark.parametrize(
    ("photos", "counts"),
    [
        ((pine("a"),), [(PHOTO_TREE, 3)]),
        ((oak("a"), oak("b")), [(PHOTO_TREE, 3)]),
        ((pine("a"), oak("b")), [("needle", 2), ("broad", 1)]),
        ((pine("a"), oak("b"), oak("c"), oak("d")), [("needle", 1), ("broad", 2)]),
        ((pine("a"), pine("b"), pine("c"), pine("e"), pine("f"), oak("d")), [("needle", 2), ("broad", 1)]),
        ((both("a"),), [("needle", 2), ("broad", 1)]),
    ],
)
def test_photo_trees_of_each_kind_by_its_share_at_least_one(
    photos: tuple[PhotoTags, ...], counts: list[tuple[str, int]]
) -> None:
    trees = with_photo_trees(*place(*photos)).trees
    named = {name: kind for kind, name in PHOTO_TREE_OF.items()}
    assert [(named.get(tree.name, tree.name), tree.count) for tree in trees] == counts


def test_one_pine_among_maples_keeps_its_fine_screen() -> None:
    """Pooled as photos of one tree, three sure ones of broadleaf trees would outvote the one of a pine."""

    def advised(*photos: PhotoTags) -> Any:
        of, tags = place(*photos)
        seldom = of.household.model_copy(update={"cleanings_per_year": 0.25})
        return assess(of.model_copy(update={"household": seldom}), tags, draws=500)

    among, alone = advised(pine("a"), oak("b"), oak("c"), oak("d")), advised(pine("a"))
    none = advised(oak("b"), oak("c"), oak("d"))
    assert among.fineness_class == alone.fineness_class == "extra-fine"
    assert none.fineness_class in ("open", "coarse", "medium")
    # One of them may have been misread, so it is to be looked at.
    assert among.check_photos == ("a",)
    assert none.check_photos == ()


def test_a_listed_tree_without_photos_may_be_of_either_kind_by_their_number() -> None:
    of, tags = place(pine("a"), oak("b"), oak("c"), oak("d"), trees=({"name": "x"},))
    (found,) = gather(of, tags, {})
    assert found.needle_chance == pytest.approx(0.25, abs=0.05)
    assert found.check_photos == ("a",)


def test_a_tree_whose_kind_is_told_takes_the_photos_of_its_kind() -> None:
    trees = (
        {"name": "x", "foliage": "needle"},
        {"name": "y", "foliage": "broad"},
        {"name": "z", "species": "red oak"},
    )
    needle, broad, oak_tree = gather(*place(pine("a"), oak("b"), oak("c"), trees=trees), {})
    assert needle.needle_chance == 1
    assert max(needle.candidates, key=lambda each: each.chance).taxon.form == "long_needle"
    assert max(broad.candidates, key=lambda each: each.chance).taxon.form == "broad_leaf"
    assert needle.check_photos == broad.check_photos == oak_tree.check_photos == ()


def test_needles_measured_belong_to_the_needle_trees() -> None:
    of, tags = place(pine("a"), oak("b"))
    with_gauge = of.model_copy(
        update={
            "photos": (
                *of.photos,
                survey(photos=({"file": "g", "shows": "gauge", "reference": "card"},)).photos[0],
            )
        }
    )
    needle, broad = gather(with_photo_trees(with_gauge, tags), tags, {"g": gauge("g", 0.6)})
    assert [len(each.gauges) for each in (needle, broad)] == [1, 0]
    assert broad.needle_chance == 0
