"""A photo read the same way by everybody, and a person's word over the tagger's."""

from __future__ import annotations

import numpy as np
import pytest

from eavefall_model.photo import display_jpeg
from eavefall_model.reading import decode_to_read, read_photo
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE, FORMS


@pytest.fixture(scope="module")
def tagger() -> Tagger:
    return Tagger.load()


@pytest.fixture(scope="module")
def jpeg() -> bytes:
    noise = np.random.default_rng(0).integers(0, 255, (1500, 2000, 3), np.uint8)
    return display_jpeg(noise, long_side_px=2000)


def test_needles_are_measured_on_every_pixel_and_tags_on_those_that_the_tagger_looks_at(
    tagger: Tagger, jpeg: bytes
) -> None:
    gauge = decode_to_read(jpeg, name="g", shows="gauge", tagger=tagger)
    assert gauge.rgb.shape == (1500, 2000, 3)
    tree = decode_to_read(jpeg, name="t", shows="tree", tagger=tagger)
    assert tagger.fit_px <= min(tree.rgb.shape[:2]) < 2 * tagger.fit_px
    assert (tree.width_px, tree.height_px) == (2000, 1500)


def test_what_a_photo_shows_decides_what_is_read_of_it(tagger: Tagger, jpeg: bytes) -> None:
    tree = read_photo(jpeg, name="t", shows="tree", tagger=tagger)
    assert tree.tags is not None
    assert (tree.photo, tree.tags.photo, tree.gauge, tree.failure) == ("t", "t", None, None)
    assert read_photo(jpeg, name="t", shows="closeup", tagger=tagger) == tree
    gutter = read_photo(jpeg, name="r", shows="gutter", tagger=tagger)
    assert (gutter.tags, gutter.gauge, gutter.failure) == (None, None, None)
    assert gutter.gutter is None
    into = read_photo(jpeg, name="r", shows="gutter", reference="k_style:5in", tagger=tagger)
    assert into.gutter is not None
    assert into.gutter.refused is not None
    gauge = read_photo(jpeg, name="g", shows="gauge", reference="card", tagger=tagger)
    assert gauge.gauge is not None
    assert gauge.gauge.refused is not None
    assert gauge.tags is None


@pytest.mark.parametrize(
    ("data", "shows", "reference", "code"),
    [
        (b"", "tree", None, "photo-empty"),
        (b"no photo", "tree", None, "photo-wrong-type"),
        (None, "gauge", "ruler", "gauge-reference-unknown"),
    ],
)
def test_what_cannot_be_read_comes_back_with_its_code(
    data: bytes | None, shows: str, reference: str | None, code: str, tagger: Tagger, jpeg: bytes
) -> None:
    given = jpeg if data is None else data
    reading = read_photo(given, name="x", shows=shows, reference=reference, tagger=tagger)  # type: ignore[arg-type]
    assert reading.failure is not None
    assert reading.failure.code == code
    assert reading.tags is reading.gauge is None


def test_a_persons_word_stands_for_the_taggers(tagger: Tagger, jpeg: bytes) -> None:
    seen = read_photo(jpeg, name="t", shows="tree", tagger=tagger)
    said = seen.corrected(("needle",), "long_needle", "the rep").tags
    assert said is not None
    assert seen.tags is not None
    assert said.foliage == {"needle": 0.97, "broad": pytest.approx(0.03), "bare": pytest.approx(0.03)}
    assert said.form["long_needle"] == 0.97
    assert sum(said.form.values()) == pytest.approx(1.0)
    assert {getattr(said.verdict.foliage, each) for each in FOLIAGE} == {"yes", "no"}
    assert (said.verdict.form, said.verdict.form_set) == ("long_needle", ("long_needle",))
    assert said.model == f"{tagger.model_id}; corrected by the rep"
    # Foliage alone leaves the form to the tagger.
    part = seen.corrected(("broad", "bare"), None, "the auditor").tags
    assert part is not None
    assert [part.form[each] for each in FORMS] == [seen.tags.form[each] for each in FORMS]
    assert (part.verdict.foliage.needle, part.verdict.foliage.broad, part.verdict.foliage.bare) == (
        "no", "yes", "yes",
    )  # fmt: skip
    # Nothing that was read cannot be corrected.
    gutter = read_photo(jpeg, name="r", shows="gutter", tagger=tagger)
    assert gutter.corrected(("needle",), None, "the rep") is gutter
