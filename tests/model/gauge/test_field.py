"""The measuring field: where the sheet is, what stands out of it, whether it is ruled; on painted sheets."""

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.field import (
    Field,
    glare_share,
    make_field,
    off_background,
    on_sheet,
    ruling_pitch_mm,
    strand_mask,
)
from eavefall_model.gauge.locate import Located
from eavefall_model.gauge.pose import FocalPrior, Plane, Pose
from eavefall_model.gauge.references import parse_reference


def plane_of(size, px_per_mm=10.0):
    theta = np.array([0, 0, 0, 0, 0, 400.0, np.log(400.0 * px_per_mm), 0])
    middle = ((size[0] - 1) / 2, (size[1] - 1) / 2)
    return Plane((Pose(theta, np.zeros((8, 8)), size, FocalPrior(4000.0, 0.1)),), (1.0,), 0.0, middle)


def box(x0, y0, x1, y1):
    return np.array([[x0, y0], [x1, y0], [x1, y1], [x0, y1]], float)


def located(rgb, inside=None, outside=(), px_per_mm=10.0, kind="card"):
    size = (rgb.shape[1], rgb.shape[0])
    return Located(parse_reference(kind), plane_of(size, px_per_mm), box(0, 0, 9, 9), inside, outside)


def sheet(width=600, height=480, light=190):
    return np.full((height, width, 3), light, np.uint8)


@pytest.mark.parametrize("px_per_mm", [8.0, 16.0, 24.0])
def test_it_is_the_photo_shrunk_to_eight_pixels_per_millimeter(px_per_mm):
    rgb = sheet(720, 480)
    field = make_field(rgb, located(rgb, box(-50, -50, 900, 900), px_per_mm=px_per_mm))
    assert field.factor == pytest.approx(px_per_mm / 8)
    assert field.px_per_mm == pytest.approx(8.0)
    assert (
        field.lab.shape[:2] == field.allowed.shape == (round(480 / field.factor), round(720 / field.factor))
    )
    # Pixels have their middles at whole numbers: the first of the view covers the photo's from -0.5 on.
    corners = np.array([[0.0, 0.0], [10.0, 20.0]])
    assert field.to_photo(corners) == pytest.approx((corners + 0.5) * field.factor - 0.5)
    assert (field.to_view(field.to_photo(corners)) == corners).all()
    # All of it may be measured in but its border, two pixels wide.
    assert field.allowed[2:-2, 2:-2].all()
    assert not field.allowed[:2].any()
    assert not field.allowed[-2:].any()
    assert not field.allowed[:, :2].any()
    assert not field.allowed[:, -2:].any()


def test_a_coarser_photo_is_taken_as_it_is():
    rgb = sheet()
    field = make_field(rgb, located(rgb, box(-50, -50, 900, 900), px_per_mm=6.0))
    assert (field.factor, field.px_per_mm) == (1.0, pytest.approx(6.0))


def test_the_color_of_a_place_is_told_where_it_lies_in_the_photo():
    rgb = sheet()
    rgb[100:140, 200:240] = (200, 60, 40)
    field = make_field(rgb, located(rgb, box(-50, -50, 900, 900), px_per_mm=8.0))
    red = cv2.cvtColor(np.uint8([[[200, 60, 40]]]), cv2.COLOR_RGB2LAB)[0, 0]
    plain = cv2.cvtColor(np.uint8([[[190, 190, 190]]]), cv2.COLOR_RGB2LAB)[0, 0]
    found = field.lab_at(np.array([[220.0, 120.0], [50.0, 50.0], [-9.0, 5.0], [5.0, 480.0], [600.0, 5.0]]))
    assert found.tolist() == [red.tolist(), plain.tolist()]
    assert field.sheet == pytest.approx(plain, abs=1)
    assert field.lab_at(np.array([[599.0, 479.0], [0.0, 0.0]])).tolist() == [plain.tolist()] * 2


def test_only_inside_and_never_outside():
    rgb = sheet()
    inside, outside = box(100, 80, 500, 400), box(300, 200, 400, 300)
    field = make_field(rgb, located(rgb, inside, (outside,), px_per_mm=8.0))
    allowed = np.zeros((480, 600), bool)
    allowed[80:401, 100:501] = True
    allowed[200:301, 300:401] = False
    assert (field.allowed != allowed).mean() < 0.002
    # A polygon far outside the picture is no harm.
    far = box(-1e6, -1e6, 1e6, 1e6)
    assert make_field(rgb, located(rgb, far, px_per_mm=8.0)).allowed[2:-2, 2:-2].all()


def on_table(turn_side, table=(60, 50, 40), light=190):
    """A sheet that covers all but one side of the photo, with a card's outline in its middle."""
    rgb = sheet(640, 520, light)
    cut = {"left": np.s_[:, :180], "right": np.s_[:, -180:], "top": np.s_[:150], "bottom": np.s_[-150:]}
    rgb[cut[turn_side]] = table
    rgb[210:310, 260:380] = (90, 20, 20)
    return rgb, box(250, 200, 389, 319)


