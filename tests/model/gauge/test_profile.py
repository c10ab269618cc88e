"""A blurred bar of known width, against scipy's normal distribution."""

import numpy as np
import pytest
from scipy.stats import norm

from eavefall_model.gauge.profile import fit_bars, normal


def test_normal_agrees_with_scipy():
    x = np.linspace(-8, 8, 4001)
    cdf, density = normal(x)
    assert np.abs(cdf - norm.cdf(x)).max() < 2e-7
    assert np.abs(density - norm.pdf(x)).max() < 1e-12


def bar(offsets, left, right, blur, background, inside):
    box = norm.cdf((offsets - left) / blur) - norm.cdf((offsets - right) / blur)
    return background + (inside - background) * box


def body(offsets, left, right, blur, background, inside, rounding):
    """A body whose light falls towards its rims like a half disc, on an even ground, blurred: by summing."""
    fine = np.arange(-40, 40, 0.02) + 0.01
    u = (fine - (left + right) / 2) / ((right - left) / 2)
    disc = np.sqrt(np.clip(1 - u * u, 0, 1))
    light = np.where(np.abs(u) < 1, inside * (1 - rounding + rounding * disc), background)
    return np.array([(norm.pdf(fine, x, blur) * light).sum() * 0.02 for x in offsets])


@pytest.mark.parametrize("blur", [0.6, 1.0, 1.6])
@pytest.mark.parametrize("width", [3.0, 5.0, 9.0, 20.0])
@pytest.mark.parametrize(("background", "inside"), [(0.8, 0.1), (0.05, 0.4)])
@pytest.mark.parametrize(("rounding", "within"), [(0.25, 0.08), (0.0, 0.3), (0.5, 0.35)])
def test_width_from_three_pixels_up(width, blur, background, inside, rounding, within):
    # Flat and fully round bodies differ from what is expected: on a dark ground that costs up to a third of
    # the blur, in opposite directions; on a light one, where there is little light to lose, hardly anything.
    half = width / 2
    offsets = np.arange(-half - 6, half + 6.25, 0.5)
    shifts = np.array([-0.7, -0.2, 0.0, 0.3, 0.6])  # to the left and to the right alike
    rows = np.array([body(offsets, s - half, s + half, blur, background, inside, rounding) for s in shifts])
    fit = fit_bars(offsets, rows, half * 1.1, blur_px=blur)
    assert fit.width_px == pytest.approx(
        np.full(5, width), abs=blur * (within if inside > background else 0.08)
    )
    assert (fit.left_px + fit.right_px) / 2 == pytest.approx(shifts, abs=0.02)
    assert np.sign(fit.contrast).tolist() == [np.sign(inside - background)] * 5
    assert fit.beside == pytest.approx(np.full(5, background), abs=0.02)


def test_blur_is_found_where_it_is_not_given():
    offsets = np.arange(-11, 11.25, 0.5)
    rows = bar(offsets, -5, 5, 1.3, 0.8, 0.1)[None]
    fit = fit_bars(offsets, rows, 4.5)
    assert fit.blur_px[0] == pytest.approx(1.3, abs=0.1)
    assert fit.width_px[0] == pytest.approx(10, abs=0.05)


def test_an_edge_is_where_the_light_is_half_way_on_an_uneven_ground():
    offsets = np.arange(-11, 11.25, 0.5)
    rows = (bar(offsets, -5, 5, 1.0, 0.8, 0.1) + np.where(offsets > 0, 0.1 * norm.cdf(offsets - 5), 0))[None]
    fit = fit_bars(offsets, rows, 5.0, blur_px=1.0)
    assert fit.width_px[0] == pytest.approx(10, abs=0.1)
