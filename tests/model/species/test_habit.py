"""Crowns of trees in the open against the very trees, and litter that lies between loose and settled."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.species.habit import crown_line, litter_of
from eavefall_model.species.table import find_taxon, load_taxa
from eavefall_model.vocabulary import FORMS

# Medians of grown street and park trees, height and crown radius in m, counted from the Urban Tree Database
# (McPherson, van Doorn and Peper 2016): a line through logarithms has to pass near them.
GROWN = {
    "Acer platanoides": (15.0, 6.70), "Acer saccharinum": (19.0, 7.75), "Quercus alba": (30.0, 8.80),
    "Liquidambar styraciflua": (18.0, 5.45), "Ginkgo biloba": (15.0, 5.12),
    "Magnolia grandiflora": (13.0, 5.5), "Pinus strobus": (17.5, 5.60), "Pinus taeda": (21.5, 5.60),
    "Picea pungens": (13.5, 3.98), "Pseudotsuga menziesii": (27.0, 6.25),
    "Sequoia sempervirens": (24.0, 4.55), "Cornus florida": (7.0, 3.65),
}  # fmt: skip


@pytest.mark.parametrize(("name", "grown"), GROWN.items(), ids=GROWN)
def test_the_line_passes_through_grown_trees(name: str, grown: tuple[float, float]) -> None:
    height, radius = grown
    line = crown_line(find_taxon(name))
    assert line.key == name
    assert float(line.radius_m(np.array(height))) == pytest.approx(radius, rel=0.15)


def test_every_tree_has_a_crown_that_grows_with_it_and_is_no_wider_than_tall() -> None:
    for taxon in load_taxa().values():
        line = crown_line(taxon)
        # Half to one and a half times the height of the grown trees that were measured.
        heights = line.height_m * np.array([0.5, 1.0, 1.5])
        radius = line.radius_m(heights)
        assert (np.diff(radius) > 0).all(), taxon.name
        assert (0.05 * heights < radius).all(), taxon.name
        assert (radius < 0.8 * heights).all(), taxon.name
        assert 0.1 < line.sd_ln < 0.6
        assert line.n >= 30
        assert line.source
        assert line.mark == "found"


def test_conifers_are_narrower_than_broadleaf_trees_and_the_more_so_the_taller() -> None:
    needle, broad = (
        crown_line(find_taxon(each)).radius_m(np.array([10.0, 30.0])) / np.array([10.0, 30.0])
        for each in ("any short needle", "any broad leaf")
    )
    assert (needle < broad).all()
    assert needle[1] < needle[0]


@pytest.mark.parametrize("form", FORMS)
def test_litter_lies_between_loose_and_settled_and_says_that_nobody_weighed_it(form: str) -> None:
    litter = litter_of(form)  # type: ignore[arg-type]
    # Loose leaves and needles 13 to 16 kg/m3, settled layers 115 to 139 (sources in the table).
    low, high = litter.settled_kg_m3
    assert 13 < low < 30 < litter.middle_kg_m3 < 60 < high < 139
    assert high / low > 4
    assert litter.settled_mark == litter.speed_mark == "judgement"
    # One spread for all, so that more of any litter always takes more room.
    assert litter.sd_ln == pytest.approx(litter_of("broad_leaf").sd_ln, rel=1e-3)
