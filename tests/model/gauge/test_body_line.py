"""Width in the middle of the body, from stations that are missing, wrong or at one end: plain arithmetic."""

import numpy as np
import pytest

from eavefall_model.gauge.needle_measure import fit_body_line

ALONG = np.linspace(-0.375, 0.375, 40)


def middle(along, widths):
    line = fit_body_line(along, widths)
    return float(line.weights @ widths) + line.offset_mm, line


@pytest.mark.parametrize("taper", [-0.2, 0.0, 0.2])
def test_with_stations_all_along_it_is_the_mean(taper):
    widths = 0.9 + taper * 0.9 * ALONG
    value, line = middle(ALONG, widths)
    assert value == pytest.approx(0.9, abs=1e-6)
    assert line.kept.all()
    assert line.sd_mm < 0.005


@pytest.mark.parametrize("seen", [ALONG < -0.1, ALONG > 0.1])
def test_from_one_end_it_is_not_that_ends_width(seen):
    widths = 1.0 - 0.15 * ALONG
    value, line = middle(ALONG[seen], widths[seen])
    assert abs(value - 1.0) < 0.4 * abs(float(widths[seen].mean()) - 1.0)
    assert abs(value - 1.0) < 3 * line.sd_mm


@pytest.mark.parametrize("wrong", [0.5, 1.6])
def test_a_quarter_of_wrong_stations_moves_nothing(wrong):
    widths = 0.8 - 0.08 * ALONG + np.random.default_rng(1).normal(0, 0.01, 40)
    spoilt = widths.copy()
    spoilt[10:20] = wrong
    value, line = middle(ALONG, spoilt)
    assert value == pytest.approx(0.8, abs=0.006)
    assert not line.kept[10:20].any()


def test_stated_spread_covers_the_error_made():
    rng = np.random.default_rng(2)
    z = []
    for _ in range(300):
        widths = 0.8 * (1 + rng.normal(-0.10, 0.08) * ALONG[:12]) + rng.normal(0, 0.03, 12)
        value, line = middle(ALONG[:12], widths)
        z.append((value - 0.8) / line.sd_mm)
    assert 0.7 < float(np.std(z)) < 1.4
    assert abs(float(np.mean(z))) < 0.25
