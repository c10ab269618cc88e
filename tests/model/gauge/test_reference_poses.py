"""Cards, pages and coins seen by a camera whose pose is known: the pose comes back, what is none is named."""

import math

import numpy as np
import pytest

from eavefall_model.gauge.coin import find_coins, fit_rim
from eavefall_model.gauge.flat_reference import find_flat, outline_mm
from eavefall_model.gauge.locate import Located, locate_reference
from eavefall_model.gauge.outlines import Box, ellipses, outlines
from eavefall_model.gauge.pose import expected_focal
from eavefall_model.gauge.references import parse_reference
from eavefall_model.gauge.schema import Refusal

CARD = parse_reference("card")
ALL = (True, True, True, True)


def rounded(size=(85.60, 53.98), radius=3.18, turn_deg=0.0):
    """Outline (N, 2) in mm about the origin, clockwise with y down; radius 0 for sharp corners."""
    half, corner = np.array(size) / 2, np.radians(np.linspace(0, 90, 12))
    parts = []
    for k, sign in enumerate([(1, 1), (-1, 1), (-1, -1), (1, -1)]):
        at = corner + k * math.pi / 2
        parts.append(np.array(sign) * (half - radius) + radius * np.column_stack([np.cos(at), np.sin(at)]))
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.vstack(parts) @ np.array([[c, s], [-s, c]])


def turned(points, turn_deg):
    c, s = math.cos(math.radians(turn_deg)), math.sin(math.radians(turn_deg))
    return np.asarray(points) @ np.array([[c, s], [-s, c]])


def card_view(
    view,
    turn=0.0,
    at=(0.0, 0.0),
    size=(85.60, 53.98),
    radius=3.18,
    light=0.15,
    high=0.76,
    px_per_mm=5.0,
    **more,
):
    # As far away as makes the focal length the expected one: 0.72 of the diagonal.
    width, height = 124, 96
    shown = view(width, height, px_per_mm, distance_mm=0.72 * math.hypot(width, height), **more)
    shown.polygon(rounded(size, radius, turn) + np.array(at), light, high)
    corners = turned(np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2, turn) + np.array(at)
    return shown, shown.plane.best.project(corners, high)


def flat_of(shown, corners, reference=CARD, seen=ALL, photo=None):
    rgb = (photo or shown.paint()).rgb
    return find_flat(rgb, [Box(corners, seen)], reference, expected_focal(shown.size))


@pytest.mark.parametrize("turn", [0, 25, 90, 160])
@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 0), (15, 0), (25, 100), (25, 230)])
def test_a_cards_pose_comes_back(view, turn, tilt, azimuth):
    shown, corners = card_view(view, turn, tilt_deg=tilt, azimuth_deg=azimuth)
    off = np.random.default_rng(turn).uniform(-3, 3, (4, 2))
    flat = flat_of(shown, corners + off)
    assert flat is not None
    assert flat.objection == ""
    assert flat.agree > 0.95
    # Its outline is where it was drawn, whichever corner comes first.
    assert min(np.abs(np.roll(flat.corners_px, k, axis=0) - corners).max() for k in range(4)) < 0.6
    pose, true = flat.fit.pose, shown.plane.best
    assert pose.tilt_deg == pytest.approx(tilt, abs=1.2)
    middle = shown.plane.best.project(np.zeros((1, 2)))
    assert pose.px_per_mm(middle) == pytest.approx(true.px_per_mm(middle), rel=2.5e-3)
    # Lengths on the sheet beside it.
    ends = true.project(np.array([[-50.0, 35.0], [45.0, 38.0]]))
    assert math.dist(*pose.to_plane(ends)) == pytest.approx(math.dist([-50, 35], [45, 38]), rel=5e-3)
    # Nobody says that it knows more than it does.
    assert flat.fit.spread_px < 0.3


