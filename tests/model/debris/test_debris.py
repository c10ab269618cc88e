"""A handful drawn with exact truth: found, measured, dropped; and pictures that are no handful."""

from __future__ import annotations

import re
from functools import cache

import cv2
import numpy as np
import pytest

from eavefall_datasets.handfuls.outlines import DRAWERS, draw_piece
from eavefall_datasets.handfuls.scenes import draw_handful
from eavefall_model.debris.drop import drop_counts, piece_fates, piece_mass_mg
from eavefall_model.debris.overlay import draw
from eavefall_model.debris.read import read_debris
from eavefall_model.debris.schema import Piece
from eavefall_model.errors import GaugeError
from eavefall_model.photo import decode
from eavefall_model.screens.guards import load_guards
from eavefall_model.vocabulary import DEBRIS_KINDS


@cache
def handful():
    return draw_handful(900001, count=22, size=(3000, 2250), reference="card")


@cache
def photo():
    return decode(handful().jpeg_bytes, name="a handful")


@cache
def result():
    return read_debris(photo(), "card", name="a handful")


def pairs():
    """Every piece read, with the true one that lies there."""
    for piece in result().pieces:
        inside = np.zeros(handful().owner.shape, np.uint8)
        cv2.fillPoly(inside, [np.round(np.array(piece.outline_px)).astype(np.int32)], 1)
        owners = handful().owner[inside > 0]
        owners = owners[owners >= 0]
        if len(owners):
            yield piece, handful().pieces[int(np.bincount(owners).argmax())]


def test_every_piece_is_found_and_nothing_else():
    whole = [true for true in handful().pieces if true.complete]
    found = {id(true) for _, true in pairs()}
    assert {id(true) for true in whole} <= found
    assert len(result().pieces) == len(found)


def test_lengths_and_widths_against_what_was_drawn():
    both = [(piece, true.outline) for piece, true in pairs() if true.complete]
    length = np.array([abs(p.length_mm - t.length_mm) / max(0.02 * t.length_mm, 1.0) for p, t in both])
    width = np.array([abs(p.smallest_width_mm - t.smallest_width_mm) for p, t in both])
    assert np.median(length) < 0.5, length
    assert np.median(width) < 0.12, width


def piece(kind="needle", length=60.0, width=1.0, **given):
    fields = {
        "number": 1, "kind": kind, "chances": {}, "length_mm": length, "length_sd_mm": 0.1, "width_mm": width,
        "smallest_width_mm": width, "smallest_width_sd_mm": 0.05, "area_mm2": length * width,
        "color": "brown",        "complete": True, "clump": 1, "outline_px": ((0, 0), (1, 0), (1, 1)),
    }  # fmt: skip
    return Piece(**{**fields, **given})


def test_what_is_wider_than_the_opening_does_not_pass_and_what_is_much_smaller_does():
    through, sticks = piece_fates([piece(width=3.0), piece("grit", 0.2, 0.2)], 1.0, 0.4, "square")
    assert through[0] == 0
    assert sticks[0] == 0
    assert through[1] > 0.6
    counts = drop_counts([piece(width=3.0), piece("grit", 0.2, 0.2)], load_guards())
    for count in counts:
        assert 0 <= count.through_low <= count.through <= count.through_high <= 1
        assert count.through + count.sticks <= 1 + 1e-9


def test_a_finer_opening_lets_less_through():
    many = [piece(length=40 + 10 * at, width=0.5 + 0.1 * at) for at in range(8)]
    shares = [
        float(piece_fates(many, opening, 0.4, "square")[0].sum()) for opening in (4.0, 2.0, 1.0, 0.5, 0.3)
    ]
    assert shares == sorted(shares, reverse=True)


def test_pieces_cut_off_or_clumped_are_not_dropped():
    counts = drop_counts([piece(), piece(complete=False), piece(clump=3)], load_guards())
    assert {count.pieces for count in counts} == {1}
    assert drop_counts([piece(complete=False)], load_guards()) == ()


