"""Monotonicity over the input space: the same luck, one thing changed."""

from __future__ import annotations

from typing import Any

import numpy as np
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


def metres(low: float, high: float) -> st.SearchStrategy[str]:
    return st.floats(low, high).map(lambda value: f"{value:.3f} m")


def maybe(strategy: st.SearchStrategy[Any]) -> st.SearchStrategy[Any]:
    return st.none() | strategy


def given_only(fields: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in fields.items() if value is not None}


trees = st.fixed_dictionaries(
    {
        "species": st.sampled_from(SPECIES),
        "distance": metres(0, 40),
        "height": maybe(metres(1, 35)),
        "crown_radius": maybe(metres(0.3, 10)),
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
            "length": draw(maybe(metres(2, 30))),
            "roof_run": draw(maybe(metres(0.5, 10))),
            "pitch": draw(maybe(st.floats(0, 60).map(lambda deg: f"{deg:.2f} deg"))),
            "height": draw(maybe(metres(2, 8))),
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
    towards = outcome({**alone, "wind": {"from": eave["facing"], "prevails": "strongly"}})
    away = outcome({**alone, "wind": {"from": (eave["facing"] + 180) % 360, "prevails": "strongly"}})
    assert (open_months(towards) <= open_months(away) + 1e-6).all()


@QUICK
@given(house=houses())
def test_what_lands_is_never_more_than_what_is_shed(house: dict[str, Any]) -> None:
    found = outcome(house)
    # Eaves whose roofs lie over one another would count the same ground twice, so each is held by itself.
    landed = found.sources.tree_kg_m * found.site.eaves.length_m[:, None, :]
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
