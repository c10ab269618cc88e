"""The catalogue holds together: formulas against published shares, classes, order, sources."""

from __future__ import annotations

import pytest

from eavefall_model.screens.catalogue import load_catalogue, openings_in_class
from eavefall_model.screens.classes import class_borders_mm
from eavefall_model.vocabulary import FINENESS_CLASSES


def test_computed_open_area_agrees_with_every_published_one() -> None:
    published = [opening for opening in load_catalogue() if opening.open_area_published is not None]
    assert len(published) >= 14
    for opening in published:
        assert opening.open_area == pytest.approx(opening.open_area_published, abs=0.006), opening.designation


def test_cloth_of_a_mesh_number_fits_its_inch() -> None:
    # Opening plus wire is the pitch, 25.4 mm over the mesh; tables round to a thousandth of an inch.
    meshes = [opening for opening in load_catalogue() if " mesh" in opening.designation]
    assert len(meshes) >= 20
    for opening in meshes:
        mesh = float(opening.designation.split()[0])
        assert opening.opening_mm + opening.solid_mm == pytest.approx(25.4 / mesh, abs=0.002), (
            opening.designation
        )


def test_every_class_can_be_had_and_lists_its_most_open_first() -> None:
    for name in FINENESS_CLASSES:
        openings = openings_in_class(name)
        assert openings
        above, upto = class_borders_mm(name)
        assert all(above < opening.clear_mm <= upto for opening in openings)
        shares = [opening.open_area for opening in openings]
        assert shares == sorted(shares, reverse=True)


def test_every_row_has_a_source_and_a_share_between_0_and_1() -> None:
    catalogue = load_catalogue()
    assert len({(opening.kind, opening.designation) for opening in catalogue}) == len(catalogue)
    for opening in catalogue:
        assert opening.source
        assert opening.mark in ("found", "from memory", "judgement")
        assert 0 < opening.open_area < 1


def test_a_slot_has_no_class_and_rectangular_cloth_goes_by_its_narrow_way() -> None:
    by_name = {opening.designation: opening for opening in load_catalogue()}
    assert by_name["10 mm slot"].fineness_class is None
    assert by_name["18x16"].clear_mm == pytest.approx(25.4 / 18 - 0.28, abs=1e-3)


def test_a_range_within_the_class_is_kept_and_one_cloth_is_named_once() -> None:
    found = openings_in_class("extra-fine", 0.25, 0.45)
    names = [opening.designation for opening in found]
    # 40 mesh market cloth stands in two tables; 40 mesh bolting (0.483) and 60 mesh (0.233) lie outside.
    assert names == ["40 mesh mill", "40 mesh market", "50 mesh x 0.009 in"]
    assert len(openings_in_class("extra-fine")) > len(found)
