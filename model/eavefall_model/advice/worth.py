"""The second answer: is a guard worth it, whatever its fineness, and what that hangs on.

Worth it means that the open gutter asks for more visits than its owner accepts, and that the guard asks for
clearly fewer. Visits are those that are planned: what litter asks for, and never fewer than are usually
advised. Where the owner has not said, the patience of owners is drawn (``outcome``).
"""

from __future__ import annotations

from typing import Final

from eavefall_model.advice.decide import ENOUGH, interval, rounded
from eavefall_model.advice.measure_next import narrowing
from eavefall_model.advice.outcome import GuardOutcome, Outcome
from eavefall_model.advice.say import chance_words, written
from eavefall_model.advice.schema import Figure, Past, Question, Said, Worth
from eavefall_model.house.contradictions import Contradiction
from eavefall_model.vocabulary import GuardKind, Units, Value, WorthAnswer

# Answer, and whether the owner has said how often cleaning is fine -> what estimator and owner are told.
SAID: Final[dict[tuple[WorthAnswer, bool], tuple[str, str]]] = {
    ("yes", True): (
        "A guard is worth it: the open gutter wants cleaning {planned_per_year}, and the owner would have it "
        "done {accepted_per_year}.",
        "A screen is worth it: without one your gutter would need clearing {planned_per_year}, and you said "
        "that {accepted_per_year} is fine.",
    ),
    ("yes", False): (
        "A guard is worth it: the open gutter wants cleaning {planned_per_year}, and most owners would have "
        "it done {accepted_per_year}, give or take.",
        "A screen is worth it: without one your gutter would need clearing {planned_per_year}, and most "
        "people put up with {accepted_per_year}, give or take.",
    ),
    ("no", True): (
        "A guard is hardly worth it: the open gutter wants cleaning {planned_per_year}, and the owner would "
        "have it done {accepted_per_year}.",
        "A screen is hardly worth it: without one your gutter would need clearing {planned_per_year}, and "
        "you said that {accepted_per_year} is fine.",
    ),
    ("no", False): (
        "A guard is hardly worth it: the open gutter wants cleaning {planned_per_year}, and most owners "
        "would have it done {accepted_per_year}, give or take.",
        "A screen is hardly worth it: without one your gutter would need clearing {planned_per_year}, and "
        "most people put up with {accepted_per_year}, give or take.",
    ),
    ("could go either way", True): (
        "Whether a guard is worth it could go either way: the open gutter wants cleaning {planned_per_year}, "
        "and the owner would have it done {accepted_per_year}.",
        "Whether a screen is worth it could go either way: without one your gutter would need clearing "
        "{planned_per_year}, and you said that {accepted_per_year} is fine.",
    ),
    ("could go either way", False): (
        "Whether a guard is worth it could go either way: the open gutter wants cleaning {planned_per_year}, "
        "and most owners would have it done {accepted_per_year}, give or take.",
        "Whether a screen is worth it could go either way: without one your gutter would need clearing "
        "{planned_per_year}, and most people put up with {accepted_per_year}, give or take.",
    ),
}
# Where the trial runs do not all say the same.
CHANCE: Final = (
    "The odds that it turns out to want more than that: {worth_odds}.",
    "The odds that it turns out to need more than that: {worth_odds}.",
)
ASK: Final = (
    "Nobody has said how often this owner would: ask.",
    "How often is fine with you? You have not told us.",
)
MOVES: Final = (
    "But no guard on offer needs clearly fewer visits: one would only move the work.",
    "But no screen we know of would need clearly fewer visits: one would only move the work.",
)
EMBERS: Final = (
    "A metal guard is worth it here for the embers, however seldom the gutter wants cleaning "
    "({planned_per_year}).",
    "A metal screen is worth it at your house because of embers, however seldom the gutter needs clearing "
    "({planned_per_year}).",
)
# What of a range can be narrowed: whether it is a guard's -> clauses to estimator and owner, in order: the
# range, what a look would narrow it to, what is left.
RANGE: Final[dict[bool, tuple[tuple[str, str, str], tuple[str, str, str]]]] = {
    False: (
        (
            "The open gutter may wait {low_months} to {high_months}.",
            "the gutter's own past (last cleaned when, how full now) to {past_low} to {past_high};",
            "the rest is the trees' good and bad years and how litter settles, which no tape tells.",
        ),
        (
            "Without a screen your gutter may wait {low_months} to {high_months}.",
            "how full it is now, and when it was last cleaned, to {past_low} to {past_high};",
            "the rest is the trees' good and bad years and how litter settles, which no tape tells.",
        ),
    ),
    True: (
        (
            "With the guard it may wait {low_months} to {high_months}.",
            "a look at the guard after its first year (how much of it is covered) to {past_low} to "
            "{past_high};",
            "the rest is the trees' years and how a guard clears itself in wind, which nobody has measured.",
        ),
        (
            "With the screen it may wait {low_months} to {high_months}.",
            "a look at the screen after its first year to {past_low} to {past_high};",
            "the rest is good and bad years of the trees, and how wind clears a screen, which nobody has "
            "measured.",
        ),
    ),
}
MEASURED: Final = (
    "Measuring what was left out would narrow that to about {measured_low} to {measured_high};",
    "Measuring what we do not know yet would narrow that to about {measured_low} to {measured_high};",
)
HARDLY: Final = "Measuring more would hardly narrow that;"
# What the past says: whether it is a guard's -> to estimator and owner.
PAST: Final[dict[bool, tuple[str, str]]] = {
    False: (
        "By its own past the gutter fills in {told_months} ({told_low} to {told_high});",
        "By its own past your gutter fills in {told_months};",
    ),
    True: (
        "By its own past the guard on it waits {told_months} ({told_low} to {told_high});",
        "By its own past the screen on it waits {told_months};",
    ),
}
ALONE: Final = "the trees alone would say {alone_low} to {alone_high}."

