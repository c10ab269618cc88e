"""Crossings are gone straight through, in every direction; needles that share a base are a bundle."""

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.strands import join_pieces, skeleton_pieces
from eavefall_model.gauge.summary import find_bundles, hidden_base_mm

PX_PER_MM = 8.0


def strands_of(lines, thick=6):
    mask = np.zeros((500, 500), np.uint8)
    for a, b in lines:
        cv2.line(mask, a, b, 1, thick)
    return join_pieces(skeleton_pieces(mask > 0), PX_PER_MM)


def spoke(angle_deg, radius=200):
    turn = np.radians(angle_deg)
    x, y = radius * np.cos(turn), radius * np.sin(turn)
    return (round(250 - x), round(250 - y)), (round(250 + x), round(250 + y))


def has_strand(strands, line, tolerance=8):
    def near(strand, a, b):
        return (
            np.hypot(*(strand.points[0] - a)) < tolerance and np.hypot(*(strand.points[-1] - b)) < tolerance
        )

    return any(near(s, *line) or near(s, *line[::-1]) for s in strands)


@pytest.mark.parametrize("turn", range(0, 180, 15))
@pytest.mark.parametrize("between", [40, 60, 90])
def test_two_crossing_needles_stay_two(turn, between):
    lines = [spoke(turn), spoke(turn + between)]
    for order in (lines, lines[::-1]):
        strands = strands_of(order)
        assert len(strands) == 2
        assert all(has_strand(strands, line) for line in lines)
        assert not any(s.doubtful or any(s.open_ends) for s in strands)


def test_three_needles_across_each_other():
    lines = [((60, 100), (440, 140)), ((100, 60), (160, 440)), ((60, 400), (430, 60))]
    strands = strands_of(lines)
    assert len(strands) == 3
    assert all(has_strand(strands, line) for line in lines)


