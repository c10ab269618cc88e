"""Figures that rules test, against arithmetic on the draws that they come from."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import eavefall_model
from eavefall_model.advice.figures import FIGURES, EaveCase, FigureKind, GuardCase, HouseCase, TreeCase
from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey

EAVE = {"name": "back", "length": "12 m", "roof_run": "5 m", "pitch": "6/12", "facing": "W", "height": "3 m"}
PINE = {"name": "pine", "species": "Pinus strobus", "distance": "4 m", "height": "18 m", "bearing": "W"}
OAK = {"name": "oak", "species": "Quercus rubra", "distance": "9 m", "height": "14 m", "bearing": "W"}


def outcome(*trees: dict[str, Any], **more: Any) -> Outcome:
    survey = Survey.model_validate({"name": "h", "eaves": [EAVE], "trees": list(trees), **more})
    return run(survey, {}, {}, load_rules(), load_guards(), seed=0, draws=200)


def case(found: Outcome) -> HouseCase:
    return HouseCase(found, found.answer.fineness_class, found.answer.opening_mm)


@pytest.fixture(scope="module")
def both() -> Outcome:
    return outcome(PINE, OAK)


def test_the_needles_share_is_what_comes_from_needle_trees(both: Outcome) -> None:
    year = both.guards["none"].litter.year[:, 0]
    needles = sum(source.load_kg_m[:, 0] for source in both.sources.each if source.taxon.foliage == "needle")
    share = case(both).value("needle_share")
    assert share == pytest.approx(float(np.mean(needles / year)))
    assert isinstance(share, float)
    more = case(outcome({**PINE, "count": 4}, OAK)).value("needle_share")
    less = case(outcome(PINE, {**OAK, "count": 4})).value("needle_share")
    assert isinstance(more, float)
    assert isinstance(less, float)
    assert less < share < more
    # What is blown in without a tree is all that a broadleaf tree shares the gutter with.
    alone = case(outcome(OAK)).value("needle_share")
    assert isinstance(alone, float)
    assert alone < 0.1


def test_cleanings_a_year_are_the_whole_visits_that_are_planned(both: Outcome) -> None:
    house = case(both)
    months = float(np.median(both.guards["none"].house_months))
    assert house.value("unguarded_months") == pytest.approx(months)
    assert house.value("planned_per_year") == both.guards["none"].plan.per_year
    mesh = GuardCase(house, both.guards["woven_micromesh"])
    guarded = float(np.median(both.guards["woven_micromesh"].house_months))
    assert mesh.value("guarded_months") == pytest.approx(guarded)
    assert mesh.value("guarded_per_year") == both.guards["woven_micromesh"].plan.per_year
    # Fewer visits with the guard than without is more than one.
    without, with_mesh = (both.guards[kind].visits_a_year for kind in ("none", "woven_micromesh"))  # type: ignore[index]
    assert mesh.value("gain") == pytest.approx(without / with_mesh)


def test_what_passes_sticks_and_stays_is_all_there_is(both: Outcome) -> None:
    house = case(both)
    for kind in ("wire_netting", "woven_micromesh"):
        guard = GuardCase(house, both.guards[kind])  # type: ignore[index]
        shares = [guard.value(name) for name in ("passes_share", "lodges_share", "stays_share")]
        assert sum(shares) == pytest.approx(1.0)  # type: ignore[arg-type]
        litter = both.guards[kind].litter  # type: ignore[index]
        passes = (litter.below.sum(axis=1) / litter.year.sum(axis=1)).mean()
        assert shares[0] == pytest.approx(float(passes))
    fine, coarse = (GuardCase(house, both.guards[kind]) for kind in ("woven_micromesh", "wire_netting"))
    assert fine.value("passes_share") < coarse.value("passes_share")  # type: ignore[operator]


def test_a_guard_keeps_out_what_its_opening_is_no_wider_than(both: Outcome) -> None:
    house = case(both)
    mesh = both.guards["woven_micromesh"]
    assert mesh.offer is not None
    for needed, refuses in ((mesh.offer.clear_mm, True), (mesh.offer.clear_mm * 0.9, False)):
        tried = HouseCase(both, "fine", needed)
        assert GuardCase(tried, mesh).value("refuses") is refuses
    # A slot has a height and no fineness.
    assert GuardCase(house, both.guards["front_slot_cover"]).value("refuses") is False


def with_loads(found: Outcome, *kg_m: float) -> HouseCase:
    """The same house, whose trees send so much in every draw."""
    each = tuple(
        replace(source, load_kg_m=np.full_like(source.load_kg_m, load))
        for source, load in zip(found.sources.each, kg_m, strict=True)
    )
    return case(replace(found, sources=replace(found.sources, each=each)))


def test_trees_that_a_front_slot_does_badly_with_bring_more_than_a_twentieth(both: Outcome) -> None:
    # Pine, oak, and what is blown in. The oak's crown does not reach the gutter.
    assert with_loads(both, 1.0, 1.0, 0.0).value("slot_foes") == ("pine",)
    assert with_loads(both, 1.0, 1.0, 0.0).value("slot_foes_beside") == ("oak",)
    over = case(outcome({**OAK, "distance": "3 m"}))
    assert (over.value("slot_foes"), over.value("slot_foes_beside")) == (("oak",), None)
    assert with_loads(both, 0.06, 0.0, 0.94).value("slot_foes") == ("pine",)
    assert with_loads(both, 0.04, 0.0, 0.96).value("slot_foes") is None
    assert with_loads(both, 0.0, 0.0, 0.0).value("slot_foes") is None
    linden = outcome({**OAK, "species": "Tilia cordata", "distance": "3 m"})
    assert case(linden).value("slot_foes") is None


def test_the_fullest_eave_counts_for_a_front_slot() -> None:
    two = Survey.model_validate(
        {"name": "h", "trees": [PINE], "eaves": [EAVE, {**EAVE, "name": "front", "facing": "E"}]}
    )
    found = run(two, {}, {}, load_rules(), load_guards(), seed=0, draws=50)
    pine, blown = found.sources.each
    loads = np.zeros_like(pine.load_kg_m)
    loads[:, 1] = 1.0
    each = (replace(pine, load_kg_m=loads), replace(blown, load_kg_m=np.full_like(loads, 0.5)))
    house = case(replace(found, sources=replace(found.sources, each=each)))
    assert house.value("slot_foes") == ("pine",)


@pytest.mark.parametrize(("share", "named"), [(0.55, "tree"), (0.45, None), (1.0, "tree"), (0.0, None)])
def test_a_tree_of_unknown_kind_matters_where_it_does_in_more_than_half_of_the_runs(
    share: float, named: str | None
) -> None:
    found = outcome({"name": "tree", "distance": "3 m", "height": "15 m"})
    heavy = np.where(np.arange(200) < 200 * share, 2.0, 0.0)[:, None, None] * found.allowed_kg_m.max()
    loads = np.broadcast_to(heavy, found.sources.tree_kg_m.shape)
    house = case(replace(found, sources=replace(found.sources, tree_kg_m=loads)))
    assert house.value("kind_unknown") == named


def test_a_tree_whose_kind_is_known_is_no_question(both: Outcome) -> None:
    assert case(both).value("kind_unknown") is None


def test_crowns_reach_over_where_their_edge_does(both: Outcome) -> None:
    for distance, radius, over in (("2 m", "4 m", True), ("8 m", "4 m", False)):
        found = outcome({**PINE, "distance": distance, "crown_radius": radius})
        tree = TreeCase(case(found), 0)
        edge = tree.value("edge_m")
        assert edge == pytest.approx(float(distance[0]) - float(radius[0]), abs=0.3)
        assert tree.value("overhangs") is over
    low, high = (TreeCase(case(outcome({**PINE, "height": height})), 0) for height in ("2 m", "9 m"))
    assert (low.value("below_eave"), high.value("below_eave")) == (True, False)


def test_months_and_shares_of_a_house_are_those_of_its_draws(both: Outcome) -> None:
    house = case(both)
    months, litter = both.asked_months.min(axis=1), both.guards["none"].litter
    assert house.value("no_guard_share") == pytest.approx((months >= both.patience_months).mean())
    index = both.answer.index
    assert house.value("class_share") == pytest.approx((both.house_index <= index).mean())
    by_month = litter.inside[:, :, house.worst_eave].sum(axis=0).mean(axis=0)
    heaviest = house.value("heaviest_months")
    assert isinstance(heaviest, tuple)
    assert len(heaviest) == 3
    rest = 1 - np.sort(by_month)[-3:].sum() / by_month.sum()
    assert house.value("all_year_share") == pytest.approx(rest, abs=1e-6)


@pytest.mark.parametrize("figure", FIGURES.values(), ids=FIGURES)
def test_every_figure_says_where_it_comes_from(figure: FigureKind) -> None:
    """A source, the survey or arithmetic, or ``judgement``; files named in it are there."""
    assert figure.source
    model = Path(eavefall_model.__file__).parent
    for place in re.findall(r"\b[a-z]+/[a-z_/.]*", figure.source):
        assert (model / place).exists(), place


def test_distances_are_said_as_they_were_typed(both: Outcome) -> None:
    house = case(both)
    assert TreeCase(house, 0).value("distance_m") == 4.0
    assert TreeCase(house, 1).value("distance_m") == 9.0
    assert house.value("nearest_pine_m") == 4.0
    untyped = TreeCase(case(outcome({**PINE, "distance": None})), 0).value("distance_m")
    assert isinstance(untyped, float)
    assert 3 < untyped < 12


def test_the_side_that_the_wind_makes_is_one_of_three_thirds_of_the_way_round(both: Outcome) -> None:
    crowns = both.house.crowns
    bearing = float(np.degrees(np.arctan2(np.median(crowns.east_m[:, 0]), np.median(crowns.north_m[:, 0]))))
    assert bearing % 360 == pytest.approx(270, abs=15)  # it stands to the west
    for off, side in (
        (0, "upwind"),
        (59.5, "upwind"),
        (60.5, "beside"),
        (119.5, "beside"),
        (120.5, "downwind"),
    ):
        for way in (-1, 1):
            wind = both.survey.wind.model_copy(update={"from_deg": (bearing + way * off) % 360})
            turned = replace(both, survey=both.survey.model_copy(update={"wind": wind}))
            assert TreeCase(case(turned), 0).value("bearing_side") == side
    assert TreeCase(case(both), 0).value("bearing_side") is None


def test_shares_of_trees_add_up_and_the_nearer_brings_more(both: Outcome) -> None:
    house = case(both)
    pine, oak = (TreeCase(house, at).value("load_share") for at in (0, 1))
    assert isinstance(pine, float)
    assert isinstance(oak, float)
    assert 0 < pine + oak <= 1
    farther = TreeCase(case(outcome({**PINE, "distance": "12 m"}, OAK)), 0).value("load_share")
    assert isinstance(farther, float)
    assert farther < pine


def test_an_eave_speaks_of_its_own_gutter(both: Outcome) -> None:
    worn = Survey.model_validate(
        {"name": "h", "trees": [PINE], "eaves": [EAVE, {**EAVE, "name": "front", "facing": "E",
         "gutter": {"width": '6"', "condition": "worn"}, "pitch": "12/12", "roof": "metal"}]}
    )  # fmt: skip
    found = run(worn, {}, {}, load_rules(), load_guards(), seed=0, draws=200)
    back, front = (EaveCase(case(found), number) for number in (0, 1))
    assert (back.value("eave"), front.value("eave")) == ("back", "front")
    assert (back.value("gutter_condition"), front.value("gutter_condition")) == (None, "worn")
    assert front.value("gutter_width_mm") == pytest.approx(152.4, rel=0.01)
    assert front.value("pitch_deg") == pytest.approx(45, abs=0.5)
    assert (back.value("roof"), front.value("roof")) == (None, "metal")
    # Figures of the house are asked of the house behind an eave.
    assert front.value("trees") == 1