@pytest.mark.parametrize("turn", [0, 90, 200])
@pytest.mark.parametrize(
    ("size", "radius", "objection"),
    [
        ((85.60, 53.98), 3.0, ""),
        ((86.4, 53.98), 3.18, ""),  # within what wear and lens explain
        ((85.60, 53.98), 0.01, "its corners are not a bank card's"),
        ((85.60, 53.98), 1.2, "its corners are not a bank card's"),
        ((85.60, 53.98), 6.5, "its corners are not a bank card's"),
    ],
)
def test_what_is_no_card_is_told_by_its_sides_and_corners(view, turn, size, radius, objection):
    flat = flat_of(*card_view(view, turn, size=size, radius=radius))
    assert flat is not None
    assert flat.objection == objection


def test_a_side_must_show_most_of_itself(view):
    def covered(share):
        shown, corners = card_view(view, 0)
        # Something of the sheet's own color lies across the middle of the upper side.
        half = 0.5 * share * 85.6
        shown.polygon(np.array([[-half, -40], [half, -40], [half, -15], [-half, -15]]), shown.ground, 0.76)
        return flat_of(shown, corners)

    assert covered(0.12) is not None
    assert covered(0.12).agree < 1.0
    assert covered(0.35) is None


def test_too_small_or_off_the_frame_is_none(view):
    shown, corners = card_view(view, 0)
    small = view(124, 96, 1.0, distance_mm=shown.distance_mm)
    small.polygon(rounded(), 0.15, 0.76)
    at = small.plane.best.project(outline_mm(CARD), 0.76)
    assert find_flat(small.paint().rgb, [Box(at, ALL)], CARD, expected_focal(small.size)) is None
    # A card must show all of its sides.
    assert flat_of(shown, corners, seen=(True, True, False, True)) is None
    assert find_flat(shown.paint().rgb, [], CARD, expected_focal(shown.size)) is None
    # A start that is no card's shape leads nowhere.
    assert flat_of(shown, corners + np.array([[0, 0], [160, 0], [0, 0], [0, 0]])) is None


def page_view(view, cut_mm=0.0, radius=0.01, turn_deg=0.0, tilt=0.0, size=(210.0, 297.0)):
    """A page whose foot lies beyond the frame by so much."""
    width, height = 240, 325
    shown = view(width, height, 2.5, distance_mm=0.72 * math.hypot(width, height), ground=0.08, tilt_deg=tilt)
    at = np.array([0.0, cut_mm])
    shown.polygon(rounded(size, radius) + at, 0.7, 0.0)
    return shown, shown.plane.best.project(
        np.array([[-1, -1], [1, -1], [1, 1], [-1, 1]]) * np.array(size) / 2 + at
    )


@pytest.mark.parametrize("tilt", [0, 5])
def test_a_pages_pose_comes_back_with_its_foot_beyond_the_frame_too(view, tilt):
    a4 = parse_reference("a4")
    for cut, seen in ((0.0, ALL), (40.0, (True, True, False, True))):
        shown, corners = page_view(view, cut, tilt=tilt)
        if cut:  # the corners found are where the frame cuts the sides
            share = np.array(
                [
                    (shown.size[1] - 1 - corners[k, 1]) / (corners[j, 1] - corners[k, 1])
                    for k, j in ((1, 2), (0, 3))
                ]
            )
            corners[2] = corners[1] + share[0] * (corners[2] - corners[1])
            corners[3] = corners[0] + share[1] * (corners[3] - corners[0])
        flat = flat_of(shown, corners, a4, seen)
        assert flat is not None, cut
        assert flat.objection == ""
        middle = np.array([[300.0, 300.0]])
        assert flat.fit.pose.px_per_mm(middle) == pytest.approx(shown.plane.best.px_per_mm(middle), rel=0.01)
    rounded_page = flat_of(*page_view(view, radius=4.0), a4)
    assert rounded_page is not None
    assert rounded_page.objection == "its corners are rounded"
    letter = flat_of(*page_view(view, size=(215.9, 279.4)), a4)
    assert letter is None or "for its width" in letter.objection


# ---- a coin


def coin_view(view, at=(0.0, 0.0), across=24.26, high=1.75, light=0.3, **more):
    width, height = 64, 48
    shown = view(width, height, 10.0, distance_mm=0.72 * math.hypot(width, height), **more)
    around = np.linspace(0, 2 * math.pi, 240, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)]) * across / 2 + np.array(at)
    for level in np.linspace(0, high, 5):  # its side, then its face
        shown.polygon(circle, light, level)
    return shown


