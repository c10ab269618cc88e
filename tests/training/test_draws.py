"""How often a picture is shown: shares of kinds, classes evened out, no class for a second kind of tree."""

from __future__ import annotations

import numpy as np
import pytest

pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_training.config import FitConfig
from eavefall_training.draws import draw_weights, training_rows
from eavefall_training.pack import HELD_OUT, Pack

NEEDLE, BROAD, BOTH, NEITHER = (1, 0, 0), (0, 1, 0), (1, 1, 0), (0, 0, 0)
SHORT, BROAD_LEAF, UNREADABLE = 1, 3, -1
CONFIG = FitConfig(name="draws", share_sprites=0.2, share_rendered=0.3, balance=1.0)


def _pack(rows: list[tuple[tuple[int, int, int], int, str, str]]) -> Pack:
    """One picture for each (foliage, form, kind, group)."""
    n = len(rows)
    return Pack(
        jpegs=[b""] * n,
        foliage=np.array([row[0] for row in rows], np.float32),
        form=np.array([row[1] for row in rows]),
        fold=np.arange(n) % 5,
        weight=np.ones(n, np.float32),
        file_ids=[f"p{i}" for i in range(n)],
        kinds=[row[2] for row in rows],
        sources=["one"] * n,
        subjects=["tree"] * n,
        groups=[row[3] for row in rows],
    )


def test_each_made_kind_gets_its_share_and_photos_the_rest() -> None:
    rows = [(NEEDLE, SHORT, kind, "") for kind in ["photo"] * 3 + ["sprite"] * 5 + ["rendered"] * 2]
    pack = _pack(rows)
    weight = draw_weights(pack, np.arange(10), CONFIG)
    assert [weight[a:b].sum() for a, b in ((0, 3), (3, 8), (8, 10))] == pytest.approx([0.5, 0.2, 0.3])
    alone = draw_weights(pack, np.arange(3), CONFIG)
    assert alone.sum() == pytest.approx(1.0)


def test_classes_are_drawn_alike_and_small_ones_no_more_than_four_would_be() -> None:
    rows = [(BROAD, BROAD_LEAF, "photo", "")] * 12 + [(NEEDLE, SHORT, "photo", "")] * 6
    rows += [(NEITHER, UNREADABLE, "photo", "")] * 2
    weight = draw_weights(_pack(rows), np.arange(20), CONFIG)
    broad, needle, none = weight[:12].sum(), weight[12:18].sum(), weight[18:].sum()
    assert broad == pytest.approx(needle)
    assert none == pytest.approx(needle * 2 / 4)


def test_a_second_kind_of_tree_changes_nothing_where_the_form_is_known() -> None:
    plain = [(BROAD, BROAD_LEAF, "photo", "")] * 9 + [(NEEDLE, SHORT, "photo", "")] * 5
    behind = [*plain[:8], (BOTH, BROAD_LEAF, "photo", ""), *plain[9:]]
    rows = np.arange(14)
    assert draw_weights(_pack(behind), rows, CONFIG) == pytest.approx(
        draw_weights(_pack(plain), rows, CONFIG)
    )


def test_a_group_of_many_is_drawn_less_often_each() -> None:
    rows = [(NEEDLE, SHORT, "photo", "place")] * 16 + [(NEEDLE, SHORT, "photo", "")]
    weight = draw_weights(_pack(rows), np.arange(17), CONFIG)
    assert weight[16] / weight[0] == pytest.approx(2.0)


def test_rows_leave_out_their_fold_what_is_held_out_and_kinds_without_a_share() -> None:
    kinds = ["photo", "sprite", "package", "photo", "photo", "photo"]
    pack = _pack([(NEEDLE, SHORT, kind, "") for kind in kinds])
    pack.fold[5] = HELD_OUT
    assert training_rows(pack, CONFIG, None).tolist() == [0, 1, 3, 4]
    assert training_rows(pack, CONFIG, 3).tolist() == [0, 1, 4]