@pytest.mark.parametrize(
    ("a", "b"), [((50, 250), (450, 250)), ((250, 450), (250, 50)), ((60, 60), (440, 440))]
)
def test_a_needle_that_stops_at_another_is_open_there(a, b):
    foot = ((a[0] + b[0]) // 2, (a[1] + b[1]) // 2)
    across = np.array([-(b[1] - a[1]), b[0] - a[0]]) * 0.4
    tip = (round(foot[0] + across[0]), round(foot[1] + across[1]))
    strands = strands_of([(a, b), (foot, tip)])
    assert len(strands) == 2
    assert has_strand(strands, (a, b))
    assert sorted(sum(s.open_ends) for s in strands) == [0, 1]


def test_a_short_gap_is_bridged():
    strands = strands_of([((50, 250), (230, 250)), ((245, 250), (450, 250))])
    assert len(strands) == 1
    assert has_strand(strands, ((50, 250), (450, 250)))


@pytest.mark.parametrize("count", [2, 3, 5])
@pytest.mark.parametrize("toward", [0, 90, 180, 270, 45])
def test_needles_that_leave_one_base_are_a_bundle(count, toward):
    fan = np.radians(toward + np.linspace(-12, 12, count))
    axes = [np.linspace(0, 60, 40)[:, None] * [np.cos(a), np.sin(a)] + [100, 100] for a in fan]
    single = np.linspace(0, 60, 40)[:, None] * [1, 0] + [0, 300]
    found = find_bundles([*axes, single], [None] * (count + 1))
    assert found[:count] == [(1, 0)] * count
    assert found[count] is None
    turned = find_bundles([axis[::-1] for axis in axes], [None] * count)
    assert turned == [(1, 1)] * count


def test_tips_that_meet_head_on_are_no_bundle():
    a = np.column_stack([np.linspace(0, 50, 30), np.zeros(30)])
    b = np.column_stack([np.linspace(51, 100, 30), np.zeros(30)])
    assert find_bundles([a, b], [None, None]) == [None, None]


@pytest.mark.parametrize("toward", [0, 90, 180, 270, 45])
def test_a_needle_that_leaves_its_sheath_later_belongs_to_it_and_is_as_long_as_its_fellow(toward):
    turn = np.radians(toward)
    along, across = np.array([np.cos(turn), np.sin(turn)]), np.array([-np.sin(turn), np.cos(turn)])
    far = np.linspace(0, 60, 60)[:, None] * along
    near = (np.linspace(4, 60, 60)[:, None]) * along + np.linspace(0.8, 6, 60)[:, None] * across
    for axes in ([far, near], [far, near[::-1]], [near, far[::-1]]):
        bundles = find_bundles(axes, [3, 3])
        assert [b[0] for b in bundles] == [1, 1]
        assert sorted(hidden_base_mm(axes, bundles)) == pytest.approx([0.0, 4.0], abs=0.3)
        assert find_bundles(axes, [None, None]) == [None, None]
        assert hidden_base_mm(axes, [None, None]) == [0.0, 0.0]


@pytest.mark.parametrize("turn", range(0, 180, 30))
@pytest.mark.parametrize("thick", [3, 6, 13])
def test_a_straight_strand_runs_along_its_middle_and_knows_its_half_width(turn, thick):
    (strand,) = strands_of([spoke(turn)], thick)
    along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    off = strand.points - 250
    assert np.abs(off @ [-along[1], along[0]]).max() < 0.5 * thick + 1
    assert np.abs(off @ [-along[1], along[0]])[10:-10].max() < 1.6
    # Its skeleton ends about half a width before it does.
    assert np.abs(off @ along).max() == pytest.approx(200, abs=thick / 2 + 2)
    assert (np.diff(off @ along) * np.sign(off[-1] @ along) > -1.01).all()
    assert float(np.median(strand.half)) == pytest.approx(thick / 2 + 0.5, abs=1.0)
    assert not strand.shared.any()
    assert (strand.bundle, strand.open_ends, strand.doubtful) == (None, (False, False), False)


@pytest.mark.parametrize("toward", [0, 45, 90, 200])
def test_gaps_of_less_than_four_millimeters_in_line_are_bridged(toward):
    along = np.array([np.cos(np.radians(toward)), np.sin(np.radians(toward))])
    across = np.array([-along[1], along[0]])

    def count(gap_mm, aside_px=0.0, bend_deg=0.0):
        mask = np.zeros((500, 500), np.uint8)
        half = gap_mm * PX_PER_MM / 2
        turn = np.radians(toward + bend_deg)
        on = np.array([np.cos(turn), np.sin(turn)])
        start = 250 + along * half + across * aside_px
        for a, b in ((250 - along * 170, 250 - along * half), (start, start + on * 160)):
            cv2.line(mask, tuple(np.round(a).astype(int)), tuple(np.round(b).astype(int)), 1, 6)
        return len(join_pieces(skeleton_pieces(mask > 0), PX_PER_MM))

    assert count(2.5) == 1
    assert count(3.3) == 1
    assert count(5.5) == 2
    # Not to one that lies aside or leads elsewhere.
    assert count(2.5, aside_px=30) == 2
    assert count(2.5, bend_deg=55) == 2
    assert count(2.5, bend_deg=8) == 1


@pytest.mark.parametrize("turn", [0, 30, 90, 200])
def test_at_a_sharp_corner_two_strands_meet_and_a_gentle_bend_is_one(turn):
    def count(bend):
        first = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))]) * 180
        on = np.array([np.cos(np.radians(turn + bend)), np.sin(np.radians(turn + bend))]) * 180
        start = np.array([250.0, 250.0]) - (first + on) / 2
        points = [
            tuple(np.round(start + step).astype(int).tolist()) for step in (0 * first, first, first + on)
        ]
        return len(strands_of([(points[0], points[1]), (points[1], points[2])]))

    assert count(20) == 1
    assert count(35) == 1
    assert count(70) == 2
    assert count(100) == 2


def test_ten_ways_from_one_crossing_are_not_sure():
    strands = strands_of([spoke(turn) for turn in range(0, 180, 36)], 3)
    assert strands
    assert any(strand.doubtful for strand in strands)
    three = strands_of([spoke(turn) for turn in (0, 60, 120)], 3)
    assert len(three) == 3
    assert not any(strand.doubtful for strand in three)


def test_a_ring_and_a_blot_are_followed_without_harm():
    mask = np.zeros((500, 500), np.uint8)
    cv2.circle(mask, (250, 250), 120, 1, 5)
    strands = join_pieces(skeleton_pieces(mask > 0), PX_PER_MM)
    assert strands
    total = sum(float(np.hypot(*np.diff(s.points, axis=0).T).sum()) for s in strands)
    assert total == pytest.approx(2 * np.pi * 120, rel=0.12)
    assert join_pieces(skeleton_pieces(np.zeros((50, 50), bool)), PX_PER_MM) == []