@pytest.mark.parametrize(
    ("tilt", "azimuth", "at"), [(0, 0, (0.0, 0.0)), (12, 90, (0.0, 0.0)), (20, 215, (9.0, -5.0))]
)
def test_a_coins_pose_is_among_those_said_to_explain_it(view, tilt, azimuth, at):
    shown = coin_view(view, at, tilt_deg=tilt, azimuth_deg=azimuth)
    rgb = shown.paint().rgb
    contours, factor, _ = outlines(rgb)
    rims = find_coins(rgb, ellipses(contours, factor))
    assert len(rims) == 1
    assert rims[0].support > 0.9
    fits = fit_rim(rims[0], parse_reference("coin:us-quarter"), shown.size, expected_focal(shown.size))
    weights = [weight for _, weight in fits]
    assert sum(weights) == pytest.approx(1.0)
    assert weights == sorted(weights, reverse=True)
    true = shown.plane.best
    near = [fit.pose for fit, _ in fits if abs(fit.pose.tilt_deg - tilt) < 4]
    assert near
    # Each of them has the scale of the sheet at the coin's foot.
    foot = true.project(np.array([at]))
    for pose in near:
        assert pose.px_per_mm(foot) == pytest.approx(true.px_per_mm(foot), rel=0.02)


@pytest.mark.parametrize("name", ["us-quarter", "us-dime", "euro-2"])
def test_a_coin_gives_the_scale_and_what_to_keep_clear_of(view, name):
    coin = parse_reference(f"coin:{name}")
    shown = coin_view(view, (3.0, 2.0), coin.size_mm[0], coin.thick_mm, tilt_deg=5, azimuth_deg=60)
    found = locate_reference(shown.paint(), f"coin:{name}")
    assert isinstance(found, Located)
    assert found.plane.px_per_mm == pytest.approx(10.0, rel=0.01)
    assert abs(found.plane.px_per_mm - 10.0) < 3 * found.plane.px_per_mm_sd
    assert found.weakest == "the scale rests on a coin alone"
    assert found.inside is None
    # Two millimeters are kept clear all round it.
    (away,) = found.outside
    reach = np.hypot(*(shown.plane.to_mm(away) - [3.0, 2.0]).T)
    assert reach == pytest.approx(np.full(len(reach), coin.size_mm[0] / 2 + 2), abs=0.5)
    shown_mm = shown.plane.best.to_plane(found.outline_px, coin.thick_mm)
    assert np.hypot(*(shown_mm - [3.0, 2.0]).T) == pytest.approx(np.full(72, coin.size_mm[0] / 2), abs=0.2)


def test_each_round_thing_is_found_once_and_the_best_supported_comes_first(view):
    shown = coin_view(view, (-16.0, 0.0))
    around = np.linspace(0, 2 * math.pi, 240, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)])
    shown.polygon(circle * 12.13 + [16.0, 0.0], 0.3)
    # A quarter of the second coin's rim is covered by something of the sheet's own color.
    shown.polygon(np.array([[16, -16], [30, -16], [30, -1], [16, -1]]), shown.ground)
    rgb = shown.paint().rgb
    contours, factor, _ = outlines(rgb)
    candidates = ellipses(contours, factor)
    middles = shown.plane.to_px(np.array([[-16.0, 0.0], [16.0, 0.0]]))
    guess = [(*(middle + np.array([1.0, -2.0])), 12.13 * 10, 12.0 * 10, 0.3) for middle in middles]
    rims = find_coins(rgb, [*candidates, *guess, *guess])
    assert len(rims) == 2
    assert rims[0].ellipse[0] == pytest.approx(middles[0, 0], abs=6)  # its face is nearer than the sheet
    assert rims[0].support > rims[1].support
    assert rims[1].support == pytest.approx(0.75, abs=0.05)
    for rim in rims:
        assert rim.ellipse[2] == pytest.approx(12.13 * 10, rel=0.05)
        assert len(rim.points) == pytest.approx(144 * rim.support)


# ---- what the search for a reference says


def of_card(view, reference="card", **more):
    return locate_reference(card_view(view, px_per_mm=8.5, **more)[0].paint(), reference, name="x.jpg")


