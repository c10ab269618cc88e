"""The renderer's truth, checked by arithmetic: what is drawn must have the size that is claimed."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.curve import NeedleSpec, axis_mm, body_width_mm, thin_width_mm
from eavefall_datasets.render.needle_spec import NeedleSceneSpec, random_spec
from eavefall_datasets.render.needles import render
from eavefall_datasets.render.references import COINS, ReferenceSpec
from eavefall_datasets.render.sensor import decode_jpeg, linear_from_srgb

PLAIN = {
    "grain": 0.0, "vignette": 0.0, "slope": 0.0, "contact_shadow": 0.0, "blur_px": 0.0, "noise": 0.0,
}  # fmt: skip
STRIP = {"base_ratio": 1.0, "slim": 0.0, "taper_mm": 1e-6, "section": 0.0, "color": (0.0, 0.0, 0.0)}


def _ink_mm2(spec: NeedleSceneSpec) -> float:
    """Area of black ink in the plane, mm^2: missing light times the plane's area per pixel."""
    rgb = render(spec).rgb
    camera = spec.camera
    light = linear_from_srgb(rgb[..., 1] / 255.0)
    ink = 1.0 - light / np.median(light)
    y, x = np.nonzero(np.abs(ink) > 0.02)
    px = np.column_stack([x, y]).astype(float)
    step = 0.25
    x_step, y_step = np.array([step, 0]), np.array([0, step])
    right = camera.unproject(px + x_step) - camera.unproject(px - x_step)
    down = camera.unproject(px + y_step) - camera.unproject(px - y_step)
    area = np.abs(right[:, 0] * down[:, 1] - right[:, 1] * down[:, 0]) / (2 * step) ** 2
    return float((ink[y, x] * area).sum())


def _scene(camera: Camera, *needles: NeedleSpec, **changes: object) -> NeedleSceneSpec:
    return NeedleSceneSpec(camera=camera, references=(), needles=needles, **{**PLAIN, **changes})  # type: ignore[arg-type]


@pytest.mark.parametrize("angle", range(0, 360, 15))
@pytest.mark.parametrize("width_mm", [0.25, 0.6, 1.5])
def test_strip_has_its_width_in_every_direction(angle: int, width_mm: float) -> None:
    camera = Camera(420, 400, 12.3, 600.0)
    length = 24.0
    turn = np.radians(angle)
    base = np.array([0.137, 0.251]) - length / 2 * np.array([np.cos(turn), np.sin(turn)])
    strip = NeedleSpec(base[0], base[1], angle, length, width_mm, **STRIP)  # type: ignore[arg-type]
    measured = _ink_mm2(_scene(camera, strip)) / length
    assert measured == pytest.approx(width_mm, abs=0.01)


@pytest.mark.parametrize("azimuth", range(0, 360, 45))
def test_tilted_bent_strip_has_its_area_in_the_plane(azimuth: int) -> None:
    camera = Camera(520, 520, 12.0, 700.0, tilt_deg=28, azimuth_deg=azimuth, rotation_deg=33, radial=0.004)
    strip = NeedleSpec(-12, -4, 20, 25.0, 0.7, 0.02, -0.01, **STRIP)  # type: ignore[arg-type]
    assert _ink_mm2(_scene(camera, strip)) / 25.0 == pytest.approx(0.7, abs=0.01)


def test_round_needle_looks_as_wide_from_the_side_as_from_above() -> None:
    # A cylinder far from the camera shows its diameter from every side; a flat ribbon shrinks by the cosine.
    camera = Camera(420, 400, 12.0, 60000.0, tilt_deg=30, azimuth_deg=0)
    strip = NeedleSpec(-12, 0.1, 0, 24.0, 0.8, **STRIP)  # type: ignore[arg-type]
    flat = _ink_mm2(_scene(camera, strip)) / 24.0
    round_one = _ink_mm2(_scene(camera, dataclasses.replace(strip, section=1.0))) / 24.0
    assert flat == pytest.approx(0.8, abs=0.01)  # measured in the plane, foreshortening undone
    assert round_one == pytest.approx(0.8 / np.cos(np.radians(30)), abs=0.01)


