"""A handful in a survey: what it changes, what it says, and that nothing changes without one."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.advice import answer
from eavefall_model.debris.drop import sorted_by_hand
from eavefall_model.debris.evidence import (
    TABLE_PIECES,
    fits,
    form_counts,
    found_parts,
    needle_log_width,
    with_found_shares,
)
from eavefall_model.debris.schema import DebrisResult, Piece
from eavefall_model.errors import SurveyError
from eavefall_model.reading import Reading
from eavefall_model.species.table import find_taxon
from eavefall_model.survey_io import parse_survey

SURVEY = """
format: eavefall.survey/1
name: corner house
photos:
- {{file: handful.jpg, shows: handful, reference: sheet{of}}}
trees:
- {{name: pine, {kind}, distance: 20 ft, height: 60 ft}}
eaves:
- {{name: front, length: 40 ft}}
drop_tests: {tests}
"""


def survey(kind="species: loblolly pine", of="", tests="[]"):
    return parse_survey(SURVEY.format(kind=kind, of=of, tests=tests))


def piece(number, kind="needle", length=24.0, width=1.2, **given):
    fields = {
        "number": number, "kind": kind, "chances": {}, "length_mm": length, "length_sd_mm": 0.1,
        "width_mm": width, "smallest_width_mm": width, "smallest_width_sd_mm": 0.04,
        "area_mm2": length * width, "color": "brown", "complete": True, "clump": 1, "outline_px": (),
    }  # fmt: skip
    return Piece(**{**fields, **given})


def result(*pieces):
    return DebrisResult(
        photo="handful.jpg", sha256="0" * 64, reference="sheet", px_per_mm=10.0, tilt_deg=0.0, pieces=pieces,
        drops=(), refused=None, version="1",
    )  # fmt: skip


def handful(width=1.2, needles=31, rest=32):
    """Broken needles of one width (nearly), and twigs."""
    spread = 0.03 * np.sin(np.arange(needles))
    return result(
        *(piece(at, width=width + float(off)) for at, off in enumerate(spread)),
        *(piece(100 + at, "twig", 60.0, 4.0) for at in range(rest)),
    )


def advice(found=None, **given):
    return answer(survey(**given), [Reading("handful.jpg", debris=found)] if found else [])


def reasons(told):
    return {(each.rule, each.about): each for each in told.reasons}


def test_a_handful_changes_the_advice_and_the_reasons_name_the_pieces():
    before, after = advice(), advice(handful())
    said = reasons(after)[("handful-counted", None)]
    assert said.sentence.startswith("32 of 63 pieces in the handful are twigs and bark")
    after = advice(handful(rest=30))
    said = reasons(after)[("handful-counted", None)]
    assert said.sentence.startswith("31 of 61 pieces in the handful are broken needles, in the middle 24")
    assert "31 of the 61 pieces in your handful are broken needles" in (said.to_owner or "").format(
        **{each.name: each.value for each in said.figures}
    )
    dropped = reasons(after)[("handful-dropped", "woven_micromesh")]
    assert "Of the 61 pieces" in dropped.sentence
    assert [each.passes_share for each in after.guards] != [each.passes_share for each in before.guards]


def test_without_a_handful_nothing_changes():
    told = advice()
    assert told.model_dump_json() == answer(survey(), []).model_dump_json()
    nothing = result()
    assert advice(nothing).model_dump_json() == told.model_dump_json()
    cut_off = result(*(piece(at, complete=False) for at in range(30)))
    assert advice(cut_off).model_dump_json() == told.model_dump_json()
    assert not [each for each in told.reasons if each.rule.startswith("handful")]


@pytest.mark.parametrize(("width", "opening"), [(0.9, 0.85), (1.3, 1.18)])
def test_needles_found_set_the_opening_as_needles_measured_do(width, opening):
    # Loblolly's needles are 1 to 2 mm in the table; no needle goes into an opening narrower than it is.
    told = advice(handful(width=width, needles=60, rest=0))
    assert told.opening_if_guarded_mm is not None
    needed = next(
        each.value for reason in told.reasons for each in reason.figures if each.name == "needed_opening_mm"
    )
    assert needed == pytest.approx(opening, rel=0.25)


def test_a_drop_test_still_overrules():
    found = handful(width=1.3, needles=60, rest=0)
    test = "[{opening_mm: 1.0, dropped: 40, passed: 30, lodged: 0}]"
    assert advice(found, tests=test).if_guarded in ("fine", "extra-fine")
    assert advice(found).if_guarded in ("coarse", "medium")


def test_needles_that_no_listed_tree_sheds_are_a_question_and_count_for_nothing():
    told = advice(handful(rest=0), kind="species: red oak")
    asked = [each for each in told.questions if each.code == "handful-and-trees"]
    assert len(asked) == 1
    assert "31 needles" in asked[0].sentence
    without = advice(kind="species: red oak")
    assert [each.passes_share for each in told.guards] == [each.passes_share for each in without.guards]
    assert not advice(handful(rest=0)).questions


def test_needles_of_another_width_than_the_species_named_are_a_question():
    told = advice(handful(width=2.9, rest=0), of=", of: pine")
    assert [each.code for each in told.questions] == ["gauge-and-species"]


def test_a_tree_nobody_named_is_taken_for_what_lies_there():
    needles = advice(result(*(piece(at, length=70.0) for at in range(40))), kind="count: 1")
    leaves = advice(result(*(piece(at, "leaf", 70.0, 40.0) for at in range(40))), kind="count: 1")
    assert (needles.trees[0].foliage, needles.trees[0].form) == ("needle", "long_needle")
    assert (leaves.trees[0].foliage, leaves.trees[0].form) == ("broad", "broad_leaf")


def test_form_counts_are_counts():
    counted = form_counts(
        [piece(1, length=20.0), piece(2, "leaf", 60, 30), piece(3, "stalk", 50, 1), piece(4, "spray", 30, 10)]
    )
    assert counted == {"short_needle": 1.0, "broad_leaf": 2.0, "scale_leaf": 1.0}
    assert form_counts([piece(1, length=90.0), piece(2, length=20.0)]) == {"long_needle": 2.0}
    assert form_counts([piece(1, "cone", 40, 20)]) == {}


def test_what_fits_a_tree_and_what_does_not():
    spruce, oak = find_taxon("Norway spruce"), find_taxon("red oak")
    short, long = (
        [piece(at, length=18.0, width=1.2) for at in range(6)],
        [piece(at, length=90.0) for at in range(6)],
    )
    leaves = [piece(at, "leaf", 120.0, 80.0) for at in range(6)]
    assert fits(spruce, "needles", short)
    assert not fits(spruce, "needles", long)
    assert not fits(oak, "needles", short)
    assert fits(oak, "leaves", leaves)
    assert not fits(spruce, "leaves", leaves)


def test_thin_width_is_the_fifth_percentile_of_the_needles_alone():
    assert needle_log_width([piece(at) for at in range(4)]) is None
    found = needle_log_width([*(piece(at) for at in range(30)), piece(99, "twig", 60, 9.0)])
    assert found is not None
    assert np.exp(found[0]) == pytest.approx(1.2)
    # All alike: what is left is the error of the scale (2 %) and that of the edges (0.04 of 1.2 mm).
    assert found[1] == pytest.approx(np.hypot(0.02, 0.04 / 1.2))


def test_weights_of_pieces_are_by_mass_and_leave_the_table_its_part():
    pieces = [
        *(piece(at, length=20.0) for at in range(10)),
        *(piece(20 + at, length=60.0) for at in range(10)),
    ]
    (found,) = found_parts(
        find_taxon("loblolly pine"), pieces, np.random.default_rng(0), 4000, np.arange(4000)
    )
    assert found.weights.shape == (4000, 21)
    assert found.weights.sum(axis=1) == pytest.approx(1.0)
    mean = found.weights.mean(axis=0)
    assert mean[10:20].sum() / mean[:10].sum() == pytest.approx(3.0, rel=0.05)
    assert mean[-1] == pytest.approx(TABLE_PIECES / (20 + TABLE_PIECES), rel=0.1)


def test_shares_move_towards_what_was_found_and_sum_to_one():
    oak = find_taxon("red oak")
    moved = with_found_shares(oak, [piece(at, "nut", 20.0, 14.0, area_mm2=220.0) for at in range(30)])
    share = {part.part: part.litter_share for part in moved.parts}
    before = {part.part: part.litter_share for part in oak.parts}
    assert sum(share.values()) == pytest.approx(1.0)
    # 30 pieces, all nuts, against a table that counts as 30: halfway.
    assert share["acorn"] == pytest.approx((before["acorn"] + 1) / 2)
    assert with_found_shares(oak, [piece(1, "grit", 2.0, 2.0)]) is oak


def test_a_person_sorts_pieces_by_hand():
    found = result(piece(1), piece(2), piece(3, "leaf", 60.0, 40.0, area_mm2=1500.0))
    sorted_ = sorted_by_hand(found, {2: "twig", 9: "cone"}, "the rep")
    assert [each.kind for each in sorted_.pieces] == ["needle", "twig", "leaf"]
    assert sorted_.notes == ("1 piece sorted by the rep",)
    assert {drop.pieces for drop in sorted_.drops} == {3}
    assert sorted_by_hand(found, {}, "the rep") is found
    assert Reading("x").sorted_by_hand({1: "leaf"}, "the rep") == Reading("x")


def test_a_handful_names_what_it_lies_on():
    with pytest.raises(SurveyError, match="a handful photo needs it"):
        parse_survey(SURVEY.format(kind="count: 1", of="", tests="[]").replace(", reference: sheet", ""))
