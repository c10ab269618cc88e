"""From fields to draws: measured values stay near, gaps are wide and listed, streams do not mix."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.rulebook import load_rules
from eavefall_model.house.house import House, build_house
from eavefall_model.house.streams import Streams
from eavefall_model.house.tree_kinds import gather
from eavefall_model.survey import Survey

SETTINGS = load_rules().numbers()


def site(eave: dict[str, Any] | None = None, tree: dict[str, Any] | None = None, **more: Any) -> House:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "back", **(eave or {})}],
            "trees": [{"name": "t", "species": "Pinus strobus", "eave": "back", **(tree or {})}],
            **more,
        }
    )
    return build_house(survey, gather(survey, {}, {}), Streams(3, 4000), SETTINGS)


def spread(draws: np.ndarray) -> float:
    return float(np.std(np.log(np.maximum(draws, 1e-9))))


def test_measured_stays_near_and_missing_is_wide() -> None:
    given = site({"length": "12 m"}, {"distance": "5 m", "height": "18 m", "crown_radius": "4 m"})
    bare = site()
    assert np.median(given.out_m) == pytest.approx(5, rel=0.01)
    assert spread(given.out_m) < 0.05 < 0.4 < spread(bare.out_m)
    assert spread(given.eaves.length_m) < 0.02 < spread(bare.eaves.length_m)
    assert np.median(given.crowns.height_m) == pytest.approx(18, rel=0.02)


def test_gaps_are_listed_with_value_low_high_and_why() -> None:
    listed = {assumed.field: assumed for assumed in site().assumed}
    for field in (
        "eaves[0].length",
        "eaves[0].gutter.width",
        "trees[0].distance",
        "rain.intensity",
        "wind.from",
    ):
        assert listed[field].why
        assert listed[field].value
        assert field == "wind.from" or listed[field].low != listed[field].high
    filled = site(
        {"length": "12 m", "gutter": {"width": '6"'}}, {"distance": "5 m"}, rain={"intensity": "4 in/h"}
    )
    still = {assumed.field for assumed in filled.assumed}
    assert "rain.duration_min" in still  # design rains differ twofold by it
    assert not still & {"eaves[0].length", "eaves[0].gutter.width", "trees[0].distance", "rain.intensity"}


def test_an_overhang_puts_the_crown_edge_over_the_roof() -> None:
    over = site({}, {"distance": "6 m", "crown_radius": "5 m", "overhang": "1.5 m"})
    assert np.median(over.out_m - over.crowns.radius_m) == pytest.approx(-1.5, rel=0.05)
    # Overhang nothing: the crown does not come in past the gutter, whatever its radius.
    none = site({}, {"distance": "3 m", "crown_radius": "5 m", "overhang": "0 m"})
    assert (none.out_m >= none.crowns.radius_m - 1e-9).all()


def test_one_field_changes_no_other_draw() -> None:
    near, far = site({}, {"distance": "4 m"}), site({}, {"distance": "9 m"})
    np.testing.assert_allclose(far.out_m, near.out_m * 9 / 4)
    for name in ("radius_m", "height_m", "depth_share", "scale_m"):
        np.testing.assert_array_equal(getattr(near.crowns, name), getattr(far.crowns, name))
    np.testing.assert_array_equal(near.wind.from_deg, far.wind.from_deg)


def test_a_tree_without_eave_goes_where_its_bearing_points() -> None:
    survey = Survey.model_validate(
        {
            "name": "h",
            "eaves": [{"name": "n", "facing": "N"}, {"name": "s", "facing": "S"}],
            "trees": [{"name": "a", "species": "oak", "bearing": "SSE"}, {"name": "b", "species": "oak"}],
        }
    )
    found = build_house(survey, gather(survey, {}, {}), Streams(0, 500), SETTINGS)
    assert (found.eave_of_tree[:, 0] == 1).all()
    assert 0.4 < found.eave_of_tree[:, 1].mean() < 0.6
    assert any(item.key == "trees[1].eave" for item in found.inputs)


def test_streams_are_named_seeded_and_their_own() -> None:
    one = Streams(1, 100)
    np.testing.assert_array_equal(one.normal("a"), Streams(1, 100).normal("a"))
    assert not np.array_equal(one.normal("a"), one.normal("b"))
    assert not np.array_equal(one.normal("a"), Streams(2, 100).normal("a"))
    assert ((one.uniform("a") >= 0) & (one.uniform("a") < 1)).all()


def test_eaves_without_a_facing_stand_evenly_round_the_house_or_towards_their_trees() -> None:
    def facings(*trees: dict[str, Any], eaves: int = 4) -> list[float]:
        survey = Survey.model_validate(
            {"name": "h", "eaves": [{"name": str(at)} for at in range(eaves)], "trees": list(trees)}
        )
        found = build_house(survey, gather(survey, {}, {}), Streams(3, 50), SETTINGS)
        return [float(each) for each in found.eaves.facing_deg[0]]

    assert facings() == [0, 90, 180, 270]
    assert facings(eaves=3) == [0, 120, 240]
    tree = {"name": "a", "eave": "2", "bearing": "E"}
    assert facings(tree) == pytest.approx([0, 90, 90, 270])
    # Of two trees the middle of their bearings, across north too.
    two = ({"name": "a", "eave": "1", "bearing": "350"}, {"name": "b", "eave": "1", "bearing": "30"})
    assert facings(*two) == pytest.approx([0, 10, 180, 270])
    # A tree of no eave says nothing of them.
    assert facings({"name": "a", "bearing": "E"}) == [0, 90, 180, 270]
