"""Several photos of one tree into one answer, and probabilities into a verdict: by arithmetic."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np
import pytest

from eavefall_model.tags.card import FoliageRule, FormRule, load_card
from eavefall_model.tags.decide import foliage_probability, form_probability, verdict
from eavefall_model.tags.pooling import CORRELATION, pool
from eavefall_model.tags.schema import FoliageVerdict, PhotoQuality, PhotoTags, Verdict
from eavefall_model.vocabulary import FOLIAGE, FORMS, Form, Sure

EVEN = dict.fromkeys(FORMS, 0.2)
QUALITY = PhotoQuality(width_px=1, height_px=1, sharpness=1, exposure=0.5, clipped=0, problems=())


def photo(
    name: str,
    needle: float = 0.5,
    said: Sure = "unsure",
    *,
    form: Mapping[Form, float] = EVEN,
    bad: bool = False,
) -> PhotoTags:
    """A photo by its chance of needles and what its own verdict on them is."""
    foliage = FoliageVerdict(needle=said, broad="unsure", bare="unsure")
    return PhotoTags(
        photo=name, sha256=name, foliage={"needle": needle, "broad": 0.5, "bare": 0.5}, form=dict(form),
        verdict=Verdict(foliage=foliage, form="unsure", form_set=FORMS),
        quality=QUALITY.model_copy(update={"problems": ("blurred",) if bad else ()}), model="m",
    )  # fmt: skip


def odds_of(*photos: PhotoTags) -> float:
    p = pool(photos).foliage["needle"]
    return math.log(p / (1 - p))


def test_many_photos_are_worth_no_more_than_two_strangers() -> None:
    for n in (1, 2, 5, 30):
        found = pool([photo(str(at), 0.8) for at in range(n)])
        assert found.n_effective == pytest.approx(n / (1 + (n - 1) * CORRELATION))
        assert found.n_effective < 2
        assert found.photos == tuple(str(at) for at in range(n))


def test_two_photos_of_one_mind_are_their_weighted_mean_sharpened() -> None:
    first, second = math.log(4), math.log(1.5)
    sharp = 2 / (1 + CORRELATION)
    assert odds_of(photo("a", 0.8), photo("b", 0.6)) == pytest.approx(sharp * (first + second) / 2)
    # Whoever comes first.
    assert odds_of(photo("b", 0.6), photo("a", 0.8)) == pytest.approx(sharp * (first + second) / 2)


def test_a_poor_photo_counts_less_and_never_as_less_than_one_view() -> None:
    assert odds_of(photo("a", 0.8, bad=True)) == pytest.approx(math.log(4))
    good, poor = (
        odds_of(photo("a", 0.9), photo("b", 0.5)),
        odds_of(photo("a", 0.9), photo("b", 0.5, bad=True)),
    )
    # What is poor pulls less toward "don't know", though there are fewer views then.
    share = pool([photo("a", 0.9), photo("b", 0.5, bad=True)])
    weight = (share.n_effective - 1) / (1 - share.n_effective * CORRELATION)
    assert 0 < weight < 1
    assert poor > good
    assert poor == pytest.approx(share.n_effective * math.log(9) / (1 + weight))


def test_one_of_three_moves_the_rest_no_farther_than_its_reach() -> None:
    usual = math.log(4)
    near, far, farther = (odds_of(photo("a", 0.8), photo("b", 0.8), photo("c", p)) for p in (0.7, 0.1, 0.001))
    sharp = 3 / (1 + 2 * CORRELATION)
    assert near == pytest.approx(sharp * (2 * usual + math.log(7 / 3)) / 3)
    # However wrong it is.
    assert far == farther
    assert usual * sharp - far == pytest.approx(sharp * 1.5 / 3)
    # And to the other side by as much.
    up = odds_of(photo("a", 0.3), photo("b", 0.3), photo("c", 0.999))
    assert up - sharp * math.log(3 / 7) == pytest.approx(sharp * 1.5 / 3)


def test_of_an_even_number_the_middle_lies_between_the_two_inner_ones() -> None:
    steps = (-1.0, -0.2, 0.6, 1.0)
    found = odds_of(*(photo(str(at), 1 / (1 + math.exp(-each))) for at, each in enumerate(steps)))
    # All within reach of 0.2, the middle: the plain mean.
    assert found == pytest.approx(4 / (1 + 3 * CORRELATION) * sum(steps) / 4)
    wide = (-3.0, -0.2, 0.6, 3.0)
    found = odds_of(*(photo(str(at), 1 / (1 + math.exp(-each))) for at, each in enumerate(wide)))
    held = (0.2 - 1.5, -0.2, 0.6, 0.2 + 1.5)
    assert found == pytest.approx(4 / (1 + 3 * CORRELATION) * sum(held) / 4)


def test_no_photo_is_believed_beyond_fifty_to_one() -> None:
    assert odds_of(photo("a", 1.0)) == pytest.approx(math.log(50))
    assert odds_of(photo("a", 0.0)) == pytest.approx(-math.log(50))


def test_forms_pool_to_their_powers() -> None:
    form: dict[Form, float] = dict(zip(FORMS, (0.4, 0.3, 0.1, 0.1, 0.1), strict=True))
    one, two = (pool([photo(str(at), form=form) for at in range(n)]) for n in (1, 2))
    assert one.form == pytest.approx(form)
    sharp = {each: p ** (2 / (1 + CORRELATION)) for each, p in form.items()}
    assert two.form == pytest.approx({each: p / sum(sharp.values()) for each, p in sharp.items()})
    # A form that a photo gives no chance is taken at one in fifty.
    sure: dict[Form, float] = dict(zip(FORMS, (1.0, 0, 0, 0, 0), strict=True))
    assert pool([photo("a", form=sure)]).form[FORMS[1]] == pytest.approx((1 / 50) / (1 + 4 / 50))


@pytest.mark.parametrize(
    ("photos", "flagged"),
    [
        # Sure of one thing against all others: that one.
        ([("a", 0.9, "yes"), ("b", 0.9, "yes"), ("c", 0.05, "no")], ("c",)),
        ([("a", 0.1, "no"), ("b", 0.1, "no"), ("c", 0.95, "yes")], ("c",)),
        # Two that are sure of opposite things: both.
        ([("a", 0.95, "yes"), ("b", 0.05, "no")], ("a", "b")),
        # Nobody contradicts who is not sure.
        ([("a", 0.9, "yes"), ("b", 0.4, "unsure"), ("c", 0.3, "unsure")], ()),
        ([("a", 0.9, "yes")], ()),
        # However little the pooled answer leans to one side, it is the other side's that is looked at.
        ([("a", 0.6, "yes"), ("b", 0.6, "yes"), ("c", 0.4, "no")], ("c",)),
        ([("a", 0.4, "no"), ("b", 0.4, "no"), ("c", 0.6, "yes")], ("c",)),
    ],
)
def test_photos_to_look_at_are_those_that_contradict(
    photos: list[tuple[str, float, Sure]], flagged: tuple[str, ...]
) -> None:
    assert pool([photo(*each) for each in photos]).check_photos == flagged


def test_one_photo_keeps_its_verdict_and_several_are_judged_as_closer_looks_are() -> None:
    assert pool([photo("a", 0.999, "no")]).verdict.foliage.needle == "no"
    card = load_card()
    assert card.closer is not None
    closer = card.closer
    rule = closer.foliage["needle"].model_copy(update={"yes_from": 0.85, "no_to": 0.2})
    told = card.model_copy(
        update={"closer": closer.model_copy(update={"foliage": {**closer.foliage, "needle": rule}})}
    )
    for p, said in ((0.8, "yes"), (0.7, "unsure"), (0.2, "no")):
        assert pool([photo("a", p), photo("b", p)], card=told).verdict.foliage.needle == said


# ---- from scores to words


def rules(**more: float) -> dict[str, FoliageRule]:
    plain = {"slopes": (1.0, 0.0, 0.0), "offset": 0.0, "yes_from": 0.8, "no_to": 0.2, **more}
    return {label: FoliageRule.model_validate(plain) for label in FOLIAGE}


def test_a_probability_is_the_logistic_of_slopes_times_scores_and_offset() -> None:
    rule = FoliageRule(slopes=(2.0, -1.0, 0.5), offset=0.25, yes_from=0.9, no_to=0.1)
    found = foliage_probability(np.array([0.3, 0.8, 1.0]), dict.fromkeys(FOLIAGE, rule))
    assert found["needle"] == pytest.approx(1 / (1 + math.exp(-(0.6 - 0.8 + 0.5 + 0.25))))
    # Far out it ends at certainty and does not overflow.
    far = foliage_probability(np.array([1e4, 0.0, 0.0]), rules())  # type: ignore[arg-type]
    assert far["needle"] == pytest.approx(1.0)


def test_forms_are_a_softmax_over_the_temperature() -> None:
    scores = np.array([2.0, 1.0, 0.0, 0.0, -1.0])
    found = form_probability(scores, FormRule(temperature=2.0, sure_from=0.5, set_mass=0.9))
    assert sum(found.values()) == pytest.approx(1)
    assert found[FORMS[0]] / found[FORMS[1]] == pytest.approx(math.exp(0.5))
    assert found[FORMS[1]] / found[FORMS[4]] == pytest.approx(math.exp(1.0))


FORM = FormRule(temperature=1.0, sure_from=0.5, set_mass=0.75)
SHARES: dict[Form, float] = dict(zip(FORMS, (0.1, 0.5, 0.25, 0.1, 0.05), strict=True))


@pytest.mark.parametrize(
    ("p", "said"), [(0.8, "yes"), (0.79, "unsure"), (0.21, "unsure"), (0.2, "no"), (0.0, "no")]
)
def test_thresholds_belong_to_the_sure_answer(p: float, said: str) -> None:
    found = verdict({"needle": p, "broad": 0.5, "bare": 0.5}, SHARES, rules(), FORM)  # type: ignore[arg-type]
    assert found.foliage.needle == said


def test_the_set_of_forms_is_the_fewest_that_reach_the_mass() -> None:
    leaves = {"needle": 0.9, "broad": 0.0, "bare": 0.0}
    found = verdict(leaves, SHARES, rules(), FORM)  # type: ignore[arg-type]
    assert found.form_set == (FORMS[1], FORMS[2])
    assert found.form == FORMS[1]
    doubtful = FORM.model_copy(update={"sure_from": 0.51, "set_mass": 0.76})
    found = verdict(leaves, SHARES, rules(), doubtful)  # type: ignore[arg-type]
    assert found.form == "unsure"
    assert len(found.form_set) == 3


@pytest.mark.parametrize(
    ("needle", "broad", "named"), [(0.0, 0.0, False), (0.5, 0.0, True), (0.0, 0.5, True)]
)
def test_no_form_is_named_where_no_leaf_can_be(needle: float, broad: float, named: bool) -> None:
    seen = {"needle": needle, "broad": broad, "bare": 1.0}
    found = verdict(seen, SHARES, rules(), FORM)  # type: ignore[arg-type]
    assert (found.form != "unsure") is named
    assert (found.form_set == FORMS) is not named
