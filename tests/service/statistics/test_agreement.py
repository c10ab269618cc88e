"""Kappa against published examples, scikit-learn and statsmodels."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from scipy.special import logit
from sklearn.metrics import cohen_kappa_score, confusion_matrix
from statsmodels.stats.inter_rater import cohens_kappa

from eavefall_service.statistics.agreement import Confusion, Weights, band, kappa

SKLEARN: dict[Weights, str | None] = {"none": None, "linear": "linear", "quadratic": "quadratic"}


def confusion(
    first: Sequence[str],
    second: Sequence[str],
    labels: Sequence[str],
    names: tuple[str, str] = ("first", "second"),
) -> Confusion:
    """Cross-tabulate two readers' answers. An answer that is not in ``labels`` is an error, never dropped."""
    if len(first) != len(second):
        raise ValueError("both readers need one answer per survey")
    place = {label: i for i, label in enumerate(labels)}
    unknown = sorted({*first, *second} - place.keys())
    if unknown:
        raise ValueError(f"answers not among the labels: {', '.join(unknown)}")
    table = np.zeros((len(labels), len(labels)), dtype=np.int64)
    for a, b in zip(first, second, strict=True):
        table[place[a], place[b]] += 1
    return Confusion(tuple(labels), tuple(tuple(map(int, row)) for row in table), *names)


def spread(*counts: int) -> list[str]:
    return [str(label) for label, count in enumerate(counts) for _ in range(count)]


def table(rows: list[list[int]]) -> Confusion:
    labels = tuple(str(i) for i in range(len(rows)))
    return Confusion(labels, tuple(tuple(row) for row in rows), "rep", "auditor")


def test_worked_examples_of_artstein_and_poesio_2008() -> None:
    # Computational Linguistics 34:555, as replayed in scikit-learn's own tests.
    assert kappa(table([[20, 20], [10, 50]])).value == pytest.approx(0.348, abs=5e-4)
    first = spread(46, 44, 10)
    assert kappa(confusion(first, spread(52, 32, 16), "012")).value == pytest.approx(0.8013, abs=5e-5)
    third = confusion(first, spread(50, 40, 10), "012")
    assert kappa(third).value == pytest.approx(0.9315, abs=5e-5)
    assert kappa(third, "linear").value == pytest.approx(0.9412, abs=5e-5)
    assert kappa(third, "quadratic").value == pytest.approx(0.9541, abs=5e-5)


def test_common_worked_example_by_arithmetic() -> None:
    # Observed 35/50 = 0.70; chance 0.5 * 0.6 + 0.5 * 0.4 = 0.50; kappa 0.20 / 0.50.
    found = kappa(table([[20, 5], [10, 15]]))
    assert found.value == pytest.approx(0.40)
    assert band(0.40) == "fair"


def test_a_wide_interval_names_no_band() -> None:
    four = kappa(table([[2, 0], [0, 2]]))
    assert four.value == 1.0
    assert four.high - four.low > 0.4
    assert four.words == "too few to say"
    assert kappa(table([[200, 5], [10, 185]])).words == "almost perfect"


@pytest.mark.parametrize("weights", ["none", "linear", "quadratic"])
def test_value_and_interval_agree_with_references(weights: Weights) -> None:
    random = np.random.default_rng(5)
    for size in (2, 3, 5):
        for _ in range(20):
            counts = random.poisson(4, (size, size)) + 12 * np.eye(size, dtype=int)
            first = [str(i) for i, row in enumerate(counts) for count in row for _ in range(count)]
            second = [str(j) for row in counts for j, count in enumerate(row) for _ in range(count)]
            ours = kappa(confusion(first, second, [str(i) for i in range(size)]), weights)
            expected = cohen_kappa_score(first, second, weights=SKLEARN[weights])
            reference = cohens_kappa(counts, wt=SKLEARN[weights], return_results=True)
            assert ours.value == pytest.approx(expected, abs=1e-12)
            assert ours.se == pytest.approx(np.sqrt(reference.var_kappa), rel=1e-9)
            # The interval reaches equally far to both sides on the logit of (1 - kappa)/2, by the
            # reference's standard error divided by the slope there.
            part = (1 - expected) / 2
            reach = 1.959964 * np.sqrt(reference.var_kappa) / 2 / (part * (1 - part))
            for end, side in ((ours.low, 1), (ours.high, -1)):
                assert logit((1 - end) / 2) - logit(part) == pytest.approx(side * reach, rel=1e-6)


def test_confusion_agrees_with_scikit_learn_and_swaps() -> None:
    first, second = spread(3, 4, 5), spread(5, 2, 5)
    ours = confusion(first, second, "012")
    np.testing.assert_array_equal(ours.array(), confusion_matrix(first, second))
    swapped = confusion(second, first, "012")
    np.testing.assert_array_equal(swapped.array(), ours.array().T)
    assert kappa(swapped).value == pytest.approx(kappa(ours).value)
    assert ours.agreement().value == pytest.approx(np.mean(np.array(first) == np.array(second)))


@pytest.mark.parametrize(
    ("value", "word"),
    [(-0.01, "poor"), (0.0, "slight"), (0.20, "slight"), (0.21, "fair"), (0.40, "fair"), (0.41, "moderate"),
     (0.60, "moderate"), (0.61, "substantial"), (0.80, "substantial"), (0.81, "almost perfect"),
     (1.0, "almost perfect")],
)  # fmt: skip
def test_bands_of_landis_and_koch_1977(value: float, word: str) -> None:
    assert band(value) == word


def test_linear_weights_forgive_a_neighbor_more_than_a_far_class() -> None:
    near = table([[10, 2, 0], [0, 10, 0], [0, 0, 10]])
    far = table([[10, 0, 2], [0, 10, 0], [0, 0, 10]])
    assert kappa(near, "linear").value > kappa(far, "linear").value  # type: ignore[operator]


def test_interval_covers_near_one_where_the_plain_one_does_not() -> None:
    # True table: 0.48, 0.02, 0.02, 0.48 gives kappa 0.92 by arithmetic.
    random, inside, plain, runs = np.random.default_rng(8), 0, 0, 1500
    for _ in range(runs):
        found = kappa(table(random.multinomial(80, [0.48, 0.02, 0.02, 0.48]).reshape(2, 2).tolist()))
        inside += found.low <= 0.92 <= found.high
        plain += abs((found.value or 0) - 0.92) <= 1.96 * (found.se or 0)
    # Three standard errors of 1500 runs at 95 % are 1.7 points.
    assert inside / runs > 0.933
    assert plain / runs < inside / runs


def test_never_disagreeing_on_six_surveys_is_not_certainty() -> None:
    found = kappa(table([[3, 0], [0, 3]]))
    # Wilson's lower bound for 6 of 6 is 0.610; chance is one half; (0.610 - 0.5) / 0.5.
    assert found.value == 1.0
    assert found.low == pytest.approx((0.60966 - 0.5) / 0.5, abs=1e-4)
    assert found.high == 1.0


def test_kappa_says_why_there_is_none() -> None:
    assert "read by both" in str(kappa(table([[0, 0], [0, 0]])))
    same = kappa(table([[9, 0], [0, 0]]))
    assert same.value is None
    assert "always gave the same answer" in str(same)


def test_unknown_answers_are_refused_not_dropped() -> None:
    with pytest.raises(ValueError, match="not among the labels: maybe"):
        confusion(["a", "maybe"], ["a", "a"], ["a", "b"])
    with pytest.raises(ValueError, match="one answer per survey"):
        confusion(["a"], [], ["a"])