@pytest.mark.parametrize("side", ["left", "right", "top", "bottom"])
@pytest.mark.parametrize("table", [(60, 50, 40), (235, 190, 120), (30, 30, 30)])
def test_the_sheet_is_what_bears_the_reference_and_not_the_table(side, table):
    rgb, around = on_table(side, table)
    field = make_field(rgb, located(rgb, None, (around,), px_per_mm=8.0))
    truth = np.ones((520, 640), bool)
    cut = {"left": np.s_[:, :180], "right": np.s_[:, -180:], "top": np.s_[:150], "bottom": np.s_[-150:]}
    truth[cut[side]] = False
    truth[200:320, 250:390] = False
    # Kept clear of its own edge by about two millimeters, 16 px; within the frame nearly all is allowed.
    assert not (field.allowed & ~truth).any()
    inner = cv2.erode(truth.astype(np.uint8), np.ones((61, 61), np.uint8)).astype(bool)
    inner[:30], inner[-30:], inner[:, :30], inner[:, -30:] = False, False, False, False
    assert field.allowed[inner].all()
    edge = {"left": 180, "right": 459, "top": 150, "bottom": 369}[side]
    near = (
        np.s_[30:-30, edge - 8 : edge + 9]
        if side in ("left", "right")
        else np.s_[edge - 8 : edge + 9, 30:-30]
    )
    assert not field.allowed[near].any()
    assert np.abs(field.sheet - cv2.cvtColor(sheet(1, 1), cv2.COLOR_RGB2LAB)[0, 0]).max() <= 1


def test_shade_on_the_sheet_is_the_sheet_and_needles_cut_nothing_off():
    rgb, around = on_table("left")
    rgb[:, 460:] = 125  # shade: half the light
    for x in (420, 440, 455, 475, 500):
        rgb[40:480, x : x + 6] = 40  # needles
    field = make_field(rgb, located(rgb, None, (around,), px_per_mm=8.0))
    assert field.allowed[30:-30, 400:610].mean() > 0.99
    assert not field.allowed[:, :180].any()


def test_beside_a_strand_lies_the_sheet_or_something_else():
    rgb = sheet(600, 480)
    rgb[:, 300:] = (90, 120, 40)
    rgb[:240, :300] = 150  # in the shade
    field = make_field(rgb, located(rgb, box(-50, -50, 900, 900), px_per_mm=8.0))
    field = Field(
        field.factor, field.lab, field.allowed, field.px_per_mm, field.lab_at(np.array([[50.0, 400.0]]))[0]
    )

    def axis(x, y0, y1):
        return np.column_stack([np.full(40, float(x)), np.linspace(y0, y1, 40)])

    assert on_sheet(axis(100, 260, 460), 5.0, field)
    assert on_sheet(axis(100, 20, 220), 5.0, field)
    assert not on_sheet(axis(450, 20, 460), 5.0, field)
    # Along the rim half of it is: not enough. So is a strand of which a third lies elsewhere.
    assert not on_sheet(axis(300, 20, 460), 5.0, field)
    across = np.column_stack([np.linspace(100, 400, 60), np.full(60, 300.0)])
    assert not on_sheet(across, 5.0, field)
    assert on_sheet(np.column_stack([np.linspace(100, 370, 60), np.full(60, 300.0)]), 5.0, field)
    assert not on_sheet(axis(5000, 20, 460), 5.0, field)


def bare(rgb, px_per_mm=8.0):
    lab = cv2.cvtColor(rgb, cv2.COLOR_RGB2LAB)
    allowed = np.zeros(lab.shape[:2], bool)
    allowed[4:-4, 4:-4] = True
    return Field(1.0, lab, allowed, px_per_mm, np.median(lab.reshape(-1, 3), axis=0).astype(float))


@pytest.mark.parametrize("axis", [0, 1])
def test_light_that_falls_off_is_background_and_a_strand_is_not(axis):
    ramp = np.linspace(120, 230, 600)
    rgb = np.repeat((ramp[None] if axis else ramp[:, None]).repeat(600, 1 - axis)[..., None], 3, 2).astype(
        np.uint8
    )
    rgb[280:290, 100:500] //= 2
    field = bare(rgb)
    off = off_background(field)
    inside = off[282:288, 120:480, 0]
    assert (inside < -30).all()
    rest = np.abs(off)
    rest[270:300, 90:510] = 0
    assert np.percentile(rest[60:-60, 60:-60, 0], 99) < 4
    mask = strand_mask(field, off)
    assert mask[283:287, 110:490].all()
    mask[275:295, 95:505] = False
    assert mask.mean() < 0.001


