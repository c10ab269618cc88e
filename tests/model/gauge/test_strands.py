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
