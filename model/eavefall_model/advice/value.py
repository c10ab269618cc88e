"""What to measure next: for each uncertain input, the chance that knowing it would change the answer.

The draws are sorted into five equally likely bins of the input. In each bin the answer is decided again from
its draws alone, as if the input were known to lie there; the chance is the share of bins with another answer.
A class counts as changed only when it changes with its shares moved by their own standard error too, an
interval when its median moves by more than the ratio of the rules file beyond its own standard error. What
the owner accepts is not drawn: where it was not said, the answer is decided again for half and for twice the
default.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.decide import ENOUGH, decided_class, rounded, safe_classes
from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome, wait_months
from eavefall_model.advice.reading import Uncertain
from eavefall_model.advice.schema import MeasureNext
from eavefall_model.vocabulary import FINENESS_CLASSES, ClassAnswer

__all__ = ["measure_next"]

_BINS: Final = 5
_MOST: Final = 6
_LEAST_CHANCE: Final = 0.03
_FEW: Final = 20  # draws below which a bin says nothing
# Owners who have not said, as multiples of the default, each as likely. Our judgement.
_OWNERS: Final = (0.5, 1.0, 2.0)


def _bins(draws: NDArray[np.float64]) -> list[NDArray[np.intp]]:
    values = np.unique(draws)
    if len(values) <= _BINS:
        return [np.flatnonzero(draws == value) for value in values]
    return list(np.array_split(np.argsort(draws, kind="stable"), _BINS))


def _changed(outcome: Outcome, rows: NDArray[np.intp], base: ClassAnswer) -> bool:
    """Whether these draws alone would give another class, beyond what their number leaves to luck."""
    share, count = outcome.settings["safe_share"], len(rows)
    enough, luck = float(outcome.enough[rows].mean()), 1.0 / math.sqrt(count)
    if base == "no-guard-needed":
        return enough < ENOUGH - luck
    if enough > ENOUGH + luck:
        return True
    error = math.sqrt(share * (1 - share) / count)
    shares = [min(max(share + step * error, 0.001), 0.5) for step in (-1, 0, 1)]
    return FINENESS_CLASSES.index(base) not in safe_classes(outcome.house_index[rows], shares)


def _moves(months: NDArray[np.float64], typical: float, ratio: float) -> bool:
    """Whether the median over these draws differs by more than ``ratio``, beyond its own standard error."""
    count = len(months)
    error = min(0.75 / math.sqrt(count), 0.4)
    order = np.sort(months)
    low, high = order[int((0.5 - error) * count)], order[min(int((0.5 + error) * count), count - 1)]
    return bool(low > ratio * typical or high < typical / ratio)


def _sentence(ask: str, missing: bool, class_chance: float, interval_chance: float) -> str:
    ask = ask[0].upper() + ask[1:] if missing else f"Worth repeating: {ask}"
    if class_chance >= interval_chance:
        return f"{ask}: {class_chance:.0%} chance it changes the answer."
    return f"{ask}: {interval_chance:.0%} chance it changes the interval."


def _swing(item: Uncertain, months: NDArray[np.float64]) -> float:
    """Log ratio between the longest and the shortest median wait over the bins of an input."""
    middles = [float(np.median(months[rows])) for rows in _bins(item.draws) if len(rows) >= _FEW]
    return math.log(max(max(middles), 0.1) / max(min(middles), 0.1)) if middles else 0.0


def _least(items: Sequence[Uncertain], months: NDArray[np.float64]) -> tuple[MeasureNext, ...]:
    """When nothing asked for is likely to change the answer: that, and what comes nearest."""
    missing = [item for item in items if item.missing]
    if not missing:
        return ()
    item = max(missing, key=lambda each: (_swing(each, months), each.key))
    sentence = f"Nothing left out is likely to change the answer; what comes nearest is to {item.ask}."
    return (
        MeasureNext(input=item.key, sentence=sentence, chance_changes_class=0, chance_changes_interval=0),
    )


def _owners_word(outcome: Outcome, base: str) -> MeasureNext | None:
    """What the owner's own word is worth, where the default stands for it."""
    if outcome.survey.household.cleanings_per_year is not None:
        return None
    months, share = outcome.guards["none"].house_months, outcome.settings["safe_share"]
    answers = [
        decided_class(outcome.house_index, months >= wait_months(outcome.accepted_per_year * factor), share)
        for factor in _OWNERS
    ]
    chance = sum(answer != base for answer in answers) / len(answers)
    if chance < _LEAST_CHANCE:
        return None
    ask = f"ask the owner how many cleanings a year are acceptable ({outcome.accepted_per_year:g} was taken)"
    return MeasureNext(
        input="household.cleanings_per_year",
        sentence=_sentence(ask, True, chance, chance),
        chance_changes_class=rounded(chance, 3),
        # With the class the guard changes, and with it the interval.
        chance_changes_interval=rounded(chance, 3),
    )


def measure_next(outcome: Outcome, judged: Judged) -> tuple[MeasureNext, ...]:
    """The inputs worth knowing, most first; at most six."""
    base = outcome.answer.fineness_class
    waits = [outcome.guards[kind].house_months for kind in dict.fromkeys((judged.planned, "none"))]
    typical = [float(np.median(months)) for months in waits]
    ratio = outcome.settings["interval_ratio"]
    # Nobody can measure next year's litter.
    items = [
        item for item in (*outcome.site.inputs, *outcome.sources.inputs) if not item.key.endswith(".litter")
    ]
    owner = None if judged.guard_anyway else _owners_word(outcome, base)
    found = [owner] if owner else []
    for item in items:
        class_chance = interval_chance = 0.0
        for rows in _bins(item.draws):
            if len(rows) < _FEW:
                continue
            weight = len(rows) / len(item.draws)
            class_chance += weight * _changed(outcome, rows, base)
            # With the guard recommended or without: either interval is an answer that somebody plans by.
            moved = any(
                _moves(months[rows], usual, ratio) for months, usual in zip(waits, typical, strict=True)
            )
            interval_chance += weight * moved
        if max(class_chance, interval_chance) < _LEAST_CHANCE:
            continue
        found.append(
            MeasureNext(
                input=item.key,
                sentence=_sentence(item.ask, item.missing, class_chance, interval_chance),
                chance_changes_class=rounded(class_chance, 3),
                chance_changes_interval=rounded(interval_chance, 3),
            )
        )
    found.sort(key=lambda each: (-each.chance_changes_class, -each.chance_changes_interval, each.input))
    return tuple(found[:_MOST]) or _least(items, waits[-1])
