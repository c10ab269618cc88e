"""The printed sheet: true to size, and every marker where the layout says, read back by OpenCV's detector."""

import io
import re
import shutil
import subprocess

import cv2
import numpy as np
import pytest

from eavefall_model.gauge.references import MARKER_DICTIONARY, MARKER_MM, layout_for, paper_of_marker
from eavefall_model.gauge.sheet import write_sheet


@pytest.mark.parametrize(("paper", "points"), [("letter", (612, 792)), ("a4", (595.28, 841.89))])
def test_page_size_in_points(paper, points):
    out = io.BytesIO()
    write_sheet(out, paper)
    box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", out.getvalue())
    assert (float(box[1]), float(box[2])) == pytest.approx(points, abs=0.02)


def test_same_bytes_every_time():
    first, second = io.BytesIO(), io.BytesIO()
    write_sheet(first)
    write_sheet(second)
    assert first.getvalue() == second.getvalue()


def test_printers_are_told_not_to_scale_and_the_index_still_holds():
    out = io.BytesIO()
    write_sheet(out)
    pdf = out.getvalue()
    assert pdf.count(b"/PrintScaling/None") == 1
    # Cross-reference table (ISO 32000-1, 7.5.4): every offset is where its object begins.
    start = int(re.search(rb"startxref\s+(\d+)", pdf)[1])
    rows = re.findall(rb"(\d{10}) \d{5} n", pdf[start:])
    assert len(rows) > 5
    for number, offset in enumerate(map(int, rows), 1):
        assert pdf[offset:].startswith(b"%d 0 obj" % number)


@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_layout_keeps_field_markers_and_ruler_apart(paper):
    layout = layout_for(paper)
    width, height = layout.page_mm
    left, top, right, bottom = layout.field
    assert right - left > 140
    assert bottom - top > 190
    boxes = [(x, y, x + MARKER_MM, y + MARKER_MM) for x, y in layout.markers.values()]
    x0, y, length = layout.ruler
    boxes.append((x0, y - 4, x0 + length, y + 3))
    for k, (a, b, c, d) in enumerate(boxes):
        assert min(a, b) >= 6
        assert c <= width - 6
        assert d <= height - 6
        assert c < left or a > right or d < top or b > bottom
        assert all(c < e or a > g or d < f or b > h for e, f, g, h in boxes[:k])
    assert length == 100
    assert {paper_of_marker(number) for number in layout.markers} == {paper}


def test_papers_share_no_marker():
    assert not set(layout_for("letter").markers) & set(layout_for("a4").markers)
    assert paper_of_marker(49) is None


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs poppler's pdftoppm to rasterise")
@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_printed_markers_are_where_the_layout_says(paper, tmp_path):
    write_sheet(tmp_path / "sheet.pdf", paper)
    subprocess.run(
        ["pdftoppm", "-r", "508", "-gray", "-singlefile", tmp_path / "sheet.pdf", tmp_path / "sheet"],
        check=True,
    )
    page = cv2.imread(str(tmp_path / "sheet.pgm"), cv2.IMREAD_GRAYSCALE)
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, numbers, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(page)
    layout = layout_for(paper)
    assert set(numbers.ravel().tolist()) == set(layout.markers)
    for number, box in zip(numbers.ravel().tolist(), corners, strict=True):
        # 508 dots per inch are twenty per millimeter
        assert np.abs((box.reshape(4, 2) + 0.5) / 20 - layout.corners_mm(number)).max() < 0.1
    # the ruler's first and last tick are 100 mm apart
    x0, y, length = layout.ruler
    row = page[round((y - 3.5) * 20)]
    ticks = np.flatnonzero(row[round((x0 - 3) * 20) : round((x0 + length + 3) * 20)] < 128)
    assert (ticks[-1] - ticks[0]) / 20 == pytest.approx(100, abs=0.2)
