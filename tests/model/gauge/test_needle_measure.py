"""A strand whose edges are given exactly: sizes are arithmetic, and so is what each doubt adds."""

import math
from dataclasses import replace

import numpy as np
import pytest

from eavefall_model.gauge.needle_measure import measure_trace
from eavefall_model.gauge.pose import FocalPrior, Plane, Pose
from eavefall_model.gauge.trace import Trace

PX_PER_MM, DISTANCE = 10.0, 250.0
# A needle is three quarters as thick as wide (see module); its outline lies half as high.
SECTION = 0.75


def plane_at(tilt_deg=0.0, azimuth_deg=0.0, distance=DISTANCE, covariance=None, rel_sd=0.0):
    lean = np.radians(tilt_deg) * np.array(
        [math.cos(math.radians(azimuth_deg)), math.sin(math.radians(azimuth_deg)), 0.0]
    )
    theta = np.concatenate([lean, [0.0, 0.0, distance], [math.log(PX_PER_MM * distance), 0.0]])
    spread = np.zeros((8, 8)) if covariance is None else covariance
    pose = Pose(theta, spread, (2000, 1600), FocalPrior(PX_PER_MM * distance, 0.1))
    return Plane((pose,), (1.0,), rel_sd, (999.5, 799.5))


def trace_of(width_mm, length_mm=40.0, turn_deg=0.0, plane=None, count=60, seen=(0.0, 1.0), **more):
    """A straight body, as high as its outline lies; ``width_mm`` may be a function of the share."""
    plane = plane or plane_at()
    turn = math.radians(turn_deg)
    along, across = np.array([math.cos(turn), math.sin(turn)]), np.array([-math.sin(turn), math.cos(turn)])
    share = np.linspace(*seen, count + 2)[1:-1]
    widths = np.array([width_mm(s) for s in share]) if callable(width_mm) else np.full(count, width_mm)
    height = SECTION * float(np.median(widths)) / 2
    middle = (share[:, None] - 0.5) * length_mm * along
    ends = np.linspace(-0.5, 0.5, 80)[:, None] * length_mm * along
    pose = plane.best
    parts = {
        "axis": pose.project(ends, height),
        "left": pose.project(middle - across * widths[:, None] / 2, height),
        "right": pose.project(middle + across * widths[:, None] / 2, height),
        "share": share,
        "clear": np.ones(count, bool),
        "half_px": float(np.median(widths)) * PX_PER_MM / 2,
        "good_share": 1.0,
        "edge_sd_px": 0.0,
        "shaded_px": 0.0,
        "shade_px": 0.0,
        "contrast": -0.5,
        "step": 0.0,
        "fall_px": (0.0, 0.0),
        "reached": (False, False),
        "crowded_ends": (False, False),
        "thin_share": 0.0,
        "far_shade_px": 0.0,
    }
    return Trace(**{**parts, **more})


def measured(trace, plane=None, **more):
    found = measure_trace(trace, plane or plane_at(), PX_PER_MM, **more)
    assert found is not None
    return found


@pytest.mark.parametrize("turn", range(0, 360, 45))
@pytest.mark.parametrize(("tilt", "azimuth"), [(0, 0), (25, 0), (25, 90), (25, 200)])
def test_length_and_width_are_those_of_the_plane(turn, tilt, azimuth):
    plane = plane_at(tilt, azimuth)
    found = measured(trace_of(1.2, turn_deg=turn, plane=plane), plane)
    assert found.length_mm == pytest.approx(40.0, abs=0.01)
    # Seen aslant a thing with thickness shows more than its width: by sqrt(1 + (0.75 tan t)^2) across the
    # slant, by nothing along it. That is taken off.
    look = plane.best.camera_mm[:2] / -plane.best.camera_mm[2]
    slant = abs(float(look @ [-math.sin(math.radians(turn)), math.cos(math.radians(turn))]))
    assert found.width_mm == pytest.approx(1.2 / math.sqrt(1 + (SECTION * slant) ** 2), rel=4e-3)
    assert found.width_cv < 0.02
    assert found.rel_scale_sd == 0.0


