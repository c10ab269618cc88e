"""The whole walk on real photos: pines ask for an extra-fine screen, oaks do not, distance matters.

Photos: ../shared/imagery (openly licensed, credited in its manifest), read from there and never copied.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from eavefall_model.advice import Advice, OfficeSettings
from eavefall_model.vocabulary import FINENESS_CLASSES
from eavefall_service.walk import Walk, walk_survey

PHOTOS = Path(__file__).resolve().parents[2].parent / "shared" / "imagery" / "photos"
pytestmark = [
    pytest.mark.shared,
    pytest.mark.skipif(not PHOTOS.is_dir(), reason="../shared/imagery is absent: real photos NOT tested"),
]
WHITE_PINE = ("oscarfree_c27782916acd.jpg",)
PINES = ("kenakofer_e6f39b6c503f.jpg", "kenakofer_fbd7979e97c9.jpg", "oscarfree_c27782916acd.jpg")
OAKS = ("kenakofer_10e51078e56c.jpg", "kenakofer_450f6c6751a4.jpg", "oscarfree_bc7179a50914.jpg")


def walk(folder: Path, photos: tuple[str, ...], tree: str) -> Walk:
    beside = {name: os.path.relpath(PHOTOS / name, folder) for name in photos}
    listed = "\n".join(f"  - {{file: {path}, of: tall one}}" for path in beside.values())
    path = folder / "survey.yaml"
    path.write_text(
        f"""
name: A house by tall trees (invented)
photos:
{listed}
trees:
  - {{name: tall one, count: 2, height: 18 m, crown_radius: 4 m, bearing: W, eave: back, {tree}}}
eaves:
  - {{name: back, length: 12 m, height: 3 m, roof_run: 4 m, pitch: 6/12, facing: W,
     gutter: {{width: 5", profile: k_style, condition: sound}}}}
wind: {{from: W, prevails: clearly}}
"""
    )
    return walk_survey(path, OfficeSettings(draws=800))


def place(folder: Path, photos: tuple[str, ...]) -> Advice:
    """Photos of the whole place, no tree listed, a household that hardly ever cleans."""
    listed = "\n".join(f"  - {{file: {os.path.relpath(PHOTOS / name, folder)}}}" for name in photos)
    path = folder / "place.yaml"
    path.write_text(
        f"""
name: A house whose trees nobody listed (invented)
photos:
{listed}
eaves:
  - {{name: back, length: 12 m, height: 3 m, roof_run: 4 m, pitch: 6/12, facing: W,
     gutter: {{width: 5", profile: k_style, condition: sound}}}}
household: {{cleanings_per_year: 0.25}}
"""
    )
    done = walk_survey(path, OfficeSettings(draws=800))
    assert not done.failures
    return done.advice


def finer_or_same(one: Advice, other: Advice) -> bool:
    """Whether ``one`` asks for a screen at least as fine as ``other``; no guard is the coarsest answer."""
    order = ("no-guard-needed", *FINENESS_CLASSES)
    return order.index(one.fineness_class) >= order.index(other.fineness_class)


def test_white_pines_ask_for_extra_fine(tmp_path: Path) -> None:
    near = walk(tmp_path, WHITE_PINE, "species: Pinus strobus, distance: 3 m")
    assert not near.failures
    assert near.advice.fineness_class == "extra-fine"
    assert near.advice.recommended_guard == "woven_micromesh"


def test_pine_photos_alone_take_the_safe_side_and_ask_for_the_needle(tmp_path: Path) -> None:
    advice = walk(tmp_path, PINES, "distance: 3 m").advice
    assert advice.fineness_class == "extra-fine"
    asked = " ".join(step.sentence for step in advice.measure_next).lower()
    assert "needle" in asked


def test_oaks_alone_do_not(tmp_path: Path) -> None:
    advice = walk(tmp_path, OAKS, "distance: 3 m").advice
    assert advice.fineness_class not in ("extra-fine", "fine")


def test_one_pine_among_oaks_is_not_outvoted(tmp_path: Path) -> None:
    oaks, among = place(tmp_path, OAKS), place(tmp_path, (PINES[0], *OAKS))
    assert oaks.fineness_class not in ("extra-fine", "fine")
    assert among.fineness_class == "extra-fine"
    assert [Path(photo).name for photo in among.check_photos] == [PINES[0]]


def test_the_same_pines_forty_meters_away_change_the_advice(tmp_path: Path) -> None:
    near = walk(tmp_path, WHITE_PINE, "species: Pinus strobus, distance: 3 m").advice
    far = walk(tmp_path, WHITE_PINE, "species: Pinus strobus, distance: 40 m").advice
    assert finer_or_same(near, far)
    assert (far.fineness_class, far.recommended_guard) != (near.fineness_class, near.recommended_guard)
    assert far.interval_unguarded_months.typical > near.interval_unguarded_months.typical
    said = " ".join(reason.sentence for reason in far.reasons).replace("\u00a0", " ")
    assert "40 m" in said or "131 ft" in said, said
