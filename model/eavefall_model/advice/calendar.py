"""What to put in the calendar: whole visits in good months, and why so many."""

from __future__ import annotations

from eavefall_model.advice.decide import rounded
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import Figure, Said
from eavefall_model.litter.cleaning_plan import CleaningPlan
from eavefall_model.vocabulary import GuardKind, Units

_WHEN = ", at the end of {plan_months}"
_TOO_OFTEN = (
    " Even so it stands full for weeks: a guard, or the trees cut back by an arborist, would be better.",
    " Even so it stands full for weeks: a screen, or the trees cut back by an arborist, would be better.",
)
_COVERED_TOO_OFTEN = (
    " Even so its face stays covered for weeks: the trees cut back by an arborist would help more.",
    " Even so it stays covered for weeks: having the trees cut back by an arborist would help more.",
)
_ADVISED = (
    " Litter alone would ask for it {by_litter}; near trees that drop in spring and in fall, a visit after "
    "each is the least that is usually advised.",
    " What falls would ask for it {by_litter}; near trees that drop in spring and in fall, a visit after "
    "each is the least that is usually advised.",
)
_FEW = (
    " Litter alone would ask for it {by_litter}; with what trees bring here, once a year when the most is "
    "down is the least that is usually advised.",
    " What falls would ask for it {by_litter}; with what trees bring here, once a year when the most is "
    "down is the least that is usually advised.",
)
_LOOK = (
    " What lies on it would ask for that {by_litter}; but every guard wants a look.",
    " What lies on it would ask for that {by_litter}; but every screen wants a look.",
)


def _why(plan: CleaningPlan, guard: GuardKind) -> tuple[str, str]:
    """What is said beside the number of visits, to the estimator and to the owner."""
    if plan.too_often:
        return _TOO_OFTEN if guard == "none" else _COVERED_TOO_OFTEN
    if plan.by_litter >= plan.per_year - 1e-9:
        return "", ""
    if guard != "none":
        return _LOOK
    return _ADVISED if plan.per_year > 1 else _FEW


def plan_said(outcome: Outcome, guard: GuardKind, units: Units) -> Said:
    """The plan of the guard that is advised, or of the open gutter, in one or two sentences."""
    plan = outcome.guards[guard].plan
    when = _WHEN if plan.months else ""
    heads = (
        (f"Plan a cleaning {{visits}}{when}.", f"Plan to have it cleared {{visits}}{when}.")
        if guard == "none"
        else (
            f"Plan a look and a brush {{visits}}{when}.",
            f"Plan a look at the screen and a brush {{visits}}{when}.",
        )
    )
    estimator, owner = (head + more for head, more in zip(heads, _why(plan, guard), strict=True))
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
    said = Said(sentence="", to_estimator=estimator, to_owner=owner, figures=tuple(figures))
    return written(said, units)
