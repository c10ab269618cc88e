"""The last layer: against scikit-learn, by arithmetic, and written into a real file."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

import numpy as np
import pytest

pytestmark = pytest.mark.training
pytest.importorskip("torch")
from sklearn.linear_model import LogisticRegression  # noqa: E402

from eavefall_datasets.picture import Picture  # noqa: E402
from eavefall_model.photo import Photo, decode  # noqa: E402
from eavefall_model.tags.folder import tagger_of  # noqa: E402
from eavefall_model.tags.tagger import Tagger  # noqa: E402
from eavefall_training.described import Described  # noqa: E402
from eavefall_training.refit import Refit, apply_refit, choose_ridge, fit_change, write_candidate  # noqa: E402


def made_up(n: int, seed: int, *, informative: bool) -> Described:
    random = np.random.default_rng(seed)
    features = random.standard_normal((n, 12)).astype(np.float32)
    score = features[:, 0] * 2 if informative else random.standard_normal(n)
    needle = (score + 0.5 * random.standard_normal(n) > 0).astype(np.int64)
    foliage = np.column_stack([needle, 1 - needle, np.zeros(n, np.int64)])
    pictures = tuple(
        Picture(f"p{i}", Path("x.jpg"), "needle" if yes else "broad", None, "tree", "", "s", "CC0", "", "")
        for i, yes in enumerate(needle)
    )
    return Described(
        pictures, features, np.zeros((n, 8), np.float32), foliage, np.full(n, -1, np.int64), np.ones(n)
    )


def test_change_agrees_with_scikit_learn() -> None:
    data = made_up(300, 1, informative=True)
    weight, bias = fit_change(data, ridge=1.0, scale=1.0)
    # Ours: mean loss + ridge/n * |w|^2, bias included; scikit-learn: C * sum of losses + |w|^2 / 2.
    ones = np.column_stack([data.features, np.ones(300)])
    reference = LogisticRegression(C=0.5, fit_intercept=False, tol=1e-10, max_iter=5000)
    expected = reference.fit(ones, data.foliage[:, 0]).coef_[0]
    np.testing.assert_allclose([*weight[0], bias[0]], expected, atol=2e-3)
    np.testing.assert_allclose(weight[1], -weight[0], atol=2e-3)


def test_form_scores_stay_where_no_form_is_known() -> None:
    weight, _ = fit_change(made_up(80, 2, informative=True), ridge=1.0, scale=1.0)
    np.testing.assert_allclose(weight[3:], 0, atol=1e-6)


def test_no_change_where_nothing_can_be_learned() -> None:
    data = made_up(200, 3, informative=False)
    # The start already says what is known: nothing; features are noise.
    found = choose_ridge(data, np.arange(200) % 4)
    assert found.held_out_loss[found.ridge] <= found.held_out_loss[0.0]
    learned = choose_ridge(made_up(200, 3, informative=True), np.arange(200) % 4)
    assert learned.ridge > 0
    assert learned.held_out_loss[learned.ridge] < 0.8 * learned.held_out_loss[0.0]


def noise_photo() -> Photo:
    import io

    from PIL import Image

    pixels = np.random.default_rng(4).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return decode(out.getvalue(), name="noise")


def test_candidate_scores_what_the_change_says(tmp_path: Path) -> None:
    tagger, photo = Tagger.load(), noise_photo()
    before, features = tagger.scores(photo)
    random = np.random.default_rng(5)
    change = Refit(
        random.normal(0, 0.02, (8, 1280)).astype(np.float32),
        random.normal(0, 0.1, 8).astype(np.float32),
        1.0,
        {},
        9,
    )
    weights = resources.files("eavefall_model.tags").joinpath(tagger.card.weights_file).read_bytes()
    write_candidate(change, weights, tagger.card, "candidate", (), tmp_path)
    new = tagger_of(tmp_path)
    expected = before + change.weight @ features + change.bias
    # Half-precision weights: a thousandth of each of 1280 products, in root sum of squares.
    np.testing.assert_allclose(new.scores(photo)[0], expected, atol=0.02)
    np.testing.assert_allclose(new.scores(photo)[1], features, atol=1e-5)
    assert new.card.name == "candidate"
    assert "this office only" in new.card.weights_licence
    assert new.card.recipe["refit_pictures"] == 9
    data = Described((), features[None], before[None], np.zeros((1, 3), np.int64), np.array([-1]), np.ones(1))
    np.testing.assert_allclose(apply_refit(data, change.weight, change.bias)[0], expected, atol=1e-4)