def test_axis_has_its_length_and_ends() -> None:
    needle = NeedleSpec(3, 4, 0, 80.0, 0.6, bend_base=0.01, bend_tip=0.01)
    axis = axis_mm(needle)
    assert np.hypot(*np.diff(axis, axis=0).T).sum() == pytest.approx(80.0, rel=1e-5)
    # An arc of radius 100 mm and angle 0.8 rad, starting to the right.
    assert axis[-1] - [3, 4] == pytest.approx([100 * np.sin(0.8), 100 * (1 - np.cos(0.8))], abs=1e-3)


def test_widths_of_a_slim_needle_are_arithmetic() -> None:
    needle = NeedleSpec(0, 0, 0, 100.0, 1.0, slim=0.2, taper_mm=5.0)
    # Width falls as 1 - 0.2 t from t = 0.10 to 0.85: mean at 0.475, tenth percentile at 0.775.
    assert body_width_mm(needle) == pytest.approx(1 - 0.2 * 0.475, abs=1e-3)
    assert thin_width_mm(needle) == pytest.approx(1 - 0.2 * 0.775, abs=1e-3)


@pytest.mark.parametrize("tilt", [0.0, 15.0, 30.0])
@pytest.mark.parametrize("height", [0.0, 2.0])
def test_camera_maps_both_ways(tilt: float, height: float) -> None:
    camera = Camera(800, 600, 10.0, 900.0, tilt, 70.0, 200.0, -0.003)
    points = np.random.default_rng(0).uniform(-25, 25, (50, 2))
    assert np.allclose(camera.unproject(camera.project(points, height), height), points, atol=1e-4)
    origin = camera.project(np.zeros((1, 2)))[0]
    assert origin == pytest.approx(camera.center_px, abs=1e-9)
    across = camera.position_mm
    assert np.degrees(np.arccos(across[2] / np.linalg.norm(across))) == pytest.approx(tilt, abs=1e-6)


@pytest.mark.parametrize("name", ["us-10c", "us-25c", "eur-2"])
@pytest.mark.parametrize("rotation", [0, 90, 211])
def test_coin_covers_its_disc_at_its_own_height(name: str, rotation: int) -> None:
    diameter, thickness = COINS[name]
    camera = Camera(500, 480, 13.0, 5000.0, rotation_deg=rotation)
    coin = ReferenceSpec("coin", 1.0, -2.0, 0.0, diameter, thickness, light=0.2)
    spec = dataclasses.replace(_scene(camera), references=(coin,))
    bare = linear_from_srgb(render(_scene(camera)).rgb[..., 1] / 255.0)
    seen = linear_from_srgb(render(spec).rgb[..., 1] / 255.0)
    # The relief keeps the face darker than half the paper: count covered pixels.
    disc = np.pi / 4 * (diameter * 13.0 / (1 - thickness / camera.distance_mm)) ** 2
    assert (seen < bare * 0.7).sum() == pytest.approx(disc, rel=0.004)


def test_card_is_id1() -> None:
    camera = Camera(720, 600, 7.0, 9000.0, rotation_deg=17)
    card = ReferenceSpec("card", light=0.1, hue=(1, 1, 1))
    seen = render(dataclasses.replace(_scene(camera), references=(card,))).rgb[..., 1]
    # ISO/IEC 7810 ID-1: 85.60 by 53.98 mm, corners of 3.18 mm radius.
    area = (85.60 * 53.98 - (4 - np.pi) * 3.18**2) * (7.0 / (1 - 0.76 / camera.distance_mm)) ** 2
    assert (seen < 160).sum() == pytest.approx(area, rel=0.003)