@pytest.mark.parametrize("width", [4, 8, 16])
def test_a_strands_mask_ends_half_way_down_its_edges(width):
    rgb = sheet(400, 300).astype(float)
    rgb[150 : 150 + width, 80:320] = 70
    rgb = cv2.GaussianBlur(rgb, (0, 0), 1.0).astype(np.uint8)
    mask = strand_mask(bare(rgb), off_background(bare(rgb)))
    rows = np.flatnonzero(mask[:, 200])
    assert len(rows) == pytest.approx(width, abs=2)
    assert rows.mean() == pytest.approx(149.5 + width / 2, abs=0.6)
    # Only where it may be.
    field = bare(rgb)
    none = Field(1.0, field.lab, np.zeros_like(field.allowed), 8.0, field.sheet)
    assert not strand_mask(none, off_background(none)).any()


@pytest.mark.parametrize("step", [6, 20])
def test_paper_texture_stands_out_of_nothing_and_a_faint_strand_does(step):
    rng = np.random.default_rng(4)
    rgb = np.clip(190 + rng.normal(0, 2, (300, 400, 1)) + np.zeros((1, 1, 3)), 0, 255)
    rgb[150:158, 80:320] -= step
    field = bare(rgb.astype(np.uint8))
    mask = strand_mask(field, off_background(field))
    assert mask[151:157, 90:310].mean() == pytest.approx(float(step > 10), abs=0.1)
    mask[145:163, 70:330] = False
    assert mask.mean() < 0.002


# ---- ruled paper


def ruled(pitch_mm, turn_deg, line_mm=0.25, step=30, second=False, px_per_mm=8.0, side=1000):
    rows, cols = np.mgrid[:side, :side] / px_per_mm
    turn = np.radians(turn_deg)
    rgb = np.full((side, side, 3), 200, np.float32)
    for angle in (turn, turn + np.pi / 2)[: 1 + second]:
        across = cols * -np.sin(angle) + rows * np.cos(angle)
        rgb[np.abs((across + pitch_mm / 2) % pitch_mm - pitch_mm / 2) < line_mm / 2] -= step
    rgb += np.random.default_rng(1).normal(0, 1.0, (side, side, 1))
    return cv2.GaussianBlur(rgb, (0, 0), 0.8).astype(np.uint8)


def pitch_of(rgb, px_per_mm=8.0):
    field = bare(rgb, px_per_mm)
    return ruling_pitch_mm(field, off_background(field), located(rgb, px_per_mm=px_per_mm))


@pytest.mark.parametrize("turn", [0, 33, 90, 121])
@pytest.mark.parametrize("pitch", [4.0, 5.0, 7.1, 8.7, 12.0])
def test_the_distance_between_lines_is_told(turn, pitch):
    assert pitch_of(ruled(pitch, turn)) == pytest.approx(pitch, abs=0.15)


@pytest.mark.parametrize("turn", [8, 60])
def test_squares_and_light_lines_are_lines_too(turn):
    assert pitch_of(ruled(5.0, turn, second=True)) == pytest.approx(5.0, abs=0.15)


def test_plain_paper_and_needles_laid_side_by_side_are_not_ruled():
    rng = np.random.default_rng(3)
    plain = np.clip(200 + rng.normal(0, 2, (1000, 1000, 1)) + np.zeros((1, 1, 3)), 0, 255).astype(np.uint8)
    assert pitch_of(plain) is None
    for k in range(9):
        plain[60 + 100 * k : 68 + 100 * k, 300:700] = 60
    assert pitch_of(plain) is None
    # Three lines are no ruling; nor are lines at uneven distances.
    few = np.full((1000, 1000, 3), 200, np.uint8)
    few[[300, 400, 500]] = 150
    assert pitch_of(few) is None
    uneven = np.full((1000, 1000, 3), 200, np.uint8)
    uneven[[100, 143, 270, 300, 420, 610, 640, 790, 900]] = 150
    assert pitch_of(uneven) is None
    nowhere = bare(few)
    nowhere = Field(1.0, nowhere.lab, np.zeros_like(nowhere.allowed), 8.0, nowhere.sheet)
    assert ruling_pitch_mm(nowhere, off_background(nowhere), located(few)) is None


@pytest.mark.parametrize("code", [251, 255])
def test_glare_is_the_share_of_the_field_where_all_three_colors_are_clipped(code):
    rgb = sheet(400, 300, 180)
    rgb[100:200, 100:300] = code
    rgb[200:220] = (255, 255, 100)  # yellow is no glare
    field = bare(rgb)
    inside = 100 * 200 / (392 * 292)
    assert glare_share(rgb, field) == pytest.approx(inside if code == 255 else 0, abs=1e-3)
    none = Field(1.0, field.lab, np.zeros_like(field.allowed), 8.0, field.sheet)
    assert glare_share(rgb, none) == 0.0
