"""Figures of the shipped tagger: counts agree with what ``tag`` says of the same pictures, one by one."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

torch = pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")

from eavefall_datasets.render.scenes import write_dataset  # noqa: E402
from eavefall_datasets.rendered import load_rendered  # noqa: E402
from eavefall_model.photo import decode  # noqa: E402
from eavefall_model.tags.tagger import Tagger  # noqa: E402
from eavefall_training.evaluate import HELD  # noqa: E402
from eavefall_training.shipped import SHIPPED, shipped_figures, with_figures  # noqa: E402


def test_counts_are_those_of_single_answers(tmp_path: Path) -> None:
    write_dataset(tmp_path, 30, seed=3, size=128)
    scenes = load_rendered(tmp_path)
    # Every other place is said to be treeless, whatever it shows: then some are surely read as a tree.
    plants = [replace(scene, species=f"Genus s{i % 5}") for i, scene in enumerate(scenes[::2])]
    treeless = [replace(scene, foliage="none", form=None, subject="other") for scene in scenes[1::2]]
    tagger = Tagger.load()
    figures = {figure.what: figure for figure in shipped_figures(plants, treeless, tagger)}
    verdicts = {
        picture.file_id: tagger.tag(
            decode(picture.path.read_bytes(), fit_px=tagger.fit_px), "x"
        ).verdict.foliage
        for picture in (*plants, *treeless)
    }
    read = [verdicts[p.file_id] for p in treeless]
    as_tree = sum(v.needle == "yes" or v.broad == "yes" for v in read)
    found = figures["no tree, all of these: read as needle or broad"]
    assert as_tree > 0
    assert found.n == len(treeless)
    assert found.value == pytest.approx(as_tree / len(treeless))
    assert found.low < found.value < found.high
    trees = [p for p in plants if any(p.targets)]
    told = [p for p in trees if verdicts[p.file_id].needle != "unsure"]
    wrong = sum((verdicts[p.file_id].needle == "yes") != bool(p.targets[0]) for p in told)
    assert figures["needle: share answered, trees"].value == pytest.approx(len(told) / len(trees))
    assert figures["needle: wrong among answered, trees"].value == pytest.approx(wrong / len(told))
    card = with_figures(tagger.card, list(figures.values()), treeless)
    assert [figure for figure in card.figures if figure.how == SHIPPED] == list(figures.values())
    assert not any(figure.how == HELD for figure in card.figures)
    assert card.sources[-1].use == "tested"
    assert card.sources[-1].pictures == len(treeless)
    assert card.foliage == tagger.card.foliage
