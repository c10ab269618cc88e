"""The gauge's truth test: what it counts is arithmetic, and half of its photos tell their focal length."""

import math
from dataclasses import replace

import pytest

from eavefall_datasets.render.needle_spec import random_spec
from eavefall_datasets.render.needle_trials import GROUPS, trial
from eavefall_datasets.render.needles import render
from eavefall_model.gauge.measure import measure
from eavefall_model.photo import decode
from eavefall_training.gauge_truth import HELD_OUT_SEED, ORDINARY, Row, compare, photo_bytes, summary_lines

ROW = Row(
    group="plain",
    seed=1,
    reference="card",
    scale_true=True,
    tilt_deg=5.0,
    px_per_mm=16.0,
    status="found",
    reason="",
    company="none",
    clean=True,
    complete=True,
    said_complete=True,
    direction_deg=20.0,
    true_length_mm=50.0,
    length_mm=50.2,
    length_sd_mm=0.15,
    true_width_mm=1.0,
    width_mm=1.01,
    width_sd_mm=0.02,
)


def line_of(rows, start):
    return next(line for line in summary_lines(rows) if line.strip().startswith(start))


def test_shares_and_coverage_are_counted():
    rows = [ROW, replace(ROW, length_mm=50.1), replace(ROW, length_mm=49.6)]
    rows += [replace(ROW, status="missed"), replace(ROW, status="ghost", clean=False)]
    assert "3 of 4 = 75.0 %" in line_of(rows, "clean needles found")
    assert "1 of 4 = 25.0 %" in line_of(rows, "finds that are no needle")
    # errors +0.2, +0.1 and -0.4 against 0.15: one inside one, two inside two
    length = line_of(rows, "length")
    assert "n = 3" in length
    assert "worst 0.400" in length
    assert "within 1 sd 33 % (" in length
    assert "2 sd 67 % (" in length


def test_a_wrong_scale_and_a_refused_ordinary_scene_are_counted_by_photo():
    rows = [ROW, replace(ROW, seed=2, length_mm=52.0), replace(ROW, seed=2, length_mm=52.1)]
    rows += [replace(ROW, seed=3, status="refused", reason="blurred")] * 2
    assert "1 of 2 = 50.0 %" in line_of(rows, "answered with a scale over 3 % off")
    assert "1 of 3 = 33.3 %" in line_of(rows, "ordinary scenes refused")
    assert "refused 1 (1 blurred)" in line_of(rows, "scenes 3")


def test_worst_group_comes_first():
    rows = [ROW, *[replace(ROW, group="ruled", seed=9, status="ghost")] * 2]
    named = [line for line in summary_lines(rows) if not line.startswith(" ")]
    assert named == ["all groups together", "ruled", "plain"]
    assert set(ORDINARY) <= set(GROUPS)


def test_a_scene_is_reproducible_and_half_of_the_photos_tell_their_focal_length():
    made = trial("two-metal coin", 7)
    assert made == trial("two-metal coin", 7)
    assert made.reference == f"coin:{made.spec.references[0].diameter_mm:g}"
    scene = render(made.spec)
    told = []
    for seed in range(40):
        photo = decode(photo_bytes(scene, seed))
        told.append(photo.focal_35mm)
        assert photo.rgb.shape == decode(scene.jpeg_bytes).rgb.shape
    camera = scene.spec.camera
    true = camera.focal_px / math.hypot(camera.width_px, camera.height_px) * math.hypot(36, 24)
    known = [value for value in told if value is not None]
    assert 12 <= len(known) <= 28
    assert all(value == pytest.approx(true, rel=0.15) for value in known)


def test_nothing_that_was_tuned_on_is_held_out():
    assert HELD_OUT_SEED > 500_000


def test_a_needle_not_found_is_missed():
    spec = random_spec(3, size=(900, 700), px_per_mm=9.0, reference="card", background="light", count=2)
    scene = render(spec)
    result = measure(decode(scene.jpeg_bytes), "card", name="scene")
    made = replace(trial("plain", 3), spec=spec)
    rows = compare(3, made, scene, result.model_copy(update={"needles": (), "refused": None}))
    assert [row.status for row in rows] == ["missed"] * len(scene.truth.needles)
