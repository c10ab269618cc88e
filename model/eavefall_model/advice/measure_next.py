"""What to measure next, by pre-posterior analysis: what would the answer be after each result one might get?

For every uncertain input the results of a measurement are drawn, each with the real error of the usual way of
taking it; each result weighs the draws by Bayes' rule, and the answer is decided again from the weighted
draws. An input already measured can be repeated, which helps only as far as a second reading of the same
error does. A class counts as changed only when it changes with its shares moved by their own standard error
too, an interval when its median moves by more than the ratio of the rules file beyond its own standard error.
Gains are held against the minutes that a measurement takes. What the owner accepts is not drawn: where it was
not said, the answer is decided again for half and for twice the default.

While the answer is ``unsure``, what to find out first stands before all of it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import TYPE_CHECKING, Final, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from eavefall_model.advice.decide import ENOUGH, decided_class, rounded
from eavefall_model.advice.outcome import Outcome, covered_since, depth_since, wait_months
from eavefall_model.advice.say import placeholders, written
from eavefall_model.advice.schema import Figure, FirstStep, MeasureNext
from eavefall_model.house.fields import FIELDS, Ask, input_kind, input_place
from eavefall_model.house.reader import Uncertain
from eavefall_model.litter.history import FILL_ERROR
from eavefall_model.sighting.measured import BY
from eavefall_model.vocabulary import FINENESS_CLASSES, ClassAnswer, GuardKind, Units, Value

if TYPE_CHECKING:
    from eavefall_model.advice.judge import Judged

Array = NDArray[np.float64]
_RESULTS: Final = 12
_MOST: Final = 6
_LEAST_CHANCE: Final = 0.03
_LEAST_DRAWS: Final = 50
# An input is worth repeating in the usual way where it was taken so many times as inexactly. Our judgement.
_SURER: Final = 1.2
# Owners who have not said, as multiples of the default, each as likely. Our judgement.
_OWNERS: Final = (0.5, 1.0, 2.0)
HISTORY: Final = "history.now_full_fifths"


# What knowing more would change, as estimator and owner are told.
CHANGES: Final = {
    "class": (
        "odds {chance} that it changes the answer.",
        "(odds {chance} that it changes this answer).",
    ),
    "interval": (
        "odds {chance} that it changes the interval.",
        "(odds {chance} that it changes how often cleaning is due).",
    ),
}
NOTHING: Final = "Nothing left out is likely to change the answer; what comes nearest is to"
AGAIN: Final = ("Worth repeating:", "Worth repeating (so far {how}):")


@dataclass(frozen=True)
class How:
    """The usual way of taking a measurement: its error (``log`` relative, ``plain`` in the input's own unit,
    ``kind`` the chance of a wrong answer among kinds), and minutes on site. Our judgement."""

    error: float
    scale: Literal["log", "plain", "kind"]
    minutes: float


HOW_MEASURED: Final[Mapping[str, How]] = MappingProxyType(
    {
        HISTORY: How(FILL_ERROR, "plain", 2),
        "wind.from": How(15.0, "plain", 1),
        "eaves.length": How(0.01, "log", 2),
        "eaves.height": How(0.03, "log", 2),
        "eaves.roof_run": How(0.05, "log", 3),
        "eaves.pitch": How(1.0, "plain", 2),
        # Off an aerial picture or a map; a compass near a house is worse.
        "eaves.facing": How(5.0, "plain", 2),
        "eaves.gutter.width": How(0.02, "log", 4),
        "trees.species": How(0.05, "kind", 3),
        "trees.eave": How(0.02, "kind", 1),
        "trees.bearing": How(5.0, "plain", 2),
        "trees.distance": How(0.03, "log", 2),
        "trees.height": How(0.08, "log", 4),
        "trees.crown_radius": How(0.06, "log", 3),
        "trees.overhang": How(0.15, "log", 2),
        # A gauge photo of five to ten needles: its own repeatability and needles that differ.
        "source.width": How(0.05, "log", 10),
    }
)


def results_weights(draws: Array, how: How) -> Array:
    """Weights of the draws after each result of a measurement that one might get, (results, draws).

    Results lie at even quantiles of what the measurement may read: a draw plus an error. Rows sum to 1.
    """
    if how.scale == "kind":
        kinds, counts = np.unique(draws, return_counts=True)
        right = draws[None, :] == kinds[:, None]
        share = (counts / len(draws))[:, None]
        weights = np.where(right, 1 - how.error, how.error)
        # As many rows as the kind is likely, so that the mean over rows is the mean over results.
        rows = np.repeat(np.arange(len(kinds)), np.maximum(np.round(share[:, 0] * _RESULTS), 1).astype(int))
        weights = weights[rows]
    else:
        value = np.log(np.maximum(draws, 1e-9)) if how.scale == "log" else draws
        # Finer than the draws can tell it is not told; so many of them are left that a decision can be made.
        error = max(how.error, float(value.std()) * _LEAST_DRAWS / len(draws))
        if error <= 0:
            return np.full((1, len(draws)), 1 / len(draws))
        at = (np.arange(_RESULTS) + 0.5) / _RESULTS
        # Every part of the draws meets errors to both sides.
        errors = error * ndtri(at[(np.arange(_RESULTS) * 5) % _RESULTS])
        results = np.quantile(value, at) + errors
        weights = np.exp(-0.5 * ((value - results[:, None]) / error) ** 2) + 1e-300
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


def _quantiles(months: Array, weights: Array, at: Array) -> Array:
    """Weighted quantiles of months, (results, len(at)), for rows of weights; ``at`` (results, n) or (n,)."""
    order = np.argsort(months)
    sorted_months, edges = months[order], np.cumsum(weights[:, order], axis=1)
    wanted = np.broadcast_to(at, (len(weights), np.shape(at)[-1]))
    places = [np.searchsorted(row, want) for row, want in zip(edges, wanted, strict=True)]
    return np.asarray(sorted_months[np.minimum(np.stack(places), len(months) - 1)])


def _class_changes(outcome: Outcome, weights: Array, noise: Array, base: ClassAnswer) -> float:
    """Share of results after which another class is given, beyond what the draws leave to chance."""
    safe, changed = outcome.settings["safe_share"], 0.0
    enough = weights @ outcome.enough
    shares = np.stack(
        [weights[:, outcome.house_index == at].sum(axis=1) for at in range(len(FINENESS_CLASSES))], axis=1
    )
    coarse = np.cumsum(shares, axis=1)
    for row, (open_share, error) in enumerate(zip(enough, noise, strict=True)):
        if base == "no-guard-needed":
            changed += open_share < ENOUGH - error
            continue
        if open_share > ENOUGH + error:
            changed += 1
            continue
        step = math.sqrt(safe * (1 - safe)) * error
        finer = np.clip([safe - step, safe, safe + step], 0.0, 1.0)
        changed += FINENESS_CLASSES.index(base) not in np.searchsorted(coarse[row], 1 - finer - 1e-9)
    return changed / len(weights)


def _gains(outcome: Outcome, waits: list[Array], weights: Array, base: ClassAnswer) -> tuple[float, float]:
    """Chances that a measurement changes the class, and an interval that somebody plans by."""
    noise = np.sqrt(np.square(weights).sum(axis=1))  # one over the root of the draws that are left
    moved = np.zeros(len(weights), dtype=bool)
    for months in waits:
        usual, ratio = float(np.median(months)), outcome.settings["interval_ratio"]
        error = 0.75 * noise
        low, high = _quantiles(months, weights, np.stack([0.5 - error, 0.5 + error], axis=1)).T
        moved |= (low > ratio * usual) | (high < usual / ratio)
    return _class_changes(outcome, weights, noise, base), float(moved.mean())


def _taken_worse(item: Uncertain) -> str | None:
    """How an input was taken, where the usual way would be surer: ``by paces``."""
    usual = HOW_MEASURED.get(input_kind(item.key))
    if item.how is None or item.missing or usual is None or usual.scale == "kind":
        return None
    value = np.log(np.maximum(item.draws, 1e-9)) if usual.scale == "log" else item.draws
    if float(value.std()) <= _SURER * usual.error:
        return None
    compass = item.how == "angle" and input_kind(item.key) in ("eaves.facing", "trees.bearing")
    return "by compass" if compass else BY[item.how]


def _figures(outcome: Outcome, item: Uncertain) -> dict[str, tuple[str, str, Value]]:
    """What the sentences about an input may name: label, unit and value by the figure's name."""
    survey, place = outcome.survey, input_place(item.key)
    found: dict[str, tuple[str, str, Value]] = {
        "accepted_per_year": ("cleanings taken as acceptable", "times a year", outcome.accepted_per_year),
        "trees": ("trees", "trees", item.trees),
        "should_be": ("taken for", "words", item.should_be),
        "how": ("how it was taken", "words", _taken_worse(item)),
    }
    if place is not None and place[0] == "eaves":
        found["eave"] = ("eave", "eave", survey.eaves[place[1]].name)
    elif place is not None:
        found["tree"] = ("tree", "trees", survey.trees[place[1]].name)
    return found


