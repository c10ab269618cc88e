"""Monotonicity over the input space: the same draws, one thing changed."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import load_rules
from eavefall_model.screens.guards import load_guards
from eavefall_model.survey import Survey

BOOK, GUARDS = load_rules(), load_guards()
DRAWS = 40
SPECIES = (
    "Pinus strobus", "Pinus taeda", "Pinus palustris", "Picea abies", "Larix laricina", "Thuja occidentalis",
    "Quercus rubra", "Acer rubrum", "Betula papyrifera", "Gleditsia triacanthos", "Magnolia grandiflora",
)  # fmt: skip
QUICK = settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def meters(low: float, high: float) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda value: f"{value:.3f} m")


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


def given_only(fields: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


trees = st.fixed_dictionaries(
    {
        "species": st.sampled_from(SPECIES),
        "distance": meters(0, 40),
        "height": maybe(meters(1, 35)),
        "crown_radius": maybe(meters(0.3, 10)),
        "bearing": maybe(st.integers(0, 359)),
        "count": st.integers(1, 6),
    }
).map(given_only)


@st.composite
def houses(draw: st.DrawFn) -> dict[str, Any]:
    """A house with right angles, turned any way, with one to four eaves and up to three trees."""
    turn = draw(st.integers(0, 89))
    sides = draw(st.lists(st.sampled_from([0, 90, 180, 270]), min_size=1, max_size=4, unique=True))
    eaves = []
    for at, side in enumerate(sides):
        eave = {
            "name": f"eave {at}",
            "facing": (side + turn) % 360,
            "length": draw(maybe(meters(2, 30))),
            "roof_run": draw(maybe(meters(0.5, 10))),
            "pitch": draw(maybe(st.floats(0, 60).map(lambda deg: f"{deg:.2f} deg"))),
            "height": draw(maybe(meters(2, 8))),
            "roof": draw(maybe(st.sampled_from(["shingle", "metal", "wood"]))),
        }
        eaves.append(given_only(eave))
    found = draw(st.lists(trees, min_size=1, max_size=3))
    named = [
        {**tree, "name": f"tree {at}", "eave": f"eave {draw(st.integers(0, len(sides) - 1))}"}
        for at, tree in enumerate(found)
    ]
    wind = given_only(
        {
            "from": draw(maybe(st.integers(0, 359))),
            "prevails": draw(maybe(st.sampled_from(["weakly", "clearly", "strongly"]))),
        }
    )
    return {"name": "house", "eaves": eaves, "trees": named, "wind": wind}


def outcome(house: dict[str, Any]) -> Outcome:
    return run(Survey.model_validate(house), {}, {}, BOOK, GUARDS, seed=1, draws=DRAWS)


def open_months(found: Outcome) -> np.ndarray:
    return found.guards["none"].months


@QUICK
@given(house=houses(), extra=st.integers(1, 5))
def test_more_pines_never_lengthen_the_interval_nor_coarsen_the_need(
    house: dict[str, Any], extra: int
) -> None:
    pine = {
        "name": "pine",
        "species": "Pinus strobus",
        "distance": "5 m",
        "height": "20 m",
        "crown_radius": "4 m",
        "eave": "eave 0",
    }
    fewer = outcome({**house, "trees": [*house["trees"], pine]})
    more = outcome({**house, "trees": [*house["trees"], {**pine, "count": 1 + extra}]})
    assert (open_months(more) <= open_months(fewer) + 1e-6).all()
    assert (more.needed_mm <= fewer.needed_mm + 1e-9).all()
    for kind, guard in more.guards.items():
        if guard.offer == fewer.guards[kind].offer:
            assert (guard.months <= fewer.guards[kind].months + 1e-6).all(), kind
    # Another name at the end of the list is one pine more, too.
    added = outcome({**house, "trees": [*house["trees"], pine, {**pine, "name": "another"}]})
    assert (open_months(added) <= open_months(fewer) + 1e-6).all()


@QUICK
@given(house=houses(), step=st.floats(0.1, 30))
def test_farther_never_shortens_the_interval(house: dict[str, Any], step: float) -> None:
    first = house["trees"][0]
    away = {**first, "distance": f"{float(first['distance'].split()[0]) + step:.3f} m"}
    near, far = outcome(house), outcome({**house, "trees": [away, *house["trees"][1:]]})
    assert (open_months(far) >= open_months(near) - 1e-6).all()
    assert (far.needed_mm >= near.needed_mm - 1e-9).all()


@QUICK
@given(house=houses())
def test_doubling_crown_area_doubles_the_load_on_every_eave(house: dict[str, Any]) -> None:
    # Exactly so where the new crown stands in the place of the old: two crowns of a size where there was one.
    once = outcome(house)
    twice = outcome({**house, "trees": [{**tree, "count": 2 * tree["count"]} for tree in house["trees"]]})
    blown = once.sources.each[-1].load_kg_m
    for single, double in (
        (once.guards["none"].litter.year - blown, twice.guards["none"].litter.year - blown),
        (once.sources.tree_kg_m, twice.sources.tree_kg_m),
        (once.sources.production_kg, twice.sources.production_kg),
    ):
        # Taking what is blown in away leaves its rounding behind.
        np.testing.assert_allclose(double, 2 * single, rtol=1e-9, atol=1e-15)


@QUICK
@given(house=houses(), factor=st.floats(1.05, 3.0))
def test_a_wider_crown_sheds_with_its_area_and_brings_no_eave_less(
    house: dict[str, Any], factor: float
) -> None:
    # One crown of twice the area sheds twice as much, but part of it stands elsewhere: the load on an eave
    # rises, and by the area only in all.
    def with_radius(times: float) -> Outcome:
        trees = [{**tree, "crown_radius": f"{2.0 * times:.6f} m"} for tree in house["trees"]]
        return outcome({**house, "trees": trees})

    narrow, wide = with_radius(1.0), with_radius(factor)
    area = round(2.0 * factor, 6) ** 2 / 4.0
    np.testing.assert_allclose(
        wide.sources.production_kg, area * narrow.sources.production_kg, rtol=1e-9, atol=1e-200
    )
    assert (wide.sources.tree_kg_m >= narrow.sources.tree_kg_m * (1 - 1e-9)).all()


@QUICK
@given(house=houses(), more=st.integers(2, 8))
def test_load_is_proportional_to_the_number_of_trees(house: dict[str, Any], more: int) -> None:
    once = outcome(house).sources.tree_kg_m
    many = [{**tree, "count": tree["count"] * more} for tree in house["trees"]]
    np.testing.assert_allclose(
        outcome({**house, "trees": many}).sources.tree_kg_m, more * once, rtol=1e-9, atol=1e-200
    )


@QUICK
@given(house=houses())
def test_upwind_side_is_never_worse_than_downwind_of_the_tree(house: dict[str, Any]) -> None:
    eave = house["eaves"][0]
    tree = {**house["trees"][0], "eave": "eave 0"}
    tree.pop("bearing", None)
    alone = {**house, "eaves": [eave], "trees": [tree]}
    toward = outcome({**alone, "wind": {"from": eave["facing"], "prevails": "strongly"}})
    away = outcome({**alone, "wind": {"from": (eave["facing"] + 180) % 360, "prevails": "strongly"}})
    assert (open_months(toward) <= open_months(away) + 1e-6).all()


@QUICK
@given(house=houses(), pitch=st.floats(0, 60), steeper=st.floats(0.5, 14))
def test_a_steeper_roof_brings_its_gutter_no_less_and_shortens_the_wait(
    house: dict[str, Any], pitch: float, steeper: float
) -> None:
    def at(degrees: float) -> Outcome:
        eaves = [{**eave, "pitch": f"{degrees:.3f} deg"} for eave in house["eaves"]]
        return outcome({**house, "eaves": eaves})

    flat, steep = at(pitch), at(pitch + steeper)
    assert (steep.sources.tree_kg_m >= flat.sources.tree_kg_m * (1 - 1e-9)).all()
    assert (open_months(steep) <= open_months(flat) + 1e-6).all()


@QUICK
@given(house=houses(), overhang=st.floats(0.1, 1.5), more=st.floats(0.1, 1.5))
def test_reaching_farther_over_the_roof_never_brings_less(
    house: dict[str, Any], overhang: float, more: float
) -> None:
    # As long as the crown's middle stays outside the gutter line; beyond it the crown leaves the eave again.
    def over(meters_: float) -> Outcome:
        first = {**house["trees"][0], "crown_radius": "5 m", "overhang": f"{meters_:.3f} m"}
        return outcome({**house, "eaves": house["eaves"][:1], "trees": [{**first, "eave": "eave 0"}]})

    assert (open_months(over(overhang + more)) <= open_months(over(overhang)) + 1e-6).all()


@QUICK
@given(house=houses())
def test_what_lands_is_never_more_than_what_is_shed(house: dict[str, Any]) -> None:
    found = outcome(house)
    # Eaves whose roofs lie over one another would count the same ground twice, so each is held by itself.
    landed = found.sources.tree_kg_m * found.house.eaves.length_m[:, None, :]
    assert (landed <= found.sources.production_kg[:, :, None] * (1 + 1e-9)).all()
    assert (landed >= 0).all()


@QUICK
@given(house=houses())
def test_finer_offers_never_let_more_through(house: dict[str, Any]) -> None:
    found = outcome(house)
    for fates in found.ladder:
        for part in fates:
            through = part.through
            # The ladder runs from wide to fine over sieves of nearly equal open share.
            assert (np.diff(through, axis=1) <= 0.02).all()
            assert (through >= -1e-12).all()
            assert (through + part.lodges <= 1 + 1e-9).all()


@QUICK
@given(house=houses())
def test_everything_is_finite_and_ordered(house: dict[str, Any]) -> None:
    found = outcome(house)
    for guard in found.guards.values():
        assert np.isfinite(guard.months).all()
        assert (guard.months >= 0).all()
        assert (guard.months <= 60).all()
        year = guard.litter.year
        assert (guard.litter.below + guard.litter.stuck <= year * (1 + 1e-6) + 1e-12).all()


STEADY = {"species": "Pinus taeda", "height": "18 m", "count": 2, "eave": "eave 0"}
SMOOTH_EAVE = {
    "name": "eave 0",
    "length": "12 m",
    "roof_run": "5 m",
    "pitch": "6/12",
    "facing": "N",
    "height": "3 m",
}


def typical(tree: dict[str, Any], eave: dict[str, Any] | None = None) -> tuple[float, float]:
    """Typical waits of the open gutter and under micromesh, on enough draws to tell a jump from chance."""
    survey = {
        "name": "house",
        "eaves": [{**SMOOTH_EAVE, **(eave or {})}],
        "trees": [{**STEADY, "name": "tree", **tree}],
    }
    found = run(Survey.model_validate(survey), {}, {}, BOOK, GUARDS, seed=1, draws=400)
    return (
        float(np.median(found.guards["none"].house_months)),
        float(np.median(found.guards["woven_micromesh"].house_months)),
    )


def jump(steps: list[tuple[float, float]]) -> float:
    waits = np.log(np.array(steps))
    return float(np.exp(np.abs(np.diff(waits, axis=0)).max()))


def test_no_jump_for_a_twelfth_of_pitch() -> None:
    assert jump([typical({"distance": "5 m"}, {"pitch": f"{rise}/12"}) for rise in range(13)]) < 1.3


@pytest.mark.parametrize("near", [0.0, 2.9, 5.0, 9.9])
def test_no_jump_for_a_tenth_of_a_metre(near: float) -> None:
    away = [{"distance": f"{near + step / 10:.1f} m"} for step in range(4)]
    assert jump([typical(tree) for tree in away]) < 1.3
    wide = [{"distance": "5 m", "crown_radius": f"{near + 0.5 + step / 10:.1f} m"} for step in range(4)]
    assert jump([typical(tree) for tree in wide]) < 1.3


def test_no_jump_from_touching_to_hanging_over() -> None:
    over = [{"distance": "2.5 m", "overhang": f"{step / 10:.1f} m"} for step in range(6)]
    assert jump([typical(tree) for tree in over]) < 1.3


@QUICK
@given(house=houses(), overhang=st.floats(0, 2.0), distance=st.floats(0, 8))
def test_hanging_over_is_never_milder_than_not_and_what_was_typed_stays(
    house: dict[str, Any], overhang: float, distance: float
) -> None:
    first = {**house["trees"][0], "distance": f"{distance:.3f} m"}
    first.pop("crown_radius", None)

    def over(meters_: float) -> Outcome:
        tree = {**first, "overhang": f"{meters_:.3f} m", "eave": "eave 0"}
        return outcome({**house, "eaves": house["eaves"][:1], "trees": [tree]})

    none, some = over(0.0), over(overhang)
    assert (open_months(some) <= open_months(none) + 1e-6).all()
    # The trunk stays where it was typed, but for the error of a tape.
    tape = np.exp(np.abs(np.log(some.house.distance_m[:, 0] / max(distance, 1e-3)))) if distance > 0.01 else 1
    assert (np.asarray(tape) < 1.2).all()
