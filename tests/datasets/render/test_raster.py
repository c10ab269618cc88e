"""Coverage against arithmetic: half planes, discs, the plane coordinates of a window."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_datasets.render.camera import Camera
from eavefall_datasets.render.raster import half_plane_coverage, shape, window_mm


@pytest.mark.parametrize("angle", [0, 10, 30, 45, 60, 90, 135, 200, 300])
def test_half_plane_is_the_counted_share_of_the_pixel(angle: int) -> None:
    normal = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
    grid = (np.arange(400) + 0.5) / 400 - 0.5
    x, y = np.meshgrid(grid, grid)
    for distance in (-0.8, -0.6, -0.3, 0.0, 0.1, 0.45, 0.65, 0.8):
        counted = (distance + x * normal[0] + y * normal[1] > 0).mean()
        one = np.ones(1)
        got = half_plane_coverage(distance * one, normal[0] * one, normal[1] * one)[0]
        assert got == pytest.approx(counted, abs=0.004)


@pytest.mark.parametrize("center", [(0.0, 0.0), (0.37, -0.21), (2.5, 1.5)])
def test_disc_has_its_area_and_its_middle(center: tuple[float, float]) -> None:
    camera = Camera(240, 220, 10.0, 500.0)
    turn = np.linspace(0, 2 * np.pi, 720, endpoint=False)
    outline = 8.0 * np.column_stack([np.cos(turn), np.sin(turn)]) + center
    disc = shape(camera, outline, lambda x, y: 8.0 - np.hypot(x - center[0], y - center[1]))
    assert disc is not None
    assert disc.coverage.sum() == pytest.approx(np.pi * 80.0**2, rel=2e-4)
    rows, cols = np.indices(disc.coverage.shape)
    x = (disc.coverage * (cols + disc.cols.start)).sum() / disc.coverage.sum()
    y = (disc.coverage * (rows + disc.rows.start)).sum() / disc.coverage.sum()
    assert np.array([x, y]) == pytest.approx(camera.project(np.array([center]))[0], abs=0.01)


def test_shape_outside_the_picture_is_none() -> None:
    camera = Camera(100, 100, 10.0, 500.0)
    outline = np.array([[50.0, 0], [60, 0], [60, 10], [50, 10]])
    assert shape(camera, outline, lambda x, y: x * 0 + 1) is None


def test_window_coordinates_agree_with_the_camera() -> None:
    camera = Camera(400, 300, 12.0, 500.0, 28.0, 75.0, 40.0, 0.003)
    x, y = window_mm(camera, slice(13, 290), slice(5, 377), 1.5)
    rows, cols = np.mgrid[13:290, 5:377]
    exact = camera.unproject(np.column_stack([cols.ravel(), rows.ravel()]).astype(float), 1.5)
    assert np.abs(np.column_stack([x.ravel(), y.ravel()]) - exact).max() < 0.005
