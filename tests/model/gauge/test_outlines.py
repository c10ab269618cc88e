"""Four-sided and round outlines, and the sheet's markers, against drawings whose answer is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.markers import find_sheet
from eavefall_model.gauge.outlines import Box, ellipses, outlines, quads
from eavefall_model.gauge.pose import expected_focal
from eavefall_model.gauge.references import MARKER_DICTIONARY, MARKER_MM, layout_for

FINE = 4  # drawn so many times larger, then averaged: edges are where they are drawn to a fraction of a pixel


def drawn(shape: str, size: tuple[int, int], points: np.ndarray) -> np.ndarray:
    """A dark polygon on light, given by its corners or its rim in pixels of ``size`` (width, height)."""
    canvas = np.full((size[1] * FINE, size[0] * FINE, 3), 220, np.uint8)
    cv2.fillPoly(canvas, [np.round((points + 0.5) * FINE - 0.5).astype(np.int32)], (60, 70, 90))
    return cv2.resize(canvas, size, interpolation=cv2.INTER_AREA)


def box_at(middle: tuple[float, float], sides: tuple[float, float], degrees: float) -> np.ndarray:
    """Corners clockwise, y down."""
    turn = np.radians(degrees)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    half = np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(sides) / 2
    return half @ axes + middle


@pytest.mark.parametrize(
    ("degrees", "size", "scale"),
    [*((degrees, (600, 450), 1.0) for degrees in (0, 20, 45, 70, 90, 135)), (20, (1350, 1012), 2.25)],
)
def test_a_box_is_found_where_it_was_drawn(degrees: int, size: tuple[int, int], scale: float) -> None:
    truth = box_at((310.3 * scale, 217.6 * scale), (240 * scale, 150 * scale), degrees)
    contours, factor, view = outlines(drawn("box", size, truth))
    assert factor == pytest.approx(max(1.0, size[0] / 900))
    found = quads(contours, factor, view)
    assert found
    assert all(box.seen == (True,) * 4 for box in found)
    # Some level cuts through the middle of the edge: that outline is true to about a pixel of the view.
    off = min(
        min(float(np.abs(np.roll(box.corners, turn, axis=0) - truth).max()) for turn in range(4))
        for box in found
    )
    assert off < 1.5 * factor
    # Clockwise as the reader sees it.
    for box in found:
        x, y = box.corners.T
        assert float(np.sum(x * np.roll(y, -1) - y * np.roll(x, -1))) > 0


def test_a_side_that_the_frame_cuts_off_is_told() -> None:
    truth = box_at((480.0, 225.0), (400, 180), 3)  # reaches out to the right
    contours, factor, view = outlines(drawn("box", (600, 450), truth))
    found = [box for box in quads(contours, factor, view) if not all(box.seen)]
    assert found
    for box in found:
        (unseen,) = (side for side in range(4) if not box.seen[side])
        ends = box.corners[[unseen, (unseen + 1) % 4]]
        assert (ends[:, 0] > 590).all()


@pytest.mark.parametrize(
    ("degrees", "size", "scale"),
    [*((degrees, (600, 450), 1.0) for degrees in (0, 30, 60, 90, 120, 150)), (30, (1350, 1012), 2.25)],
)
def test_an_oval_is_found_with_its_axes_and_direction(
    degrees: int, size: tuple[int, int], scale: float
) -> None:
    middle, major, minor = (290.4 * scale, 230.7 * scale), 120.0 * scale, 95.0 * scale
    turn, at = np.radians(degrees), np.linspace(0, 2 * np.pi, 400, endpoint=False)
    across = np.stack([major * np.cos(at), minor * np.sin(at)], axis=1)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    contours, factor, _ = outlines(drawn("oval", size, across @ axes + middle))
    found = ellipses(contours, factor)
    assert found
    x, y, long, short, angle = min(found, key=lambda each: abs(each[2] - major))
    assert (x, y) == pytest.approx(middle, abs=1.0 * factor)
    assert (long, short) == pytest.approx((major, minor), abs=1.5 * factor)
    assert abs(np.sin(angle - turn)) < 0.05


def test_what_is_neither_is_not_taken_for_it() -> None:
    star = np.array(
        [
            (300 + r * np.cos(a), 220 + r * np.sin(a))
            for r, a in zip([150, 60] * 5, np.linspace(0, 2 * np.pi, 10, endpoint=False), strict=True)
        ]
    )
    contours, factor, view = outlines(drawn("star", (600, 450), star))
    assert quads(contours, factor, view) == []
    assert ellipses(contours, factor) == []
    # A box is no oval, and an oval no box.
    contours, factor, _ = outlines(drawn("box", (600, 450), box_at((300, 220), (200, 180), 10)))
    assert ellipses(contours, factor) == []


def photo_of_sheet(view: np.ndarray, size: tuple[int, int], numbers: list[int]) -> np.ndarray:
    """The sheet's markers seen through a homography from millimeters of the page to pixels."""
    layout, per_mm = layout_for("letter"), 8
    width, height = layout.page_mm
    page = np.full((round(height * per_mm), round(width * per_mm)), 235, np.uint8)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    for number in numbers:
        x, y = (round(each * per_mm) for each in layout.markers[number])
        side = round(MARKER_MM * per_mm)
        page[y : y + side, x : x + side] = cv2.aruco.generateImageMarker(dictionary, number, side)
    to_mm = np.array([[1 / per_mm, 0, 0.5 / per_mm], [0, 1 / per_mm, 0.5 / per_mm], [0, 0, 1.0]])
    seen = cv2.warpPerspective(page, view @ to_mm, size, flags=cv2.INTER_AREA, borderValue=120)
    return np.ascontiguousarray(np.repeat(cv2.GaussianBlur(seen, (3, 3), 0)[:, :, None], 3, axis=2))


