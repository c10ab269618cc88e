"""The drawn gauge sheet, read back by OpenCV's own marker detector."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.needle_spec import NeedleSceneSpec
from eavefall_datasets.render.needles import render
from eavefall_datasets.render.references import Page, ReferenceSpec
from eavefall_model.gauge.references import MARKER_DICTIONARY, layout_for


@pytest.mark.parametrize("page", ["letter", "a4"])
@pytest.mark.parametrize(("tilt", "rotation"), [(0.0, 90.0), (20.0, 30.0), (12.0, 200.0)])
def test_markers_stand_where_the_layout_says(page: Page, tilt: float, rotation: float) -> None:
    camera = Camera(1500, 1500, 4.0, 1800.0, tilt, 40.0, rotation)
    sheet = ReferenceSpec("sheet", 1.5, -2.0, 3.0, light=0.8, hue=(1, 1, 1), page=page)
    spec = NeedleSceneSpec(
        camera, (sheet,), (), paper=(0.2, 0.2, 0.2), grain=0, vignette=0, slope=0, noise=0, blur_px=0.6
    )
    gray = cv2.cvtColor(render(spec).rgb, cv2.COLOR_RGB2GRAY)
    options = cv2.aruco.DetectorParameters()
    options.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, MARKER_DICTIONARY))
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, options).detectMarkers(gray)
    layout = layout_for(page)
    assert set(ids.ravel().tolist()) == set(layout.markers)
    turn = np.radians(3.0)
    spin = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    for number, found in zip(ids.ravel().tolist(), corners, strict=True):
        on_page = np.array(layout.corners_mm(number)) - np.array(layout.page_mm) / 2
        expected = camera.project(on_page @ spin.T + np.array([1.5, -2.0]))
        assert np.abs(found.reshape(4, 2) - expected).max() < 0.6  # a corner of a blurred marker
        assert np.abs(found.reshape(4, 2).mean(axis=0) - expected.mean(axis=0)).max() < 0.2
