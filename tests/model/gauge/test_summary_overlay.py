"""Summary against numpy and the fluids library's sieve table; the overlay draws and changes nothing else."""

import numpy as np
import pytest
from fluids.particle_size_distribution import ISO_3310_1_sieves

from eavefall_model.gauge.overlay import draw
from eavefall_model.gauge.schema import GaugeResult, LeftOut, Needle
from eavefall_model.gauge.summary import summarize


def needle(number, length, width, bundle=None, complete=True):
    return Needle(
        number=number, length_mm=length, length_sd_mm=0.2, width_mm=width, width_sd_mm=0.02,
        thin_width_mm=width * 0.9, bundle=bundle, complete=complete,
        axis_px=((20.0, 20.0 * number), (180.0, 20.0 * number)),
    )  # fmt: skip


def test_percentiles_leave_incomplete_lengths_out():
    needles = [needle(k, 60 + k, 0.5 + 0.05 * k, complete=k != 9) for k in range(1, 10)]
    summary = summarize(needles, 0.001)
    widths = [n.width_mm for n in needles]
    assert (summary.n, summary.n_complete) == (9, 8)
    assert summary.width_p5_mm == pytest.approx(np.percentile(widths, 5))
    assert summary.length_median_mm == pytest.approx(64.5)
    assert summary.width_sd_mm >= 0.02


@pytest.mark.parametrize("width", [0.33, 0.6, 0.61, 1.05, 1.9])
def test_refusing_opening_is_the_widest_sieve_below_the_width(width):
    openings = sorted(float(sieve.opening) * 1000 for sieve in ISO_3310_1_sieves.values())
    expected = max(size for size in openings if size < width - 1e-9)
    summary = summarize([needle(1, 50, width)], 0.0)
    assert summary.refusing_opening_mm == pytest.approx(expected)


