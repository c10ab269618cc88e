"""Trade sense: what every estimator knows must come out. Marks: common practice, no source, unless said."""

from __future__ import annotations

from typing import Any

import pytest

from eavefall_model.advice.assess import assess
from eavefall_model.advice.say import Voice, guard_why
from eavefall_model.advice.schema import Advice, GuardVerdict
from eavefall_model.survey import Survey


def survey(*trees: dict[str, Any], **more: Any) -> Survey:
    eave = {
        "name": "back",
        "length": "12 m",
        "roof_run": "5 m",
        "pitch": "6/12",
        "facing": "N",
        **more.pop("eave", {}),
    }
    named = [{"name": f"tree {at}", "eave": "back", **tree} for at, tree in enumerate(trees)]
    return Survey.model_validate({"name": "house", "eaves": [eave], "trees": named, **more})


def pine(
    distance: str = "4 m", species: str = "Pinus strobus", count: int = 4, **more: Any
) -> dict[str, Any]:
    return {
        "species": species,
        "distance": distance,
        "height": "22 m",
        "crown_radius": "5 m",
        "count": count,
        **more,
    }


OAK = {"species": "Quercus rubra", "distance": "5 m", "height": "18 m", "crown_radius": "6 m"}


def why(advice: Advice, kind: str) -> str:
    return guard_why(advice, kind, Voice())


def guard(advice: Advice, kind: str) -> GuardVerdict:
    return next(each for each in advice.guards if each.kind == kind)


def spoke(advice: Advice) -> set[str]:
    return {reason.rule for reason in advice.reasons}


@pytest.fixture(scope="module")
def under_pines() -> Advice:
    return assess(survey(pine(overhang="1 m")))


@pytest.fixture(scope="module")
def under_oaks() -> Advice:
    return assess(survey(OAK, OAK))


def test_open_gutter_under_heavy_pines_needs_three_to_four_cleanings_a_year(under_pines: Advice) -> None:
    # As trade pages say, within a factor of 1.5.
    assert 3 / 1.5 <= 12 / under_pines.interval_unguarded_months.typical <= 4 * 1.5


def test_ordinary_broadleaf_street_about_twice_a_year() -> None:
    # Two street trees in front whose crowns just reach the gutter.
    maple = {**OAK, "species": "Acer platanoides", "distance": "6 m"}
    advice = assess(survey(maple, maple))
    assert 1.4 <= 12 / advice.interval_unguarded_months.typical <= 2.6


def test_white_pines_ask_for_extra_fine_and_oaks_do_not(under_pines: Advice, under_oaks: Advice) -> None:
    assert under_pines.fineness_class == "extra-fine"
    assert under_pines.opening_mm is not None
    assert under_pines.opening_mm.high_mm <= 0.5
    assert under_oaks.fineness_class in ("open", "coarse", "medium")


def test_the_same_pines_forty_metres_away_change_the_advice_and_the_reasons_say_so() -> None:
    far = assess(survey(pine("40 m"), OAK))
    assert far.fineness_class not in ("extra-fine", "fine")
    sentence = next(reason.sentence for reason in far.reasons if reason.rule == "needles-too-far")
    assert "131\u00a0ft" in sentence
    near = assess(survey(pine("4 m"), OAK))
    assert near.fineness_class == "extra-fine"


def test_every_kind_stands_in_the_table_with_a_reason(under_pines: Advice) -> None:
    kinds = [each.kind for each in under_pines.guards]
    assert kinds == [
        "none", "wire_netting", "expanded_metal", "perforated_panel", "front_slot_cover", "woven_micromesh",
    ]  # fmt: skip
    assert all(each.rules and why(under_pines, each.kind) for each in under_pines.guards)


