"""Summary against numpy and the fluids library's sieve table; the overlay draws and changes nothing else."""

import numpy as np
import pytest
from fluids.particle_size_distribution import ISO_3310_1_sieves

from eavefall_model.gauge.overlay import draw
from eavefall_model.gauge.schema import GaugeResult, LeftOut, Needle
from eavefall_model.gauge.summary import summarise


def needle(number, length, width, bundle=None, complete=True):
    return Needle(
        number=number, length_mm=length, length_sd_mm=0.2, width_mm=width, width_sd_mm=0.02,
        thin_width_mm=width * 0.9, bundle=bundle, complete=complete,
        axis_px=((20.0, 20.0 * number), (180.0, 20.0 * number)),
    )  # fmt: skip


def test_percentiles_leave_incomplete_lengths_out():
    needles = [needle(k, 60 + k, 0.5 + 0.05 * k, complete=k != 9) for k in range(1, 10)]
    summary = summarise(needles, 0.001)
    widths = [n.width_mm for n in needles]
    assert (summary.n, summary.n_complete) == (9, 8)
    assert summary.width_p5_mm == pytest.approx(np.percentile(widths, 5))
    assert summary.length_median_mm == pytest.approx(64.5)
    assert summary.width_sd_mm >= 0.02


@pytest.mark.parametrize("width", [0.33, 0.6, 0.61, 1.05, 1.9])
def test_refusing_opening_is_the_widest_sieve_below_the_width(width):
    openings = sorted(float(sieve.opening) * 1000 for sieve in ISO_3310_1_sieves.values())
    expected = max(size for size in openings if size < width - 1e-9)
    summary = summarise([needle(1, 50, width)], 0.0)
    assert summary.refusing_opening_mm == pytest.approx(expected)


def test_form_and_bundle():
    long = [needle(k, 150, 1.0, bundle=1 + k // 3) for k in range(6)]
    assert summarise(long, 0.0).form == "long_needle"
    assert summarise(long, 0.0).needles_per_bundle == 3
    assert summarise([needle(1, 30, 1.0)], 0.0).form == "short_needle"
    assert summarise([needle(1, 60, 1.0), needle(2, 80, 1.0)], 0.0).form == "unsure"
    assert summarise([needle(1, 60, 1.0, complete=False)], 0.0).form == "unsure"


def test_overlay_leaves_the_photo_alone():
    rgb = np.full((200, 300, 3), 200, np.uint8)
    needles = (needle(1, 50, 1.0), needle(2, 50, 1.0, complete=False))
    result = GaugeResult(
        photo="p", sha256="0", reference="card", px_per_mm=10.0, px_per_mm_sd=0.1, tilt_deg=1.0,
        needles=needles,
        summary=summarise(list(needles), 0.0), refused=None, version="1",
    )  # fmt: skip
    drawn = draw(rgb, result)
    assert drawn.shape == rgb.shape
    assert (rgb == 200).all()
    assert (drawn[19:22, 60:90] != 200).any()
    large = draw(np.full((2400, 3200, 3), 200, np.uint8), result)
    assert max(large.shape) == 1600


def test_two_kinds_are_two_groups_and_one_kind_is_none():
    thin = [needle(k, 40, 0.5 + 0.02 * k) for k in range(4)]
    wide = [needle(k, 60, 1.4 + 0.02 * k, complete=k > 4) for k in range(4, 7)]
    groups = summarise([*wide, *thin], 0.0).groups
    assert [g.n for g in groups] == [4, 3]
    assert [g.width_median_mm for g in groups] == pytest.approx([0.53, 1.5])
    assert [g.length_median_mm for g in groups] == [40, 60]
    assert summarise(thin, 0.0).groups == ()
    # One odd needle is no kind.
    assert summarise([*thin, wide[0]], 0.0).groups == ()


def test_overlay_shows_the_reference_what_was_left_out_and_ten_millimetres():
    rgb = np.full((400, 600, 3), 200, np.uint8)
    bare = GaugeResult(
        photo="p", sha256="0", reference="card", px_per_mm=10.0, px_per_mm_sd=0.1, tilt_deg=1.0,
        needles=(), summary=None, refused=None, version="2",
    )  # fmt: skip
    outline = ((100.0, 100.0), (300.0, 100.0), (300.0, 220.0), (100.0, 220.0))
    left = LeftOut(reason="short", axis_px=((400.0, 50.0), (400.0, 150.0)))
    drawn = draw(rgb, bare.model_copy(update={"reference_px": outline, "left_out": (left,)}))
    plain = draw(rgb, bare)
    assert (drawn[99:102, 150:250] != plain[99:102, 150:250]).any()
    assert (drawn[60:140, 398:403] != plain[60:140, 398:403]).any()
    # The bar is ten times the scale long, in the color of the reference.
    green = (plain == np.array([0, 158, 115])).all(axis=2)[-12 - 4 : -12]
    assert green.any(axis=0)[:110].sum() == pytest.approx(100, abs=2)