def _templates(ask: Ask, item: Uncertain, by_owner: bool, what: str | None) -> tuple[str, str]:
    """What to tell estimator and owner to find out; ``what`` that changes, the class or the interval."""
    to_estimator = ask.to_estimator
    if item.should_be is not None and ask.of_which is not None:
        to_estimator = ask.of_which
    to_owner = ask.of_owner if by_owner and ask.of_owner is not None else ask.at_visit
    if what is None:
        return f"{NOTHING}\n{to_estimator}.", to_owner
    again = "" if item.missing else f"{AGAIN[_taken_worse(item) is not None]}\n"
    estimator_says, owner_says = CHANGES[what]
    return f"{again}{to_estimator}:\n{estimator_says}", f"{to_owner.rstrip('.')}\n{owner_says}"


def _step(
    outcome: Outcome, item: Uncertain, class_chance: float, interval_chance: float, units: Units
) -> MeasureNext:
    """An input as something to do, said to estimator and owner, with the greater of the two chances."""
    kind = input_kind(item.key)
    ask = FIELDS[kind].ask
    assert ask is not None, f"{kind} cannot be asked for"
    measured = any(each.measured or each.drop_tests for each in outcome.sources.each)
    by_owner = ask.of_owner is not None and not (kind == "source.width" and measured)
    chance = rounded(max(class_chance, interval_chance), 3)
    what = None if chance == 0 else "class" if class_chance >= interval_chance else "interval"
    to_estimator, to_owner = _templates(ask, item, by_owner, what)
    figures = {**_figures(outcome, item), "chance": ("chance that it changes the answer", "odds", chance)}
    quoted = {name for template in (to_estimator, to_owner) for name, _ in placeholders(template)}
    step = MeasureNext(
        sentence="",
        to_estimator=to_estimator,
        to_owner=to_owner,
        figures=tuple(
            Figure(name=name, label=label, unit=unit, value=value)
            for name, (label, unit, value) in figures.items()
            if name in quoted
        ),
        input=item.key,
        by="owner" if by_owner else "visit",
        missing=item.missing,
        chance_changes_class=rounded(class_chance, 3),
        chance_changes_interval=rounded(interval_chance, 3),
    )
    return written(step, units)


