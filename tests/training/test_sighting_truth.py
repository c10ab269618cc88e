"""Photos with exact truth, measured as the pages do: bounds beside one door, and what stated errors cover."""

from __future__ import annotations

import dataclasses
import re
from pathlib import Path

import numpy as np
import pytest

from eavefall_datasets.scenes.sightings import PURPOSES, REFERENCES, photograph, sighting
from eavefall_training.sighting_truth import Row, figures, measured, photos, report, trials

# Away from those of the README's figures.
SEED = 70_000
PHOTOS = Path(__file__).resolve().parents[2].parent / "shared" / "imagery" / "photos"


@pytest.fixture(scope="module")
def rows():
    return list(trials(SEED, 15, REFERENCES, PURPOSES))


def test_beside_one_door_heights_and_lengths_hold_the_bounds(rows):
    """5 percent in the median and 12 at the 95th percentile."""
    beside = [row for row in rows if row.known == "door"]
    found = figures("beside a door", beside)
    assert found.n > 0.8 * len(beside), found.told
    assert found.median < 0.05, found.told
    assert found.p95 < 0.12, found.told


@pytest.mark.parametrize("part", [*PURPOSES, "hangs", "stands"])
def test_stated_errors_cover_what_they_promise(rows, part):
    """Within five points; a group of this size strays by another five and two (one standard deviation)."""
    hangs = {name for name in REFERENCES if name.endswith(("sheet", "courses", "steps"))}
    some = [
        row
        for row in rows
        if row.purpose == part or (part in ("hangs", "stands") and (row.known in hangs) == (part == "hangs"))
    ]
    found = figures(part, some)
    one, two = (hits / found.n for hits in found.within)
    assert abs(one - 0.683) < 0.05 + 1.64 * (0.683 * 0.317 / found.n) ** 0.5, found.told
    assert two > 0.95 - 0.05 - 1.64 * (0.95 * 0.05 / found.n) ** 0.5, found.told


def test_a_hanging_thing_is_refused_where_only_the_ground_could_tell(rows):
    some = [row for row in rows if row.known == "letter sheet" and row.purpose == "tree height"]
    assert {row.refused for row in some} == {"sighting-poor-view"}


def test_the_same_photo_is_measured_the_same_twice():
    photo = sighting(3, "gutter run", "door")
    assert measured(photo, 3) == measured(photo, 3)


def test_a_level_camera_sees_what_arithmetic_says():
    points = np.array([[0.0, 10.0, 1.5], [1.0, 10.0, 1.5], [0.0, 10.0, 2.5]])
    flat = {
        "tilt_deg": 0,
        "roll_deg": 0,
        "focal_px": 1000,
        "held_m": 1.5,
        "distortion": 0,
        "size": (800, 600),
    }
    assert photograph(points, **flat) == pytest.approx(np.array([[400, 300], [500, 300], [400, 200]]))
    # Looking up by the angle whose tangent is a tenth, what stood a tenth above comes to the middle.
    up = photograph(points[2:], **{**flat, "tilt_deg": np.degrees(np.arctan(0.1))})
    assert up == pytest.approx(np.array([[400, 300]]))
    # 2 percent of distortion moves what lies a tenth of the focal length off by a fiftieth of a hundredth.
    assert photograph(points[1:2], **{**flat, "distortion": 0.02})[0, 0] == pytest.approx(
        500 + 100 * 0.02 * 0.01
    )


@pytest.mark.skipif(
    not PHOTOS.exists(), reason="shared/imagery is not here: five real photos are not measured"
)
def test_real_photos_tapped_twice():
    """Courses of a brick wall can be counted: the one real truth there is."""
    told = list(photos(PHOTOS))
    counted = [float(part) for line in told for part in re.findall(r"off ([+-][\d.]+)%", line)]
    assert len(counted) == 2
    assert max(map(abs, counted)) < 8, told
    differ = [float(part) for line in told for part in re.findall(r"differ by ([\d.]+)%", line)]
    assert len(differ) == 4
    assert max(differ) < 8, told
    assert sum("refused" in line for line in told) == 2


def test_the_report_puts_the_worst_first():
    good = Row("door", "eave height", "height", 1, 0.0, 3.0, 3.05, 0.1, "")
    rows = [good] * 7 + [dataclasses.replace(good, found_m=3.15)] * 3
    bad = [dataclasses.replace(row, purpose="overhang", found_m=4.0) for row in rows]
    lines = list(report([*rows, *bad]))
    assert "overhang" in lines[0]
    assert "n=10" in lines[0]
    assert "0.0 (0 to 28)" in lines[0]