def test_what_suits_under_pines(under_pines: Advice) -> None:
    verdicts = {each.kind: each.verdict for each in under_pines.guards}
    for poor in ("none", "wire_netting", "expanded_metal", "perforated_panel", "front_slot_cover"):
        assert verdicts[poor] == "does not suit"
    assert verdicts["woven_micromesh"] in ("suits", "suits with care")
    assert under_pines.recommended_guard == "woven_micromesh"
    # Brushing remains, but less often than the open gutter would ask for a hand.
    mesh = guard(under_pines, "woven_micromesh")
    assert under_pines.interval_unguarded_months.typical < mesh.interval_months.typical < 60
    assert mesh.failure == "screen gets covered"
    assert "guard-still-needs-care" in spoke(under_pines)


def test_front_slot_does_badly_with_locust_and_never_quite_suits_under_oak_and_maple(
    under_oaks: Advice,
) -> None:
    assert "oak" in why(under_oaks, "front_slot_cover")
    assert guard(under_oaks, "front_slot_cover").verdict != "suits"
    # Narrow leaflets follow the water in; a maple's leaf does where the cover waits less than a year.
    for species, word, verdict in (
        ("Acer rubrum", "maple", "suits with care"),
        ("Gleditsia triacanthos", "locust", "does not suit"),
    ):
        advice = assess(survey({**OAK, "species": species}, {**OAK, "species": species}))
        assert guard(advice, "front_slot_cover").verdict == verdict
        assert word in why(advice, "front_slot_cover")


def test_a_front_slot_may_do_with_an_oak_that_does_not_reach_the_roof() -> None:
    beside = assess(survey({**OAK, "distance": "10 m"}), draws=400)
    assert guard(beside, "front_slot_cover").verdict == "suits with care"
    assert "oak nearby" in why(beside, "front_slot_cover")
    # Needles are dragged in from anywhere.
    pines = assess(survey(pine("9 m")), draws=400)
    assert guard(pines, "front_slot_cover").verdict == "does not suit"


def test_perforated_panel_by_distance_and_by_brushing() -> None:
    short = {
        "species": "Picea abies",
        "distance": "2.5 m",
        "height": "20 m",
        "crown_radius": "4 m",
        "count": 5,
    }
    brushes = assess(survey(short, household={"accepts_brushing": True}))
    refuses = assess(survey(short, household={"accepts_brushing": False}))
    assert guard(brushes, "perforated_panel").verdict == "suits with care"
    assert guard(refuses, "perforated_panel").verdict == "does not suit"
    # With leaves only, or with pines a hundred feet off and more, it is an option.
    assert guard(assess(survey(OAK, OAK)), "perforated_panel").verdict != "does not suit"
    assert guard(assess(survey(OAK, OAK, pine("36 m"))), "perforated_panel").verdict != "does not suit"
    # Long needles within 30 m rule it out whatever the owner accepts.
    long = assess(survey(pine(), household={"accepts_brushing": True}))
    assert guard(long, "perforated_panel").verdict == "does not suit"
    assert "30 m" in why(long, "perforated_panel")


def test_a_photo_cannot_tell_thin_from_thick_so_the_safe_side_and_a_measurement() -> None:
    unknown = {"form": "long_needle", "distance": "4 m", "height": "22 m", "crown_radius": "5 m", "count": 4}
    advice = assess(survey(unknown))
    assert advice.fineness_class == "extra-fine"
    assert "safe-side-needle-width" in spoke(advice)
    # Asking about the gutter's past takes less time; what decides the class is the width.
    width = next(row for row in advice.measure_next if "width" in row.input)
    assert "gauge" in width.sentence
    assert width.chance_changes_class > 0.3
    assert width.chance_changes_class == max(row.chance_changes_class for row in advice.measure_next)
    # Known thick needles do with less.
    assert assess(survey(pine(species="Pinus palustris"))).fineness_class == "medium"


