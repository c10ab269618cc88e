"""The plan's geometry, on houses whose places follow from arithmetic."""

from __future__ import annotations

import math

import pytest

from eavefall_model.advice import kinds_of
from eavefall_model.survey import Survey
from eavefall_service.plots.layout import house_of, trees_of


def house(facings: dict[str, str], length: str = "10 m", trees: list[dict[str, str]] | None = None) -> Survey:
    eaves = [
        {"name": name, "length": length, "facing": facing, "roof_run": "4 m"}
        for name, facing in facings.items()
    ]
    return Survey.model_validate({"name": "invented", "eaves": eaves, "trees": trees or []})


def middle(line: object) -> tuple[float, float]:
    (x0, y0), (x1, y1) = line.start, line.end  # type: ignore[attr-defined]
    return (x0 + x1) / 2, (y0 + y1) / 2


def test_front_and_back_lie_a_roof_apart() -> None:
    plan = house_of(house({"front": "S", "back": "N"}))
    front, back = plan.eaves
    assert middle(front) == pytest.approx((0, -4))
    assert middle(back) == pytest.approx((0, 4))
    assert math.dist(front.start, front.end) == pytest.approx(10)


@pytest.mark.parametrize(("facing", "side"), [("N", (0, 1)), ("E", (1, 0)), ("S", (0, -1)), ("W", (-1, 0))])
def test_every_facing_stands_on_its_own_side(facing: str, side: tuple[int, int]) -> None:
    lines = {line.name: line for line in house_of(house({"a": "N", "b": "E", "c": "S", "d": "W"})).eaves}
    line = next(
        line for line in lines.values() if line.facing_deg == {"N": 0, "E": 90, "S": 180, "W": 270}[facing]
    )
    assert middle(line) == pytest.approx((5 * side[0], 5 * side[1]), abs=1e-9)


def test_a_turned_house_turns_as_a_whole() -> None:
    plan = house_of(house({"front": "SE", "back": "NW"}))
    assert middle(plan.eaves[0]) == pytest.approx((4 / math.sqrt(2), -4 / math.sqrt(2)))
    sides = [math.dist(plan.corners[at], plan.corners[(at + 1) % 4]) for at in range(4)]
    assert sorted(sides) == pytest.approx([8, 8, 10, 10])


def test_two_eaves_of_one_side_stand_end_to_end() -> None:
    plan = house_of(house({"left": "S", "right": "S"}))
    assert plan.eaves[0].end == pytest.approx(plan.eaves[1].start)


@pytest.mark.parametrize(
    ("bearing", "distance", "expected"), [("N", 6, (0, 10)), ("S", 6, (0, -10)), ("N", 0, (0, 4))]
)
def test_a_tree_stands_at_its_distance_from_its_eave(
    bearing: str, distance: float, expected: tuple[float, float]
) -> None:
    eave = {"N": "back", "S": "front"}[bearing]
    tree = {"name": "t", "distance": f"{distance} m", "bearing": bearing, "eave": eave, "crown_radius": "3 m"}
    survey = house({"front": "S", "back": "N"}, trees=[tree])
    mark = trees_of(survey, house_of(survey), ())[0]
    assert mark.trunk == pytest.approx(expected, abs=0.05)
    assert mark.known


@pytest.mark.parametrize("bearing", range(0, 360, 15))
def test_the_nearest_eave_is_at_the_given_distance(bearing: int) -> None:
    tree = {"name": "t", "distance": "7 m", "bearing": f"{bearing} deg"}
    survey = house({"a": "N", "b": "E", "c": "S", "d": "W"}, trees=[tree])
    plan = house_of(survey)
    x, y = trees_of(survey, plan, ())[0].trunk
    # The house is a square from -5 to 5; distance to its outline from outside.
    outside = math.hypot(max(abs(x) - 5, 0), max(abs(y) - 5, 0))
    assert outside == pytest.approx(7, abs=0.06)
    assert math.degrees(math.atan2(x, y)) % 360 == pytest.approx(bearing, abs=1e-6)


def test_a_bearing_past_the_corner_still_leads_outside() -> None:
    tree = {"name": "t", "distance": "1 m", "bearing": "E", "eave": "front"}
    survey = house({"front": "S", "back": "N"}, trees=[tree])
    x, y = trees_of(survey, house_of(survey), ())[0].trunk
    assert x == pytest.approx(5, abs=0.5)
    assert y == pytest.approx(0)


def test_what_is_not_given_is_marked() -> None:
    survey = house({"front": "S"}, trees=[{"name": "t"}])
    mark = trees_of(survey, house_of(survey), ())[0]
    assert not mark.known
    assert mark.kind == "unsure"
    open_house = house_of(Survey.model_validate({"name": "invented", "eaves": [{"name": "only"}]}))
    assert not open_house.eaves[0].known


@pytest.mark.parametrize(
    ("tree", "kind"),
    [
        ({"name": "t", "form": "scale_leaf"}, "needle"),
        ({"name": "t", "form": "broad_leaf"}, "broad"),
        ({"name": "t", "species": "white pine"}, "needle"),
        ({"name": "t", "foliage": "broad"}, "broad"),
        ({"name": "t"}, "unsure"),
    ],
)
def test_a_tree_is_drawn_as_what_the_answer_takes_it_for(tree: dict[str, str], kind: str) -> None:
    survey = house({"front": "S"}, trees=[tree])
    assert trees_of(survey, house_of(survey), kinds_of(survey, ()))[0].kind == kind


@pytest.mark.parametrize(("bearing", "expected"), [("N", (0, 7)), ("S", (0, -7))])
def test_a_tree_that_no_eave_faces_stands_outside_all_the_same(
    bearing: str, expected: tuple[float, float]
) -> None:
    """One eave facing south on a house 10 m by 8 m: a tree behind it is 3 m from the back wall."""
    survey = house({"front": "S"}, trees=[{"name": "pine", "distance": "3 m", "bearing": bearing}])
    plan = house_of(survey)
    assert trees_of(survey, plan, ())[0].trunk == pytest.approx(expected, abs=0.2)