def test_mass_is_arithmetic():
    # A rod of 60 by 1 mm: pi / 4 * 60 mm3 at 0.5 mg per mm3; a leaf of 60 mm2 at 0.08 mg per mm2.
    assert piece_mass_mg(piece()) == pytest.approx(0.5 * np.pi / 4 * 60)
    assert piece_mass_mg(piece("leaf")) == pytest.approx(0.08 * 60)


def test_overlay_leaves_the_photo_alone_and_draws_something():
    before = photo().rgb.copy()
    offer = load_guards().guards[-1].offers[0]
    drawn = draw(photo().rgb, result(), offer)
    assert (photo().rgb == before).all()
    assert drawn.shape[1] == 1600
    assert (drawn != draw(photo().rgb, result().model_copy(update={"pieces": ()}), offer)).any()


def test_no_reference_and_an_unknown_one():
    blank = np.full((600, 800, 3), 200, np.uint8)
    ok, data = cv2.imencode(".png", blank)
    assert ok
    nothing = read_debris(decode(data.tobytes(), name="blank"), "card", name="blank")
    assert nothing.refused is not None
    assert nothing.refused.reason == "no-reference"
    assert nothing.pieces == ()
    with pytest.raises(GaugeError):
        read_debris(photo(), "zebra", name="x")


@cache
def bare_paper():
    return decode(
        draw_handful(900_002, count=0, reference="card", across_mm=160.0, size=(1600, 1200)).jpeg_bytes,
        name="paper",
    )


def refusal_with(draw_on):
    picture = bare_paper().rgb.copy()
    draw_on(picture)
    ok, data = cv2.imencode(".png", picture[..., ::-1])
    assert ok
    return read_debris(decode(data.tobytes(), name="it"), "card", name="it").refused


def test_what_is_no_handful_is_refused_with_a_reason_and_a_way_out():
    def page(picture):
        for line in range(40):
            cv2.putText(
                picture, "what falls in the gutter and why", (30, 30 + 28 * line), 0, 0.7, (25,) * 3, 2
            )

    def hand(picture):
        cv2.ellipse(picture, (800, 600), (700, 480), 20, 0, 360, (200, 140, 110), -1)

    for said, drawn in (
        ("nothing lies on the paper", lambda picture: None),
        ("pieces are too many|small marks|shape of litter|covered|one thing", page),
        ("covers|covered", hand),
    ):
        refused = refusal_with(drawn)
        assert refused is not None
        if refused.reason != "no-reference":  # the hand may lie on the card
            assert refused.reason == "no-handful"
            assert re.search(said, refused.message)
        assert "Spread" in refused.retake or "card" in refused.retake


def test_too_coarse_a_photo_speaks_of_no_needles():
    small = cv2.resize(photo().rgb, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
    data = cv2.imencode(".png", small[..., ::-1])[1]
    refused = read_debris(decode(data.tobytes(), name="it"), "card", name="it").refused
    assert refused is not None
    assert refused.reason == "too-coarse"
    assert "needle" not in refused.message + refused.retake


def test_a_shadow_across_the_paper_is_no_piece():
    def shadow(picture):
        ramp = np.clip((np.arange(picture.shape[1]) - 700) / 200, 0, 1) * 0.45
        picture[:] = np.round(255 * ((picture / 255.0) ** 2.2 * (1 - ramp)[None, :, None]) ** (1 / 2.2))

    refused = refusal_with(shadow)
    assert refused is not None
    assert "nothing lies on the paper" in refused.message


@pytest.mark.parametrize("kind", sorted(DRAWERS))
def test_drawn_pieces_have_the_size_they_say(kind):
    for seed in range(5):
        one = draw_piece(kind, np.random.default_rng(seed))
        points = np.concatenate([part.polygon for part in one.parts])
        far = np.hypot(*(points[:, None] - points[None]).reshape(-1, 2).T).max()
        # A bent piece is longer along itself than across its ends, never shorter; a bundle adds its sheath.
        assert far <= one.length_mm * 1.2 + 1.5
        assert 0 < one.smallest_width_mm <= one.length_mm
        assert one.kind == kind


def test_every_kind_but_other_is_drawn():
    assert set(DRAWERS) == set(DEBRIS_KINDS) - {"other"}
