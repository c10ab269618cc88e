"""From draws to an answer, on draws that can be counted."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from eavefall_model.advice.decide import (
    class_probability,
    decide,
    decided_class,
    interval,
    opening_of,
    rounded,
)
from eavefall_model.litter.opening_needed import LADDER, class_index, refusing_opening_mm


def test_the_class_is_fine_enough_in_all_but_the_safe_share() -> None:
    needed = np.array([4.0] * 85 + [0.8] * 10 + [0.4] * 5)
    index, never = class_index(needed), np.zeros(100, dtype=bool)
    assert decide(needed, index, never, 0.04).fineness_class == "extra-fine"
    assert decide(needed, index, never, 0.05).fineness_class == "fine"
    assert decide(needed, index, never, 0.14).fineness_class == "fine"
    assert decide(needed, index, never, 0.15).fineness_class == "coarse"
    assert decide(needed, index, never, 0.05).opening_mm == 0.8


def test_no_guard_when_two_draws_in_three_wait_long_enough() -> None:
    needed = np.full(100, 0.4)
    enough = np.arange(100) < 66
    assert decide(needed, class_index(needed), enough, 0.1).fineness_class == "no-guard-needed"
    assert decide(needed, class_index(needed), np.arange(100) < 65, 0.1).fineness_class == "extra-fine"


@settings(deadline=None)
@given(st.lists(st.sampled_from([11.2, 4.0, 1.18, 0.85, 0.4]), min_size=5, max_size=40), st.floats(0.02, 0.4))
def test_decide_and_its_short_form_agree_and_the_opening_lies_in_the_class(
    draws: list[float], share: float
) -> None:
    needed = np.array(draws)
    index, enough = class_index(needed), np.zeros(len(draws), dtype=bool)
    answer = decide(needed, index, enough, share)
    assert answer.fineness_class == decided_class(index, enough, share)
    assert class_index(np.array([answer.opening_mm]))[0] == answer.index
    # A finer need in one draw never coarsens the answer.
    finer = needed.copy()
    finer[0] = 0.3
    assert decide(finer, class_index(finer), enough, share).index >= answer.index


def test_openings_are_read_at_the_nearest_standard_size() -> None:
    # 6.3 | 6.7, 2.5 | 2.8, 1.0 | 1.12 and 0.5 | 0.56 mm part at their geometric means.
    openings = np.array([6.51, 6.48, 2.66, 2.63, 1.07, 1.05, 0.54, 0.52])
    assert class_index(openings).tolist() == [0, 1, 1, 2, 2, 3, 3, 4]


def test_refusing_opening_is_the_widest_sieve_not_wider_than_the_needle() -> None:
    # ISO 3310-1 sizes: 0.5, 1.0 and 1.4 mm exist, 0.53 mm lies between 0.5 and 0.56.
    thin = np.array([0.5, 0.53, 1.0, 1.5, np.inf])
    np.testing.assert_allclose(refusing_opening_mm(thin), [0.5, 0.5, 1.0, 1.4, LADDER[0].clear_mm])


def test_shares_intervals_and_rounding() -> None:
    needed = np.array([4.0, 4.0, 0.8, 0.4])
    shares = class_probability(class_index(needed), np.array([True, False, False, False]))
    assert shares == {
        "no-guard-needed": 0.25,
        "open": 0,
        "coarse": 0.25,
        "medium": 0,
        "fine": 0.25,
        "extra-fine": 0.25,
    }
    assert interval(np.arange(101.0)).model_dump() == {"low": 10.0, "typical": 50.0, "high": 90.0}
    assert rounded(0.123456) == 0.1235
    assert rounded(1234567.0, 3) == 1230000.0


def test_opening_carries_standard_designations() -> None:
    answer = decide(np.full(10, 0.5), class_index(np.full(10, 0.5)), np.zeros(10, dtype=bool), 0.1)
    opening = opening_of(answer)
    assert opening.high_mm == 0.5
    assert opening.designation_iso == "ISO 3310-1 0.5 mm"
    assert opening.designation_astm == "ASTM E11 No. 35"
    assert 0 < opening.low_mm <= opening.high_mm


def test_ladder_runs_from_wide_to_fine_through_every_class() -> None:
    clear = [rung.clear_mm for rung in LADDER]
    assert clear == sorted(clear, reverse=True)
    assert len(LADDER) == 16
    assert set(class_index(np.array(clear)).tolist()) == {0, 1, 2, 3, 4}
    assert pytest.approx(0.5) in clear


def test_the_opening_names_standard_sizes_and_what_is_sold_in_its_range_and_class() -> None:
    needed = np.full(10, 0.45)
    opening = opening_of(decide(needed, class_index(needed), np.zeros(10, dtype=bool), 0.1))
    assert (opening.low_mm, opening.high_mm) == (0.25, 0.45)
    assert opening.standard_sizes[:2] == ("ISO 3310-1 0.45 mm", "ISO 3310-1 0.425 mm (ASTM E11 No. 40)")
    assert len(opening.standard_sizes) <= 6
    sold = opening.on_market
    assert [each.designation for each in sold] == ["40 mesh mill", "40 mesh market", "50 mesh x 0.009 in"]
    # 40 mesh with 0.254 mm wire: (0.381 / 0.635)^2 = 36 %.
    assert sold[1].open_area == pytest.approx(0.36, abs=0.005)
    for width in (5.6, 2.5, 1.4, 1.0, 0.85, 0.5):
        needed = np.full(10, width)
        wide = opening_of(decide(needed, class_index(needed), np.zeros(10, dtype=bool), 0.1))
        assert all(wide.low_mm <= each.opening_mm <= width * 1.002 for each in wide.on_market)
        assert wide.standard_sizes