# Nearer to never or always than this no odds are said.
_SURE: Final = 0.03
# A range counts as narrower below this share of its ratio.
_NARROWER: Final = 0.9


def gain_of(outcome: Outcome, guard: GuardOutcome) -> float:
    """Visits planned for the open gutter over those with a guard."""
    return outcome.guards["none"].visits_a_year / guard.visits_a_year


def worth_answer(no_guard_share: float, helps: bool, anyway: bool) -> WorthAnswer:
    """Yes, no or either way, from the share of draws in which the open gutter waits as long as accepted."""
    if anyway:
        return "yes"
    if no_guard_share > ENOUGH or not helps:
        return "no"
    return "yes" if 1 - no_guard_share > ENOUGH else "could go either way"


def worth_of(outcome: Outcome, guard: GuardKind | None, anyway: bool, units: Units) -> Worth:
    """The second answer in words; ``guard`` is the kind one would take, ``anyway`` where embers decide."""
    chance = 1 - outcome.answer.no_guard_share
    gain = gain_of(outcome, outcome.guards[guard]) if guard is not None else None
    helps = gain is not None and gain >= outcome.settings["worth_factor"]
    answer = worth_answer(outcome.answer.no_guard_share, helps, anyway)
    known = outcome.survey.household.cleanings_per_year is not None
    said = [EMBERS if anyway else SAID[answer, known]]
    if not anyway:
        said += [CHANCE] if _SURE < chance < 1 - _SURE else []
        said += [MOVES] if not helps and chance > 1 - ENOUGH else []
        said += [] if known else [ASK]
    to_estimator, to_owner = ("\n".join(lines) for lines in zip(*said, strict=True))
    planned = outcome.guards["none"].plan.per_year
    worth = Worth(
        sentence="",
        to_estimator=to_estimator,
        to_owner=to_owner,
        figures=(
            Figure(
                name="planned_per_year",
                label="cleanings planned for the open gutter",
                unit="times a year",
                value=rounded(planned),
            ),
            Figure(
                name="worth_odds",
                label="odds that it asks for more than accepted",
                unit="words",
                value=chance_words(chance),
            ),
            Figure(
                name="accepted_per_year",
                label="cleanings that the owner accepts",
                unit="times a year",
                value=outcome.accepted_per_year,
            ),
        ),
        answer=answer,
        chance=rounded(chance),
        patience_known=known,
        guard=guard,
        gain=None if gain is None else rounded(gain),
    )
    return written(worth, units)


def _months(name: str, value: float) -> Figure:
    return Figure(name=name, label="months", unit="months", value=rounded(value))


def range_said(outcome: Outcome, guard: GuardKind, units: Units) -> Said:
    """What of the range of the guard planned, or of the open gutter, measuring can narrow and what not."""
    found = narrowing(outcome, guard)
    ratio, measured, past = (high / low for low, high in (found.now, found.measured, found.with_past))
    clauses = [[first] for first, _, _ in RANGE[guard != "none"]]
    for said, narrows in zip(clauses, MEASURED, strict=True):
        said.append(narrows if measured < _NARROWER * ratio else HARDLY)
    for said, (_, look, rest) in zip(clauses, RANGE[guard != "none"], strict=True):
        said += [look, rest] if past < _NARROWER * measured else [rest]
    to_estimator, to_owner = ("\n".join(said) for said in clauses)
    said_range = Said(
        sentence="",
        to_estimator=to_estimator,
        to_owner=to_owner,
        figures=tuple(
            _months(name, value)
            for name, value in (
                ("low_months", found.now[0]), ("high_months", found.now[1]),
                ("measured_low", found.measured[0]), ("measured_high", found.measured[1]),
                ("past_low", found.with_past[0]), ("past_high", found.with_past[1]),
            )
        ),
    )  # fmt: skip
    return written(said_range, units)


