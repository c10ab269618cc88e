"""The gauge's truth test: what it counts is arithmetic, and half of its photos tell their focal length."""

import math
from dataclasses import replace

import pytest

from eavefall_datasets.render.needles import random_spec, render
from eavefall_model.gauge.measure import measure
from eavefall_model.photo import decode
from eavefall_training.gauge_truth import HELD_OUT_SEED, Row, compare, photo_bytes, scene_for, summary_lines

ROW = Row(
    seed=1,
    reference="card",
    background="light",
    kind="single",
    tilt_deg=5.0,
    rotation_deg=10.0,
    px_per_mm=16.0,
    status="found",
    reason="",
    company="none",
    focal_written=False,
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
    true_thin_mm=0.9,
    thin_mm=0.9,
    bundle_size=1,
    bundle_found=False,
    seconds=1.0,
)


def line_of(rows, start):
    return next(line for line in summary_lines(rows) if line.strip().startswith(start))


def test_shares_and_coverage_are_counted():
    rows = [ROW, replace(ROW, length_mm=50.1), replace(ROW, length_mm=49.6)]
    rows += [replace(ROW, status="missed"), replace(ROW, status="ghost", clean=False)]
    assert "3 of 4 = 75.0 %" in line_of(rows, "clean needles found")
    assert "1 of 4 = 25.0 %" in line_of(rows, "finds that are no needle")
    # errors +0.2, +0.1 and -0.4 against 0.15: one inside one, two inside two
    length = line_of(rows, "clean  ")
    assert "n =    3" in length
    assert "worst 0.400" in length
    assert "within 1 sd 33 %, 2 sd 67 %" in length


def test_a_scene_is_reproducible_and_half_of_the_photos_tell_their_focal_length():
    asked, scene = scene_for(7)
    assert scene.jpeg_bytes == scene_for(7)[1].jpeg_bytes
    assert asked["reference"] == "coin"
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
    assert HELD_OUT_SEED > 400_215


def test_a_needle_not_found_is_missed():
    spec = random_spec(3, size=(900, 700), px_per_mm=9.0, reference="card", background="light", count=2)
    scene = render(spec)
    result = measure(decode(scene.jpeg_bytes), "card", name="scene")
    asked = {"reference": "card", "kind": "single"}
    rows = compare(3, asked, scene, result.model_copy(update={"needles": (), "refused": None}), 0.0)
    assert [row.status for row in rows] == ["missed"] * len(scene.truth.needles)
