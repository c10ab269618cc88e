"""Litter from crowns to eaves: trade sense, in every direction, and sums that must come out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.shed.kernel import (
    HEIGHT_POWER,
    REFERENCE_HEIGHT_M,
    dispersal_scale_m,
    landing_area_m2,
)
from eavefall_model.shed.load import Crowns, Roofs, WindRose, production_kg_year, share_per_meter
from eavefall_model.shed.plan import EaveLines, tree_positions


def one(value: float) -> np.ndarray:
    return np.array([[value]])


def house(
    facing: float = 0.0, length: float = 12.0, run: float = 5.0, pitch: float = 27.0
) -> tuple[EaveLines, Roofs]:
    eave = EaveLines(one(length), one(run), one(facing), one(0.13), one(run))
    return eave, Roofs(one(3.0), one(pitch), one(8.0))


def tree(
    eave: EaveLines, distance: float, *, radius: float = 4.0, height: float = 18.0, along: float = 0.0,
    scale: float | None = None,
) -> Crowns:  # fmt: skip
    at = tree_positions(eave, np.array([[0]]), one(distance), one(along))
    side = tree_positions(eave, np.array([[0]]), one(6.0), one(along))
    drift = dispersal_scale_m(5.0, one(height), one(1.5)) if scale is None else one(scale)
    return Crowns(*at, *side, one(radius), one(height), one(0.8), drift)


CALM = WindRose(np.array([0.0]), np.array([0.0]))


def share(eave: EaveLines, roofs: Roofs, crowns: Crowns, wind: WindRose = CALM) -> float:
    return float(share_per_meter(crowns, eave, roofs, wind)[0, 0, 0])


def test_production_is_area_times_litterfall_and_doubles_with_area() -> None:
    # pi 4^2 m2 of crown at 400 g/m2: 20.1 kg, at the height for which the litterfall stands.
    tall = one(REFERENCE_HEIGHT_M)
    assert production_kg_year(one(4.0), tall, one(400.0)) == pytest.approx(np.pi * 16 * 0.4)
    assert production_kg_year(one(4.0 * np.sqrt(2)), tall, one(400.0)) == pytest.approx(2 * np.pi * 16 * 0.4)
    assert production_kg_year(one(4.0), tall / 2, one(400.0)) == pytest.approx(
        np.pi * 16 * 0.4 / 2**HEIGHT_POWER
    )


def test_a_crown_over_the_whole_roof_gives_strip_and_roof_by_arithmetic() -> None:
    # A vast crown over everything: even litter of 1 / landing area per m2, on a roof where all slides down.
    eave, roofs = house(run=5.0)
    scale = 3.15
    crowns = replace(tree(eave, 0.0, radius=200.0, scale=scale), depth_share=one(0.5))
    smooth = replace(roofs, pitch_deg=one(79.0), slip_m=one(1e9))
    per_m2 = 1 / float(landing_area_m2(one(200.0), one(scale), one(0.0))[0, 0])
    assert share(eave, smooth, crowns) == pytest.approx((0.13 + 5.0) * per_m2, rel=1e-9)
    rough = replace(roofs, slip_m=one(1e-9))
    assert share(eave, rough, crowns) == pytest.approx(0.13 * per_m2, rel=1e-9)


@pytest.mark.parametrize("facing", [0.0, 45.0, 90.0, 180.0, 270.0])
def test_the_house_may_be_turned(facing: float) -> None:
    eave, roofs = house(0.0)
    turned, _ = house(facing)
    assert share(turned, roofs, tree(turned, 5.0)) == pytest.approx(share(eave, roofs, tree(eave, 5.0)))


@pytest.mark.parametrize("facing", [0.0, 90.0, 180.0, 270.0])
def test_downwind_of_the_tree_is_worse_than_upwind(facing: float) -> None:
    eave, roofs = house(facing)
    crowns = tree(eave, 8.0)

    def under(from_deg: float) -> float:
        return share(eave, roofs, crowns, WindRose(np.array([from_deg % 360]), np.array([0.4])))

    # Wind from the tree's side carries toward the house.
    assert under(facing) > under(facing + 90) > under(facing + 180)
    assert under(facing + 90) == pytest.approx(under(facing - 90), rel=1e-6)


@settings(max_examples=60, deadline=None)
@given(
    near=st.floats(0, 40), step=st.floats(0, 20), along=st.floats(-6, 6), stretch=st.floats(0, 0.6),
    wind=st.floats(0, 360), radius=st.floats(0.5, 9), pitch=st.floats(0, 60),
)  # fmt: skip
def test_stepping_back_never_brings_more(
    near: float, step: float, along: float, stretch: float, wind: float, radius: float, pitch: float
) -> None:
    eave, roofs = house(pitch=pitch)
    rose = WindRose(np.array([wind]), np.array([stretch]))
    close = share(eave, roofs, tree(eave, near, along=along, radius=radius), rose)
    back = share(eave, roofs, tree(eave, near + step, along=along, radius=radius), rose)
    assert 0 <= back <= close * (1 + 1e-9)


def _brought(eave: EaveLines, roofs: Roofs, crowns: Crowns, wind: WindRose) -> float:
    shed = production_kg_year(crowns.radius_m, crowns.height_m, one(400.0))
    return float(shed[0, 0]) * share(eave, roofs, crowns, wind)


@settings(max_examples=200, deadline=None)
@given(
    out=st.floats(0, 30), radius=st.floats(0.5, 9), height=st.floats(2, 45), taller=st.floats(1, 3),
    wider=st.floats(1, 3), along=st.floats(-6, 6), wind=st.floats(0, 360), stretch=st.floats(0, 0.6),
)  # fmt: skip
def test_a_taller_tree_or_a_wider_crown_never_brings_less(
    out: float, radius: float, height: float, taller: float, wider: float, along: float, wind: float,
    stretch: float,
) -> None:  # fmt: skip
    eave, roofs = house()
    rose = WindRose(np.array([wind]), np.array([stretch]))
    now = _brought(eave, roofs, tree(eave, out, radius=radius, height=height, along=along), rose)
    tall = _brought(eave, roofs, tree(eave, out, radius=radius, height=height * taller, along=along), rose)
    wide = _brought(eave, roofs, tree(eave, out, radius=radius * wider, height=height, along=along), rose)
    assert tall >= now * (1 - 1e-9)
    assert wide >= now * (1 - 1e-9)


def test_fourteen_to_twenty_metres_hold_95_percent_of_what_reaches_a_line() -> None:
    # Douglas-fir needles and alder leaves, gentle ground: 14 m for young trees, about 20 m for mature ones
    # (Forest Ecology and Management 2016, abstract). A line longer than the reach stands for a stream.
    line = EaveLines(one(4.0), one(0.001), one(0.0), one(0.1), one(0.001))
    roofs = Roofs(one(0.0), one(0.0), one(8.0))
    steps = np.arange(0.25, 80, 0.5)
    widths = []
    for height, radius in ((15.0, 3.0), (30.0, 5.0)):
        drift = dispersal_scale_m(4.0, one(height), one(1.5))
        reached = []
        for away in steps:
            # The line in short stretches, since few nodes along a long one would miss the crown.
            along = [
                Crowns(
                    one(float(middle)), one(float(away)), one(0.0), one(6.0), one(radius), one(height),
                    one(0.9), drift,
                )
                for middle in range(-60, 61, 4)
            ]  # fmt: skip
            reached.append(sum(float(share_per_meter(at, line, roofs, CALM)[0, 0, 0]) for at in along))
        widths.append(float(steps[np.searchsorted(np.cumsum(reached) / np.sum(reached), 0.95)]))
    assert widths[0] == pytest.approx(14, rel=0.15)
    assert widths[1] == pytest.approx(20, rel=0.15)


@settings(deadline=None)
@given(low=st.floats(0, 70), more=st.floats(0, 10))
def test_a_steeper_roof_sheds_more_to_its_gutter(low: float, more: float) -> None:
    eave, roofs = house()
    crowns = tree(eave, 2.0)
    flatter = share(eave, replace(roofs, pitch_deg=one(low)), crowns)
    assert share(eave, replace(roofs, pitch_deg=one(low + more)), crowns) >= flatter * (1 - 1e-12)


def test_a_hedge_below_the_eave_gives_nothing_and_the_other_side_gets_less() -> None:
    eave, roofs = house()
    assert share(eave, roofs, tree(eave, 1.0, height=2.5)) == 0
    both = EaveLines(
        *(np.array([[v, v]]) for v in (12.0, 5.0)),
        np.array([[0.0, 180.0]]),
        *(np.array([[v, v]]) for v in (0.13, 5.0)),
    )
    roofs_2 = Roofs(np.array([[3.0, 3.0]]), np.array([[27.0, 27.0]]), np.array([[8.0, 8.0]]))
    front, back = share_per_meter(tree(both, 3.0), both, roofs_2, CALM)[0, 0]
    assert front > 3 * back > 0


def test_gutter_and_roof_never_get_more_than_the_tree_sheds() -> None:
    eave, roofs = house(length=40.0, run=20.0, pitch=75.0)
    assert share(eave, roofs, tree(eave, -6.0)) * 40.0 < 1


def test_five_nodes_along_are_near_enough_to_many() -> None:
    # Trapezium over 400 places on the strip of a roof that lets nothing slide, against the engine.
    eave, roofs = house()
    roofs = replace(roofs, slip_m=one(1e-9))
    scale = 2.34
    crowns = tree(eave, 5.0, along=1.5, scale=scale)
    along = np.linspace(-6, 6, 401)
    distance = np.hypot(along - 1.5, 5.0)
    even = np.exp(-np.maximum(distance - 4.0, 0) / scale)
    exact = (
        0.13 * np.trapezoid(even, along) / 12 / float(landing_area_m2(one(4.0), one(scale), one(0.0))[0, 0])
    )
    assert share(eave, roofs, crowns) == pytest.approx(exact, rel=0.03)