def past_of(outcome: Outcome, units: Units) -> Past | None:
    """What the past of the gutter, or of the guard that lies on it, says against the trees alone."""
    told = outcome.told
    if told is None:
        return None
    kind = told.observed.guard
    alone = interval(told.before_months)
    now = interval(outcome.guards[kind or "none"].house_months)
    to_estimator, to_owner = PAST[kind is not None]
    past = Past(
        sentence="",
        to_estimator=f"{to_estimator}\n{ALONE}",
        to_owner=f"{to_owner}\n{ALONE}",
        figures=tuple(
            _months(name, value)
            for name, value in (
                ("told_months", now.typical), ("told_low", now.low), ("told_high", now.high),
                ("alone_low", alone.low), ("alone_high", alone.high),
            )
        ),
        eave=told.eave,
        trees_alone_months=alone,
        told_months=now,
    )  # fmt: skip
    return written(past, units)


USED: Final = "Each is used as it was given; the visit settles it."
# Code -> what does not fit, what the estimator is to do about it, the values it quotes with their units.
ASKED: Final[dict[str, tuple[str, str, tuple[tuple[str, str], ...]]]] = {
    "crown-and-overhang": (
        "{tree}: a distance of {distance}, a crown radius of {crown} and an overhang of {overhang} do"
        " not fit together.",
        "Pace out the crown on the house side, from the trunk to the tips.",
        (("distance", "m"), ("crown", "m"), ("overhang", "m")),
    ),
    "tree-too-tall": (
        "{tree}: a height of {height} is more than trees of its kind reach ({tallest}).",
        "Check the unit, or measure it against the house.",
        (("height", "m"), ("tallest", "m")),
    ),
    "crown-too-wide": (
        "{tree}: a crown radius of {crown} is much for a height of {height}; {usual} would be usual.",
        "Check whether it is a diameter.",
        (("crown", "m"), ("height", "m"), ("usual", "m")),
    ),
    "species-and-form": (
        "{tree}: {species} does not have the foliage that was seen ({seen}).",
        "A close photo of the foliage settles it.",
        (("species", "words"), ("seen", "words")),
    ),
    "species-and-foliage": (
        "{tree}: {species} does not have the foliage that was seen ({seen}).",
        "A close photo of the foliage settles it.",
        (("species", "words"), ("seen", "words")),
    ),
    "no-eave-on-that-side": (
        "{tree} stands to the {bearing}, but {eave} faces {facing}.",
        "Check the bearing, the eave or which way it faces.",
        (("bearing", "bearing"), ("eave", "words"), ("facing", "bearing")),
    ),
    "eave-too-long": (
        "{tree}: a length of {length} is more than a straight eave of a house has ({longest}).",
        "Check the unit, or enter each run by itself.",
        (("length", "m"), ("longest", "m")),
    ),
    "gauge-and-species": (
        "{tree}: needles measured at {measured} are not those of {species} ({usual}).",
        "The measured width is used. Check which tree the needles came from, or the species.",
        (("measured", "mm"), ("species", "words"), ("usual", "mm")),
    ),
    "handful-and-trees": (
        "In the handful {tree}, {count} {kind} of {length} by {width} come from none of the trees listed.",
        "Which tree sheds them, and where does it stand? Until it is listed they count for nothing.",
        (("count", "count"), ("kind", "words"), ("length", "mm"), ("width", "mm")),
    ),
    "gutter-photo-and-past": (
        "{tree}: the photo into the gutter shows it {seen} full, where {said} was said.",
        "Look at both once more; what was said is used.",
        (("said", "share"), ("seen", "share")),
    ),
    "past-and-trees": (
        "{tree}: found {full} full, where the trees listed explain about {usual}.",
        "Look for a tree that is not listed, a roof that drains onto it, or a cleaning that was forgotten.",
        (("full", "share"), ("usual", "share")),
    ),
}


def questions_of(found: tuple[Contradiction, ...], units: Units) -> tuple[Question, ...]:
    """The questions that contradictions raise, naming both values and what would settle them."""
    asked = []
    for each in found:
        fact, settles, names = ASKED[each.code]
        values: list[tuple[str, str, Value]] = [("tree", "words", each.about)]
        values += [(name, unit, value) for (name, unit), value in zip(names, each.values, strict=True)]
        figures = tuple(Figure(name=name, label=name, unit=unit, value=value) for name, unit, value in values)
        asked.append(
            written(
                Question(
                    sentence="",
                    to_estimator=f"{fact}\n{settles}",
                    to_owner=f"{fact}\n{USED}",
                    figures=figures,
                    code=each.code,
                    about=each.about,
                    fields=each.fields,
                ),
                units,
            )
        )
    return tuple(asked)
