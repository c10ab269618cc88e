"""The gauge command: table, JSON, overlay, several photos, and its exit status."""

import json
import re

import cv2
import numpy as np
import pytest
from typer.testing import CliRunner

from eavefall_service.cli import build_app

app = build_app()
run = CliRunner().invoke


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """Two photos at 10 px/mm: a card with three needles, and a bare sheet."""
    where = tmp_path_factory.mktemp("gauge")
    picture = np.full((1100, 1500), 225, np.uint8)
    # ISO/IEC 7810 ID-1: corners of 3.18 mm radius.
    cv2.rectangle(picture, (132, 80), (924, 620), 120, -1)
    cv2.rectangle(picture, (100, 112), (956, 588), 120, -1)
    for corner in ((132, 112), (924, 112), (132, 588), (924, 588)):
        cv2.circle(picture, corner, 32, 120, -1)
    kinds = picture.copy()
    for row in (760, 860, 960):
        cv2.rectangle(picture, (300, row), (900, row + 9), 80, -1)
    # Two trees' needles, 1 and 2.2 mm wide, and a stalk too short to be one.
    for row, tall in ((700, 9), (760, 9), (830, 21), (900, 21)):
        cv2.rectangle(kinds, (300, row), (900, row + tall), 80, -1)
    cv2.rectangle(kinds, (300, 1000), (365, 1011), 80, -1)
    for name, drawn in (("card", picture), ("kinds", kinds)):
        seen = cv2.GaussianBlur(drawn, (0, 0), 0.8)
        seen = np.clip(seen + np.random.default_rng(1).normal(0, 1, seen.shape), 0, 255).astype(np.uint8)
        cv2.imwrite(str(where / f"{name}.png"), seen)
    cv2.imwrite(str(where / "bare.png"), np.full((600, 800), 225, np.uint8))
    return where


def test_table_for_people(folder):
    result = run(app, ["gauge", str(folder / "card.png"), "--reference", "card"])
    assert result.exit_code == 0
    assert "Length mm" in result.output
    assert "n = 3" in result.output
    assert "weakest point: " in result.output
    assert "more than one kind" not in result.output
    assert "left out" not in result.output


def test_kinds_and_what_was_left_out_are_said(folder):
    output = " ".join(run(app, ["gauge", str(folder / "kinds.png"), "--reference", "card"]).output.split())
    kinds = re.search(r"more than one kind: 2 of ([\d.]+) mm wide and 60 mm long; 2 of ([\d.]+) mm", output)
    assert kinds
    assert [float(n) for n in kinds.groups()] == pytest.approx([1.0, 2.2], abs=0.06)
    assert "left out: 1 short" in output


def test_json_line_and_overlay(folder, tmp_path):
    overlay = tmp_path / "seen.png"
    arguments = [
        "gauge",
        str(folder / "card.png"),
        "--reference",
        "card",
        "--json",
        "--overlay",
        str(overlay),
    ]
    result = run(app, arguments)
    assert result.exit_code == 0
    read = json.loads(result.output)
    assert read["format"] == "eavefall.gauge/1"
    assert [n["complete"] for n in read["needles"]] == [True] * 3
    assert [n["length_mm"] for n in read["needles"]] == pytest.approx([60] * 3, rel=0.03)
    assert cv2.imread(str(overlay)) is not None


def test_one_bad_photo_never_stops_the_rest(folder, tmp_path):
    missing = tmp_path / "missing.jpg"
    photos = [str(missing), str(folder / "bare.png"), str(folder / "card.png")]
    result = run(app, ["gauge", *photos, "--reference", "card", "--json"])
    assert result.exit_code == 1
    lines = [json.loads(line) for line in result.output.splitlines() if line.startswith("{")]
    assert lines[0]["error"]["code"] == "photo-missing"
    assert lines[1]["refused"]["reason"] == "no-reference"
    assert len(lines[2]["needles"]) == 3


def test_unknown_reference_is_told_once():
    result = run(app, ["gauge", "any.jpg", "--reference", "ruler"])
    assert result.exit_code != 0
    assert result.exception.code == "gauge-reference-unknown"


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_sheet(tmp_path, paper):
    out = tmp_path / "sheet.pdf"
    result = run(app, ["gauge", "sheet", str(out), "--paper", paper])
    assert result.exit_code == 0
    assert out.read_bytes().startswith(b"%PDF")
    assert run(app, ["gauge", "sheet", str(out), "--paper", "a0"]).exit_code != 0
