"""The species tables: complete, conserving, found by any name, sourced row by row."""

from __future__ import annotations

import csv
import io
from importlib.resources import files

import pytest

from eavefall_model.errors import SurveyError
from eavefall_model.species.table import (
    FOLIAGE_PARTS,
    Taxon,
    find_taxon,
    generic_taxon,
    load_taxa,
    month_share_for,
)
from eavefall_model.vocabulary import FORMS, Form

TAXA = tuple(load_taxa().values())
LONG_NEEDLE_MM = 70.0


def _species(foliage: str) -> list[Taxon]:
    return [taxon for taxon in TAXA if taxon.foliage == foliage and taxon.genus not in ("", taxon.name)]


def test_enough_trees_and_parts() -> None:
    assert len(_species("needle")) >= 50
    assert len(_species("broad")) >= 25
    kinds = {part.part for taxon in TAXA for part in taxon.parts}
    wanted = {
        "leaf", "leaflet", "needle", "bundle", "scale", "spray", "catkin", "samara", "seed", "cone", "acorn",
        "twig",
    }  # fmt: skip
    assert wanted <= kinds


@pytest.mark.parametrize("taxon", TAXA, ids=lambda taxon: taxon.name)
def test_each_taxon_conserves_its_litter(taxon: Taxon) -> None:
    assert sum(part.litter_share for part in taxon.parts) == pytest.approx(1.0, abs=1e-9)
    low, typical, high = taxon.litter_g_m2_year
    assert 0 < low <= typical <= high
    names = [part.part for part in taxon.parts]
    assert len(set(names)) == len(names)
    for part in taxon.parts:
        assert sum(part.month_share) == pytest.approx(1.0, abs=1e-12)
        assert len(part.month_share) == 12
        assert min(part.month_share) >= 0
        for low_size, high_size in filter(None, (part.length_mm, part.width_mm, part.mass_mg)):
            assert 0 < low_size <= high_size
        assert part.form == taxon.form
        assert part.source
        assert part.mark in ("found", "from memory", "judgement")
    foliage = sum(part.litter_share for part in taxon.parts if part.part in FOLIAGE_PARTS)
    assert 0.5 < foliage < 0.95


def test_forms_follow_the_needle_length() -> None:
    # long_needle is 70 mm and more, by the middle of the species' range.
    for taxon in _species("needle"):
        needles = [part for part in taxon.parts if part.part == "needle"]
        if needles:
            long = sum(needles[0].length_mm) / 2 >= LONG_NEEDLE_MM
            assert taxon.form == ("long_needle" if long else "short_needle"), taxon.name


def test_pines_fall_in_bundles_thicker_than_their_needles() -> None:
    for taxon in TAXA:
        if taxon.genus == "Pinus":
            by_part = {part.part: part for part in taxon.parts}
            assert by_part["bundle"].width_mm[0] > by_part["needle"].width_mm[0]
            assert 2 <= taxon.needles_per_bundle <= 5


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Pinus strobus", "Pinus strobus"),
        ("pinus STROBUS", "Pinus strobus"),
        ("Eastern White Pine", "Pinus strobus"),
        ("white pine", "Pinus strobus"),
        ("Scots-pine", "Pinus sylvestris"),
        ("douglas fir", "Pseudotsuga menziesii"),
        ("Leyland cypress", "Cupressus x leylandii"),
        ("Platanus × acerifolia", "Platanus x acerifolia"),
        ("pine", "Pinus"),
        ("Quercus spp.", "Quercus"),
        ("birch", "Betula"),
    ],
)
def test_a_tree_is_found_by_any_name(text: str, name: str) -> None:
    assert find_taxon(text).name == name


def test_no_spelling_names_two_trees() -> None:
    owner: dict[str, str] = {}
    for taxon in TAXA:
        for spelling in {taxon.name.casefold(), taxon.common.casefold(), *map(str.casefold, taxon.aliases)}:
            assert owner.setdefault(spelling, taxon.name) == taxon.name, spelling


def test_an_unknown_tree_names_its_neighbours() -> None:
    with pytest.raises(SurveyError) as refused:
        find_taxon("whit pine")
    assert refused.value.code == "survey-wrong-value"
    assert "white pine" in refused.value.hint
    with pytest.raises(SurveyError, match="long_needle"):
        find_taxon("qqqq")


@pytest.mark.parametrize("form", FORMS)
def test_a_form_without_species_covers_its_species(form: Form) -> None:
    generic = generic_taxon(form)
    assert generic.form == form
    foliage = {part.part: part for part in generic.parts if part.part in FOLIAGE_PARTS}
    for taxon in TAXA:
        if taxon.form != form or not taxon.genus:
            continue
        for part in taxon.parts:
            cover = foliage.get(part.part)
            if cover is not None and part.part in ("needle", "leaf", "leaflet", "spray", "scale"):
                # Ranges are 5th to 95th percentiles; the generic one must reach the middle of every species.
                middle = (part.width_mm[0] * part.width_mm[1]) ** 0.5
                assert cover.width_mm[0] <= middle <= cover.width_mm[1], (taxon.name, part.part)


def test_an_unknown_pine_reaches_from_white_pine_to_longleaf() -> None:
    needle = next(part for part in generic_taxon("long_needle").parts if part.part == "needle")
    assert needle.width_mm[0] <= 0.5
    assert needle.width_mm[1] >= 1.5


def test_the_south_is_half_a_year_later() -> None:
    leaf = next(part for part in find_taxon("Acer platanoides").parts if part.part == "leaf")
    north, south = month_share_for(leaf, "north"), month_share_for(leaf, "south")
    assert max(north) == north[9]  # October
    assert max(south) == south[3]  # April
    assert sum(south) == pytest.approx(1.0)


def test_the_seasons_are_those_that_sources_name() -> None:
    def peak(name: str, part: str) -> int:
        share = next(each for each in find_taxon(name).parts if each.part == part).month_share
        return share.index(max(share)) + 1

    assert peak("Pinus sylvestris", "needle") in (9, 10)  # Blanco et al 2006
    assert peak("Pinus taeda", "needle") in (10, 11, 12)  # Van Lear and Goebel 1976
    assert peak("Quercus virginiana", "leaf") in (2, 3, 4)  # late winter to early spring, state extension
    assert peak("Magnolia grandiflora", "leaf") in (4, 5, 6)  # UF/IFAS
    assert peak("Acer rubrum", "samara") in (5, 6)
    assert peak("Larix laricina", "needle") in (10, 11)
    pine = next(part for part in find_taxon("Pinus sylvestris").parts if part.part == "needle").month_share
    assert min(pine[5:7]) > max(pine[0:4])  # the second peak, June and July


def test_the_tables_are_read_only() -> None:
    with pytest.raises(TypeError):
        load_taxa()["x"] = TAXA[0]  # type: ignore[index]


@pytest.mark.parametrize("name", ["parts.csv", "seasons.csv", "litter.csv"])
def test_every_row_has_source_and_mark(name: str) -> None:
    text = files("eavefall_model.species").joinpath("data", name).read_text(encoding="utf-8")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert rows
    for row in rows:
        assert row["source"].strip(), row
        assert row["mark"] in ("found", "from memory", "judgement"), row
