"""Sampling plans against the tables of ISO 2859-1 / MIL-STD-105E and exact curves against scipy."""

from __future__ import annotations

import pytest
from scipy import stats
from statsmodels.stats.proportion import proportion_confint

from eavefall_service.statistics.plans import (
    AQLS,
    LETTERS,
    SAMPLE_SIZES,
    Plan,
    accept_probability,
    code_letter,
    estimation_size,
    limiting_quality,
    single_plan,
)


def plan_of(letter: str, aql: float, severity: str = "normal") -> Plan:
    """The table's cell: a lot whose level II letter is ``letter``, far larger than its sample."""
    lots = dict(zip("ABCDEFGHJKLMNPQ", (8, 15, 25, 50, 90, 150, 280, 500, 1200, 3200, 10**4, 35_000, 150_000,
                                        500_000, 600_000), strict=True))  # fmt: skip
    if letter == "R":
        return single_plan(600_000, aql, "III", severity)  # type: ignore[arg-type]
    return single_plan(lots[letter], aql, "II", severity)  # type: ignore[arg-type]


def test_row_of_table_I_for_281_to_500() -> None:
    # Table I, reprint read: S-1 B, S-2 C, S-3 D, S-4 E, I F, II H, III J.
    letters = [code_letter(400, level) for level in ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")]
    assert "".join(letters) == "BCDEFHJ"


@pytest.mark.parametrize(
    ("lot", "letter"),
    [(2, "A"), (8, "A"), (9, "B"), (25, "C"), (26, "D"), (90, "E"), (150, "F"), (151, "G"), (500, "H"),
     (501, "J"), (1201, "K"), (3201, "L"), (10_000, "L"), (10_001, "M"), (35_001, "N"), (500_000, "P"),
     (500_001, "Q")],
)  # fmt: skip
def test_level_two_letters_of_table_I(lot: int, letter: str) -> None:
    assert code_letter(lot) == letter


@pytest.mark.parametrize(
    ("letter", "aql", "accept"),
    [("H", 1.0, 1), ("J", 1.0, 2), ("J", 2.5, 5), ("K", 1.0, 3), ("G", 2.5, 2), ("H", 4.0, 5), ("C", 2.5, 0),
     ("F", 10.0, 5), ("M", 1.0, 7), ("L", 0.65, 3), ("N", 2.5, 21), ("R", 0.40, 14)],
)  # fmt: skip
def test_cells_of_table_II_A(letter: str, aql: float, accept: int) -> None:
    plan = plan_of(letter, aql)
    assert (plan.plan_letter, plan.accept, plan.reject) == (letter, accept, accept + 1)
    assert plan.sample_size == SAMPLE_SIZES[LETTERS.index(letter)]


@pytest.mark.parametrize(
    ("letter", "aql", "to", "accept"),
    [("D", 0.65, "F", 0), ("G", 0.65, "F", 0), ("H", 0.65, "J", 1), ("Q", 2.5, "N", 21), ("A", 10.0, "C", 1),
     ("B", 10.0, "C", 1), ("B", 6.5, "A", 0), ("R", 0.010, "Q", 0)],
)  # fmt: skip
def test_arrows_of_table_II_A(letter: str, aql: float, to: str, accept: int) -> None:
    plan = plan_of(letter, aql)
    assert (plan.plan_letter, plan.accept) == (to, accept)


def test_every_cell_has_a_plan_and_tightened_never_passes_more_bad_lots() -> None:
    for letter in LETTERS:
        for aql in AQLS:
            normal, tight = plan_of(letter, aql), plan_of(letter, aql, "tightened")
            # Where the lot is smaller than the plan everything is checked and no curve compares.
            if normal.everything or tight.everything or aql > 6.5 or aql < 0.04:
                continue
            bad = 4 * aql / 100
            assert accept_probability(tight, bad) <= accept_probability(normal, bad) + 1e-12, (letter, aql)


@pytest.mark.parametrize(("letter", "accept"), [("H", 1), ("J", 1), ("K", 2), ("L", 3), ("M", 5), ("N", 8)])
def test_tightened_column_1_0_of_table_II_B(letter: str, accept: int) -> None:
    # From memory; H points down to J.
    assert plan_of(letter, 1.0, "tightened").accept == accept


@pytest.mark.parametrize(
    ("n", "accept", "wrong", "passes", "tolerance"),
    [
        # 7 CFR 42.140: n = 500, Ac = 3; "26 percent" pass at 1.0 and "about 99 percent" at 0.10 per hundred.
        (500, 3, 0.010, 0.26, 0.01),
        (500, 3, 0.001, 0.99, 0.01),
        # 7 CFR 42.141: n = 168, AQL 6.5 (Ac = 16 by 42.109): 95 percent pass at 6.5 per hundred.
        (168, 16, 0.065, 0.95, 0.015),
    ],
)
def test_published_operating_characteristics(
    n: int, accept: int, wrong: float, passes: float, tolerance: float
) -> None:
    plan = Plan(1_000_000, "N", "N", n, accept, 0.25, "normal", False)
    assert accept_probability(plan, wrong) == pytest.approx(passes, abs=tolerance)


def test_operating_characteristic_agrees_with_scipy() -> None:
    plan = single_plan(500, 4.0)
    for wrong in (0.0, 0.01, 0.04, 0.1, 0.3, 1.0):
        infinite = stats.binom.cdf(plan.accept, plan.sample_size, wrong)
        exact = stats.hypergeom.cdf(plan.accept, 500, round(500 * wrong), plan.sample_size)
        assert accept_probability(plan, wrong) == pytest.approx(infinite, abs=1e-11)
        assert accept_probability(plan, wrong, finite=True) == pytest.approx(exact, abs=1e-9)


def test_limiting_quality_is_where_one_lot_in_ten_still_passes() -> None:
    plan = single_plan(1000, 1.0)
    # n = 80, Ac = 2: the 10 % point of the binomial curve is a beta quantile (scipy).
    assert limiting_quality(plan) == pytest.approx(stats.beta.ppf(0.90, 3, 78), abs=1e-9)


def test_whole_lot_is_checked_when_the_plan_is_larger() -> None:
    plan = single_plan(20, 0.10)
    assert plan.everything
    assert plan.sample_size == 20
    # A whole lot checked with Ac = 0 passes only without a wrong survey.
    assert accept_probability(plan, 1 / 20, finite=True) == 0.0


def test_estimation_size_is_the_smallest_that_is_narrow_enough() -> None:
    # Cochran's 385 for 5 points at one half becomes 381 because Wilson is a little narrower there.
    for half, expected in [(0.05, 0.5), (0.03, 0.1), (0.10, 0.02)]:
        n = estimation_size(half, expected=expected)
        for size, enough in [(n, True), (n - 1, False)]:
            low, high = proportion_confint(expected * size, size, method="wilson")
            assert ((high - low) / 2 <= half) is enough
    assert estimation_size(0.05) == 381
    assert estimation_size(0.05, population=1000) == 277  # 381 / (1 + 380/1000) = 276.1
    assert estimation_size(0.05, population=12) == 12


@pytest.mark.parametrize("lot", [0, 1])
def test_no_plan_for_a_lot_of_one(lot: int) -> None:
    with pytest.raises(ValueError, match="check it whole"):
        code_letter(lot)


def test_unknown_aql_names_those_that_exist() -> None:
    with pytest.raises(ValueError, match=r"take one of 0\.01, 0\.015"):
        single_plan(100, 2.0)
