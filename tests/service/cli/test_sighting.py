"""``eavefall height`` and ``eavefall bearing`` on inputs whose answer is arithmetic."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image
from typer.testing import CliRunner

from eavefall_model.errors import SightingError
from eavefall_service.cli import build_app

APP = build_app("height")


def run(*words):
    return CliRunner().invoke(APP, ["height", *words])


def test_forty_five_degrees_from_ten_meters_is_ten_meters():
    said = run("angles", "--distance", "10 m", "--top", "45", "--base", "0")
    assert said.exit_code == 0
    assert "Height: 10.00 ±" in said.output
    assert "ladder" in said.output


def test_a_paced_distance_is_less_sure():
    taped = run("angles", "--distance", "10 m", "--top", "45", "--base", "0").output
    paced = run("angles", "--distance", "10 m", "--top", "45", "--base", "0", "--paced").output
    assert float(paced.split("± ")[1].split()[0]) > 3 * float(taped.split("± ")[1].split()[0])


def test_twice_as_high_as_the_door_beside_it(tmp_path):
    # Level camera, 12 m away, 3000 px focal length: 250 px to the meter, the horizon 1.5 m above the ground.
    buffer = io.BytesIO()
    Image.fromarray(np.full((3024, 4032, 3), 128, np.uint8)).save(buffer, "JPEG")
    (tmp_path / "front.jpg").write_bytes(buffer.getvalue())
    foot = 1512 + 375
    door, wall = f"2016,{foot - 508},2016,{foot}", f"2500,{foot - 1016},2500,{foot}"
    said = run("photo", str(tmp_path / "front.jpg"), "--reference", door, "--thing", wall)
    assert said.exit_code == 0, said.output
    assert abs(float(said.output.split("Height of 1: ")[1].split()[0]) - 4.064) < 0.15


def test_what_is_no_tap_says_how_to_write_one(tmp_path):
    Image.fromarray(np.full((300, 400, 3), 128, np.uint8)).save(tmp_path / "x.png")
    error = run("photo", str(tmp_path / "x.png"), "--reference", "1,2,3", "--thing", "1,2,3,4").exception
    assert isinstance(error, SightingError)
    assert error.code == "sighting-no-reading"


def test_a_compass_is_turned_by_the_published_declination():
    # NOAA's test value of the World Magnetic Model 2025 for 80 N, 0 E at the start of 2025: 1.28 degrees.
    words = ["bearing", "--compass", "359.5", "--latitude", "80", "--longitude", "0", "--year", "2025"]
    said = CliRunner().invoke(build_app("bearing"), words)
    assert "Bearing: 1 ±" in said.output
    assert "+1.3 deg" in said.output