def test_form_and_bundle():
    long = [needle(k, 150, 1.0, bundle=1 + k // 3) for k in range(6)]
    assert summarize(long, 0.0).form == "long_needle"
    assert summarize(long, 0.0).needles_per_bundle == 3
    assert summarize([needle(1, 30, 1.0)], 0.0).form == "short_needle"
    assert summarize([needle(1, 60, 1.0), needle(2, 80, 1.0)], 0.0).form == "unsure"
    assert summarize([needle(1, 60, 1.0, complete=False)], 0.0).form == "unsure"


def test_overlay_leaves_the_photo_alone():
    rgb = np.full((200, 300, 3), 200, np.uint8)
    needles = (needle(1, 50, 1.0), needle(2, 50, 1.0, complete=False))
    result = GaugeResult(
        photo="p", sha256="0", reference="card", px_per_mm=10.0, px_per_mm_sd=0.1, tilt_deg=1.0,
        needles=needles,
        summary=summarize(list(needles), 0.0), refused=None, version="1",
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
    groups = summarize([*wide, *thin], 0.0).groups
    assert [g.n for g in groups] == [4, 3]
    assert [g.width_median_mm for g in groups] == pytest.approx([0.53, 1.5])
    assert [g.length_median_mm for g in groups] == [40, 60]
    assert summarize(thin, 0.0).groups == ()
    # One odd needle is no kind.
    assert summarize([*thin, wide[0]], 0.0).groups == ()


def test_overlay_shows_the_reference_what_was_left_out_and_ten_millimeters():
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


def test_every_percentile_and_the_spread_are_numpys():
    needles = [needle(k, 40 + 3 * k, 0.5 + 0.03 * k, complete=k % 3 != 0) for k in range(1, 12)]
    found = summarize(needles, 0.01)
    widths = [n.width_mm for n in needles]
    lengths = [n.length_mm for n in needles if n.complete]
    for name, values in (("width", widths), ("length", lengths)):
        told = [getattr(found, f"{name}_{part}_mm") for part in ("p5", "median", "p95")]
        assert told == pytest.approx(list(np.percentile(values, [5, 50, 95])))
    # The large-sample error of a median, the needles' own spread and the scale, in squares.
    scatter = np.sqrt(np.pi / 2) * np.std(widths, ddof=1) / np.sqrt(11)
    own, scale = 0.02, 0.01 * np.median(widths)
    assert found.width_sd_mm == pytest.approx(np.sqrt(scatter**2 + own**2 + scale**2), rel=1e-4)
    one = summarize(needles[:1], 0.01)
    assert one.width_sd_mm == pytest.approx(np.hypot(0.02, 0.01 * widths[0]))
    two = summarize([needle(1, 50, 0.6), needle(2, 50, 0.8)], 0.0)
    assert two.width_sd_mm == pytest.approx(np.hypot(np.sqrt(np.pi / 2) * 0.1, 0.02), rel=1e-4)


def test_without_a_complete_needle_there_is_no_length():
    found = summarize([needle(1, 60, 1.0, complete=False)], 0.0)
    assert (found.n, found.n_complete) == (1, 0)
    assert (found.length_p5_mm, found.length_median_mm, found.length_p95_mm) == (None, None, None)
    assert found.width_median_mm == 1.0


def test_bundles_are_as_large_as_most_of_them():
    sizes = {1: 2, 2: 3, 3: 3}
    needles = [
        needle(k, 80, 1.0, bundle=b) for k, b in enumerate(b for b, n in sizes.items() for _ in range(n))
    ]
    assert summarize(needles, 0.0).needles_per_bundle == 3
    assert summarize([needle(1, 80, 1.0)], 0.0).needles_per_bundle is None
    # One alone of its bundle is none.
    assert summarize([needle(1, 80, 1.0, bundle=1)], 0.0).needles_per_bundle is None


@pytest.mark.parametrize(
    ("lengths", "form"),
    [
        ([70, 70, 70], "long_needle"),
        ([69, 69, 69], "short_needle"),
        ([40, 80, 80, 80, 80], "long_needle"),  # a quarter below says nothing
        ([60, 60, 60, 60, 100], "short_needle"),
        ([60, 60, 80, 80], "unsure"),
    ],
)
def test_long_from_seventy_millimeters_where_the_middle_half_agrees(lengths, form):
    assert summarize([needle(k, length, 1.0) for k, length in enumerate(lengths)], 0.0).form == form


def test_kinds_part_where_a_gap_in_width_has_two_or_more_on_either_side():
    def sizes(*widths):
        return [g.n for g in summarize([needle(k, 50, w) for k, w in enumerate(widths)], 0.0).groups]

    assert sizes(0.5, 0.5, 0.71, 0.71) == [2, 2]
    assert sizes(0.5, 0.5, 0.69, 0.69) == []
    assert sizes(0.5, 0.71, 0.71) == []
    assert sizes(0.5, 0.5, 0.71) == []
    assert sizes(0.4, 0.4, 0.6, 0.6, 0.9, 0.9, 0.9) == [2, 2, 3]
    none = summarize([needle(k, 50, w, complete=False) for k, w in enumerate((0.5, 0.5, 1.0, 1.0))], 0.0)
    assert [g.length_median_mm for g in none.groups] == [None, None]


# ---- the overlay: what is drawn lies where it was measured

BLUE, ORANGE, GRAY, GREEN = (0, 114, 178), (213, 94, 0), (90, 90, 90), (0, 158, 115)


def result_of(needles=(), reference=(), left_out=(), px_per_mm=None):
    return GaugeResult(
        photo="p", sha256="0", reference="card", px_per_mm=px_per_mm, px_per_mm_sd=0.1, tilt_deg=1.0,
        needles=needles, summary=None, refused=None, version="2", reference_px=reference, left_out=left_out,
    )  # fmt: skip


def line(number, a, b, complete=True, points=13):
    axis = tuple((float(x), float(y)) for x, y in np.linspace(a, b, points))
    return needle(number, 50, 1.0, complete=complete).model_copy(update={"axis_px": axis})


def is_color(drawn, color, near=40):
    return np.abs(drawn.astype(int) - np.array(color)).sum(axis=2) < near


@pytest.mark.parametrize("factor", [1, 2])
@pytest.mark.parametrize(
    ("a", "b"), [((100, 300), (500, 300)), ((300, 100), (300, 500)), ((120, 120), (480, 480))]
)
def test_a_needles_line_lies_on_its_axis(a, b, factor):
    # Twice as large a photo is drawn at half its size, 1600 px at most.
    side = 1600 * factor
    a, b = np.array(a) * 2 * factor, np.array(b) * 2 * factor
    drawn = draw(np.full((side, side, 3), 100, np.uint8), result_of((line(1, a, b),)))
    assert drawn.shape == (1600, 1600, 3)
    rows, cols = np.nonzero(is_color(drawn, BLUE))
    (ax, ay), (bx, by) = (np.array(a) + 0.5) / factor - 0.5, (np.array(b) + 0.5) / factor - 0.5
    length = np.hypot(bx - ax, by - ay)
    along = ((cols - ax) * (bx - ax) + (rows - ay) * (by - ay)) / length
    aside = ((cols - ax) * -(by - ay) + (rows - ay) * (bx - ax)) / length
    on = np.abs(aside) < 6  # the number's label lies beside it
    assert along[on].min() == pytest.approx(0, abs=2.5)
    assert along[on].max() == pytest.approx(length, abs=2.5)
    assert float(np.median(aside[on])) == pytest.approx(0, abs=0.75)
    assert set(np.round(along[on]).astype(int)) >= set(range(3, int(length) - 3))
    # White on both sides, so that it shows on any ground.
    middle = np.array([[ax + bx, ay + by]])[0] / 2 - (np.array([bx - ax, by - ay]) / length) * 80
    normal = np.array([-(by - ay), bx - ax]) / length
    across = [drawn[tuple(np.round(middle + k * normal).astype(int)[::-1])] for k in range(-6, 7)]
    assert max(int(c.min()) for c in across[:6]) > 150
    assert max(int(c.min()) for c in across[7:]) > 150


def test_what_is_cut_is_dashed_and_orange():
    rgb = np.full((300, 700, 3), 200, np.uint8)
    drawn = draw(rgb, result_of((line(1, (50, 100), (650, 100), complete=False, points=61),)))
    assert not is_color(drawn, BLUE).any()
    dash = is_color(drawn[100:101], ORANGE)[0]
    starts = np.flatnonzero(np.diff(dash.astype(int)) == 1)
    # Three of its ten-pixel steps drawn, three left out.
    assert np.diff(starts) == pytest.approx(np.full(len(starts) - 1, 60), abs=3)
    assert dash[40:660].mean() == pytest.approx(0.5, abs=0.08)
    whole = draw(rgb, result_of((line(1, (50, 100), (650, 100), points=61),)))
    assert is_color(whole[100:101], BLUE)[0][52:648].all()
    assert not is_color(whole, ORANGE).any()


def test_each_needle_has_its_number_beside_its_middle():
    rgb = np.full((600, 900, 3), 200, np.uint8)
    plain = draw(rgb, result_of((line(1, (100, 300), (800, 300)),)))
    rows, cols = np.nonzero(is_color(plain, BLUE) & (np.abs(np.arange(600) - 300) > 6)[:, None])
    # A box of the line's color above and to the right of the middle, with white ink in it.
    assert 450 <= cols.min() < 470
    assert cols.max() < 520
    assert rows.max() <= 300
    assert 8 < np.ptp(rows) < 60
    box = plain[rows.min() : rows.max(), cols.min() : cols.max()]
    assert (box > 240).all(axis=2).any()
    two = draw(rgb, result_of((line(12, (100, 300), (800, 300)),)))
    assert is_color(two, BLUE).sum() > is_color(plain, BLUE).sum()
    # At the rim of the picture it stays within it.
    corner = draw(rgb, result_of((line(1, (860, 4), (898, 4)),)))
    rows, cols = np.nonzero(is_color(corner, BLUE) & (np.arange(600) > 10)[:, None])
    assert len(rows) > 50
    assert cols.max() < 899


def test_what_was_left_out_is_gray_thin_and_says_why_and_the_reference_is_green():
    rgb = np.full((600, 900, 3), 200, np.uint8)
    left = LeftOut(reason="too wide", axis_px=((100.0, 400.0), (300.0, 400.0), (500.0, 400.0)))
    outline = ((100.0, 100.0), (500.0, 100.0), (500.0, 250.0), (100.0, 250.0))
    drawn = draw(rgb, result_of(reference=outline, left_out=(left,)))
    gray = is_color(drawn[398:403, 110:290], GRAY, 120).any(axis=0)
    assert gray.mean() > 0.95
    assert is_color(drawn[:, 200:201], GRAY, 120).sum() <= 3
    # The reason stands in a box of that color at its middle.
    rows, cols = np.nonzero(is_color(drawn[300:395], GRAY))
    assert len(rows) > 200
    assert 300 <= cols.min() < 320
    # All four sides of the reference, closed.
    green = is_color(drawn, GREEN)
    for at in (green[99:102, 110:490], green[249:252, 110:490]):
        assert at.any(axis=0).all()
    for at in (green[110:240, 99:102], green[110:240, 499:502]):
        assert at.any(axis=1).all()
    assert not green[120:230, 120:480].any()
    # Of very many that were left out, forty are shown.
    many = tuple(
        LeftOut(reason="short", axis_px=((20.0 + 10 * k, 500.0), (20.0 + 10 * k, 560.0))) for k in range(60)
    )
    shown = is_color(draw(rgb, result_of(left_out=many))[510:511], GRAY, 120)[0]
    assert shown[20 : 20 + 10 * 39 + 1 : 10].all()
    assert not shown[20 + 10 * 40 :].any()


@pytest.mark.parametrize(("size", "px_per_mm"), [((600, 900), 20.0), ((2400, 3200), 30.0)])
def test_the_bar_is_ten_millimeters_at_the_lower_left(size, px_per_mm):
    drawn = draw(np.full((*size, 3), 200, np.uint8), result_of(px_per_mm=px_per_mm))
    shrink = min(1.0, 1600 / size[1])
    height, width = drawn.shape[:2]
    green = is_color(drawn, GREEN)
    x, y = max(8, width // 60), height - max(12, height // 40)
    row = np.flatnonzero(green[y - 1])
    row = row[row < x + 10 * px_per_mm * shrink + 2]
    assert row.min() == x
    assert len(row) == row.max() - row.min() + 1 == pytest.approx(10 * px_per_mm * shrink, abs=1)
    column = np.flatnonzero(green[:, x + 2])
    assert column.max() == y
    assert len(column) == max(4, height // 160) + 1
    assert (drawn[y + 2, x + 2] == 255).all()
    assert (drawn[y - 1, x - 2] == 255).all()
    # Without a scale there is no bar.
    assert not is_color(draw(np.full((*size, 3), 200, np.uint8), result_of()), GREEN).any()
