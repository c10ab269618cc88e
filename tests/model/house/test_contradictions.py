"""Figures that cannot both be right raise a question; figures that differ by their errors do not."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.house.contradictions import TOO_FAR, agree, contradictions
from eavefall_model.house.tree_kinds import gather
from eavefall_model.survey import Survey


def asked(tree: dict[str, Any], **eave: Any) -> list[str]:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "back", "length": "40 ft", "facing": "N", **eave}],
            "trees": [{"name": "t", "eave": "back", **tree}],
        }
    )
    return [each.code for each in contradictions(survey, gather(survey, {}, {}))]


def test_one_test_of_compatibility_by_the_errors_of_both() -> None:
    # 0.50 +- 6 % in a table against 1.24 +- 4 % measured: thirteen errors apart.
    assert not agree(0.50, 0.06, 1.24, 0.04)
    assert agree(0.50, 0.06, 0.55, 0.04)
    # Just inside and just outside of TOO_FAR times the error of both.
    assert agree(1.0, 0.03, 2.718281828 ** (0.99 * TOO_FAR * 0.05), 0.04)
    assert not agree(1.0, 0.03, 2.718281828 ** (1.01 * TOO_FAR * 0.05), 0.04)
    assert agree(2.0, 0.1, 1.0, 0.3) == agree(1.0, 0.3, 2.0, 0.1)


@pytest.mark.parametrize(
    ("distance", "crown", "overhang", "contradicts"),
    [
        ("17 ft 6 in", "16 ft", "2 ft", False),
        ("17 ft 6 in", "12 ft", "3 ft", False),  # crowns lean
        ("30 ft", "8 ft", "3 ft", True),
        ("4 ft", "30 ft", "1 ft", True),
        ("30 ft", "8 ft", "0 ft", False),  # far away and not over
        ("5 ft", "25 ft", "0 ft", True),  # must reach over
    ],
)
def test_distance_crown_and_overhang(distance: str, crown: str, overhang: str, contradicts: bool) -> None:
    tree = {"species": "red oak", "height": "60 ft", "distance": distance, "crown_radius": crown}
    assert ("crown-and-overhang" in asked({**tree, "overhang": overhang})) == contradicts
    assert "crown-and-overhang" not in asked(tree)


def test_a_northern_tree_wants_a_northern_eave() -> None:
    assert asked({"species": "red oak", "bearing": "N"}) == []
    assert asked({"species": "red oak", "bearing": "NE"}) == []
    assert asked({"species": "red oak", "bearing": "S"}) == ["no-eave-on-that-side"]
    # Nobody has said which way the eave faces.
    survey = Survey.model_validate(
        {"name": "h", "eaves": [{"name": "back"}], "trees": [{"name": "t", "species": "oak", "bearing": "S"}]}
    )
    assert contradictions(survey, gather(survey, {}, {})) == ()


def test_a_tree_taller_than_any_and_an_eave_longer_than_a_house() -> None:
    assert asked({"species": "red oak", "height": "900 ft"}) == ["tree-too-tall"]
    assert asked({"species": "coast redwood", "height": "300 ft"}) == []
    assert asked({"species": "red oak"}, length="300 ft") == ["eave-too-long"]
    assert asked({"species": "red oak"}, length="120 ft") == []


def test_a_crown_far_too_wide_for_its_height_but_not_a_clipped_one() -> None:
    assert asked({"species": "red oak", "height": "20 ft", "crown_radius": "60 ft"}) == ["crown-too-wide"]
    assert asked({"species": "red oak", "height": "60 ft", "crown_radius": "3 ft"}) == []


def test_species_against_what_was_seen() -> None:
    assert asked({"species": "red oak", "form": "long_needle"}) == ["species-and-form"]
    assert asked({"species": "white pine", "foliage": "broad"}) == ["species-and-foliage"]
    assert asked({"species": "white pine", "foliage": "bare"}) == ["species-and-foliage"]
    # February: a bare crown over its own leaf litter is an oak in winter, a bare larch a larch in winter.
    assert asked({"species": "red oak", "foliage": "bare"}) == []
    assert asked({"species": "tamarack", "foliage": "bare"}) == []


def test_what_is_asked_names_both_values_and_their_fields() -> None:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "back", "facing": "N"}],
            "trees": [{"name": "oak", "species": "red oak", "bearing": "S", "eave": "back"}],
        }
    )
    (one,) = contradictions(survey, gather(survey, {}, {}))
    assert one.about == "oak"
    assert one.fields == ("trees[0].bearing", "eaves[0].facing")
    assert one.values == (180.0, "back", 0.0)