def _owners_word(outcome: Outcome, base: str, units: Units) -> MeasureNext | None:
    """What the owner's own word is worth, where the default stands for it."""
    if outcome.survey.household.cleanings_per_year is not None:
        return None
    months, share = outcome.asked_months.min(axis=1), outcome.settings["safe_share"]
    answers = [
        decided_class(outcome.house_index, months >= wait_months(outcome.accepted_per_year * factor), share)
        for factor in _OWNERS
    ]
    chance = sum(answer != base for answer in answers) / len(answers)
    if chance < _LEAST_CHANCE:
        return None
    asked = Uncertain("household.cleanings_per_year", np.asarray(_OWNERS), True)
    # With the class the guard changes, and with it the interval.
    return _step(outcome, asked, chance, chance, units)


def _the_gutters_past(outcome: Outcome) -> Uncertain | None:
    """How full the gutter would be found, as an input that can be looked at; not where it was."""
    if outcome.told is not None and outcome.told.observed.fill is not None:
        return None
    months = outcome.guards["none"].months
    worst = int(np.argmin(np.median(months, axis=0)))
    # Seen best when it is about due.
    since = float(np.clip(np.median(months[:, worst]), 3.0, 12.0))
    depth = depth_since(outcome.gutter, worst, since, outcome.survey.month, outcome.settings)
    return Uncertain(HISTORY, np.minimum(depth, 1.1), True)


