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


def test_levels_beside_a_bar_are_told_with_their_step_and_what_is_no_bar_has_no_edges():
    bar = ((FINE > -4) & (FINE < 4)).astype(float)
    light = np.where(FINE < 0, 0.6, 0.8) * (1 - bar) + 0.1 * bar
    row = np.interp(OFFSETS, FINE, gaussian_filter1d(light, 0.7 / 0.05))
    levels = half_levels(OFFSETS, np.array([row, row[::-1], np.full(len(row), 0.5)]), 4.0)
    assert levels.beside[:2] == pytest.approx([0.7, 0.7], abs=1e-3)
    assert levels.step[:2] == pytest.approx([0.2, -0.2], abs=1e-3)
    assert levels.contrast[:2] == pytest.approx([-0.6, -0.6], abs=0.01)
    # Each edge is half way between the core and the light on its own side.
    assert (levels.left_px[0], levels.right_px[0]) == pytest.approx((-4, 4), abs=0.06)
    assert (levels.left_px[1], levels.right_px[1]) == pytest.approx((-4, 4), abs=0.06)
    assert np.isnan(levels.width_px[2])


def fitted(rows, edges, weights=None, before=None, px_per_mm=11.0):
    rows = np.atleast_2d(rows)
    weights = np.ones_like(rows) if weights is None else weights
    expected = expect(np.tile(edges, (len(rows), 1)).astype(float), px_per_mm)
    first = fit_bodies(OFFSETS, rows, weights, expected, px_per_mm, before)
    return fit_bodies(OFFSETS, rows, weights, expected, px_per_mm, first)


@pytest.mark.parametrize(("left", "right"), [(-5.0, 5.0), (-3.2, 4.1), (-9.0, 6.5)])
@pytest.mark.parametrize(("ground", "inside"), [(0.8, 0.1), (0.3, 0.05), (0.05, 0.5)])
def test_both_edges_of_a_blurred_bar_come_back_whatever_the_light(left, right, ground, inside):
    row = profile(left, right, 0.9, ground, inside)
    body = fitted(row, (left - 0.3, right + 0.2))
    # A light bar is expected to be round, dark at its rims: a flat one looks wider.
    assert body.edges_px[0] == pytest.approx([left, right], abs=0.07 if inside < ground else 0.25)
    mirrored = fitted(row[::-1], (-right - 0.2, -left + 0.3))
    assert mirrored.edges_px[0] == pytest.approx(-body.edges_px[0][::-1], abs=0.01)
    brighter = fitted(0.5 * row, (left - 0.3, right + 0.2))
    assert brighter.edges_px[0] == pytest.approx(body.edges_px[0], abs=0.01)
    assert body.blur_px[0] == pytest.approx(0.9, abs=0.1 if inside < ground else 0.2)
    # A round body's rims are darker or lighter than a flat one's: what that leaves is little.
    assert body.misfit[0] < 0.04


def test_a_shade_comes_back_with_its_depth_reach_and_softness():
    for depth, away, soft in ((0.35, 6.0, 2.0), (0.2, 4.0, 1.5), (0.35, -6.0, 2.0)):
        body = fitted(profile(-6, 6, 0.8, 0.7, 0.1, depth, away, soft), (-6.0, 6.0))
        side = int(away > 0)
        assert body.depth[0, side] == pytest.approx(depth, abs=0.07)
        assert body.depth[0, 1 - side] < 0.06
        assert body.reach_px[0, side] == pytest.approx(abs(away), abs=1.0)
        assert np.ptp(body.edges_px[0]) == pytest.approx(12, abs=0.15)


def test_noise_is_told_as_wide_as_it_makes_the_width():
    rng = np.random.default_rng(8)
    row = profile(-5, 5, 0.9, 0.8, 0.1)
    for noise in (0.01, 0.03):
        body = fitted(row + rng.normal(0, noise, (60, len(row))), (-5.0, 5.0))
        widths = np.ptp(body.edges_px, axis=1)
        assert float(np.median(body.sd_px)) == pytest.approx(float(np.std(widths)), rel=0.5)
        assert float(np.median(body.misfit)) == pytest.approx(noise / 0.7, rel=0.25)


def test_samples_without_weight_count_for_nothing():
    row = profile(-5, 5, 0.9, 0.8, 0.1)
    spoilt, weights = row.copy(), np.ones((1, len(row)))
    spoilt[OFFSETS > 14], weights[0, OFFSETS > 14] = 0.2, 0.0
    spoilt[np.abs(OFFSETS) < 1.5], weights[0, np.abs(OFFSETS) < 1.5] = 0.9, 0.0
    assert fitted(spoilt, (-5.0, 5.0), weights).edges_px[0] == pytest.approx([-5, 5], abs=0.07)


def test_what_is_expected_is_in_millimeters_at_every_scale():
    (fine, fine_sd), (coarse, coarse_sd) = (expect(np.array([[-4.0, 4.0]]), scale) for scale in (20.0, 10.0))
    assert fine[0, :2].tolist() == [-4.0, 4.0]
    # Reach and softness of a shade go with the scale; the lens blur, in pixels, does not.
    assert fine[0, 5:7] == pytest.approx(2 * coarse[0, 5:7])
    assert fine[0, 7] - coarse[0, 7] == pytest.approx(np.log(2))
    assert fine[0, 2:5] == pytest.approx(coarse[0, 2:5])
    assert fine_sd[0, 5:7] == pytest.approx(2 * coarse_sd[0, 5:7])
    assert (fine_sd > 0).all()
