"""Four-sided and round outlines, and the sheet's markers, against drawings whose answer is known."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.markers import find_sheet
from eavefall_model.gauge.outlines import ellipses, outlines, quads
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