def test_drop_test_overrules_both_ways() -> None:
    trees = [pine(species="Pinus taeda", name="pines")]
    plain = assess(survey(*trees))
    assert plain.fineness_class == "fine"
    clears = assess(
        survey(*trees, drop_tests=[{"opening_mm": 1.4, "dropped": 300, "passed": 0, "tree": "pines"}])
    )
    assert clears.fineness_class == "medium"
    assert "drop-test-overrules" in spoke(clears)
    leaks = assess(
        survey(*trees, drop_tests=[{"opening_mm": 0.5, "dropped": 100, "passed": 30, "tree": "pines"}])
    )
    assert leaks.fineness_class == "extra-fine"
    assert leaks.opening_mm is not None
    assert leaks.opening_mm.high_mm < 0.5


def test_wildfire_wants_a_guard_that_does_not_burn_with_small_openings() -> None:
    few = {**OAK, "distance": "9 m"}
    calm, fire = assess(survey(few)), assess(survey(few, wildfire=True))
    assert fire.opening_mm is not None
    assert fire.opening_mm.high_mm <= 3.2
    assert fire.fineness_class in ("coarse", "medium", "fine", "extra-fine")
    assert "wildfire" in {caution.topic for caution in fire.cautions}
    assert "wildfire" not in {caution.topic for caution in calm.cautions}
    assert "Local fire code" in next(r.sentence for r in fire.reasons if r.rule == "wildfire-ember-opening")


def test_worn_five_inch_gutter_under_load_is_checked_and_not_just_swapped() -> None:
    worn = {"gutter": {"profile": "k_style", "width": '5"', "condition": "worn"}}
    roomy = assess(survey(pine(), eave=worn, rain={"intensity": "100 mm/h"}))
    assert "worn-gutter-big-enough" in spoke(roomy)
    tight = assess(
        survey(
            pine(),
            eave={**worn, "length": "14 m", "roof_run": "8 m", "downspout": {"outlets": 1}},
            rain={"intensity": "230 mm/h"},
        )
    )
    assert "worn-gutter-heavy-load" in spoke(tight)
    assert "6-inch" in next(r.sentence for r in tight.reasons if r.rule == "worn-gutter-heavy-load")
    assert tight.eaves[0].take_off.gutter_m == pytest.approx(14 * 1.1, rel=0.01)


def test_moss_shingles_and_the_usual_cautions() -> None:
    advice = assess(survey(pine(), eave={"roof": "shingle", "shaded_or_mossy": True}))
    assert {"mossy-roof-metal", "roof-warranty"} <= spoke(advice)
    assert {"ladder", "power-line", "dead-limb", "old-paint", "local-code", "roof-warranty"} <= {
        caution.topic for caution in advice.cautions
    }


def test_no_trees_no_guard_and_it_is_said_that_none_was_taken() -> None:
    advice = assess(survey())
    assert advice.fineness_class == "no-guard-needed"
    assert advice.recommended_guard == "none"
    assert advice.opening_mm is None
    # Dust, moss and blown leaves still ask for a look every few years.
    assert 18 <= advice.interval_unguarded_months.typical <= 60
    assert "trees" in {assumed.field for assumed in advice.assumed}


def test_pines_drop_all_year_oaks_in_autumn(under_pines: Advice, under_oaks: Advice) -> None:
    assert "pines-all-year" in spoke(under_pines)
    assert "leaves-in-season" in spoke(under_oaks)
    assert set(under_oaks.clean_in) & {10, 11, 12}
    southern = assess(survey(OAK, OAK, hemisphere="south"))
    assert set(southern.clean_in) & {4, 5, 6}


def one(species: str, **more: Any) -> Advice:
    tree = {"species": species, "distance": "6 m", "height": "18 m", "crown_radius": "5 m", **more}
    return assess(survey(tree), draws=400)


