"""Places in plan, checked in all four directions on numbers that can be done in the head."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.shed.plan import (
    EaveLines,
    along_from_bearing_m,
    eave_offsets_m,
    nodes,
    tree_positions,
    unit_vectors,
    wrap_deg,
)

FACINGS = np.array([[0.0, 90.0, 180.0, 270.0]])


def lines(length: float = 10.0, run: float = 4.0) -> EaveLines:
    many = np.full_like(FACINGS, 1.0)
    return EaveLines(many * length, many * run, FACINGS, many * 0.13, many * run)


def test_bearings_point_where_the_compass_says() -> None:
    east, north = unit_vectors(FACINGS)
    np.testing.assert_allclose(east, [[0, 1, 0, -1]], atol=1e-12)
    np.testing.assert_allclose(north, [[1, 0, -1, 0]], atol=1e-12)


@pytest.mark.parametrize(
    ("eave", "place"),
    [(0, (0, 7)), (1, (7, 0)), (2, (0, -7)), (3, (-7, 0))],
    ids=["north", "east", "south", "west"],
)
def test_a_tree_stands_its_distance_outside_its_eave(eave: int, place: tuple[float, float]) -> None:
    east, north = tree_positions(lines(), np.array([[eave]]), np.array([[3.0]]), np.array([[0.0]]))
    assert (float(east[0, 0]), float(north[0, 0])) == pytest.approx(place, abs=1e-12)


def test_an_overhanging_crown_stands_inside_the_gutter_line() -> None:
    east, north = tree_positions(lines(), np.array([[0]]), np.array([[-1.0]]), np.array([[2.0]]))
    assert (float(east[0, 0]), float(north[0, 0])) == pytest.approx((2, 3), abs=1e-12)


def test_bearing_slides_the_tree_along_the_gutter_to_its_end_at_most() -> None:
    off = np.array([0.0, 45.0, -45.0, 90.0, 180.0])
    np.testing.assert_allclose(
        along_from_bearing_m(off, np.array(4.0), np.array(10.0)), [0, 4, -4, 5, 5], atol=1e-9
    )


def test_angles_wrap() -> None:
    np.testing.assert_allclose(
        wrap_deg(np.array([0.0, 190.0, -190.0, 360.0, 540.0])), [0, -170, 170, 0, -180]
    )


def test_a_long_eave_round_the_corner_pushes_the_gutter_out() -> None:
    length, run = np.array([[20.0, 8.0]]), np.array([[4.0, 5.0]])
    offsets = eave_offsets_m(length, run, np.array([[0.0, 90.0]]))
    # North gutter: own run 4, half of the east eave's 8 m is 4. East: half of the north eave's 20 m is 10.
    np.testing.assert_allclose(offsets, [[4, 10]])


def test_node_weights_sum_to_one_and_integrate_a_cubic() -> None:
    place, weight = nodes(2)
    assert weight.sum() == pytest.approx(1)
    assert (weight * place**3).sum() == pytest.approx(0.25)