@pytest.mark.parametrize("turn", [0, 70])
def test_a_card_gives_the_plane_and_two_millimeters_are_kept_clear(view, turn):
    shown, corners = card_view(view, turn, (3.0, -4.0), px_per_mm=8.5, tilt_deg=10, azimuth_deg=20)
    found = locate_reference(shown.paint(), "card")
    assert isinstance(found, Located)
    (away,) = found.outside
    plane = turned(shown.plane.to_mm(away) - [3.0, -4.0], -turn)
    half = np.array([85.60, 53.98]) / 2 + 2
    assert np.abs(plane).max(axis=0) == pytest.approx(half, abs=0.4)
    assert (np.abs(np.abs(plane) - half).min(axis=1) < 0.4).all()
    assert found.outline_px.mean(axis=0) == pytest.approx(corners.mean(axis=0), abs=8)
    assert found.plane.origin_px == pytest.approx(
        shown.plane.best.project(np.array([[3.0, -4.0]]), 0.76)[0], abs=1
    )
    assert (
        abs(found.plane.px_per_mm - shown.plane.best.px_per_mm(np.array([found.plane.origin_px]))[0])
        < 3 * found.plane.px_per_mm_sd
    )
    assert found.plane.tilt_deg == pytest.approx(10, abs=1.5)
    # Its manufacture and the height of its rim against the distance.
    distance = shown.distance_mm
    assert found.plane.rel_sd == pytest.approx(math.hypot(0.0007, 0.04 / distance), rel=0.05)
    assert (found.notes, found.weakest, found.inside) == ((), "", None)


def test_a_view_too_far_aslant_is_refused_with_its_angle(view):
    found = of_card(view, tilt_deg=40, azimuth_deg=90)
    assert isinstance(found, Refusal)
    assert found.reason == "too-tilted"
    said = found.message.split("°")
    assert float(said[0].split()[-1]) == pytest.approx(40, abs=2)
    assert said[1].endswith("the limit is 35")
    assert isinstance(of_card(view, tilt_deg=20, azimuth_deg=90), Located)


@pytest.mark.parametrize(
    ("size", "at", "says"),
    [
        ((60.0, 60.0), (0, 0), "Nothing of the shape of a card"),
        ((85.6, 53.98), (40, 0), "is cut off by the edge of the picture"),
        ((10.0, 6.3), (0, 0), "Nothing of the shape of a card"),
    ],
)
def test_why_no_card_was_found_is_said(view, size, at, says):
    found = of_card(view, size=size, at=at)
    assert isinstance(found, Refusal)
    assert found.reason == "no-reference"
    assert says in found.message
    assert "x.jpg" in found.message


def test_a_coin_and_a_card_that_agree_take_the_plane_from_the_card(view):
    shown, _ = card_view(view, 0, (-15.0, -18.0), px_per_mm=8.5, tilt_deg=12, azimuth_deg=30)
    around = np.linspace(0, 2 * math.pi, 240, endpoint=False)
    circle = np.column_stack([np.cos(around), np.sin(around)]) * 12.13 + [35.0, 28.0]
    for level in np.linspace(0, 1.75, 5):
        shown.polygon(circle, 0.3, level)
    photo = shown.paint()
    found = locate_reference(photo, "coin:us-quarter")
    assert isinstance(found, Located)
    assert found.notes == ("the card in the photo agrees with the coin and gives the plane",)
    assert found.weakest == ""
    assert found.plane.tilt_deg == pytest.approx(12, abs=1.5)
    assert len(found.outside) == 2
    reach = np.abs(shown.plane.to_mm(found.outside[1]) - [-15.0, -18.0]).max(axis=0)
    assert reach == pytest.approx(np.array([85.60, 53.98]) / 2 + 2, abs=0.5)
    # A coin a twentieth larger does not agree.
    wrong = locate_reference(photo, "coin:25.75")
    assert isinstance(wrong, Refusal)
    assert wrong.reason == "references-disagree"
    mine, theirs = (
        float(wrong.message.split(word)[1].split()[0].rstrip(".")) for word in ("gives ", "same photo ")
    )
    assert mine / theirs == pytest.approx(24.26 / 25.75, rel=0.02)