def test_a_tree_that_drops_all_in_one_season_asks_for_one_visit_and_in_two_for_two() -> None:
    # One visit when the last leaves are down (an Austrian magazine, a society for old buildings), one more
    # in spring under trees that drop keys or tassels then (cleaners' pages).
    for autumn in ("Fagus sylvatica", "Larix decidua"):
        advice = one(autumn)
        assert guard(advice, "none").visits_per_year == 1, autumn
        assert set(guard(advice, "none").clean_in) & {10, 11, 12}, autumn
    for both in ("Quercus rubra", "Acer saccharinum", "Betula pendula"):
        assert guard(one(both), "none").visits_per_year >= 2, both
    # The same birch across the street calls nobody in spring.
    assert guard(one("Betula pendula", distance="14 m"), "none").visits_per_year <= 1


def test_where_nothing_comes_any_guard_does_and_nobody_speaks_of_leaves() -> None:
    advice = assess(survey(), draws=400)
    for kind in ("wire_netting", "expanded_metal", "perforated_panel", "front_slot_cover"):
        assert guard(advice, kind).verdict == "suits", kind
        assert "stalk" not in why(advice, kind)
    assert guard(advice, "woven_micromesh").verdict == "suits"
    assert "tassel" not in why(advice, "woven_micromesh")
    mossy = assess(survey(eave={"shaded_or_mossy": True}), draws=400)
    assert guard(mossy, "front_slot_cover").verdict == "suits with care"
    assert guard(mossy, "woven_micromesh").verdict == "suits with care"


def test_verdicts_under_leaf_trees_follow_how_often_brushing_is_due() -> None:
    few, many = one("Tilia cordata"), one("Tilia cordata", count=6, distance="4 m")
    for kind in ("expanded_metal", "woven_micromesh"):
        for advice in (few, many):
            seldom = guard(advice, kind).interval_months.typical >= 12
            assert guard(advice, kind).verdict == ("suits" if seldom else "suits with care"), kind
    assert guard(few, "expanded_metal").verdict == "suits"
    assert guard(many, "expanded_metal").verdict == "suits with care"
    # What is finer than asked for suits, and is not what one would take.
    assert few.recommended_guard in (None, "none", "expanded_metal", "perforated_panel")
    # Tassels dry to a crust on fine cloth, however long it would wait; wires hold whatever leaves come.
    assert guard(one("Quercus rubra", count=3), "woven_micromesh").verdict == "suits with care"
    assert guard(few, "wire_netting").verdict == "suits with care"
    assert guard(one("Salix babylonica"), "wire_netting").verdict == "does not suit"


def test_what_is_for_needles_is_no_fault_where_few_come() -> None:
    advice = one("Picea pungens", height="7.6 m", crown_radius="2.1 m", distance="6 m", count=1)
    assert guard(advice, "woven_micromesh").verdict == "suits"
    assert guard(advice, "perforated_panel").verdict != "suits"


def test_narrow_leaves_follow_water_large_ones_slide_and_live_oaks_mat() -> None:
    assert guard(one("Salix babylonica"), "front_slot_cover").verdict == "does not suit"
    assert guard(one("Tilia cordata"), "front_slot_cover").verdict == "suits with care"
    assert guard(one("Platanus x acerifolia"), "expanded_metal").verdict == "suits"
    assert guard(one("Quercus virginiana"), "perforated_panel").verdict == "suits with care"
    assert guard(one("Quercus rubra"), "perforated_panel").verdict == "suits"


def test_missing_fields_are_stated_and_widen_the_answer() -> None:
    full = assess(survey(pine()))
    bare = assess(
        Survey.model_validate(
            {
                "name": "house",
                "eaves": [{"name": "back"}],
                "trees": [{"name": "p", "species": "Pinus strobus"}],
            }
        )
    )
    fields = {assumed.field for assumed in bare.assumed}
    assert {
        "trees[0].distance",
        "trees[0].height",
        "eaves[0].length",
        "eaves[0].pitch",
        "wind.from",
    } <= fields
    assert "trees[0].distance" not in {assumed.field for assumed in full.assumed}

    def width(advice: Advice) -> float:
        kg = advice.eaves[0].litter_kg_per_m_year
        return kg.high / kg.low

    assert width(bare) > 2 * width(full)