def test_same_seed_same_picture_and_truth_fits_it() -> None:
    settings = {"size": (900, 675), "px_per_mm": 8.0, "reference": "coin", "bundle": 5, "count": 2,
                "length_mm": (30.0, 45.0)}  # fmt: skip
    one, two = render(random_spec(5, **settings)), render(random_spec(5, **settings))  # type: ignore[arg-type]
    assert np.array_equal(one.rgb, two.rgb)
    assert one.jpeg_bytes == two.jpeg_bytes
    other = render(random_spec(6, **settings))  # type: ignore[arg-type]
    assert not np.array_equal(one.rgb, other.rgb)
    assert np.abs(decode_jpeg(one.jpeg_bytes).astype(int) - one.rgb).mean() < 4
    for needle in one.truth.needles:
        assert needle.bundle_size == 5
        assert needle.thin_width_mm < needle.width_mm
        assert np.hypot(*np.diff(needle.axis_mm, axis=0).T).sum() == pytest.approx(needle.length_mm, rel=1e-4)


def test_flags_of_crossing_touching_and_cut_needles() -> None:
    camera = Camera(600, 600, 10.0, 900.0)
    lying = NeedleSpec(-20, 0, 0, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    upright = NeedleSpec(0, -20, 90, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    beside = NeedleSpec(-20, 23, 0, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    along = NeedleSpec(-20, 24.05, 0, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    leaving = NeedleSpec(20, -20, 0, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    alone = NeedleSpec(-25, -20, 0, 10.0, 1.0, **STRIP)  # type: ignore[arg-type]
    truth = render(_scene(camera, lying, upright, beside, along, leaving, alone)).truth.needles
    assert [n.crosses for n in truth] == [(1,), (0,), (), (), (), ()]
    assert [n.touches for n in truth] == [(), (), (3,), (2,), (), ()]
    assert [n.complete for n in truth] == [True, True, True, True, False, True]
    assert [n.clean for n in truth] == [False, False, False, False, False, True]
    assert truth[0].occluded == pytest.approx(1.0 / 40.0, abs=0.003)


def test_a_printed_sheet_a_business_card_and_paper_have_the_size_that_is_said() -> None:
    camera = Camera(720, 600, 5.0, 9000.0)
    board = ReferenceSpec("card", light=0.1, hue=(1, 1, 1), body_mm=(90.0, 50.0, 0.35, 0.0))
    seen = render(dataclasses.replace(_scene(camera), references=(board,))).rgb[..., 1]
    assert (seen < 160).sum() == pytest.approx(90 * 50 * 25 / (1 - 0.35 / camera.distance_mm) ** 2, rel=0.003)


@pytest.mark.parametrize("surface", ["ruled", "squared"])
def test_rulings_have_one_pitch(surface: str) -> None:
    camera = Camera(600, 600, 8.0, 5000.0)
    spec = _scene(camera, surface=surface, seed=3)
    light = linear_from_srgb(render(spec).rgb[..., 1] / 255.0)
    assert 0.3 < light.min() / np.median(light) < 0.95
    # A row through the lines crosses them at equal distances, whatever their direction.
    row = light[300] < 0.9 * np.median(light)
    starts = np.flatnonzero(np.diff(row.astype(int)) == 1)
    if surface == "ruled" and len(starts) > 3:
        assert np.ptp(np.diff(starts)) <= 2


def test_a_lifted_needle_is_longer_than_its_shadow_on_the_plane() -> None:
    camera = Camera(600, 500, 10.0, 1500.0)
    flat = NeedleSpec(-20, 0, 0, 40.0, 1.0, **STRIP)  # type: ignore[arg-type]
    arch = dataclasses.replace(flat, lift_mm=3.0)
    truth = render(_scene(camera, arch)).truth.needles[0]
    # Length of a parabola of span 40 and rise 3: 40 (1 + 8/3 (3/40)^2 - ...), from memory.
    assert truth.length_mm == pytest.approx(40 * (1 + 8 / 3 * (3 / 40) ** 2), abs=0.02)
    assert np.abs(truth.axis_px[:, 1] - camera.center_px[1]).max() < 1e-6