def test_a_wart_on_a_strand_is_no_strand():
    mask = np.zeros((500, 500), np.uint8)
    cv2.line(mask, (50, 250), (450, 250), 1, 8)
    cv2.line(mask, (250, 250), (250, 258), 1, 4)
    (strand,) = join_pieces(skeleton_pieces(mask > 0), PX_PER_MM)
    assert np.ptp(strand.points[:, 0]) > 385


@pytest.mark.parametrize("toward", [0, 60, 180, 270])
@pytest.mark.parametrize("count", [2, 3])
def test_arms_that_fan_out_from_a_short_stout_trunk_are_a_bundle(toward, count):
    root = np.array([250.0, 250.0]) - 170 * np.array([np.cos(np.radians(toward)), np.sin(np.radians(toward))])
    mask = np.zeros((500, 500), np.uint8)
    fork = root + 60 * np.array([np.cos(np.radians(toward)), np.sin(np.radians(toward))])

    def at(place):
        return tuple(np.round(place).astype(int).tolist())

    cv2.line(mask, at(root), at(fork), 1, 11)
    tips = []
    for spread in np.linspace(-16, 16, count):
        turn = np.radians(toward + spread)
        tips.append(fork + 250 * np.array([np.cos(turn), np.sin(turn)]))
        cv2.line(mask, at(fork), at(tips[-1]), 1, 6)
    strands = join_pieces(skeleton_pieces(mask > 0), PX_PER_MM)
    together = [s for s in strands if s.bundle is not None]
    assert len(together) == len(strands) == count
    assert {s.bundle for s in together} == {1}
    for strand in together:
        # Each runs from the sheath's root to its own tip; the sheath is shared, the tip is not.
        assert np.hypot(*(strand.points[0] - root)) < 12
        assert min(np.hypot(*(strand.points[-1] - tip)) for tip in tips) < 12
        assert strand.shared[:20].all()
        assert not strand.shared[-100:].any()
        assert strand.open_ends == (False, False)


@pytest.mark.parametrize("apart", [1.5, 3.5])
@pytest.mark.parametrize("toward", [0, 45, 90, 200])
def test_ends_less_than_two_and_a_half_millimeters_apart_are_one_base(apart, toward):
    along = np.array([np.cos(np.radians(toward)), np.sin(np.radians(toward))])
    across = np.array([-along[1], along[0]])
    axes = [np.linspace(0, 50, 60)[:, None] * along, np.linspace(0, 50, 60)[:, None] * along + apart * across]
    found = find_bundles(axes, [None, None])
    # Both ends lie as near: the first is as good a base as the last, but it is one for both.
    assert (found == [None, None]) == (apart > 2.5)
    if apart < 2.5:
        assert found[0] == found[1]
    # At right angles they have nothing in common.
    turned = np.linspace(0, 50, 60)[:, None] * across + 0.5 * along
    assert find_bundles([axes[0], turned], [None, None]) == [None, None]


def test_the_larger_company_keeps_a_needle_that_two_claim():
    x = np.linspace(0, 50, 60)
    row = [np.column_stack([x, np.full(60, 0.6 * k)]) for k in range(2)]
    # The second reaches over to a pair that begins where it ends, and leaves backwards.
    pair = [np.column_stack([50.0 - x, np.full(60, 0.6 + 0.5 * k + 0.04 * x)]) for k in range(1, 3)]
    found = find_bundles([*row, *pair], [None] * 4)
    assert all(each is not None for each in found)
    assert {each[0] for each in found if each is not None} <= {1, 2}


@pytest.mark.parametrize("turn", range(0, 360, 45))
def test_bent_needles_cross_along_their_bends(turn):
    """Two arcs that turn away from each other: after they cross, their chords would fit one another too."""
    mask = np.zeros((500, 500), np.uint8)
    at = np.linspace(-0.75, 0.75, 80)
    ends = []
    for bend, lean in ((1, 14), (-1, -14)):
        # A circle of 260 px through the middle, leaning so much there.
        arc = 260 * np.column_stack([np.sin(at), bend * (1 - np.cos(at))])
        angle = np.radians(turn + lean)
        c, s = np.cos(angle), np.sin(angle)
        points = arc @ np.array([[c, s], [-s, c]]) + 250
        cv2.polylines(mask, [np.round(points).astype(np.int32)], False, 1, 5)
        ends.append((points[0], points[-1]))
    found = join_pieces(skeleton_pieces(mask > 0), PX_PER_MM)
    strands = [
        strand for strand in found if len(strand.points) > 10
    ]  # a stub shorter than it is wide is none
    assert len(strands) == 2
    assert all(has_strand(strands, each, 12) for each in ends)
