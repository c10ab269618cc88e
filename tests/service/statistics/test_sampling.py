"""Draws: replayable, unbiased, and spread over branch, rep and answer."""

from __future__ import annotations

import random
from collections import Counter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from eavefall_service.statistics.sampling import Listed, draw, second_readers


def office(n: int, seed: int = 1) -> list[Listed]:
    pick = random.Random(seed)
    return [
        Listed(
            f"branch-{pick.choices('abcde', (5, 4, 3, 2, 1))[0]}",
            f"rep-{pick.randrange(8)}",
            pick.choices(("fine", "extra-fine", "unsure"), (6, 3, 1))[0],
            f"s{i:05d}",
        )
        for i in range(n)
    ]


def test_same_list_and_seed_draw_the_same_whatever_the_order() -> None:
    listed = office(500)
    turned = listed[::-1]
    assert draw(listed, 60, 7) == draw(turned, 60, 7)
    assert draw(listed, 60, 7).surveys != draw(listed, 60, 8).surveys
    changed = [*listed[:-1], Listed("x", "y", "fine", "new")]
    assert draw(changed, 60, 7).list_sha256 != draw(listed, 60, 7).list_sha256


@given(st.integers(0, 200), st.integers(0, 10**9))
def test_every_draw_has_its_size_without_repeats(size: int, seed: int) -> None:
    drawn = draw(office(200), size, seed)
    assert len({s.survey for s in drawn.surveys}) == size == len(drawn.surveys)
    assert sum(s.weight for s in drawn.surveys) == pytest.approx(200 if size else 0)


@pytest.mark.parametrize("level", [("branch",), ("branch", "rep"), ("branch", "rep", "answer")])
def test_each_stratum_gets_its_share_to_within_one(level: tuple[str, ...]) -> None:
    listed, size = office(1000), 130
    whole = Counter(tuple(getattr(s, part) for part in level) for s in listed)
    for seed in range(20):
        taken = Counter(tuple(getattr(s, part) for part in level) for s in draw(listed, size, seed).surveys)
        for stratum, count in whole.items():
            assert abs(taken[stratum] - count * size / 1000) < 1 + 1e-9


def test_every_survey_is_equally_likely() -> None:
    listed, size, runs = office(60), 17, 4000
    counts = Counter(s.survey for seed in range(runs) for s in draw(listed, size, seed).surveys)
    expected = runs * size / 60
    # Six standard deviations of a binomial count: fails for one survey in a billion by chance.
    allowed = 6 * (runs * (size / 60) * (1 - size / 60)) ** 0.5
    assert all(abs(counts[s.survey] - expected) < allowed for s in listed)


def test_bad_draws_are_refused() -> None:
    with pytest.raises(ValueError, match="cannot draw 3 of 2"):
        draw(office(2), 3, 1)
    with pytest.raises(ValueError, match="listed twice"):
        draw([*office(2), office(2)[0]], 1, 1)


def test_second_reader_is_never_the_first_and_work_is_even() -> None:
    surveys = [f"s{i}" for i in range(90)]
    first = ["ana", "ben", "cy"] * 30
    second = second_readers(surveys, first, ["ana", "ben", "cy"], 0.5, 3)
    assert len(second) == 45
    assert all(second[s] != f for s, f in zip(surveys, first, strict=True) if s in second)
    load = Counter(second.values())
    assert max(load.values()) - min(load.values()) <= 2
    with pytest.raises(ValueError, match="at least two auditors"):
        second_readers(["s"], ["ana"], ["ana"], 1, 1)