def test_a_needle_thickest_in_its_middle_measures_the_same_whichever_end_comes_first():
    # The base is an end, however stout the middle: 1.0 mm there, 0.7 mm at the tip, 1.25 mm between.
    def spindle(s):
        return 1.0 - 0.3 * s + 1.6 * s * (1 - s)

    one, other = (measured(trace_of(width)) for width in (spindle, lambda s: spindle(1 - s)))
    assert one.width_mm == pytest.approx(other.width_mm, abs=1e-6)
    assert one.thin_width_mm == pytest.approx(other.thin_width_mm, abs=1e-6)


def test_the_width_is_the_bodys_middle_and_the_thin_part_is_the_tips():
    # From 1.1 mm at the base to 0.9 mm at the tip; the body runs from a tenth to 0.85 of the length.
    def taper(s):
        return 1.1 - 0.2 * s

    for trace in (trace_of(taper), trace_of(lambda s: taper(1 - s))):
        found = measured(trace)
        assert found.width_mm == pytest.approx(taper((0.10 + 0.85) / 2), abs=0.004)
        # A tenth of the body is thinner: the body's tip is 0.93 mm wide.
        assert found.thin_width_mm == pytest.approx(taper(0.85 - 0.075), abs=0.006)
        widths = taper(np.linspace(0.10, 0.85, 200))
        assert found.width_cv == pytest.approx(float(np.std(widths) / np.mean(widths)), rel=0.06)
    # Sheath and tip count for nothing.
    odd = trace_of(lambda s: 2.0 if s < 0.08 else 0.3 if s > 0.9 else 1.0)
    assert measured(odd).width_mm == pytest.approx(1.0, abs=0.004)
    turned = trace_of(lambda s: 2.0 if s > 0.92 else 0.3 if s < 0.1 else 1.0)
    assert measured(turned).width_mm == pytest.approx(1.0, abs=0.004)


def test_too_little_of_the_body_is_no_measurement():
    for seen in ((0.0, 0.09), (0.88, 1.0)):
        assert measure_trace(trace_of(1.0, seen=seen, count=20), plane_at(), PX_PER_MM) is None
    few = trace_of(1.0, count=3, seen=(0.3, 0.7))
    assert measure_trace(few, plane_at(), PX_PER_MM) is None
    assert measure_trace(trace_of(1.0, count=4, seen=(0.3, 0.7)), plane_at(), PX_PER_MM) is not None


def test_stations_with_company_count_only_where_there_are_no_others():
    # A third of the stations lies beside another needle, which makes them look wider.
    beside = np.arange(60) < 22
    trace = trace_of(1.0)
    wider = replace(trace, left=trace.left - np.where(beside, 3.0, 0.0)[:, None] * [0.0, 1.0], clear=~beside)
    assert measured(wider).width_mm == pytest.approx(1.0, abs=0.01)
    doubts = dict(measured(wider).doubts)
    assert doubts["company"] == 0.0
    crowded = replace(trace, clear=np.zeros(60, bool))
    # With another along all of it, a fifth of the width is open.
    assert dict(measured(crowded).doubts)["company"] == pytest.approx(0.2, rel=0.01)
    # With one along three quarters, half of that.
    quarter = replace(trace, clear=np.arange(60) % 4 == 0)
    assert dict(measured(quarter).doubts)["company"] == pytest.approx(0.1, rel=0.15)


def test_what_is_open_adds_in_squares():
    found = measured(trace_of(1.0, edge_sd_px=0.5, shaded_px=2.0), plane_at(rel_sd=0.03))
    assert found.width_sd_mm == pytest.approx(math.hypot(*(part for _, part in found.doubts)))
    doubts = dict(found.doubts)
    assert set(doubts) == {"scale", "lift", "tilt", "edges", "shade", "company"}
    # The reference's share is one of every length.
    assert doubts["scale"] == pytest.approx(0.03 * found.width_mm, rel=1e-3)
    assert found.rel_scale_sd == pytest.approx(0.03, rel=1e-3)
    # So many pixels are so many tenths of a millimeter here.
    plain = dict(measured(trace_of(1.0), plane_at(rel_sd=0.03)).doubts)
    assert math.sqrt(doubts["edges"] ** 2 - plain["edges"] ** 2) == pytest.approx(0.05, rel=0.01)
    # Of what shade would have added, 2 px, a small part is left; of none, none.
    assert 0 < doubts["shade"] < 0.2 * 0.2
    assert plain["shade"] == 0.0
    assert dict(measured(trace_of(1.0, shaded_px=-4.0)).doubts)["shade"] == pytest.approx(2 * doubts["shade"])


