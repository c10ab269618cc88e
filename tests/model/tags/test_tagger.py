"""The shipped tagger: loads, agrees with its card, shows where it looked; pooling by arithmetic."""

from __future__ import annotations

import csv
import io
from importlib import resources

import numpy as np
import pytest
from PIL import Image

from eavefall_model.errors import EavefallError
from eavefall_model.photo import Photo, decode
from eavefall_model.tags.card import load_card
from eavefall_model.tags.decide import foliage_probability
from eavefall_model.tags.overlay import draw
from eavefall_model.tags.pooling import CORRELATION, pool
from eavefall_model.tags.preprocess import cut, to_square
from eavefall_model.tags.schema import FoliageVerdict, PhotoQuality, PhotoTags, Verdict
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE, FORMS


@pytest.fixture(scope="module")
def photo() -> Photo:
    pixels = np.random.default_rng(0).integers(0, 255, (300, 400, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(pixels).save(out, "PNG")
    return decode(out.getvalue())


def test_loads_once_and_answers(photo: Photo) -> None:
    tagger = Tagger.load()
    assert tagger is Tagger.load()
    tags = tagger.tag(photo, "noise")
    assert set(tags.foliage) == set(FOLIAGE)
    assert sum(tags.form.values()) == pytest.approx(1)
    assert tags.model == tagger.model_id
    assert tags == tagger.tag(photo, "noise")


def test_evidence_features_and_overlay(photo: Photo) -> None:
    tagger = Tagger.load()
    for label in FOLIAGE:
        evidence = tagger.evidence(photo, label)
        assert evidence.min() >= 0
        assert evidence.max() <= 1
    assert np.linalg.norm(tagger.features(photo)) == pytest.approx(1, abs=1e-5)
    before = photo.rgb.copy()
    assert draw(photo.rgb, evidence).shape == photo.rgb.shape
    assert (photo.rgb == before).all()


def test_a_sure_first_look_is_not_asked_again_and_an_unsure_one_is(photo: Photo) -> None:
    shipped = Tagger.load()
    weights = resources.files("eavefall_model.tags").joinpath(shipped.card.weights_file).read_bytes()
    first, closer = shipped.logits(photo), shipped.closer_logits(photo)
    for sure in (True, False):
        # Thresholds that answer everything, or nothing, at the first look.
        rules = {
            label: rule.model_copy(
                update={"no_to": 0.5, "yes_from": 0.5} if sure else {"no_to": 0.0, "yes_from": 1.0}
            )
            for label, rule in shipped.card.foliage.items()
        }
        card = shipped.card.model_copy(update={"foliage": rules})
        found = Tagger(weights, card).tag(photo, "x").foliage
        assert card.closer is not None
        expected = (
            foliage_probability(first[:3], rules)
            if sure
            else foliage_probability(closer[:3], card.closer.foliage)
        )
        assert found == pytest.approx(expected)
    assert first.tolist() != closer.tolist()


def test_a_closer_look_sees_the_corners() -> None:
    square = np.arange(100).reshape(10, 10, 1).repeat(3, axis=2).astype(np.uint8)
    assert (cut(square, (0.0, 0.0, 0.6)) == square[:6, :6]).all()
    assert (cut(square, (0.4, 0.4, 0.6)) == square[4:, 4:]).all()
    assert (cut(square, (0.4, 0.0, 0.6)) == square[:6, 4:]).all()


def test_card_and_credits_belong_to_the_weights() -> None:
    card = load_card()
    folder = resources.files("eavefall_model.tags")
    assert len(folder.joinpath(card.weights_file).read_bytes()) < 12e6
    with pytest.raises(EavefallError, match="not those the card describes"):
        Tagger(b"other", card)
    rows = list(csv.DictReader(folder.joinpath("credits.csv").read_text(encoding="utf-8").splitlines()))
    assert len(rows) == sum(s.pictures for s in card.sources if s.use == "trained")
    assert all(figure.n > 0 for figure in card.figures)
    for row in rows:
        assert not any(word in row["licence"] for word in ("NC", "ND", "GPL"))
        assert row["credit"] or "BY" not in row["licence"]
        assert "file page" not in row["licence"] or "commons.wikimedia.org/wiki/File:" in row["credit_url"]


def test_square_keeps_left_and_right() -> None:
    wide = np.zeros((40, 80, 3), np.uint8)
    wide[:, 40:] = 200
    square = to_square(wide, 20)
    assert (square[:, :10] == 0).all()
    assert (square[:, 10:] == 200).all()


QUALITY = PhotoQuality(width_px=1, height_px=1, sharpness=1, exposure=0.5, clipped=0, problems=())


def _tags(name: str, needle: float, problems: tuple[str, ...] = ()) -> PhotoTags:
    answer = "yes" if needle > 0.9 else "no" if needle < 0.1 else "unsure"
    return PhotoTags(
        photo=name, sha256=name, foliage={"needle": needle, "broad": 0.5, "bare": 0.5},
        form=dict.fromkeys(FORMS, 0.2),
        verdict=Verdict(
            foliage=FoliageVerdict(needle=answer, broad="unsure", bare="unsure"),
            form="unsure", form_set=FORMS,
        ),
        quality=QUALITY.model_copy(update={"problems": problems}), model="m",
    )  # fmt: skip


def test_one_photo_pools_to_itself_and_more_views_sharpen() -> None:
    one, two, four = (pool([_tags(str(i), 0.8) for i in range(n)]) for n in (1, 2, 4))
    assert one.foliage["needle"] == pytest.approx(0.8)
    assert two.n_effective == pytest.approx(2 / (1 + CORRELATION))
    odds = 4 ** (2 / (1 + CORRELATION))
    assert two.foliage["needle"] == pytest.approx(odds / (1 + odds))
    assert one.foliage["needle"] < two.foliage["needle"] < four.foliage["needle"]
    assert pool([_tags("a", 0.8), _tags("a", 0.8)]).n_effective == 1


def test_one_bad_photo_is_flagged_and_cannot_turn_the_answer() -> None:
    site = pool([_tags("a", 0.95), _tags("b", 0.95), _tags("c", 0.95), _tags("bad", 0.001)])
    assert site.foliage["needle"] > 0.9
    assert site.check_photos == ("bad",)
    assert pool([_tags("a", 0.95), _tags("b", 0.05)]).check_photos == ("a", "b")
    blurred = pool([_tags("a", 0.8), _tags("b", 0.8, ("blurred",))])
    assert blurred.n_effective < pool([_tags("a", 0.8), _tags("b", 0.8)]).n_effective
    with pytest.raises(ValueError, match="no tags"):
        pool([])
