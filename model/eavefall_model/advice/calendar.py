"""What to put in the calendar: whole visits in good months, and why so many."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from eavefall_model.advice.decide import rounded
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import Figure, Said
from eavefall_model.vocabulary import GuardKind, Units

# Whether a guard is planned, and whether months stand in the plan -> what estimator and owner are told.
PLAN: Final[Mapping[tuple[bool, bool], tuple[str, str]]] = {
    (False, True): (
        "Plan a cleaning {visits}, at the end of {plan_months}.",
        "Plan to have it cleared {visits}, at the end of {plan_months}.",
    ),
    (False, False): ("Plan a cleaning {visits}.", "Plan to have it cleared {visits}."),
    (True, True): (
        "Plan a look and a brush {visits}, at the end of {plan_months}.",
        "Plan a look at the screen and a brush {visits}, at the end of {plan_months}.",
    ),
    (True, False): ("Plan a look and a brush {visits}.", "Plan a look at the screen and a brush {visits}."),
}
# Why so many visits.
WHY: Final[Mapping[str, tuple[str, str]]] = {
    "too often": (
        "Even so it stands full for weeks: a guard, or the trees cut back by an arborist, would be better.",
        "Even so it stands full for weeks: a screen, or the trees cut back by an arborist, would be better.",
    ),
    "covered too often": (
        "Even so its face stays covered for weeks: the trees cut back by an arborist would help more.",
        "Even so it stays covered for weeks: having the trees cut back by an arborist would help more.",
    ),
    "advised": (
        "Litter alone would ask for it {by_litter}; near trees that drop in spring and in fall, a visit "
        "after each is the least that is usually advised.",
        "What falls would ask for it {by_litter}; near trees that drop in spring and in fall, a visit after "
        "each is the least that is usually advised.",
    ),
    "few": (
        "Litter alone would ask for it {by_litter}; with what trees bring here, once a year when the most is "
        "down is the least that is usually advised.",
        "What falls would ask for it {by_litter}; with what trees bring here, once a year when the most is "
        "down is the least that is usually advised.",
    ),
    "season": (
        "While most of it comes down it may stand full for some weeks; it is cleaned when that is over.",
        "While most of it comes down it may stand full for some weeks; it is cleared when that is over.",
    ),
    "look": (
        "What lies on it would ask for that {by_litter}; but every guard wants a look.",
        "What lies on it would ask for that {by_litter}; but every screen wants a look.",
    ),
}


def _why(outcome: Outcome, guard: GuardKind) -> str | None:
    """The key of what is said beside the number of visits, if anything is."""
    plan = outcome.guards[guard].plan
    if plan.too_often:
        return "too often" if guard == "none" else "covered too often"
    if plan.by_litter >= plan.per_year - 1e-9:
        often = 12.0 / float(np.median(outcome.guards[guard].house_months))
        sooner = often > outcome.settings["interval_ratio"] * plan.per_year
        return "season" if guard == "none" and sooner else None
    if guard != "none":
        return "look"
    return "advised" if plan.per_year > 1 else "few"


def plan_said(outcome: Outcome, guard: GuardKind, units: Units) -> Said:
    """The plan of the guard that is advised, or of the open gutter, in one or two sentences."""
    plan = outcome.guards[guard].plan
    said = [PLAN[guard != "none", bool(plan.months)]]
    if (why := _why(outcome, guard)) is not None:
        said.append(WHY[why])
    to_estimator, to_owner = ("\n".join(sentences) for sentences in zip(*said, strict=True))
    figures = [
        Figure(name="visits", label="visits planned", unit="times a year", value=rounded(plan.per_year)),
        Figure(name="plan_months", label="at the end of", unit="calendar months", value=plan.months or None),
        Figure(
            name="by_litter",
            label="visits by litter alone",
            unit="times a year",
            value=rounded(plan.by_litter),
        ),
    ]
    plan_in_words = Said(sentence="", to_estimator=to_estimator, to_owner=to_owner, figures=tuple(figures))
    return written(plan_in_words, units)
