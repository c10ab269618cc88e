"""The species tables: complete, conserving, found by any name, sourced row by row."""

from __future__ import annotations

import csv
import io
import re
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
    names_of,
)
from eavefall_model.vocabulary import FORMS, Form

TAXA = tuple(load_taxa().values())
LONG_NEEDLE_MM = 70.0


def _rows(name: str) -> list[dict[str, str]]:
    text = files("eavefall_model.species").joinpath("data", name).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


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
        for low_size, high_size in (part.length_mm, part.width_mm, part.mass_mg):
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
        ("mesquite", "Prosopis glandulosa"),
        ("Kentucky coffee tree", "Gymnocladus dioicus"),
    ],
)
def test_a_tree_is_found_by_any_name(text: str, name: str) -> None:
    assert find_taxon(text).name == name


def test_our_own_name_of_every_tree_finds_it() -> None:
    commons = [taxon.common.casefold() for taxon in TAXA]
    assert len(set(commons)) == len(commons)
    for taxon in TAXA:
        assert find_taxon(taxon.common) is taxon
        assert find_taxon(taxon.name) is taxon
        for name in names_of(taxon):
            assert find_taxon(name) is taxon


def _found_or_hint(name: str) -> tuple[Taxon | None, str]:
    try:
        return find_taxon(name), ""
    except SurveyError as question:
        return None, question.hint


def test_every_name_finds_its_tree_or_its_genus_or_asks() -> None:
    rows = _rows("names.csv")
    asked = 0
    for row in rows:
        own = load_taxa()[row["taxon"]]
        found, hint = _found_or_hint(row["name"])
        if found is None:
            asked += 1
            assert own.common in hint  # each tree that may be meant is named
        else:
            assert found in (own, load_taxa().get(own.genus)) or found.common == row["name"].casefold()
    assert 0 < asked < 0.1 * len(rows)


@pytest.mark.parametrize(
    ("text", "commons"),
    [
        ("sycamore", ("American sycamore", "sycamore maple")),
        ("Sycamore", ("American sycamore", "sycamore maple")),
        ("red cedar", ("western redcedar", "eastern redcedar")),
        ("mountain ash", ("rowan", "giant ash")),
    ],
)
def test_a_name_of_different_trees_is_asked_not_guessed(text: str, commons: tuple[str, ...]) -> None:
    with pytest.raises(SurveyError) as refused:
        find_taxon(text)
    assert refused.value.code == "survey-wrong-value"
    for common in commons:
        assert common in refused.value.message
        assert common in refused.value.hint
        assert find_taxon(common).common == common


def test_a_species_that_we_lack_is_its_genus_but_a_slip_is_asked() -> None:
    for text, genus in (
        ("Quercus shumardii", "Quercus"),
        ("acer freemanii", "Acer"),
        ("Pinus brutia", "Pinus"),
        ("Fraxinus velutina", "Fraxinus"),
        ("Quercus x heterophylla", "Quercus"),
    ):
        assert find_taxon(text).name == genus
    for slip in ("Pinus strobbus", "Quercus rubrra", "Acer platanoide", "Sorbus intermedia", ""):
        with pytest.raises(SurveyError):
            find_taxon(slip)


def test_a_name_of_several_trees_of_one_genus_is_the_genus() -> None:
    for text, genus in (
        ("black pine", "Pinus"),
        ("lime", "Tilia"),
        ("ash", "Fraxinus"),
        ("walnut", "Juglans"),
    ):
        assert find_taxon(text).name == genus


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
        # Wattles and palo verdes, whose leaflets are a millimeter wide and less, are like no other tree.
        if taxon.form != form or taxon.genus in ("", "Acacia", "Parkinsonia"):
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


MARKS = ("found", "from memory", "judgement")


@pytest.mark.parametrize("name", ["seasons.csv", "litter.csv", "names.csv"])
def test_every_row_has_source_and_mark(name: str) -> None:
    rows = _rows(name)
    assert rows
    for row in rows:
        assert row["source"].strip(), row
        assert row["mark"] in MARKS, row


