"""Passage against exact geometry, an independent Monte Carlo, and trade sense."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from eavefall_model.screens.passage import (
    OpeningShape,
    bore_mm,
    end_on_entry_share,
    fates,
    flat_clear_share,
)

SIZES = st.floats(0.1, 200.0)
SHAPES = st.sampled_from(["square", "round60", "round90", "slot"])


@pytest.mark.parametrize("length", [0.0, 0.3, 0.5, 0.9, 1.0])
@pytest.mark.parametrize("grid", [1.0, 2.0, 7.0])
def test_flat_line_on_a_line_grid_is_buffon_laplace(length: float, grid: float) -> None:
    # Laplace 1812 (Uspensky 1937 p 255): crossing (2 l (a + b) - l^2) / (pi a b), here with a = b, l <= a.
    crossing = (4 * length * grid - length**2) / (math.pi * grid**2)
    assert flat_clear_share(length, 0.0, grid, 0.0) == pytest.approx(1 - crossing, abs=1e-12)


@pytest.mark.parametrize(("length", "gap"), [(0.2, 1.0), (1.0, 1.0), (3.0, 4.0)])
def test_flat_line_between_edges_is_buffon(length: float, gap: float) -> None:
    # Buffon 1777: crossing 2 l / (pi d) for l <= d.
    assert flat_clear_share(length, 0.0, gap, 0.0, "slot") == pytest.approx(1 - 2 * length / (math.pi * gap))


@pytest.mark.parametrize("length", [1.5, 2.0, 5.0])
def test_long_line_between_edges_is_buffon_extended(length: float) -> None:
    # Uspensky 1937 p 252 for l > d: P(cross) = 1 - (2/pi)(asin(d/l) - (l/d)(1 - sqrt(1 - d^2/l^2))), d = 1.
    clear = 2 / math.pi * (math.asin(1 / length) - length * (1 - math.sqrt(1 - 1 / length**2)))
    assert flat_clear_share(length, 0.0, 1.0, 0.0, "slot") == pytest.approx(clear, abs=1e-12)


def test_a_needle_longer_than_the_diagonal_never_lies_clear() -> None:
    assert flat_clear_share(math.sqrt(2) + 1e-9, 0.0, 1.0, 0.0) == 0.0
    assert flat_clear_share(math.sqrt(2) - 1e-3, 0.0, 1.0, 0.0) > 0.0
    assert flat_clear_share(1.001, 0.0, 1.0, 0.2, "round60") == 0.0


@pytest.mark.parametrize(
    ("width", "opening", "wire"), [(0.6, 0.864, 0.406), (1.0, 5.7, 0.635), (0.5, 0.5, 0.3), (2.0, 1.0, 0.5)]
)
def test_tip_entry_is_the_free_square_over_the_cell(width: float, opening: float, wire: float) -> None:
    free = max(opening - width, 0.0)
    expected = (free / (opening + wire)) ** 2
    assert end_on_entry_share(width, opening, wire) == pytest.approx(expected, abs=1e-15)


def test_a_point_enters_as_often_as_the_sheet_is_open() -> None:
    # Open area of the same openings by handbook formula: 0.9069 d^2 / p^2 and (w / p)^2.
    assert end_on_entry_share(0.0, 2.0, 2.0, "round60") == pytest.approx(0.9069 * 4 / 16, abs=1e-4)
    assert end_on_entry_share(0.0, 0.381, 0.254) == pytest.approx(0.36)


def _simulated(
    rng: np.random.Generator,
    n: int,
    length: float,
    width: float,
    opening: float,
    wire: float,
    shape: OpeningShape,
) -> NDArray[np.bool_]:
    """Throw n rods with round ends at a screen; True where no point of the rod is over solid.

    Independent of the formulas: openings are convex, so a rod lies in one when both ends of its axis do, each
    half a width clear of the edge.
    """
    pitch = opening + wire
    angle = rng.uniform(0, 2 * np.pi, n)
    along = np.array([-0.5, 0.5]) * (length - width)
    x = rng.uniform(0, pitch, n)[:, None] + np.cos(angle)[:, None] * along
    if shape == "slot":
        # One period of slot and cover, endless across; a rod clear of the edges must stay in one slot.
        return np.asarray((np.abs(x - pitch / 2) <= (opening - width) / 2).all(axis=1))
    row = pitch * (math.sqrt(3) / 2 if shape == "round60" else 1.0)
    shift = 0.5 if shape == "round60" else 0.0
    y = rng.uniform(0, 2 * row if shape == "round60" else row, n)[:, None] + np.sin(angle)[:, None] * along
    if shape == "square":
        half = (opening - width) / 2
        return np.asarray(((np.abs(x - pitch / 2) <= half) & (np.abs(y - pitch / 2) <= half)).all(axis=1))
    clear = np.zeros(n, dtype=bool)
    for row_number in range(-1, 4):
        for column in range(-2, 4):
            centre_x = (column + (row_number % 2) * shift) * pitch
            apart = np.hypot(x - centre_x, y - row_number * row)
            clear |= (apart <= (opening - width) / 2).all(axis=1)
    return clear


@pytest.mark.parametrize("shape", ["square", "round60", "round90", "slot"])
@pytest.mark.parametrize(
    ("length", "width", "opening", "wire"),
    [(2.0, 0.5, 4.0, 1.0), (4.5, 0.5, 4.0, 1.0), (1.0, 1.0, 3.0, 2.0), (3.2, 0.1, 3.0, 0.6)],
)
def test_flat_clear_share_agrees_with_thrown_rods(
    length: float, width: float, opening: float, wire: float, shape: OpeningShape
) -> None:
    n = 60_000
    share = float(_simulated(np.random.default_rng(5), n, length, width, opening, wire, shape).mean())
    exact = float(flat_clear_share(length, width, opening, wire, shape))
    # Four standard errors of a binomial share.
    assert share == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1 / n) / n))


@pytest.mark.parametrize("shape", ["square", "round60", "round90", "slot"])
@pytest.mark.parametrize(
    ("length", "width", "opening", "wire"),
    [(85.0, 0.6, 0.864, 0.406), (85.0, 0.6, 2.743, 0.432), (2.5, 1.2, 4.0, 1.0), (6.0, 3.0, 5.0, 1.0)],
)
def test_fates_agree_with_pieces_followed_one_by_one(
    length: float, width: float, opening: float, wire: float, shape: OpeningShape
) -> None:
    # The stated story, played out: 30 % come tip first; a tip of 0.6 widths that finds an opening slides
    # through or sticks; the rest lands flat, clears, or topples off a wire it cannot bridge.
    n = 40_000
    rng = np.random.default_rng(11)
    tip_first = rng.random(n) < 0.3
    # A tip is a disc: a rod as long as it is wide.
    finds = _simulated(rng, n, 0.6 * width, 0.6 * width, opening, wire, shape)
    clears = _simulated(rng, n, length, width, opening, wire, shape)
    slides = rng.random(n) < min(max(opening / width - 1, 0.0), 1.0) * min(80.0 / length, 1.0)
    topples = rng.random(n) < max(1 - length / opening, 0.0)
    enters = tip_first & finds
    passes = ~enters & ((~tip_first & clears) | topples)
    counted = {
        "threads": (enters & slides).mean(),
        "lodges": (enters & ~slides).mean(),
        "passes": passes.mean(),
        "lies_across": (~enters & ~passes).mean(),
    }
    fate = fates(length, width, opening, wire, shape=shape, room_below_mm=80.0)
    for name, share in counted.items():
        exact = float(getattr(fate, name))
        assert share == pytest.approx(exact, abs=4 * math.sqrt(max(exact * (1 - exact), 1 / n) / n)), name


@given(SIZES, st.floats(0.05, 30), st.floats(0.1, 30), st.floats(0.05, 10), SHAPES)
@settings(max_examples=200, deadline=None)
def test_fates_are_probabilities_that_sum_to_one(
    length: float, width: float, opening: float, wire: float, shape: OpeningShape
) -> None:
    length = max(length, width)
    fate = fates(length, width, opening, wire, shape=shape, room_below_mm=80)
    parts = [float(x) for x in (fate.lies_across, fate.threads, fate.lodges, fate.passes)]
    assert all(-1e-12 <= part <= 1 + 1e-12 for part in parts)
    assert sum(parts) == pytest.approx(1.0, abs=1e-9)


@given(
    SIZES,
    st.floats(0.05, 30),
    st.floats(0.1, 30),
    st.floats(1.0, 3.0),
    st.floats(0.05, 10),
    SHAPES,
)
@settings(max_examples=300, deadline=None)
def test_a_finer_opening_never_lets_more_through(
    length: float,
    width: float,
    opening: float,
    wider: float,
    wire: float,
    shape: OpeningShape,
) -> None:
    length = max(length, width)
    fine = fates(length, width, opening, wire, shape=shape).through
    coarse = fates(length, width, opening * wider, wire, shape=shape).through
    assert fine <= coarse + 1e-9


@given(st.floats(1, 200), st.floats(0.3, 3), st.floats(0.2, 12), st.floats(0.1, 2), st.floats(0.05, 1.0))
@settings(max_examples=200, deadline=None)
def test_a_shorter_piece_never_passes_less(
    length: float, width: float, opening: float, wire: float, part: float
) -> None:
    length = max(length, width)
    shorter = max(length * part, width)
    assert fates(shorter, width, opening, wire).through >= fates(length, width, opening, wire).through - 1e-12


@given(st.floats(1, 200), st.floats(0.3, 3), st.floats(0.2, 12), st.floats(0.1, 2), st.floats(1.0, 3.0))
@settings(max_examples=200, deadline=None)
def test_a_thicker_piece_never_passes_more(
    length: float, width: float, opening: float, wire: float, thicker: float
) -> None:
    length = max(length, width * thicker)
    thin = fates(length, width, opening, wire).through
    assert fates(length, width * thicker, opening, wire).through <= thin + 1e-12


def test_nothing_wider_than_the_opening_gets_through_but_its_tip_may_lodge() -> None:
    fate = fates([60.0, 60.0], [1.0, 2.0], 0.864, 0.406)
    assert (fate.through == 0).all()
    assert fate.lodges[0] > 0  # a 1.0 mm needle has a tip of 0.6 mm
    assert fate.lodges[1] == 0


def test_a_needle_longer_than_the_gutter_is_deep_stands_in_the_screen() -> None:
    free = fates(300.0, 1.5, 5.7, 0.635)
    shallow = fates(300.0, 1.5, 5.7, 0.635, room_below_mm=100)
    assert shallow.threads == pytest.approx(free.threads / 3)
    assert shallow.lodges == pytest.approx(free.lodges + free.threads * 2 / 3)


def test_inputs_broadcast_pieces_by_openings() -> None:
    fate = fates(
        np.array([50.0, 100.0])[:, None], np.array([1.0, 0.6])[:, None], [0.4, 0.9, 2.7], [0.25, 0.4, 0.4]
    )
    assert fate.through.shape == (2, 3)


RIBBON_SHAPES: tuple[OpeningShape, ...] = ("square", "round60", "slot")


@pytest.mark.parametrize("shape", RIBBON_SHAPES)
def test_a_ribbon_as_thick_as_wide_is_a_rod(shape: OpeningShape) -> None:
    rod = fates([15.0, 15.0], [0.8, 1.6], 1.18, 0.4, shape=shape)
    ribbon = fates([15.0, 15.0], [0.8, 1.6], 1.18, 0.4, shape=shape, thickness_mm=[0.8, 1.6])
    np.testing.assert_allclose(ribbon.through, rod.through)
    np.testing.assert_allclose(ribbon.lodges, rod.lodges)


def test_a_ribbon_goes_through_turned_to_the_diagonal() -> None:
    # 1.8 mm wide and 0.4 mm thick: 0.4 + 1.4 / sqrt 2 = 1.39 mm across a square hole; nothing in a round one.
    bore = 0.4 + 1.4 / math.sqrt(2)
    assert bore_mm(1.8, 0.4) == pytest.approx(bore)
    assert bore_mm(1.8, 0.4, "round60") == pytest.approx(1.8)
    assert bore_mm(1.8, 0.4, "slot") == pytest.approx(0.4)
    assert bore_mm(1.8) == 1.8
    for shape in RIBBON_SHAPES:
        least = float(bore_mm(1.8, 0.4, shape))
        assert end_on_entry_share(1.8, least * 0.999, 0.4, shape, 0.4) == 0
        assert end_on_entry_share(1.8, least * 1.05, 0.4, shape, 0.4) > 0


def test_a_ribbon_end_on_enters_as_often_as_dropped_by_chance() -> None:
    # Cross-sections 1.2 by 0.3 mm with round ends dropped on cells of 1.5 mm clear and 0.5 mm wire.
    rng = np.random.default_rng(5)
    middle, turn = rng.uniform(0, 2.0, (400_000, 2)), rng.uniform(0, math.pi, 400_000)
    half = 0.45 * np.abs(np.stack([np.cos(turn), np.sin(turn)], axis=1))
    lies_clear = ((middle - half > 0.15) & (middle + half < 1.5 - 0.15)).all(axis=1).mean()
    assert end_on_entry_share(1.2, 1.5, 0.5, "square", 0.3) == pytest.approx(lies_clear, abs=0.004)


@given(st.floats(0.3, 3), st.floats(0.1, 1.0), st.floats(0.2, 6), st.floats(0.1, 2), SHAPES)
@settings(max_examples=200, deadline=None)
def test_a_ribbon_enters_more_than_a_rod_of_its_width_and_less_than_one_of_its_thickness(
    width: float, share: float, opening: float, wire: float, shape: OpeningShape
) -> None:
    ribbon = end_on_entry_share(width, opening, wire, shape, share * width)
    assert end_on_entry_share(width, opening, wire, shape) <= ribbon + 1e-9
    assert ribbon <= end_on_entry_share(share * width, opening, wire, shape) + 1e-9
