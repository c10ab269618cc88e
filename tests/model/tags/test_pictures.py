"""What the net is shown of a photo, and how its evidence is drawn: by arithmetic on tiny pictures."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.tags.overlay import draw
from eavefall_model.tags.preprocess import cut, to_square


def test_a_picture_that_shrinks_is_averaged() -> None:
    columns = np.tile(np.array([0, 255, 255, 0], np.uint8), 10)
    rgb = np.broadcast_to(columns[None, :, None], (40, 40, 3))
    assert np.abs(to_square(np.ascontiguousarray(rgb), 10).astype(int) - 127.5).max() <= 0.5


def test_one_that_grows_runs_evenly_between_its_pixels() -> None:
    rgb = np.zeros((2, 2, 3), np.uint8)
    rgb[:, 1] = 200
    row = to_square(rgb, 8)[0, :, 0].astype(int)
    assert (np.diff(row) >= 0).all()
    assert len(set(row.tolist())) > 3
    # One side long enough is not: that would leave out rows or columns of the other.
    tall = np.zeros((64, 2, 3), np.uint8)
    tall[:, 1] = 200
    assert len(set(to_square(tall, 8)[0, :, 0].tolist())) > 3


def test_one_of_the_right_size_is_copied() -> None:
    rgb = np.random.default_rng(0).integers(0, 255, (8, 8, 3), np.uint8)
    found = to_square(rgb, 8)
    assert (found == rgb).all()
    assert not np.shares_memory(found, rgb)


@pytest.mark.parametrize(
    ("box", "rows", "columns"),
    [
        ((0.0, 0.0, 1.0), slice(0, 20), slice(0, 40)),
        ((0.25, 0.5, 0.5), slice(10, 20), slice(10, 30)),
        ((0.5, 0.1, 0.2), slice(2, 6), slice(20, 28)),
    ],
)
def test_a_part_is_cut_by_shares_of_width_and_height(
    box: tuple[float, float, float], rows: slice, columns: slice
) -> None:
    rgb = np.arange(20 * 40 * 3, dtype=np.int64).reshape(20, 40, 3).astype(np.uint8)
    assert (cut(rgb, box) == rgb[rows, columns]).all()


def test_a_part_is_never_empty() -> None:
    assert cut(np.zeros((5, 5, 3), np.uint8), (0.4, 0.4, 0.01)).shape == (1, 1, 3)


RGB = np.broadcast_to(np.array([200, 100, 60], np.uint8), (70, 140, 3))


def test_a_place_that_says_nothing_is_grey_and_dark_and_one_that_says_much_is_itself() -> None:
    nothing, much = (draw(RGB, np.full((4, 4), level, np.float32)) for level in (0.0, 1.0))
    assert (nothing == nothing[:, :, :1]).all()
    assert 0.4 * 120 < nothing[0, 0, 0] < 0.7 * 120
    assert np.abs(much.astype(int) - RGB).max() <= 1
    # Between, in proportion.
    some = draw(RGB, np.full((4, 4), 0.25, np.float32)).astype(float)
    assert some == pytest.approx(nothing + 0.25 * (RGB.astype(float) - nothing), abs=1.01)


def test_an_amber_line_runs_along_the_edge_of_what_spoke_and_nowhere_else() -> None:
    evidence = np.zeros((40, 700), np.float32)
    evidence[:, 350:] = 1.0
    drawn = draw(np.zeros((40, 700, 3), np.uint8), evidence).astype(int)
    amber = drawn[:, :, 0] > 100
    assert amber[:, 348:352].any(axis=1).all()
    assert not amber[:, :345].any()
    assert not amber[:, 355:].any()
    # Red over green over no blue.
    line = drawn[20][amber[20]]
    assert (line[:, 0] > line[:, 1]).all()
    assert (line[:, 1] > line[:, 2]).all()
    # Of one hue, however strongly it is drawn.
    assert line[:, 1] / line[:, 0] == pytest.approx(np.full(len(line), 176 / 255), abs=0.02)


def line_width(size: int, ramp: float, height: int = 8) -> int:
    """Pixels of line across a picture whose evidence rises from 0 to 1 over ``ramp`` of its width."""
    across = np.clip((np.arange(size) - size / 2) / (ramp * size) + 0.5, 0, 1).astype(np.float32)
    drawn = draw(np.zeros((height, size, 3), np.uint8), np.tile(across, (height, 1)))
    return int((drawn[height // 2, :, 0] > 20).sum())


def test_the_line_is_as_wide_on_a_slope_as_on_a_step() -> None:
    assert abs(line_width(1400, 0.02) - line_width(1400, 0.3)) <= 2
    # On a strip as on a whole picture, since the longer side counts.
    assert line_width(1400, 0.3) == line_width(1400, 0.3, height=900)


def test_the_line_is_wider_on_a_large_photo() -> None:
    assert line_width(2800, 0.1) > 1.4 * line_width(1400, 0.1)
