"""Tables of fates against the passage model itself, and the drop test's word against them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from eavefall_model.litter.fate_tables import FLAT, DryLeaves, Opening, entered_shares, part_fates
from eavefall_model.screens.passage import fates
from eavefall_model.species.table import find_taxon, generic_taxon
from eavefall_model.survey import DropTest

OPENINGS = [Opening(4.75, 1.6, "square"), Opening(1.0, 0.56, "square"), Opening(0.4, 0.25, "square")]
DRY = DryLeaves(0.15, 0.5)


def source(taxon: Any, factor: float = 1.0, tests: tuple[DropTest, ...] = ()) -> Any:
    return SimpleNamespace(taxon=taxon, width_factor=np.array([factor, factor]), drop_tests=tests, found=())


def through(found: Any, part: str) -> np.ndarray:
    return np.atleast_2d(next(each.through for each in found if each.part.part == part))[0]


def test_a_finer_opening_and_a_thicker_needle_let_less_through() -> None:
    taxon = find_taxon("Pinus strobus")
    thin = through(part_fates(source(taxon, 0.7), OPENINGS, DRY), "needle")
    thick = through(part_fates(source(taxon, 2.5), OPENINGS, DRY), "needle")
    assert (np.diff(thin) <= 0).all()
    assert (thick <= thin + 1e-12).all()
    assert thick[1] < thin[1]


def test_needles_wider_than_the_opening_stay_out() -> None:
    found = part_fates(source(find_taxon("Pinus palustris")), OPENINGS, DRY)
    # Longleaf needles of 1.5 mm on 0.4 mm cloth.
    assert through(found, "needle")[2] == pytest.approx(0, abs=1e-12)


def test_the_table_is_the_mean_of_the_model_over_pieces() -> None:
    # Flat oak leaves without crumbs, all wider than 4.75 mm: a leaf's fate by the model is all across.
    found = part_fates(source(find_taxon("Quercus rubra")), OPENINGS, FLAT)
    one = fates(190.0, 125.0, 4.75, 1.6, room_below_mm=90.0)
    assert through(found, "leaf")[0] == pytest.approx(float(one.through), abs=1e-9)
    crumbs = part_fates(source(find_taxon("Quercus rubra")), OPENINGS, DryLeaves(0.3, 0.0))
    assert through(crumbs, "leaf")[0] > through(found, "leaf")[0]


def test_curled_leaflets_go_in_where_flat_ones_do_not_and_large_leaves_do_not_care() -> None:
    curled = DryLeaves(0.0, 1.0)
    locust, oak = source(find_taxon("Gleditsia triacanthos")), source(find_taxon("Quercus rubra"))
    flat_in = through(part_fates(locust, OPENINGS, FLAT), "leaflet")
    curled_in = through(part_fates(locust, OPENINGS, curled), "leaflet")
    # Leaflets of 5 to 12 mm do not fit 4.75 mm flat; folded or rolled to 1.6 to 6 mm many do, none fits 1 mm.
    assert flat_in[0] < 0.01
    assert curled_in[0] > 5 * flat_in[0] + 0.01
    assert curled_in[1] == pytest.approx(0, abs=1e-3)
    # Half curled is halfway between.
    half = through(part_fates(locust, OPENINGS, DryLeaves(0.0, 0.5)), "leaflet")
    assert half == pytest.approx((flat_in + curled_in) / 2)
    # A hand-sized leaf is wider than any opening, curled or not.
    assert through(part_fates(oak, OPENINGS, curled), "leaf") == pytest.approx(
        through(part_fates(oak, OPENINGS, FLAT), "leaf"), abs=1e-9
    )


def test_a_drop_test_moves_the_share_at_its_opening_and_less_beside_it() -> None:
    tests = (DropTest(opening_mm=1.0, dropped=400, passed=200),)
    tested = source(generic_taxon("long_needle"), 1.0, tests)
    rng = np.random.default_rng(0)
    entered = entered_shares(tested, rng, 2)
    assert entered[1.0] == pytest.approx(0.5, abs=0.1)
    plain = through(part_fates(tested, OPENINGS, DRY), "needle")
    moved = through(part_fates(tested, OPENINGS, DRY, entered), "needle")
    assert moved[1] - plain[1] > 0.2
    assert abs(moved[0] - plain[0]) < 0.1 * (moved[1] - plain[1])


def test_nothing_of_two_hundred_is_believed_nearly_nothing() -> None:
    tests = (DropTest(opening_mm=1.18, dropped=200, passed=0),)
    entered = entered_shares(source(generic_taxon("long_needle"), 1.0, tests), np.random.default_rng(0), 4000)
    # Beta posterior: mean well under 2 %, and more than 90 % of it under the 3 % that clear an opening.
    assert entered[1.18].mean() < 0.02
    assert (entered[1.18] < 0.03).mean() > 0.9
