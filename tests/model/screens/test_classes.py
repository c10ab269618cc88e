"""Classes at and beside every limit."""

from __future__ import annotations

import itertools
import math

import pytest
from fluids.particle_size_distribution import ISO_3310_1_sieves
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.errors import RulesError
from eavefall_model.screens.catalogue import load_catalogue
from eavefall_model.screens.classes import CLASS_BOUNDS_MM, class_borders_mm, class_bounds_mm, fineness_class
from eavefall_model.screens.guards import load_guards
from eavefall_model.screens.standards import load_sieves
from eavefall_model.vocabulary import FINENESS_CLASSES


@pytest.mark.parametrize(
    ("opening_mm", "name"),
    [
        (25.0, "open"), (6.7, "open"), (6.3, "coarse"), (2.8, "coarse"), (2.5, "medium"),
        (1.12, "medium"), (1.0, "fine"), (0.56, "fine"), (0.5, "extra-fine"), (0.1, "extra-fine"),
    ],
)  # fmt: skip
def test_a_limit_is_of_its_class_and_the_next_size_of_the_coarser(opening_mm: float, name: str) -> None:
    assert fineness_class(opening_mm) == name


def test_classes_are_those_of_the_output_format_coarse_to_fine() -> None:
    assert tuple(CLASS_BOUNDS_MM) == FINENESS_CLASSES


def test_ranges_meet_without_gap_or_overlap() -> None:
    for ranges in (class_bounds_mm, class_borders_mm):
        for coarser, finer in itertools.pairwise(FINENESS_CLASSES):
            assert ranges(coarser)[0] == ranges(finer)[1]
        assert ranges("open")[1] == math.inf
        assert ranges("extra-fine")[0] == 0.0


def test_borders_lie_halfway_by_ratio_to_the_next_standard_size() -> None:
    # ISO 3310-1: 0.5 | 0.56, 1.0 | 1.12, 2.5 | 2.8, 6.3 | 6.7 mm.
    expected = {"open": (6.3, 6.7), "coarse": (2.5, 2.8), "medium": (1.0, 1.12), "fine": (0.5, 0.56)}
    for name in FINENESS_CLASSES[:-1]:
        assert class_borders_mm(name)[0] == pytest.approx(math.sqrt(math.prod(expected[name])))


def borders() -> list[float]:
    return [class_borders_mm(name)[0] for name in FINENESS_CLASSES[:-1]]


def test_no_test_sieve_within_its_tolerance_changes_class() -> None:
    # Tolerance on the average opening: ISO 3310-1 as in the fluids library.
    tolerance = {
        round(float(sieve.opening) * 1000, 4): float(sieve.Y_variation_avg or 0) * 1000
        for sieve in ISO_3310_1_sieves.values()
    }
    for sieve in load_sieves():
        off = tolerance[sieve.opening_mm]
        assert off > 0
        for opening in (sieve.opening_mm - off, sieve.opening_mm + off):
            assert fineness_class(opening) == fineness_class(sieve.opening_mm)


def test_no_cloth_or_sheet_that_can_be_had_lies_at_a_border() -> None:
    # No tolerance of market cloth was read; 2 % is what the borders leave the nearest of it.
    sold = [each.clear_mm for each in load_catalogue() if each.shape != "slot"]
    offers = [offer for guard in load_guards().guards for offer in guard.offers]
    sold += [offer.clear_mm for offer in offers if offer.shape != "slot"]
    assert min(abs(math.log(opening / border)) for opening in sold for border in borders()) > math.log(1.02)


@pytest.mark.parametrize(
    "opening_mm",
    [6.35, 6.3, 25.4 / 4 - 0.635],
    ids=["1/4 in holes", "ASTM E11 1/4 in sieve", "1/4 in netting, 23 gauge"],
)
def test_a_quarter_inch_is_one_class_whoever_names_it(opening_mm: float) -> None:
    assert fineness_class(opening_mm) == "coarse"


@given(st.floats(1e-3, 1e3))
def test_an_opening_lies_within_its_class(opening_mm: float) -> None:
    above, upto = class_borders_mm(fineness_class(opening_mm))
    assert above < opening_mm <= upto


@pytest.mark.parametrize("opening_mm", [0.0, -1.0, math.inf, math.nan])
def test_an_impossible_opening_is_refused(opening_mm: float) -> None:
    with pytest.raises(RulesError) as refused:
        fineness_class(opening_mm)
    assert refused.value.code == "rules-invalid"