def test_every_size_has_source_and_mark() -> None:
    for row in _rows("parts.csv"):
        assert row["source"].strip(), row
        for side in ("length", "width", "thickness"):
            low, high, mark = row[f"{side}_lo_mm"], row[f"{side}_hi_mm"], row[f"{side}_mark"]
            assert bool(low) == bool(high) == bool(mark), row
            assert mark in MARKS if side != "thickness" else mark in ("", *MARKS), row
            if side != "thickness" and not row["source"].startswith("range over"):
                assert f"{side}: " in row["source"], row


def test_what_is_marked_as_read_names_what_was_read() -> None:
    # A key of sources.csv, or words that name a book or page; memory and judgement name none.
    sources = _rows("sources.csv")
    keys = {row["key"] for row in sources}
    assert len(keys) == len(sources)
    assert all(row["kind"] in ("primary", "secondary") for row in sources)
    for row in _rows("parts.csv"):
        said = dict(each.split(": ", 1) for each in row["source"].split(" ; ") if ": " in each)
        for side in ("length", "width", "thickness"):
            if row[f"{side}_mark"] == "found":
                assert said[side] not in ("general dendrology", "our judgement"), row
                assert len(said[side]) >= 2, row
        both = row["length_mark"] == row["width_mark"] == "found"
        if both:
            assert "general dendrology" not in said["length"] + said["width"], row
    used = " ".join(row["source"] for name in ("parts.csv", "names.csv") for row in _rows(name))
    words = set(re.findall(r"[A-Z][A-Z0-9]+", used))
    assert keys <= words, keys - words


def test_most_of_the_size_table_is_read() -> None:
    marks = [part.mark for taxon in TAXA for part in taxon.parts]
    rows = [row for row in _rows("parts.csv") if row["length_mark"] == row["width_mark"] == "found"]
    assert len(rows) >= 200
    assert set(marks) == set(MARKS)


def test_flat_needles_are_thinner_than_wide() -> None:
    flat = {taxon.genus for taxon in TAXA for part in taxon.parts if part.thickness_mm}
    assert {"Abies", "Tsuga", "Taxus", "Pseudotsuga", "Sequoia", "Taxodium"} <= flat
    assert "Pinus" not in flat
    for taxon in TAXA:
        for part in taxon.parts:
            if part.thickness_mm:
                assert part.part == "needle"
                low, high = part.thickness_mm
                assert 0 < low <= high
                middle = (part.width_mm[0] * part.width_mm[1]) ** 0.5
                assert (low * high) ** 0.5 < middle, taxon.name


def test_the_coverage_in_the_notes_is_that_of_the_tables() -> None:
    text = files("eavefall_model.species").joinpath("README.md").read_text(encoding="utf-8")
    notes = text.partition("## Coverage")[2]

    def counted(name: str, mark: str) -> str:
        marks = [row[mark] for row in _rows(name)]
        return " | ".join(str(marks.count(each)) for each in MARKS)

    weaker = [max(row["length_mark"], row["width_mark"], key=MARKS.index) for row in _rows("parts.csv")]
    both = " | ".join(str(weaker.count(each)) for each in MARKS)
    for label, now in (
        ("`parts.csv`, both sides", both),
        ("`parts.csv`, length", counted("parts.csv", "length_mark")),
        ("`parts.csv`, width", counted("parts.csv", "width_mark")),
        ("`seasons.csv`", counted("seasons.csv", "mark")),
        ("`litter.csv`", counted("litter.csv", "mark")),
        ("`crowns.csv`", counted("crowns.csv", "mark")),
        ("`forms.csv`, settled density", counted("forms.csv", "settled_mark")),
        ("`forms.csv`, speed of fall", counted("forms.csv", "speed_mark")),
        ("`names.csv`", counted("names.csv", "mark")),
    ):
        line = next(line for line in notes.splitlines() if line.startswith(f"| {label} |"))
        assert line.endswith(f"| {now} |"), (label, now)
