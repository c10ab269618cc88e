"""Light values and edges against the standard's formula and edges that are drawn where the answer says."""

import numpy as np
import pytest
from scipy.special import ndtr

from eavefall_model.gauge.light import find_edges, linear_luma, sample_normals

# IEC 61966-2-1: the light of a code, below and above 0.04045.
CODE = np.arange(256) / 255
LIGHT = np.where(CODE <= 0.04045, CODE / 12.92, ((CODE + 0.055) / 1.055) ** 2.4)


def test_light_of_gray_codes_is_the_standards():
    ramp = np.repeat(np.arange(256, dtype=np.uint8)[None, :, None], 3, axis=2)
    assert linear_luma(ramp)[0] == pytest.approx(LIGHT, abs=1e-6)
    assert linear_luma(ramp).dtype == np.float32
    # Green is the brightest of the three, blue the darkest.
    red, green, blue = (linear_luma(np.uint8([[[200 * (i == k) for i in range(3)]]]))[0, 0] for k in range(3))
    assert blue < red < green


@pytest.mark.parametrize("turn_deg", range(0, 360, 30))
def test_profiles_run_along_the_normals_both_ways(turn_deg):
    rows, cols = np.mgrid[:60, :80].astype(np.float32)
    turn = np.radians(turn_deg)
    normal = np.array([[np.cos(turn), np.sin(turn)]])
    offsets = np.arange(-6, 6.1, 0.5)
    points = np.array([[40.3, 30.6], [41.0, 29.2]])
    found = sample_normals(3 * cols - 2 * rows, points, np.repeat(normal, 2, axis=0), offsets)
    # A plane of light: bilinear is exact.
    expected = (points @ [3, -2])[:, None] + offsets * float(normal[0] @ [3, -2])
    assert found == pytest.approx(expected, abs=0.2)  # OpenCV samples at 1/32 px
    assert np.abs(np.diff(found, axis=1) - np.diff(expected, axis=1)).max() < 0.25


