"""Rules over the figures: the answer, a verdict on every guard, the one recommended, and the reasons."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, cast

import numpy as np

from eavefall_model.advice.decide import Answer, interval, rounded
from eavefall_model.advice.engine import Spoken, fire, verdicts
from eavefall_model.advice.figures import EaveCase, GuardCase, HouseCase, TreeCase
from eavefall_model.advice.outcome import SAME_SIZE, Outcome
from eavefall_model.advice.rulebook import RuleBook
from eavefall_model.advice.schema import GuardVerdict, Reason, TimeToNeed, Worth
from eavefall_model.advice.worth import gain_of, worth_of
from eavefall_model.litter.opening_needed import class_index
from eavefall_model.vocabulary import (
    FINENESS_CLASSES,
    GUARD_KINDS,
    VERDICTS,
    ClassAnswer,
    Failure,
    FinenessClass,
    GuardKind,
    Units,
)

_CURVE_MONTHS: Final = tuple(range(25))


@dataclass(frozen=True)
class Judged:
    """What the rules made of an outcome.

    ``recommended`` is ``None`` while the class is unsure; ``guard_anyway`` when a rule wants a guard whatever
    the wait. ``fine`` is the class if a guard goes on, ``worth`` whether it is worth it; ``fineness_class``
    puts the two together.
    """

    fineness_class: ClassAnswer
    fine: FinenessClass | Literal["unsure"]
    worth: Worth
    answer: Answer
    guards: tuple[GuardVerdict, ...]
    recommended: GuardKind | None
    reasons: tuple[Reason, ...]
    heard: tuple[Spoken, ...]
    guard_anyway: bool

    @property
    def planned(self) -> GuardKind:
        """The guard that intervals, rain check and take-off go by: none while none is recommended."""
        return self.recommended or "none"


def _curve(months: np.ndarray) -> TimeToNeed:  # type: ignore[type-arg]
    return TimeToNeed(
        months=tuple(float(month) for month in _CURVE_MONTHS),
        share=tuple(rounded(float((months <= month).mean())) for month in _CURVE_MONTHS),
    )


def _best(outcome: Outcome, found: tuple[GuardVerdict, ...], needed_mm: float) -> GuardKind | None:
    """The guard one would take: one that suits and beats the open gutter, by verdict, by what it keeps out,
    none finer than is asked for, then by the longest wait. ``None`` where the office offers none."""

    def order(verdict: GuardVerdict) -> tuple[bool, bool, int, bool, bool, float, int]:
        leaks = verdict.opening_mm is None or verdict.opening_mm > needed_mm * SAME_SIZE
        harsh, elaborate = VERDICTS.index(verdict.verdict), GUARD_KINDS.index(verdict.kind)
        moves = gain_of(outcome, outcome.guards[verdict.kind]) < outcome.settings["worth_factor"]
        poor = verdict.verdict == VERDICTS[-1]
        opening = np.array([np.inf if verdict.opening_mm is None else verdict.opening_mm])
        finer = bool(class_index(opening)[0] > outcome.answer.index)
        return poor, moves, harsh, leaks, finer, -verdict.interval_months.typical, elaborate

    fitted = [verdict for verdict in found if verdict.kind != "none"]
    return min(fitted, key=order).kind if fitted else None


def judge(outcome: Outcome, book: RuleBook, units: Units = "us") -> Judged:
    """Fire the rules: house first, since it may ask for a guard, then trees, eaves and guards."""
    answer = outcome.answer
    house = HouseCase(outcome, answer.fineness_class, answer.opening_mm)
    heard = fire(book, house, units)
    anyway = any(spoken.rule.effect.answer == "guard" for spoken in heard)
    if anyway:
        answer = replace(answer, fineness_class=FINENESS_CLASSES[answer.index])
        house = HouseCase(outcome, answer.fineness_class, answer.opening_mm)
        heard = fire(book, house, units)
    unsure = any(spoken.rule.effect.answer == "unsure" for spoken in heard)
    shown: ClassAnswer = "unsure" if unsure else answer.fineness_class
    for at, tree in enumerate(outcome.survey.trees):
        heard += fire(book, TreeCase(house, at), units, tree.name)
    for number, eave in enumerate(outcome.survey.eaves):
        heard += fire(book, EaveCase(house, number), units, eave.name)
    general = tuple(heard)
    found = []
    for kind, guard in outcome.guards.items():
        case = GuardCase(house, guard)
        own = fire(book, case, units, kind)
        verdict = verdicts(kind, (*general, *own))
        heard += own
        found.append(
            GuardVerdict(
                kind=kind,
                verdict=verdict.verdict,
                rules=verdict.rules,
                opening_mm=rounded(guard.offer.clear_mm) if guard.offer else None,
                interval_months=interval(guard.house_months),
                clean_in=guard.plan.months,
                visits_per_year=rounded(guard.plan.per_year),
                failure=cast(Failure, case.value("failure")),
                passes_share=rounded(cast(float, case.value("passes_share"))),
                stays_share=rounded(cast(float, case.value("stays_share"))),
                time_to_need=_curve(guard.house_months),
            )
        )
    found.sort(key=lambda each: GUARD_KINDS.index(each.kind))
    table = tuple(found)
    best = _best(outcome, table, answer.opening_mm)
    worth = worth_of(outcome, best, anyway, units)
    if not unsure and worth.answer == "no":
        shown = "no-guard-needed"
    return Judged(
        fineness_class=shown,
        fine="unsure" if unsure else FINENESS_CLASSES[answer.index],
        worth=worth,
        answer=answer,
        guards=table,
        recommended=None if unsure else "none" if worth.answer == "no" else best,
        reasons=tuple(spoken.reason for spoken in heard),
        heard=tuple(heard),
        guard_anyway=anyway,
    )