def _askable(outcome: Outcome) -> list[Uncertain]:
    """Inputs that somebody can find out; nobody can measure next year's litter."""
    past = _the_gutters_past(outcome)
    items = [*outcome.house.inputs, *outcome.sources.inputs, *([past] if past else [])]
    return [item for item in items if input_kind(item.key) in HOW_MEASURED]


def measure_next(outcome: Outcome, judged: Judged, units: Units) -> tuple[MeasureNext, ...]:
    """The inputs worth knowing, most first by what they are likely to change for each minute; at most six."""
    base = outcome.answer.fineness_class
    # With the guard recommended or without: either interval is an answer that somebody plans by.
    waits = [outcome.guards[kind].house_months for kind in dict.fromkeys((judged.planned, "none"))]
    found: list[tuple[float, MeasureNext]] = []
    if (owner := None if judged.guard_anyway else _owners_word(outcome, base, units)) is not None:
        found.append((owner.chance_changes_class, owner))
    others: list[tuple[float, str, Uncertain]] = []
    for item in _askable(outcome):
        how = HOW_MEASURED[input_kind(item.key)]
        weights = results_weights(item.draws, how)
        class_chance, interval_chance = _gains(outcome, waits, weights, base)
        if max(class_chance, interval_chance) >= _LEAST_CHANCE:
            step = _step(outcome, item, class_chance, interval_chance, units)
            found.append((max(class_chance, interval_chance) / math.sqrt(how.minutes), step))
        elif item.missing:
            middles = _quantiles(waits[-1], weights, np.array([0.5]))[:, 0]
            others.append((float(middles.max() / middles.min()), item.key, item))
    if not found and others:
        return (_step(outcome, max(others)[-1], 0, 0, units),)
    # What may change the answer goes before what only changes how often cleaning is due.
    found.sort(key=lambda pair: (pair[1].chance_changes_class < _LEAST_CHANCE, -pair[0], pair[1].input))
    return tuple(step for _, step in found[:_MOST])


@dataclass(frozen=True)
class Narrowing:
    """How far the range of an interval could be narrowed, months at the 10th and 90th percentile: as it is,
    with everything measured that was left out, and with the gutter's past looked at as well."""

    now: tuple[float, float]
    measured: tuple[float, float]
    with_past: tuple[float, float]


def _a_year_of_the_guard(outcome: Outcome, kind: GuardKind) -> Uncertain | None:
    """How much of a guard's face would be found covered a year after brushing; not where it was told."""
    if outcome.told is not None and outcome.told.observed.guard is not None:
        return None
    guard = outcome.guards[kind]
    worst = int(np.argmin(np.median(guard.months, axis=0)))
    past, month = outcome.sources.past, outcome.survey.month
    return Uncertain(HISTORY, covered_since(guard.stages, worst, past, 12.0, month, outcome.settings), True)


