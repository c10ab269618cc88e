"""Tables of fates against the passage model itself, and the drop test's word against them."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from eavefall_model.advice.fate_tables import Opening, entered_shares, part_fates
from eavefall_model.screens.passage import fates
from eavefall_model.species.table import find_taxon, generic_taxon
from eavefall_model.survey import DropTest

OPENINGS = [Opening(4.75, 1.6, "square"), Opening(1.0, 0.56, "square"), Opening(0.4, 0.25, "square")]


def source(taxon: Any, factor: float = 1.0, tests: tuple[DropTest, ...] = ()) -> Any:
    return SimpleNamespace(taxon=taxon, width_factor=np.array([factor, factor]), drop_tests=tests)


def through(found: Any, part: str) -> np.ndarray:
    return np.atleast_2d(next(each.through for each in found if each.part.part == part))[0]


def test_a_finer_opening_and_a_thicker_needle_let_less_through() -> None:
    taxon = find_taxon("Pinus strobus")
    thin = through(part_fates(source(taxon, 0.7), OPENINGS, 0.15), "needle")
    thick = through(part_fates(source(taxon, 2.5), OPENINGS, 0.15), "needle")
    assert (np.diff(thin) <= 0).all()
    assert (thick <= thin + 1e-12).all()
    assert thick[1] < thin[1]


def test_needles_wider_than_the_opening_stay_out() -> None:
    found = part_fates(source(find_taxon("Pinus palustris")), OPENINGS, 0.15)
    # Longleaf needles of 1.5 mm on 0.4 mm cloth.
    assert through(found, "needle")[2] == pytest.approx(0, abs=1e-12)


def test_the_table_is_the_mean_of_the_model_over_pieces() -> None:
    # Crumbless oak leaves, all wider than 4.75 mm: a leaf's fate by the model is all across.
    found = part_fates(source(find_taxon("Quercus rubra")), OPENINGS, 0.0)
    one = fates(190.0, 125.0, 4.75, 1.6, room_below_mm=90.0)
    assert through(found, "leaf")[0] == pytest.approx(float(one.through), abs=1e-9)
    crumbs = part_fates(source(find_taxon("Quercus rubra")), OPENINGS, 0.3)
    assert through(crumbs, "leaf")[0] > through(found, "leaf")[0]


def test_a_drop_test_moves_the_share_at_its_opening_and_less_beside_it() -> None:
    tests = (DropTest(opening_mm=1.0, dropped=400, passed=200),)
    tested = source(generic_taxon("long_needle"), 1.0, tests)
    rng = np.random.default_rng(0)
    entered = entered_shares(tested, rng, 2)
    assert entered[1.0] == pytest.approx(0.5, abs=0.1)
    plain = through(part_fates(tested, OPENINGS, 0.15), "needle")
    moved = through(part_fates(tested, OPENINGS, 0.15, entered), "needle")
    assert moved[1] - plain[1] > 0.2
    assert abs(moved[0] - plain[0]) < 0.1 * (moved[1] - plain[1])


def test_nothing_of_two_hundred_is_believed_nearly_nothing() -> None:
    tests = (DropTest(opening_mm=1.18, dropped=200, passed=0),)
    entered = entered_shares(source(generic_taxon("long_needle"), 1.0, tests), np.random.default_rng(0), 4000)
    # Beta posterior: mean well under 2 %, and more than 90 % of it under the 3 % that clear an opening.
    assert entered[1.18].mean() < 0.02
    assert (entered[1.18] < 0.03).mean() > 0.9