def picture(turn_deg, at=0.0, low=0.1, high=0.7, blur=0.9, color=(1, 1, 1), ground=None):
    """An edge through the middle of 120 x 120 px, ``at`` px along its normal, lighter beyond it."""
    rows, cols = np.mgrid[:120, :120]
    turn = np.radians(turn_deg)
    along = (cols - 59.5) * np.cos(turn) + (rows - 59.5) * np.sin(turn)
    share = ndtr((along - at) / blur)[..., None]
    first = np.full(3, low) if ground is None else np.array(ground)
    light = first + (np.array(color) * high - first) * share
    code = np.where(light <= 0.0031308, light * 12.92, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(np.clip(code, 0, 1) * 255).astype(np.uint8)


def beside(turn_deg, count=25, spread=20.0):
    turn = np.radians(turn_deg)
    normal = np.array([np.cos(turn), np.sin(turn)])
    along = np.linspace(-spread, spread, count)[:, None] * np.array([-normal[1], normal[0]])
    return along + 59.5, np.broadcast_to(normal, (count, 2))


@pytest.mark.parametrize("turn_deg", range(0, 360, 15))
@pytest.mark.parametrize("at", [-2.3, 0.0, 1.6])
def test_an_edge_is_found_to_a_twentieth_of_a_pixel(turn_deg, at):
    points, normals = beside(turn_deg)
    found = find_edges(picture(turn_deg, at), points, normals, 5.0)
    assert np.abs(found.offset - at).max() < 0.12
    assert abs(float(np.mean(found.offset)) - at) < 0.05
    assert (found.sign == 1).all()
    away = find_edges(picture(turn_deg, at), points, -normals, 5.0)
    assert np.abs(away.offset + at).max() < 0.12
    assert (away.sign == -1).all()


@pytest.mark.parametrize("at", [6.6, -6.6])
def test_beyond_its_reach_nothing_is_found(at):
    points, normals = beside(0)
    near, far = (find_edges(picture(0, at), points, normals, reach).offset for reach in (3.0, 8.0))
    assert np.isnan(near).all()
    assert far == pytest.approx(np.full(25, at), abs=0.1)


def test_plain_paper_has_no_edge_and_a_faint_one_is_one():
    points, normals = beside(0)
    noise = np.random.default_rng(2).integers(-1, 2, (120, 120, 1))
    plain = (180 + noise + np.zeros((1, 1, 3))).astype(np.uint8)
    assert np.isnan(find_edges(plain, points, normals, 10.0).offset).mean() > 0.9
    faint = picture(0, 0.5, low=0.50, high=0.54)
    assert find_edges(faint, points, normals, 10.0).offset == pytest.approx(np.full(25, 0.5), abs=0.25)


@pytest.mark.parametrize("channel", range(3))
def test_an_edge_of_color_alone_is_found(channel):
    # As light on both sides (IEC 61966-2-1's luma), another color.
    luma = np.array([0.2126, 0.7152, 0.0722])
    ground = np.full(3, 0.2)
    ground[channel] += 0.1
    ground -= 0.1 * luma[channel] / luma.sum()
    points, normals = beside(30)
    found = find_edges(picture(30, 0.7, ground=ground, high=0.2), points, normals, 10.0)
    assert found.offset == pytest.approx(np.full(25, 0.7), abs=0.15)


def test_the_outermost_of_two_edges_is_taken_unless_the_steepest_is_asked_for():
    # From dark over half light to light: the inner step is the higher one.
    cols = np.mgrid[:120, :120][1]
    light = 0.1 + 0.4 * ndtr((cols - 57.0) / 0.9) + 0.2 * ndtr((cols - 63.0) / 0.9)
    code = np.round((1.055 * light ** (1 / 2.4) - 0.055) * 255).astype(np.uint8)
    rgb = np.repeat(code[..., None], 3, axis=2)
    points, normals = beside(0)
    assert find_edges(rgb, points, normals, 6.0).offset == pytest.approx(np.full(25, 3.5), abs=0.2)
    steepest = find_edges(rgb, points, normals, 6.0, outermost=False).offset
    assert steepest == pytest.approx(np.full(25, -2.5), abs=0.2)
    # One that is less than a third as steep is a shadow's.
    light = 0.1 + 0.5 * ndtr((cols - 57.0) / 0.9) + 0.1 * ndtr((cols - 63.0) / 0.9)
    code = np.round((1.055 * light ** (1 / 2.4) - 0.055) * 255).astype(np.uint8)
    rgb = np.repeat(code[..., None], 3, axis=2)
    assert find_edges(rgb, points, normals, 6.0).offset == pytest.approx(np.full(25, -2.5), abs=0.2)


def test_each_side_has_its_own_sign_of_change():
    # A dark bar: one group of points on each of its sides, normals to the right.
    cols = np.mgrid[:120, :120][1]
    light = 0.7 - 0.6 * (ndtr((cols - 40.3) / 0.9) - ndtr((cols - 80.7) / 0.9))
    code = np.round((1.055 * light ** (1 / 2.4) - 0.055) * 255).astype(np.uint8)
    rgb = np.repeat(code[..., None], 3, axis=2)
    points = np.column_stack([np.repeat([40.0, 81.0], 20), np.tile(np.linspace(20, 100, 20), 2)])
    normals = np.tile([1.0, 0.0], (40, 1))
    found = find_edges(rgb, points, normals, 4.0, np.repeat([0, 1], 20))
    assert found.offset == pytest.approx(np.repeat([0.3, -0.3], 20), abs=0.1)
    assert found.sign.tolist() == [-1.0] * 20 + [1.0] * 20
    # Held to one sign together, the fewer or fainter side has none there.
    together = find_edges(rgb, points[:30], normals[:30], 4.0)
    assert np.isnan(together.offset[20:]).all()


def test_a_point_at_the_rim_of_the_picture_is_looked_up_inside_it():
    rgb = picture(0, -57.0)
    points = np.column_stack([np.full(5, 2.0), [0.0, 1.0, 60.0, 118.0, 119.0]])
    found = find_edges(rgb, points, np.tile([1.0, 0.0], (5, 1)), 4.0)
    assert found.offset == pytest.approx(np.full(5, 0.5), abs=0.15)
