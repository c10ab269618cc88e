"""The guards file: the shipped one is sound, and a wrong copy is refused by line."""

from __future__ import annotations

import math
from importlib.resources import files
from typing import get_args

import pytest

from eavefall_model.errors import RulesError
from eavefall_model.screens.guards import load_guards, parse_guards
from eavefall_model.screens.open_area import perforated_round_60, square_weave
from eavefall_model.vocabulary import GuardKind

SHIPPED = files("eavefall_model.screens").joinpath("data", "guards.yaml").read_text(encoding="utf-8")


def _line(needle: str) -> int:
    return next(number for number, line in enumerate(SHIPPED.splitlines(), 1) if needle in line)


def test_the_shipped_file_has_every_kind_of_the_survey_once() -> None:
    assert [guard.kind for guard in load_guards().guards] == list(get_args(GuardKind))


def test_offers_run_coarse_to_fine_and_carry_their_open_area() -> None:
    guards = load_guards()
    for guard in guards.guards:
        clear = [offer.clear_mm for offer in guard.offers]
        assert clear == sorted(clear, reverse=True)
    mesh = guards.of_kind("woven_micromesh").offers
    assert mesh[3].clear_mm == pytest.approx(0.381)
    assert mesh[3].open_area == pytest.approx(square_weave(0.381, 0.254))
    panel = guards.of_kind("perforated_panel").offers[1]
    assert (panel.clear_mm, panel.solid_mm) == (3.175, 3.175)
    assert panel.open_area == perforated_round_60(3.175, 6.35)
    assert {offer.fineness_class for offer in mesh} == {"medium", "fine", "extra-fine"}
    assert guards.of_kind("front_slot_cover").offers[0].fineness_class is None


def test_straight_rows_of_round_holes_can_be_offered() -> None:
    start = "{name: 1/8 in holes on 3/16 in, shape: round60"
    offer = parse_guards(SHIPPED.replace(start, start.replace("round60", "round90")))
    panel = offer.of_kind("perforated_panel").offers[2]
    assert panel.passage_shape == "round90"
    assert panel.open_area == pytest.approx(math.pi / 4 * (3.175 / 4.762) ** 2)


def test_a_guard_in_the_roof_plane_takes_the_pitch_and_a_level_one_does_not() -> None:
    guards = load_guards()
    assert guards.of_kind("woven_micromesh").surface.slope_at(26.6) == 26.6
    assert guards.of_kind("wire_netting").surface.slope_at(26.6) == 5


def test_the_digest_names_the_text() -> None:
    assert load_guards() == parse_guards(SHIPPED)
    assert parse_guards(SHIPPED + "# office copy\n").digest != load_guards().digest


@pytest.mark.parametrize(
    ("old", "new", "where", "what"),
    [
        ("opening_mm: 5.715", "opening_mm: -1", "opening_mm: 5.715", "opening_mm"),
        ("opening_mm: 5.715", "opening_mm: wide", "opening_mm: 5.715", "valid number"),
        ("roughness: 0.8", "roughness: 8", "roughness: 0.8", "roughness"),
        ("kind: expanded_metal", "kind: foam", "kind: expanded_metal", "kind"),
        ("wire_mm: 0.584, ", "", "wire_mm: 0.584", "mesh_per_inch and wire_mm"),
        ("mesh_per_inch: 20", "mesh_per_inch: 100", "mesh_per_inch: 20", "woven cloth"),
        ("pitch_mm: 4.762", "pitch_mm: 3", "pitch_mm: 4.762", "run into each other"),
        ("mesh_per_inch: 20", "mesh_per_inch: 60", "kind: woven_micromesh", "widest opening"),
        ("kind: expanded_metal", "kind: wire_netting", "guards:", "same kind"),
        ("format: eavefall.guards/1", "format: eavefall.guards/2", "format: eavefall", "guards/1"),
        ("noncombustible: true", "fireproof: true", "1/2 in netting", "noncombustible"),
    ],
)
def test_a_wrong_copy_names_its_line(old: str, new: str, where: str, what: str) -> None:
    text = SHIPPED.replace(old, new, 1)
    assert text != SHIPPED
    with pytest.raises(RulesError) as refused:
        parse_guards(text, "office.yaml")
    assert refused.value.code == "rules-invalid"
    assert f"office.yaml, line {_line(where)}:" in refused.value.message
    assert what in refused.value.message


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("", "line 1"),
        ("- a\n- b\n", "line 1"),
        ("format: x\nformat: y\n", "line 2"),
        ("format: [\n", "line"),
        ("digest: abc\n" + SHIPPED, "digest is computed"),
    ],
)
def test_what_is_not_a_guards_file_is_refused(text: str, what: str) -> None:
    with pytest.raises(RulesError, match=what):
        parse_guards(text)


def test_a_file_may_leave_out_kinds_but_asking_for_one_says_so() -> None:
    start, end = SHIPPED.index("  - kind: expanded_metal"), SHIPPED.index("  - kind: perforated_panel")
    fewer = parse_guards(SHIPPED[:start] + SHIPPED[end:])
    with pytest.raises(RulesError, match="expanded_metal"):
        fewer.of_kind("expanded_metal")