@pytest.mark.parametrize("left_out", [0, 1])
def test_the_sheet_is_found_where_it_lies(left_out: int) -> None:
    """Looked down on straight, 9.3 px to the millimeter, turned by four degrees; larger than markers need."""
    size, turn = (2100, 2700), np.radians(4.0)
    scale = 9.3
    view = np.array(
        [
            [scale * np.cos(turn), -scale * np.sin(turn), 160.0],
            [scale * np.sin(turn), scale * np.cos(turn), 40.0],
            [0.0, 0.0, 1.0],
        ]
    )
    layout = layout_for("letter")
    numbers = sorted(layout.markers)[left_out:]
    found = find_sheet(photo_of_sheet(view, size, numbers), expected_focal(size))
    assert found is not None
    fit, seen_layout, used = found
    assert (seen_layout, used) == (layout, len(numbers))
    left, top, right, bottom = layout.field
    field = np.array([[left, top], [right, top], [right, bottom], [left, bottom]])
    truth = cv2.perspectiveTransform(field[None].astype(np.float64), view)[0]
    assert np.abs(fit.pose.project(field) - truth).max() < 1.0
    assert np.abs(fit.pose.to_plane(truth) - field).max() < 0.12
    assert fit.pose.px_per_mm(truth) == pytest.approx(scale, rel=2e-3)


def test_a_page_without_markers_is_no_sheet() -> None:
    size = (800, 1000)
    assert find_sheet(np.full((size[1], size[0], 3), 235, np.uint8), expected_focal(size)) is None


def boxes_in(points: np.ndarray, size: tuple[int, int] = (600, 450)) -> list[Box]:
    contours, factor, view = outlines(drawn("box", size, points))
    return quads(contours, factor, view)


def nearest_box(found: list[Box], truth: np.ndarray) -> float:
    return min(
        float(np.abs(np.roll(box.corners, turn, axis=0) - truth).max()) for box in found for turn in range(4)
    )


@pytest.mark.parametrize(
    ("middle", "cut"),
    [((480.0, 225.0), "right"), ((120.0, 225.0), "left"), ((300.0, 60.0), "top"), ((300.0, 390.0), "bottom")],
)
@pytest.mark.parametrize("degrees", [-4, 0, 5])
def test_the_frame_is_told_from_a_side_wherever_it_cuts(
    middle: tuple[float, float], cut: str, degrees: float
) -> None:
    across = cut in ("left", "right")
    truth = box_at(middle, (300, 190) if across else (190, 300), degrees)
    found = [box for box in boxes_in(truth) if not all(box.seen)]
    assert found
    for box in found:
        (unseen,) = (side for side in range(4) if not box.seen[side])
        x, y = box.corners[[unseen, (unseen + 1) % 4]].T
        at = {"right": x - 599, "left": x, "top": y, "bottom": y - 449}[cut]
        assert np.abs(at).max() < 4
        # Its other two corners are the box's own.
        rest = box.corners[[(unseen + 2) % 4, (unseen + 3) % 4]]
        assert all(np.hypot(*(truth - corner).T).min() < 2 for corner in rest)
        sides = box.corners - np.roll(box.corners, -1, 0)
        assert np.hypot(*sides.T).min() > 100


def test_each_thing_is_one_box_and_two_things_are_two() -> None:
    one = box_at((160, 220), (220, 140), 12)
    assert 1 <= len(boxes_in(one)) <= 3  # inner and outer rim of its edge may differ by a pixel or two
    pair = drawn("box", (600, 450), one)
    other = drawn("box", (600, 450), box_at((450, 220), (150, 200), -20))
    contours, factor, view = outlines(np.minimum(pair, other))
    found = quads(contours, factor, view)
    for middle, sides, turn in (((160, 220), (220, 140), 12), ((450, 220), (150, 200), -20)):
        assert nearest_box(found, box_at(middle, sides, turn)) < 1.5


