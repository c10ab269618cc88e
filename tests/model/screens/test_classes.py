"""Classes at and beside every limit."""

from __future__ import annotations

import itertools
import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.advice.schema import FINENESS_CLASSES
from eavefall_model.errors import RulesError
from eavefall_model.screens.classes import CLASSES, class_bounds_mm, fineness_class


@pytest.mark.parametrize(
    ("opening_mm", "name"),
    [
        (25.0, "open"), (6.001, "open"), (6.0, "coarse"), (2.501, "coarse"), (2.5, "medium"),
        (1.001, "medium"), (1.0, "fine"), (0.501, "fine"), (0.5, "extra-fine"), (0.1, "extra-fine"),
    ],
)  # fmt: skip
def test_a_limit_belongs_to_the_finer_class(opening_mm: float, name: str) -> None:
    assert fineness_class(opening_mm) == name


def test_classes_are_those_of_the_output_format_coarse_to_fine() -> None:
    assert CLASSES == FINENESS_CLASSES


def test_ranges_meet_without_gap_or_overlap() -> None:
    for coarser, finer in itertools.pairwise(CLASSES):
        assert class_bounds_mm(coarser)[0] == class_bounds_mm(finer)[1]
    assert class_bounds_mm("open")[1] == math.inf
    assert class_bounds_mm("extra-fine")[0] == 0.0


@given(st.floats(1e-3, 1e3))
def test_an_opening_lies_within_its_class(opening_mm: float) -> None:
    above, upto = class_bounds_mm(fineness_class(opening_mm))
    assert above < opening_mm <= upto


@pytest.mark.parametrize("opening_mm", [0.0, -1.0, math.inf, math.nan])
def test_an_impossible_opening_is_refused(opening_mm: float) -> None:
    with pytest.raises(RulesError) as refused:
        fineness_class(opening_mm)
    assert refused.value.code == "rules-invalid"
