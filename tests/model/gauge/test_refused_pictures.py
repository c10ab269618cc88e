"""Pictures to be refused really lack what they are said to lack."""

from __future__ import annotations

import numpy as np
import pytest

from .refused_pictures import NEGATIVE_KINDS, NegativeKind, render_negative

SIZE = (640, 480)


@pytest.mark.parametrize("kind", NEGATIVE_KINDS)
def test_every_kind_renders_the_same_twice(kind: NegativeKind) -> None:
    one, two = render_negative(kind, 3, SIZE), render_negative(kind, 3, SIZE)
    assert one.shape == (480, 640, 3)
    assert np.array_equal(one, two)
    assert not np.array_equal(one, render_negative(kind, 4, SIZE))


def _sharpness(rgb: np.ndarray) -> float:
    gray = rgb.astype(float).mean(axis=2)
    return float(np.abs(np.diff(gray, axis=1)).max())


def test_blank_has_no_edge_and_blur_and_shake_take_edges_away() -> None:
    sharp = _sharpness(render_negative("no_reference", 1, SIZE))
    assert _sharpness(render_negative("blank", 1, SIZE)) < sharp / 3
    assert _sharpness(render_negative("blurred", 1, SIZE)) < sharp / 3
    assert (render_negative("glare", 1, SIZE) == 255).all(axis=2).mean() > 0.15