def test_a_box_seen_aslant_has_its_four_corners() -> None:
    truth = np.array([[150.0, 90.0], [430.0, 120.0], [500.0, 350.0], [110.0, 330.0]])
    assert nearest_box(boxes_in(truth), truth) < 1.5


def test_rounded_corners_do_not_move_where_the_sides_meet() -> None:
    canvas = np.full((450 * FINE, 600 * FINE, 3), 220, np.uint8)
    for x, y in ((180, 140), (420, 140), (420, 300), (180, 300)):
        cv2.circle(canvas, (x * FINE, y * FINE), 12 * FINE, (60, 70, 90), -1)
    cv2.rectangle(canvas, (168 * FINE, 140 * FINE), (432 * FINE, 300 * FINE), (60, 70, 90), -1)
    cv2.rectangle(canvas, (180 * FINE, 128 * FINE), (420 * FINE, 312 * FINE), (60, 70, 90), -1)
    rgb = cv2.resize(canvas, (600, 450), interpolation=cv2.INTER_AREA)
    # Needles that lie against it are cut off.
    for x in (220, 330, 400):
        cv2.line(rgb, (x, 128), (x + 12, 40), (50, 60, 50), 5, cv2.LINE_AA)
    contours, factor, view = outlines(rgb)
    truth = np.array([[168, 128], [432, 128], [432, 312], [168, 312]]) - 0.5
    assert nearest_box(quads(contours, factor, view), truth) < 2


@pytest.mark.parametrize("number", [3, 5, 6, 8])
def test_what_has_another_number_of_sides_is_no_box(number: int) -> None:
    at = np.linspace(0, 2 * np.pi, number, endpoint=False) + 0.3
    assert boxes_in(150 * np.column_stack([np.cos(at), np.sin(at)]) + [300, 220]) == []


@pytest.mark.parametrize(
    ("sides", "found"), [((300, 90), True), ((400, 70), False), ((45, 40), True), ((30, 24), False)]
)
def test_slips_and_specks_are_no_boxes(sides: tuple[int, int], found: bool) -> None:
    # A side of less than a quarter of the longest; an area of less than 0.4 % of the picture's.
    assert bool(boxes_in(box_at((300, 220), sides, 14))) == found


@pytest.mark.parametrize(
    ("ground", "thing"),
    [
        ((200, 200, 200), (180, 180, 180)),  # a little darker
        ((90, 120, 120), (150, 110, 110)),  # redder
        ((120, 120, 90), (115, 118, 160)),  # bluer
    ],
)
def test_a_thing_of_nearly_its_grounds_tone_or_of_another_color_is_found(
    ground: tuple[int, int, int], thing: tuple[int, int, int]
) -> None:
    truth = box_at((300, 220), (240, 150), 17)
    mask = drawn("box", (600, 450), truth)[..., 0].astype(float)
    share = ((220 - mask) / 160)[..., None]
    rgb = np.round(np.array(ground) * (1 - share) + np.array(thing) * share).astype(np.uint8)
    contours, factor, view = outlines(rgb)
    assert nearest_box(quads(contours, factor, view), truth) < 2
    assert outlines(np.full((450, 600, 3), 128, np.uint8))[0] == []


def oval(major: float, minor: float, degrees: float, part: float = 1.0) -> np.ndarray:
    at = np.linspace(0, 2 * np.pi * part, 400, endpoint=False)
    turn = np.radians(degrees)
    axes = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    return np.stack([major * np.cos(at), minor * np.sin(at)], axis=1) @ axes + [300, 220]


@pytest.mark.parametrize(
    ("points", "found"),
    [
        (oval(120, 80, 25), True),
        (oval(150, 75, 25), False),  # a coin seen from more than 53 degrees aslant
        (oval(120, 110, 25, 0.5), False),  # half of one
        (oval(25, 24, 0), True),
        (oval(14, 13, 0), False),
        (box_at((300, 220), (200, 200), 45), False),
    ],
)
def test_round_things_are_whole_and_not_too_slim(points: np.ndarray, found: bool) -> None:
    contours, factor, _ = outlines(drawn("oval", (600, 450), points))
    assert bool(ellipses(contours, factor)) == found


def test_each_round_thing_is_said_once() -> None:
    contours, factor, _ = outlines(drawn("oval", (600, 450), oval(120, 100, 25)))
    found = ellipses(contours, factor)
    assert 1 <= len(found) <= 3
    for one in found:
        assert one[:4] == pytest.approx((300, 220, 120, 100), abs=6)
