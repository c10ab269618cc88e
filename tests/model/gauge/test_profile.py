"""Edges across a strand, with its own shade beside it: against profiles made by summing light."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from eavefall_model.gauge.profile import expect, fit_bodies, half_levels

FINE = np.arange(-40, 40, 0.05)
OFFSETS = np.arange(-24, 24.01, 0.5)


def profile(left, right, blur, ground, inside, depth=0.0, away=0.0, soft=1.0):
    """Light across a flat bar whose shade, the same bar moved and blurred, lies on the ground beside it."""
    bar = ((left < FINE) & (right > FINE)).astype(float)
    shade = gaussian_filter1d(np.interp(FINE - away, FINE, bar), soft / 0.05)
    light = ground * (1 - depth * shade) * (1 - bar) + inside * bar
    return np.interp(OFFSETS, FINE, gaussian_filter1d(light, blur / 0.05))


@pytest.mark.parametrize("blur", [0.6, 1.0])
@pytest.mark.parametrize("width", [5.0, 9.0, 16.0])
@pytest.mark.parametrize(("ground", "inside"), [(0.8, 0.1), (0.05, 0.4)])
def test_half_way_levels_are_the_edges_of_a_flat_bar(width, blur, ground, inside):
    for shift in (-0.7, 0.0, 0.3):  # to the left and to the right alike
        row = profile(shift - width / 2, shift + width / 2, blur, ground, inside)[None]
        near = np.abs(OFFSETS) < width / 2 + 7
        levels = half_levels(OFFSETS[near], row[:, near], width / 2)
        assert levels.width_px[0] == pytest.approx(width, abs=0.12 * blur)
        assert (levels.left_px[0] + levels.right_px[0]) / 2 == pytest.approx(shift, abs=0.05)
        assert np.sign(levels.contrast[0]) == np.sign(inside - ground)


def test_a_streak_of_light_inside_is_no_edge():
    row = profile(-8, 8, 0.8, 0.8, 0.1) + 0.9 * np.exp(-(((OFFSETS - 1) / 1.5) ** 2))
    levels = half_levels(OFFSETS, row[None], 8.0)
    assert levels.width_px[0] == pytest.approx(16, abs=0.1)


@pytest.mark.parametrize("depth", [0.0, 0.15, 0.35])
@pytest.mark.parametrize("away", [-5.0, -2.0, 2.0, 5.0])
def test_shade_beside_does_not_widen(depth, away):
    widths = np.array([4.5, 7.0, 11.0, 16.0])
    rows = np.array([profile(-w / 2, w / 2, 0.8, 0.7, 0.1, depth, away, 1.5) for w in widths])
    near = np.array([np.abs(OFFSETS) < w / 2 + 10 for w in widths]).astype(float)
    each = zip(rows, near > 0, widths, strict=True)
    found = [half_levels(OFFSETS[n], r[None][:, n], w / 2) for r, n, w in each]
    edges = np.array([[f.left_px[0], f.right_px[0]] for f in found])
    first = fit_bodies(OFFSETS, rows, near, expect(edges, 11.0), 11.0)
    body = fit_bodies(OFFSETS, rows, near, expect(edges, 11.0), 11.0, first)
    # 0.15 px at 11 px/mm are 0.014 mm; half-way levels alone would be up to 0.5 px too wide.
    assert np.ptp(body.edges_px, axis=1) == pytest.approx(widths, abs=0.15)
    if depth == 0.35:
        deeper = body.depth[:, 1] > body.depth[:, 0]
        assert deeper.all() if away > 0 else not deeper.any()


def test_blur_is_found_where_it_is_not_given():
    row = profile(-5, 5, 1.3, 0.8, 0.1)[None]
    body = fit_bodies(OFFSETS, row, np.ones_like(row), expect(np.array([[-5.2, 5.2]]), 11.0), 11.0)
    assert body.blur_px[0] == pytest.approx(1.3, abs=0.1)
