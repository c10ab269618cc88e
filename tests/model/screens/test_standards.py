"""Sieve designations against the fluids library's ISO 3310-1 and ASTM E11 tables."""

from __future__ import annotations

import math

import pytest
from fluids.particle_size_distribution import ASTM_E11_sieves, ISO_3310_1_sieves
from hypothesis import given
from hypothesis import strategies as st

from eavefall_model.screens.open_area import square_weave
from eavefall_model.screens.standards import (
    load_sieves,
    nearest_astm,
    nearest_iso,
    sieves_between,
    widest_iso_opening_below,
)


def test_every_size_agrees_with_the_reference_library() -> None:
    theirs = {round(float(sieve.opening) * 1000, 4): sieve for sieve in ISO_3310_1_sieves.values()}
    for sieve in load_sieves():
        reference = theirs[sieve.opening_mm]
        assert sieve.wire_mm == pytest.approx(float(reference.d_wire or 0) * 1000)
        assert sieve.wire_min_mm == pytest.approx(float(reference.d_wire_min or 0) * 1000)
        assert sieve.wire_max_mm == pytest.approx(float(reference.d_wire_max or 0) * 1000)
    assert {size for size in theirs if 0.1 <= size <= 25} == {sieve.opening_mm for sieve in load_sieves()}


def test_every_e11_name_agrees_with_the_reference_library() -> None:
    theirs = {
        round(float(sieve.opening) * 1000, 4): str(sieve.old_designation)
        .rstrip(".")
        .replace("1.00 in", "1 in")
        for sieve in ASTM_E11_sieves.values()
    }
    named = {
        sieve.opening_mm: sieve.astm.removeprefix("ASTM E11 ")
        for sieve in load_sieves()
        if sieve.astm is not None
    }
    assert named == {size: name for size, name in theirs.items() if 0.1 <= size <= 25}


def test_wires_are_not_the_thousandfold_slip_below_1_mm() -> None:
    # The reference library's E11 table carries wires 1000 times too small there; ISO 3310-1 wires run from a
    # quarter to three quarters of the opening, and the cloth is 31 to 80 % open.
    for sieve in load_sieves():
        assert sieve.wire_min_mm <= sieve.wire_mm <= sieve.wire_max_mm
        assert 0.30 < square_weave(sieve.opening_mm, sieve.wire_mm) < 0.80


@pytest.mark.parametrize(
    ("opening_mm", "iso", "astm"),
    [
        (0.5, "ISO 3310-1 0.5 mm", "ASTM E11 No. 35"),
        (0.6, "ISO 3310-1 0.6 mm", "ASTM E11 No. 30"),
        (0.516, "ISO 3310-1 0.5 mm", "ASTM E11 No. 35"),  # 30 mesh market cloth is not E11 No. 30
        (0.85, "ISO 3310-1 0.85 mm", "ASTM E11 No. 20"),
        (6.3, "ISO 3310-1 6.3 mm", "ASTM E11 1/4 in"),
    ],
)
def test_nearest_designation(opening_mm: float, iso: str, astm: str) -> None:
    assert nearest_iso(opening_mm) == iso
    assert nearest_astm(opening_mm) == astm


def test_no_astm_name_far_from_any() -> None:
    assert nearest_astm(60.0) is None


@given(st.floats(0.1, 25.0))
def test_nearest_iso_is_the_nearest_by_ratio(opening_mm: float) -> None:
    chosen = float(nearest_iso(opening_mm).split()[-2])
    away = abs(math.log(chosen / opening_mm))
    assert all(away <= abs(math.log(sieve.opening_mm / opening_mm)) + 1e-12 for sieve in load_sieves())


def test_widest_opening_is_strictly_below_the_width() -> None:
    assert widest_iso_opening_below(0.5) == (0.45, "ISO 3310-1 0.45 mm")
    assert widest_iso_opening_below(0.51) == (0.5, "ISO 3310-1 0.5 mm")
    assert widest_iso_opening_below(0.1) is None


@pytest.mark.parametrize("opening_mm", [0.0, -1.0, math.nan, math.inf])
def test_an_impossible_opening_is_refused(opening_mm: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        nearest_iso(opening_mm)


def test_sizes_between_leave_out_the_lower_end_and_keep_the_upper() -> None:
    assert [sieve.opening_mm for sieve in sieves_between(1.0, 1.25)] == [1.12, 1.18, 1.25]
    assert sieves_between(1.0, 1.1) == ()
