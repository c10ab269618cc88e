"""Broken and hostile files written by others: an upright picture or a stable code, nothing else.

Corpora (not in this repository, see ../shared/corpora/README.md): libjpeg-turbo and afl fuzz JPEGs
(Apache-2.0), Pillow's regression images (MIT-CMU), PngSuite, exif-orientation-examples (MIT).
"""

from __future__ import annotations

import tarfile
import warnings
from collections import Counter
from pathlib import Path

import cv2
import numpy as np
import pytest

from eavefall_model.errors import PhotoError
from eavefall_model.photo import Photo, decode

CORPORA = Path(__file__).resolve().parents[2].parent / "shared" / "corpora"
pytestmark = [
    pytest.mark.shared,
    pytest.mark.skipif(
        not CORPORA.is_dir(), reason="../shared/corpora is absent: 5,826 hostile files NOT tested"
    ),
]


def files(archive: str) -> list[tuple[str, bytes]]:
    with tarfile.open(CORPORA / archive) as tar:
        members = [member for member in tar if member.isfile()]
        return [(member.name, tar.extractfile(member).read()) for member in members]  # type: ignore[union-attr]


def outcome(name: str, data: bytes) -> str:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # Pillow's notes on odd files are not what is tested here
        try:
            photo = decode(data, name=name, fit_px=256)
        except PhotoError as error:
            return error.code
    assert photo.rgb.ndim == 3
    assert photo.rgb.dtype == np.uint8
    return "read"


@pytest.mark.parametrize("archive", ["afl-jpeg-apache2.tar.xz", "pillow-mitcmu.tar.xz", "pngsuite.tar.xz"])
def test_every_file_is_read_or_refused_by_code(archive: str) -> None:
    counts = Counter(outcome(name, data) for name, data in files(archive))
    print(archive, dict(counts))
    assert sum(counts.values()) > 100
    assert len(counts) > 2


def test_orientation_examples_are_one_picture() -> None:
    upright: dict[str, list[Photo]] = {"Landscape": [], "Portrait": []}
    for name, data in files("orientation-mit.tar.xz"):
        stem = Path(name).stem
        kind, _, number = stem.partition("_")
        if kind in upright and number.isdigit() and 1 <= int(number) <= 8 and name.lower().endswith("jpg"):
            upright[kind].append(decode(data, name=name))
    for kind, photos in upright.items():
        assert len(photos) >= 8, kind
        small = [
            cv2.resize(photo.rgb, (60, 60), interpolation=cv2.INTER_AREA).astype(int) for photo in photos
        ]
        # The pictures carry their number; away from it they agree within 2 grey levels on average.
        for one in small[1:]:
            assert np.median(np.abs(one - small[0])) <= 2