def test_seen_aslant_the_thickness_is_open_and_from_above_it_is_not():
    plane = plane_at(30, 0)  # leans about the x axis: lines along x are seen aslant, those along y are not
    across, along = (dict(measured(trace_of(1.0, turn_deg=t, plane=plane), plane).doubts) for t in (0, 90))
    level = dict(measured(trace_of(1.0)).doubts)
    slope = math.tan(math.radians(30))
    # By hand: half of what thicknesses of 0.61 and 0.89 of the width change.
    thin, thick = (1 / math.sqrt(1 + (s * slope) ** 2) for s in (0.75 - 0.14, 0.75 + 0.14))
    middle = 1 / math.sqrt(1 + (0.75 * slope) ** 2)
    assert across["tilt"] == pytest.approx((thin - thick) / 2, rel=0.05)
    assert middle > thick
    assert abs(along["tilt"]) < 0.02 * across["tilt"] + 1e-4
    assert abs(level["tilt"]) < 1e-4


def test_the_width_of_what_lies_higher_is_open_by_its_share_of_the_distance():
    flat, lifted = measured(trace_of(1.0)), measured(trace_of(1.0, far_shade_px=24.0))
    told = measured(trace_of(1.0), lifted_px=24.0)
    assert dict(lifted.doubts) == dict(told.doubts)
    # Its shade lies 2.4 mm off: 2.0 mm beyond what lies flat throws, 1.4 times as high at most, two thirds on
    # average.
    high = 1.4 * (2.4 - 0.4)
    raised = math.hypot(0.15, high * 2 / 3) / DISTANCE
    assert dict(lifted.doubts)["lift"] == pytest.approx(raised * lifted.width_mm, rel=1e-3)
    assert dict(flat.doubts)["lift"] == pytest.approx(0.15 / DISTANCE * flat.width_mm, rel=1e-3)
    # A shallow parabola of that height is 8 h^2 / 3 l longer than its chord.
    arch = 8 * high**2 / (3 * 40.0)
    without = math.sqrt(lifted.length_sd_mm**2 - arch**2 - (raised * 40.0) ** 2)
    assert without == pytest.approx(math.sqrt(flat.length_sd_mm**2 - (0.15 / DISTANCE * 40.0) ** 2), rel=1e-2)
    # What lies nearer than a flat needle's own shade is not lifted.
    assert dict(measured(trace_of(1.0, far_shade_px=3.0)).doubts) == dict(flat.doubts)


def test_both_ends_and_the_scale_make_the_lengths_spread():
    far = plane_at(distance=1e6)  # so far off that what lies higher is as large
    plain = measured(trace_of(1.0, plane=far), far).length_sd_mm
    # Ends are known to a fraction of a pixel and to hundredths of a millimeter.
    assert 0.015 < plain < 0.05
    scaled = replace(far, rel_sd=0.01)
    assert measured(trace_of(1.0, plane=far), scaled).length_sd_mm == pytest.approx(
        math.hypot(plain, 0.4), rel=1e-3
    )
    # A shade 4 px off leaves half of that open; points leave a twentieth of their fall at either end.
    shaded = measured(trace_of(1.0, plane=far, shade_px=4.0), far).length_sd_mm
    assert shaded == pytest.approx(math.hypot(plain, 0.2), rel=1e-3)
    pointed = measured(trace_of(1.0, plane=far, fall_px=(30.0, 40.0)), far).length_sd_mm
    assert pointed == pytest.approx(math.hypot(plain, 0.05 * 50.0 / PX_PER_MM), rel=1e-3)
    # How dark the tip of something light is hardly shows on a dark ground.
    light = measured(trace_of(1.0, plane=far, contrast=0.4), far)
    assert light.length_sd_mm == pytest.approx(math.hypot(math.sqrt(plain**2 - 0.012**2), 0.06), rel=1e-2)
    assert dict(light.doubts)["edges"] > 1.5 * dict(measured(trace_of(1.0, plane=far), far).doubts)["edges"]
