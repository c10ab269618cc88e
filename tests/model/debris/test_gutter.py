"""A photo into a gutter: the eye by arithmetic, drawn gutters, what is no gutter, what a fill changes."""

from __future__ import annotations

import math
from functools import cache

import numpy as np
import pytest

from eavefall_datasets.handfuls.gutters import draw_gutter
from eavefall_model.debris.evidence import fifths, lies
from eavefall_model.debris.gutter import read_gutter
from eavefall_model.debris.gutter_section import GutterSize, find_eye
from eavefall_model.debris.overlay import draw_gutter_lines
from eavefall_model.debris.schema import GutterFill, GutterResult
from eavefall_model.errors import GaugeError
from eavefall_model.photo import decode
from eavefall_model.vocabulary import PROFILES


def angle(eye: tuple[float, float], x: float, z: float) -> float:
    return math.atan2(z - eye[1], x - eye[0])


@pytest.mark.parametrize("profile", PROFILES)
@pytest.mark.parametrize("eye", [(-200.0, 250.0), (-400.0, 300.0), (-90.0, 220.0)])
def test_two_angles_say_where_the_eye_is_and_a_third_how_deep_the_litter_lies(profile, eye):
    size = GutterSize.standard(profile, 127.0)
    back = angle(eye, 127.0, 0.0)
    lip = angle(eye, size.lip_mm, 0.0)
    foot = min(angle(eye, x, z) for x, z in size.section_mm())
    found = find_eye(size, back - lip, lip - foot)
    assert found.elevation_deg == pytest.approx(math.degrees(math.atan2(eye[1], -eye[0])), abs=1.5)
    deep = 0.4 * size.depth_mm
    wall = float(size.back_x_mm(np.array([-deep]))[0])
    below = back - angle(eye, wall, -deep)
    assert found.depth_below_rim_mm(size, below) == pytest.approx(deep, abs=0.03 * size.depth_mm)
    assert found.depth_below_rim_mm(size, 0.0) == pytest.approx(0.0, abs=0.5)


def test_gutters_are_named_by_profile_and_opening():
    six = GutterSize.parse("k_style: 6 in")
    assert (six.profile, six.width_mm, six.depth_mm) == (
        "k_style",
        pytest.approx(152.4),
        pytest.approx(106.68),
    )
    assert GutterSize.parse(six.name) == six
    assert GutterSize.parse("half_round:125mm").depth_mm == pytest.approx(62.5)
    for wrong in ("card", "k_style", "k_style:5", "k_style:5 ft", "ogee:5in"):
        with pytest.raises(GaugeError, match="no gutter that we know"):
            GutterSize.parse(wrong)


@cache
def read(seed, **given):
    view = draw_gutter(seed, **given)
    photo = decode(view.jpeg_bytes, name="gutter")
    return view, photo, read_gutter(photo, view.size.name, name="gutter")


@pytest.mark.parametrize("full", [0.1, 0.5, 1.05])
def test_a_drawn_gutter_is_read_within_a_fifth(full):
    view, photo, result = read(910_001, full=full, profile="box", litter="leaves")
    assert result.refused is None
    fill = result.fill
    assert abs(fill.full_share - view.full) < 0.2
    assert fill.full_low <= fill.full_share <= fill.full_high
    assert abs(fill.covered_share - view.covered) < 0.3
    rims = [np.array(line) for line in fill.lines_px]
    assert (rims[0][:, 1] < rims[1][:, 1]).all()
    assert (rims[1][:, 1] < rims[2][:, 1]).all()
    before = photo.rgb.copy()
    assert (draw_gutter_lines(photo.rgb, result) != before).any()
    assert (photo.rgb == before).all()


def test_a_smaller_picture_says_the_same_in_the_photos_own_pixels():
    view, _, _ = read(910_001, full=0.5, profile="box", litter="leaves")
    photo = decode(view.jpeg_bytes, name="gutter", fit_px=250)
    assert photo.rgb.shape[1] < photo.width_px
    fill = read_gutter(photo, view.size.name, name="gutter").fill
    assert fill is not None
    assert max(x for line in fill.lines_px for x, _ in line) == pytest.approx(photo.width_px, rel=0.02)


def test_what_does_not_show_into_a_gutter_is_refused_with_a_way_out():
    import cv2

    blank = np.full((300, 400, 3), 190, np.uint8)
    noise = np.random.default_rng(0).integers(0, 255, (300, 400, 3)).astype(np.uint8)
    for picture in (blank, noise):
        data = cv2.imencode(".png", picture)[1].tobytes()
        refused = read_gutter(decode(data, name="it"), "k_style:5in", name="it").refused
        assert refused is not None
        assert refused.reason == "no-gutter"
        assert "pole" in refused.retake
        assert "ladder" not in refused.retake


def fill(full=0.6, sd=0.08, **given):
    fields = {
        "elevation_deg": 45.0, "full_share": full, "full_low": max(full - 1.28 * sd, 0.0),
        "full_high": min(full + 1.28 * sd, 1.0), "mean_share": full, "covered_share": 0.9, "lies": {},
        "kind": "needles", "wet": "seen", "lines_px": (), "litter_px": (),
    }  # fmt: skip
    return GutterFill(**{**fields, **given})


def result(of_fill):
    return GutterResult(
        photo="in.jpg", sha256="0" * 64, reference="k_style:5in", fill=of_fill, refused=None, version="1"
    )


def test_words_of_a_fill():
    assert fifths(fill(0.62)) == "3 of 5 full where it is fullest (3 to 4)"
    assert fifths(fill(0.02, sd=0.02)) == "Empty, or nearly"
    assert fifths(fill(1.0, sd=0.02)) == "Full where it is fullest"
    assert lies(fill()) == "Litter on 90% of the floor in view, mostly needles and wet or rotted dark."
    assert lies(fill(covered_share=0.0)) == "Hardly anything lies on its floor."


def test_words_of_a_fill_in_spanish():
    assert fifths(fill(0.62), "es") == "Llena en 3 de 5 partes donde más tiene (3 a 4)"
    assert lies(fill(), "es") == (
        "Hojarasca en el 90% del fondo que se ve, sobre todo agujas y mojada o podrida y oscura."
    )
