"""Needles on a plane that is known: lengths, widths and places to a few hundredths, in every direction."""

import math

import numpy as np
import pytest

WIDTHS = (0.6, 0.85, 1.1, 1.35, 1.6, 1.85)


def six(view, turn, length=18.0, **more):
    """Six needles, each of its own width, in as many directions."""
    shown = view(60, 54, **more)
    for k, width in enumerate(WIDTHS):
        shown.needle((k % 3 - 1) * 18, (k // 3) * 24 - 12, turn + 30 * k, length, width)
    return shown


def by_place(result, shown):
    """Needles in the order they were drawn in: by the middle of their axis."""
    at = np.array([np.mean(n.axis_px, axis=0) for n in result.needles])
    drawn = [((k % 3 - 1) * 18.0, (k // 3) * 24 - 12.0) for k in range(len(WIDTHS))]
    wanted = shown.plane.to_px(np.array(drawn))
    return [result.needles[int(np.argmin(np.hypot(*(at - each).T)))] for each in wanted]


@pytest.mark.parametrize("turn", [0, 10, 38])
@pytest.mark.parametrize("more", [{}, {"px_per_mm": 17.0}, {"ground": 0.03}, {"px_per_mm": 8.5}])
def test_seen_from_above_every_needle_is_as_long_and_wide_as_it_is(view, seen, turn, more):
    shown = six(view, turn, **more)
    if more.get("ground"):
        shown.shapes = [(points, 0.5, high) for points, _, high in shown.shapes]
    result = seen(shown)
    assert result.refused is None
    assert len(result.needles) == 6
    assert result.left_out == ()
    for k, needle in enumerate(by_place(result, shown)):
        # A seventh of a pixel; on a dark ground flat things look wider than round ones, by a third.
        near = (0.14 if shown.ground > 0.5 else 0.3) / shown.px_per_mm
        assert needle.width_mm == pytest.approx(WIDTHS[k], abs=near)
        assert needle.thin_width_mm == pytest.approx(WIDTHS[k], abs=1.3 * near)
        assert needle.length_mm == pytest.approx(18.0, abs=0.11)
        assert abs(needle.length_mm - 18.0) < 4 * needle.length_sd_mm
        assert needle.bundle is None
        # The axis runs from end to end.
        turned = math.radians(turn + 30 * k)
        ends = np.array([[-1.0], [1.0]]) * 9 * np.array([math.cos(turned), math.sin(turned)])
        drawn = shown.plane.to_px(ends + np.array([(k % 3 - 1) * 18, (k // 3) * 24 - 12]))
        axis = np.array(needle.axis_px)[[0, -1]]
        off = min(np.abs(axis - drawn).max(), np.abs(axis[::-1] - drawn).max())
        assert off < 0.16 * shown.px_per_mm
    assert result.px_per_mm == pytest.approx(shown.px_per_mm)
    assert result.tilt_deg == pytest.approx(0, abs=1e-5)


@pytest.mark.parametrize("azimuth", [0, 90, 210])
def test_seen_aslant_flat_things_are_less_wide_by_what_thickness_would_add(view, seen, azimuth):
    shown = six(view, 12, tilt_deg=20, azimuth_deg=azimuth)
    result = seen(shown)
    assert len(result.needles) == 6
    camera = shown.plane.best.camera_mm
    for k, needle in enumerate(by_place(result, shown)):
        turned = math.radians(12 + 30 * k)
        away = camera[:2] - [(k % 3 - 1) * 18, (k // 3) * 24 - 12]
        slant = float(away @ [-math.sin(turned), math.cos(turned)]) / -camera[2]
        assert needle.width_mm == pytest.approx(WIDTHS[k] / math.sqrt(1 + (0.75 * slant) ** 2), abs=0.016)
        assert needle.length_mm == pytest.approx(18.0, abs=0.12)
    assert result.tilt_deg == pytest.approx(20)


@pytest.mark.parametrize("bend", [-1, 1])
@pytest.mark.parametrize("turn", [0, 70, 140])
def test_a_bent_needle_is_as_long_as_its_arc(view, seen, turn, bend):
    shown = view(60, 50)
    # A sixth of a circle of 28 mm.
    at = np.linspace(-math.pi / 6, math.pi / 6, 60) + math.radians(turn)
    arc = 28.0 * np.column_stack([np.cos(at), bend * np.sin(at)])
    shown.strand(arc - arc.mean(axis=0), 1.0)
    (needle,) = seen(shown).needles
    assert needle.length_mm == pytest.approx(28.0 * math.pi / 3, abs=0.12)
    assert needle.width_mm == pytest.approx(1.0, abs=0.012)
    assert needle.complete


@pytest.mark.parametrize("turn", [20, 110, 200, 290])
def test_a_needle_that_narrows_is_as_wide_as_its_body_and_ends_at_its_point(view, seen, turn):
    shown = view(60, 50)
    share = np.linspace(0, 1, 60)
    # Narrower by a tenth along the body, closing like a parabola over its last 4 mm of 36.
    closing = np.sqrt(np.clip((1 - share) * 36 / 4, 0, 1))
    widths = 1.3 * (1 - 0.1 * share) * closing
    along = (
        (share - 0.5)[:, None] * 36 * np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    )
    shown.strand(along, widths)
    (needle,) = seen(shown).needles
    assert needle.length_mm == pytest.approx(36.0, abs=0.2)
    assert abs(needle.length_mm - 36.0) < 3 * needle.length_sd_mm
    assert needle.width_mm == pytest.approx(1.3 * (1 - 0.1 * 0.475), abs=0.015)
    assert needle.thin_width_mm < needle.width_mm
    assert needle.complete


def test_a_picture_turned_or_mirrored_says_the_same(view, seen, as_photo):
    shown = six(view, 8)
    rgb = shown.paint().rgb
    plain = sorted((n.width_mm, n.length_mm, n.thin_width_mm) for n in seen(shown, as_photo(rgb)).needles)
    assert len(plain) == 6
    for turned in (rgb[:, ::-1], rgb[::-1], np.rot90(rgb), np.rot90(rgb, 3)):
        photo = as_photo(np.ascontiguousarray(turned))
        other = view(photo.width_px / 10, photo.height_px / 10)
        again = sorted((n.width_mm, n.length_mm, n.thin_width_mm) for n in seen(other, photo).needles)
        assert np.array(again) == pytest.approx(np.array(plain), abs=0.06)


def test_needles_are_numbered_as_one_reads(view, seen):
    shown = view(60, 40)
    for x, y in ((15, -10), (-15, -10), (0, 12), (0, 2)):
        shown.needle(x, y, 0, 18.0, 1.0)
    result = seen(shown)
    middles = [np.mean(n.axis_px, axis=0) for n in result.needles]
    assert [n.number for n in result.needles] == [1, 2, 3, 4]
    rows = [round(float(y) / 20) for _, y in middles]
    assert rows == sorted(rows)


# ---- what crosses, touches, ends at the frame


@pytest.mark.parametrize("between", [25, 50, 90])
@pytest.mark.parametrize("turn", [0, 40, 100])
def test_needles_across_each_other_keep_their_sizes(view, seen, between, turn):
    shown = view(60, 60)
    shown.needle(0, 0, turn, 40.0, 1.0)
    shown.needle(3, 2, turn + between, 34.0, 1.5)
    result = seen(shown)
    assert len(result.needles) == 2
    short, long = sorted(result.needles, key=lambda n: n.length_mm)
    assert (short.length_mm, long.length_mm) == pytest.approx((34.0, 40.0), abs=0.15)
    assert (short.width_mm, long.width_mm) == pytest.approx((1.5, 1.0), abs=0.03)
    assert short.complete
    assert long.complete


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_one_that_the_frame_cuts_is_not_complete_and_its_width_holds(view, seen, turn):
    shown = view(50, 50)
    out = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    shown.needle(*(18 * out), turn + 7, 24.0, 1.2)
    shown.needle(*(-6 * out), turn + 90, 20.0, 1.2)
    result = seen(shown)
    assert sorted(n.complete for n in result.needles) == [False, True]
    cut = next(n for n in result.needles if not n.complete)
    whole = next(n for n in result.needles if n.complete)
    assert cut.width_mm == pytest.approx(1.2, abs=0.03)
    assert cut.width_sd_mm > 2 * whole.width_sd_mm
    assert result.summary.n_complete == 1
    assert result.summary.length_median_mm == pytest.approx(20.0, abs=0.11)


@pytest.mark.parametrize("turn", [0, 65, 130])
def test_one_that_ends_at_another_is_not_complete(view, seen, turn):
    shown = view(60, 60)
    along = np.array([math.cos(math.radians(turn)), math.sin(math.radians(turn))])
    across = np.array([-along[1], along[0]])
    shown.needle(0, 0, turn, 40.0, 1.0)
    shown.needle(*(10.2 * across), turn + 90, 20.0, 1.0)
    result = seen(shown)
    assert len(result.needles) == 2
    assert [n.complete for n in sorted(result.needles, key=lambda n: n.length_mm)] == [False, True]


def test_a_glint_parts_no_needle_and_a_gap_does(view, seen):
    shown = view(60, 40)
    shown.needle(0, -10, 4, 40.0, 1.2)
    shown.needle(2, -9.86, 4, 3.0, 0.5, 0.75)  # three millimeters shine like the sheet, along the middle
    shown.needle(-13, 10, 4, 20.0, 1.2)
    shown.needle(14, 11.9, 4, 20.0, 1.2)  # seven millimeters on
    result = seen(shown)
    assert sorted(round(n.length_mm) for n in result.needles) == [20, 20, 40]
    for needle in result.needles:
        assert needle.width_mm == pytest.approx(1.2, abs=0.03)


def test_two_of_unequal_length_side_by_side_are_told_and_left_out(view, seen):
    shown = view(80, 60)
    for k in range(4):
        shown.needle(-20 + 3 * k, -20 + 9 * k, 10 * k, 30.0, 1.0)
    shown.needle(22, 0, 80, 30.0, 1.0)
    turn = math.radians(80)
    shown.needle(
        22 - 1.0 * math.sin(turn) + 4 * math.cos(turn), math.cos(turn) + 4 * math.sin(turn), 80, 22.0, 1.0
    )
    result = seen(shown)
    assert [n.width_mm for n in result.needles] == pytest.approx([1.0] * len(result.needles), abs=0.03)
    assert len(result.needles) >= 4
    assert "two side by side?" in {each.reason for each in result.left_out}


@pytest.mark.parametrize("toward", [30, 120, 210, 300])
def test_needles_of_one_sheath_are_a_bundle_and_both_as_long_as_from_its_end(view, seen, toward):
    shown = view(80, 80)
    base = -20 * np.array([math.cos(math.radians(toward)), math.sin(math.radians(toward))])
    for spread in (-6, 6):
        turn = math.radians(toward + spread)
        shown.needle(*(base + 20 * np.array([math.cos(turn), math.sin(turn)])), toward + spread, 40.0, 1.0)
    shown.needle(
        *(25 * np.array([-math.sin(math.radians(toward)), math.cos(math.radians(toward))])), toward, 30.0, 1.0
    )
    result = seen(shown)
    together = [n for n in result.needles if n.bundle is not None]
    assert [n.bundle for n in together] == [1, 1]
    assert [n.length_mm for n in together] == pytest.approx([40.0, 40.0], abs=0.5)
    alone = [n for n in result.needles if n.bundle is None]
    assert [n.length_mm for n in alone] == pytest.approx([30.0], abs=0.12)
    assert result.summary.needles_per_bundle == 2
    assert min(n.length_sd_mm for n in together) > max(n.length_sd_mm for n in alone)


# ---- what is no needle, and why


def one_and(view, seen, *strands, **more):
    """A needle of 30 mm, and other things beside it: what is measured, and why the rest is not."""
    shown = view(90, 60, **more)
    shown.needle(-20, -20, 8, 30.0, 1.0)
    for strand in strands:
        shown.needle(*strand)
    result = seen(shown)
    assert result.refused is None
    rest = [n for n in result.needles if abs(n.length_mm - 30.0) > 0.15]
    assert len(result.needles) - len(rest) == 1
    return rest, [each.reason for each in result.left_out]


@pytest.mark.parametrize("turn", [15, 100])
@pytest.mark.parametrize(
    ("length", "width", "why"),
    [
        (7.0, 0.5, None),
        (6.4, 0.5, None),
        (5.6, 0.5, ""),  # too short to be shown
        (16.6, 2.0, None),
        (15.4, 2.0, "short"),  # less than eight times as long as wide
        (28.0, 2.7, None),
        (28.0, 2.95, "too wide"),
        (28.0, 4.2, "too wide"),
    ],
)
def test_needles_are_long_and_thin(view, seen, turn, length, width, why):
    rest, left_out = one_and(view, seen, (18, 10, turn, length, width))
    if why is None:
        (needle,) = rest
        assert needle.width_mm == pytest.approx(width, abs=0.03)
        assert needle.length_mm == pytest.approx(length, abs=0.12)
        assert left_out == []
    else:
        assert rest == []
        assert left_out == [why] * (why != "")


def test_where_it_was_left_out_is_told_in_the_photo(view, seen):
    shown = view(90, 60)
    shown.needle(-20, -20, 8, 30.0, 1.0)
    shown.needle(18, 10, 15, 28.0, 4.2)
    (left,) = seen(shown).left_out
    turn = math.radians(15)
    ends = np.array([[-1.0], [1.0]]) * 14 * np.array([math.cos(turn), math.sin(turn)]) + [18, 10]
    drawn = shown.plane.to_px(ends)
    axis = np.array(left.axis_px)
    assert 2 <= len(axis) <= 24
    # A skeleton ends half a width before its shape does.
    assert min(np.abs(axis[[0, -1]] - drawn).max(), np.abs(axis[[-1, 0]] - drawn).max()) < 30
    middle = np.hypot(*(axis - drawn.mean(axis=0)).T).min()
    assert middle < 12


# ---- what is refused


def refused(result):
    assert result.refused is not None
    assert result.needles == ()
    assert result.summary is None
    return result.refused.reason, result.refused.message


@pytest.mark.parametrize(("rel_sd", "reason"), [(0.024, None), (0.026, "scale-uncertain")])
def test_a_scale_known_to_less_than_a_fortieth_is_refused(view, seen, rel_sd, reason):
    result = seen(six(view, 10, rel_sd=rel_sd))
    if reason is None:
        assert result.refused is None
        assert result.weakest == "the scale at this distance from the reference"
        # It stands in every number.
        assert all(n.length_sd_mm > 0.02 * n.length_mm for n in result.needles)
        assert result.summary.width_sd_mm > rel_sd * result.summary.width_median_mm
        assert result.px_per_mm_sd == pytest.approx(rel_sd * 10, rel=1e-3)
    else:
        assert refused(result) == (reason, "The scale at the needles in view is only known to 3 %.")


@pytest.mark.parametrize(("blur_mm", "reason"), [(0.155, None), (0.19, "blurred")])
@pytest.mark.parametrize("px_per_mm", [9.0, 14.0])
def test_a_blur_of_a_sixth_of_a_millimeter_is_too_much(view, seen, blur_mm, reason, px_per_mm):
    shown = six(view, 10, px_per_mm=px_per_mm)
    result = seen(shown, shown.paint(blur_mm * px_per_mm))
    if reason is None:
        assert result.refused is None
        for k, needle in enumerate(by_place(result, shown)):
            assert needle.width_mm == pytest.approx(WIDTHS[k], abs=0.03)
    else:
        why, message = refused(result)
        assert why == reason
        # From a tenth to nine tenths of the way is 2.56 standard deviations; full width at half is 2.35.
        assert float(message.split()[-3]) == pytest.approx(2.35 * blur_mm, rel=0.06)


@pytest.mark.parametrize(("share", "reason"), [(0.20, None), (0.32, "glare")])
def test_a_quarter_of_the_field_burnt_out_is_too_much(view, seen, as_photo, share, reason):
    shown = six(view, 10)
    rgb = shown.paint().rgb.copy()
    rgb[: round(share * len(rgb))] = 255
    result = seen(shown, as_photo(rgb))
    assert (result.refused and result.refused.reason) == reason
    if reason:
        assert float(result.refused.message.split()[0]) == pytest.approx(100 * share, abs=2)


def test_many_other_things_beside_few_needles_are_too_much(view, seen):
    def with_others(count):
        shown = view(90, 70)
        for k in range(2):
            shown.needle(-20 + 40 * k, -29, 3, 30.0, 1.0)
        for k in range(count):
            shown.needle(-36 + 12 * (k % 7), -17 + 12 * (k // 7), 15 * k, 9.0, 1.6)
        return seen(shown)

    assert with_others(9).refused is None
    assert with_others(12).refused is not None
    reason, message = refused(with_others(12))
    assert reason == "too-cluttered"
    assert message.startswith("12 other thin things lie in view, and only 2 needles")


def test_nothing_on_the_sheet_is_no_needle(view, seen):
    assert refused(seen(view(50, 40)))[0] == "no-needles"
    only_wide = view(50, 40)
    only_wide.needle(0, 0, 20, 30.0, 4.0)
    assert refused(seen(only_wide))[0] == "no-needles"
    # One thing alone that does not even show both ends may be anything.
    cut = view(50, 40)
    cut.needle(20, 0, 5, 30.0, 1.0)
    assert refused(seen(cut))[0] == "no-needles"


# ---- light and shade


@pytest.mark.parametrize("toward", [(0.5, 0.0), (-0.3, 0.4), (0.0, -0.5)])
def test_the_needles_own_shade_widens_and_lengthens_nothing(view, seen, toward):
    plain, shaded = six(view, 10), six(view, 10)
    shaded.shade = (0.3, toward, 0.15)
    bare, found = by_place(seen(plain), plain), by_place(seen(shaded), shaded)
    for k, (one, two) in enumerate(zip(bare, found, strict=True)):
        assert two.width_mm == pytest.approx(WIDTHS[k], abs=0.045)
        assert two.length_mm == pytest.approx(18.0, abs=0.3)
        assert two.width_sd_mm > one.width_sd_mm
        assert two.length_sd_mm > 1.5 * one.length_sd_mm
        assert abs(two.width_mm - WIDTHS[k]) < 3.5 * two.width_sd_mm


@pytest.mark.parametrize("turn", [0, 90, 180, 270])
def test_light_that_falls_off_across_the_sheet_changes_nothing(view, seen, turn):
    shown = six(view, 10)
    shown.falls_to, shown.falls_toward_deg = 0.45, turn
    result = seen(shown)
    assert len(result.needles) == 6
    for k, needle in enumerate(by_place(result, shown)):
        assert needle.width_mm == pytest.approx(WIDTHS[k], abs=0.02)
        assert needle.length_mm == pytest.approx(18.0, abs=0.12)
