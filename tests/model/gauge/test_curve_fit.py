"""Curves against circles and scipy's B-splines."""

import math

import numpy as np
import pytest
from scipy.interpolate import BSpline

from eavefall_model.gauge.curve_fit import _basis, arc_length, fit_curve


def test_basis_agrees_with_scipy():
    count, t = 7, np.linspace(0, 0.999, 50)
    knots = np.concatenate([np.zeros(3), np.linspace(0, 1, count - 2), np.ones(3)])
    ours = _basis(t, count)
    theirs = np.column_stack([BSpline(knots, np.eye(count)[k], 3)(t) for k in range(count)])
    assert np.abs(ours - theirs).max() < 1e-12


@pytest.mark.parametrize("start", [0, 45, 90, 180, 270])
@pytest.mark.parametrize("way", [1, -1])
def test_length_of_an_arc_is_radius_times_angle(start, way):
    angle = np.radians(start) + way * np.linspace(0, 1.2, 300)
    noise = np.random.default_rng(3).normal(0, 0.3, (300, 2))
    points = 400 * np.column_stack([np.cos(angle), np.sin(angle)])
    s = 400 * np.linspace(0, 1.2, 300)
    curve = fit_curve(s, points + noise, np.ones(300), 480, 5)
    walked = arc_length(curve.at(np.linspace(0, 480, 400)))[-1]
    assert walked == pytest.approx(480, abs=0.5)


def test_straight_on_beyond_the_ends():
    s = np.linspace(0, 100, 60)
    curve = fit_curve(s, np.column_stack([s, 2 * s]) / math.sqrt(5), np.ones(60), 100, 3)
    assert curve.at(np.array([-10.0, 110.0])) == pytest.approx(
        np.array([[-10, -20], [110, 220]]) / math.sqrt(5), abs=0.2
    )
    assert curve.tangent(np.array([50.0]))[0] == pytest.approx(np.array([1, 2]) / math.sqrt(5), abs=1e-2)


def test_points_without_weight_do_not_pull():
    s = np.linspace(0, 100, 101)
    points, weights = np.column_stack([s, np.zeros(101)]), np.ones(101)
    points[40:60, 1], weights[40:60] = 30, 0
    curve = fit_curve(s, points, weights, 100, 4)
    assert np.abs(curve.at(s)[:, 1]).max() < 0.05
