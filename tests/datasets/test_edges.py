"""Forest edges: both kinds show, labels and credits follow, folds stay whole."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from eavefall_datasets.edges import compose_edge, fold_of_cut_out, write_edges
from eavefall_datasets.picture import Picture

FOLDS, SIZE = 3, 96


def plain(colour: tuple[int, int, int]) -> np.ndarray[tuple[int, ...], np.dtype[np.uint8]]:
    return np.full((24, 24, 4), (*colour, 255), np.uint8)


MAGENTA, CYAN = plain((255, 0, 255)), plain((0, 255, 255))  # no sky, lawn or bark has these


def share(scene: np.ndarray[tuple[int, ...], np.dtype[np.uint8]], *, magenta: bool) -> float:
    red, green, blue = (scene[..., i].astype(int) for i in range(3))
    strong = (red - green > 90) & (blue - green > 90) if magenta else (green - red > 90) & (blue - red > 90)
    return float(strong.mean())


@pytest.mark.parametrize("seed", range(6))
def test_both_kinds_show_and_the_many_cover_more(seed: int) -> None:
    scene = compose_edge(MAGENTA, CYAN, np.random.default_rng(seed), SIZE)
    assert scene.shape == (SIZE, SIZE, 3)
    many, few = share(scene, magenta=True), share(scene, magenta=False)
    assert few > 0.001
    assert many > 0.01
    again = compose_edge(MAGENTA, CYAN, np.random.default_rng(seed), SIZE)
    assert np.array_equal(scene, again)


def test_few_are_few_on_the_whole() -> None:
    scenes = [compose_edge(MAGENTA, CYAN, np.random.default_rng(seed), SIZE) for seed in range(6)]
    many, few = (sum(share(scene, magenta=kind) for scene in scenes) for kind in (True, False))
    assert few < many / 2


@pytest.fixture
def cut_outs(tmp_path: Path) -> list[Picture]:
    made = []
    for name, foliage, colour in (
        ("spruce", "needle", MAGENTA),
        ("fir", "needle", MAGENTA),
        *((f"oak {i}", "broad", CYAN) for i in range(12)),
        ("dead", "bare", CYAN),
    ):
        path = tmp_path / f"{name}.png"
        Image.fromarray(colour).save(path)
        maker = "A. Maker" if foliage == "needle" else "B. Maker"
        form = {"needle": "short_needle", "broad": "broad_leaf"}.get(foliage)
        made.append(
            Picture(
                name, path, foliage, form, "tree", name, "pack", "CC-BY-SA-3.0", maker, "", note=f"art/{name}"
            )
        )
    return made


def test_edges_are_mixed_credit_both_makers_and_stay_in_one_fold(
    cut_outs: list[Picture], tmp_path: Path
) -> None:
    edges = write_edges(cut_outs, tmp_path / "out", folds=FOLDS, each=2, size=SIZE)
    assert [edge.file_id for edge in edges] == [
        "spruce_edge_0",
        "spruce_edge_1",
        "fir_edge_0",
        "fir_edge_1",
    ]
    folds = {picture.file_id: fold_of_cut_out(picture, FOLDS) for picture in cut_outs}
    for edge in edges:
        assert (edge.foliage, edge.form, edge.subject, edge.species) == ("mixed", None, "forest_scene", "")
        assert edge.credit == "A. Maker; B. Maker"
        assert fold_of_cut_out(edge, FOLDS) == folds[edge.file_id.split("_")[0]]
    # Needles are the many in even scenes, the few in odd ones.
    even, odd = (np.asarray(Image.open(edges[i].path)) for i in (0, 1))
    assert share(even, magenta=True) > share(even, magenta=False)
    assert share(odd, magenta=False) > share(odd, magenta=True)


def test_partners_share_licence_and_fold_or_there_is_no_edge(cut_outs: list[Picture], tmp_path: Path) -> None:
    other = [
        replace(picture, licence="CC-BY-4.0") if picture.foliage == "broad" else picture
        for picture in cut_outs
    ]
    assert write_edges(other, tmp_path / "none", folds=FOLDS, size=SIZE) == ()
    home = fold_of_cut_out(cut_outs[0], FOLDS)
    elsewhere = [p for p in cut_outs if p.foliage != "broad" or fold_of_cut_out(p, FOLDS) != home]
    assert all("spruce" not in edge.file_id for edge in write_edges(elsewhere, tmp_path / "x", folds=FOLDS))