def narrowing(outcome: Outcome, kind: GuardKind = "none") -> Narrowing:
    """What of the range of the open gutter, or of a guard, measuring could narrow.

    The logarithm of the wait is explained by the inputs (least squares, each with its square); what those
    that were left out explain would go if they were measured without error, which is nearly so.
    """
    months = outcome.guards[kind].house_months
    wait = np.log(months) - np.log(months).mean()
    past = _the_gutters_past(outcome) if kind == "none" else _a_year_of_the_guard(outcome, kind)
    missing = [item for item in _askable(outcome) if item.missing and item.key != HISTORY]

    def left(items: list[Uncertain]) -> float:
        """Share of the standard deviation that is left."""
        if not items or not wait.any():
            return 1.0
        columns = []
        for item in items:
            how = HOW_MEASURED[input_kind(item.key)]
            value = np.log(np.maximum(item.draws, 1e-6)) if how.scale == "log" else item.draws
            if how.scale == "kind":
                columns += [value == each for each in np.unique(value)[1:]]
                continue
            # Read as it would be read.
            value = outcome.streams.generator(f"{item.key}.read").normal(value, how.error)
            off = value - value.mean()
            columns += [off, off**2]
        if not columns:
            return 1.0
        design = np.stack(columns, axis=1).astype(np.float64)
        design -= design.mean(axis=0)
        fitted = design @ np.linalg.lstsq(design, wait, rcond=None)[0]
        return float(np.sqrt(max(1 - np.square(fitted).sum() / np.square(wait).sum(), 0.0)))

    low, middle, high = (float(each) for each in np.quantile(months, (0.1, 0.5, 0.9)))

    def shrunk(share: float) -> tuple[float, float]:
        return middle * (low / middle) ** share, middle * (high / middle) ** share

    seen = [*missing, *([past] if past is not None else [])]
    return Narrowing((low, high), shrunk(left(missing)), shrunk(left(seen)))


# Code -> what the estimator is told, and the owner.
FIRST_STEPS: Final[Mapping[str, tuple[str, str]]] = MappingProxyType(
    {
        "kind-of-tree": (
            "Find out the kind first: photograph the foliage close up, or look at what lies below the tree.",
            "First we need to know what kind of tree it is. From the ground, take one more photo close to "
            "its leaves or needles, or of what lies below it, and send it as the tree's photo.",
        ),
        "needle-width": (
            "If it is needles, measure them next: five to ten beside a coin or card for a gauge photo, or a "
            "drop test on a sample piece. Their width decides the opening.",
            "If it drops needles, lay five to ten of them beside a plastic card of bank-card size and take a "
            "photo: how thick they are decides how small the holes must be. At a visit some can also be "
            "dropped on a sample of screen.",
        ),
    }
)
_SMALL_CHANCE: Final = 0.05


def first_steps(
    outcome: Outcome, judged: Judged, measure_next: Sequence[MeasureNext], units: Units
) -> tuple[FirstStep, ...]:
    """The steps in the order of doing; empty where a class is given.

    The kind of a tree of which nothing is known, then its needles if it may have any. Where an office's own
    rule says unsure, whatever is most likely to change the class; the code is then that input's key.
    """
    if judged.fineness_class != "unsure":
        return ()
    unknown = [known for known in outcome.evidence if len(known.candidates) > 1]
    codes = ["kind-of-tree"] if unknown else []
    widths = outcome.sources.each
    if any(known.needle_chance > _SMALL_CHANCE for known in unknown) and not any(
        source.measured or source.drop_tests for source in widths if np.isfinite(source.thin_mm).all()
    ):
        codes.append("needle-width")
    if codes:
        said = [(code, *FIRST_STEPS[code]) for code in codes]
        steps = [
            FirstStep(sentence="", to_estimator=estimator, to_owner=owner, code=code, by="owner")
            for code, estimator, owner in said
        ]
    else:
        steps = [
            FirstStep(
                sentence="",
                to_estimator=row.to_estimator,
                to_owner=row.to_owner,
                figures=row.figures,
                code=row.input,
                by=row.by,
            )
            for row in measure_next[:1]
        ]
    return tuple(written(step, units) for step in steps)
