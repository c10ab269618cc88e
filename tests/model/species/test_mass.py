"""Masses of pieces: arithmetic on simple shapes, rising with every side, of a size known outside."""

from __future__ import annotations

import math

import pytest

from eavefall_model.species.mass import piece_mass_mg
from eavefall_model.species.table import load_taxa

PARTS = sorted({part.part for taxon in load_taxa().values() for part in taxon.parts})


@pytest.mark.parametrize("part", PARTS)
def test_a_larger_piece_is_heavier_whichever_side_grows(part: str) -> None:
    base = piece_mass_mg(part, (10, 20), (2, 4))
    assert 0 < base[0] < base[1]
    for length, width in (((11, 22), (2, 4)), ((10, 20), (2.2, 4.4))):
        low, high = piece_mass_mg(part, length, width)
        assert low > base[0]
        assert high > base[1]


def test_shapes_are_rods_sheets_and_bodies() -> None:
    assert piece_mass_mg("twig", (100, 100), (4, 4))[0] == pytest.approx(0.5 * math.pi * 4 * 100)
    assert piece_mass_mg("leaf", (100, 100), (50, 50))[0] == pytest.approx(0.08 * 0.65 * 5000)
    assert piece_mass_mg("berry", (10, 10), (10, 10))[0] == pytest.approx(0.35 * math.pi / 6 * 1000)
    assert piece_mass_mg("needle", (20, 20), (2, 2), (0.5, 0.5))[0] == pytest.approx(0.45 * 20)


def test_a_loblolly_needle_weighs_tens_of_milligrams() -> None:
    # Fascicles of loblolly pine weigh 0.1 to 0.25 g dry (from memory), three needles each.
    low, high = piece_mass_mg("needle", (130, 210), (1.0, 1.3))
    assert low < 50 < high
