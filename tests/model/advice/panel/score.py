"""How far the engine agrees with the acceptance panel: ``python score.py`` for the open half, ``--closed``
for the other, with ``--panel second``, ``third`` or ``fourth`` of a later one.

Scores as the head of each panel says. Nothing here is a test: disagreements are argued,
not edited.
"""

from __future__ import annotations

import argparse
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
import yaml

from eavefall_model.advice.outcome import GuardOutcome, Outcome, run
from eavefall_model.advice.rulebook import RuleBook, load_rules
from eavefall_model.errors import SurveyError
from eavefall_model.intervals import wilson
from eavefall_model.litter.history import (
    FILL_ERROR,
    HABIT_ERROR,
    MISTAKEN,
    STEP,
    Observed,
    fill_since_cleaning,
    log_likelihood,
    looseness,
    overflow_chance,
    resampled_rows,
    seen_depth,
    weights_from,
)
from eavefall_model.litter.waiting import lying_since_brushed
from eavefall_model.screens.guards import load_guards
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.survey import Survey
from eavefall_model.survey_io import survey_from_data

HERE: Final = Path(__file__).parent
FACTOR: Final = 1.5


@dataclass(frozen=True)
class House:
    """One house with its survey and the estimator's expectations."""

    id: str
    survey: dict[str, Any]
    history: dict[str, Any]
    expects: dict[str, Any]


def houses(half: str, panel: str = "panel") -> list[House]:
    """The houses of one half of a panel: ``open`` or ``closed`` of ``panel``, ``panel_second`` and so on."""
    listed = yaml.safe_load((HERE / f"{panel}.yaml").read_text(encoding="utf-8"))["houses"]
    answers = {each["id"]: each["expects"] for each in listed if "expects" in each}
    if half == "closed":
        closed = yaml.safe_load((HERE / f"{panel}_closed.yaml").read_text(encoding="utf-8"))["houses"]
        answers = {each["id"]: each["expects"] for each in closed}
    return [
        House(
            each["id"],
            each["survey"],
            {key: value for key, value in each.get("history", {}).items() if key != "words"},
            answers[each["id"]],
        )
        for each in listed
        if each["half"] == half
    ]


def outcome_of(
    house: House, *, history: bool = True, book: RuleBook | None = None, draws: int = 2000
) -> Outcome:
    """The engine's draws for a house, with its history where it is to be told."""
    data = {**house.survey, "history": house.history} if history and house.history else house.survey
    survey: Survey = survey_from_data(data)
    return run(survey, {}, {}, book or load_rules(), load_guards(), seed=0, draws=draws)


def per_year(outcome: Outcome, kind: str) -> float:
    """Whole visits a year of the plan that people are told."""
    return outcome.guards[kind].plan.per_year  # type: ignore[index]


def by_litter(outcome: Outcome, kind: str) -> float:
    """Whole visits a year that litter alone asks for."""
    return outcome.guards[kind].plan.by_litter  # type: ignore[index]


def within(one: float, other: float) -> bool:
    """Whether two frequencies are within a factor of 1.5."""
    return max(one, other) <= FACTOR * min(one, other)


def cleanings_agree(expects: Mapping[str, Any], which: str, found: float) -> bool:
    """Whether visits a year, ``open`` or ``guarded``, lie in the range given, or else within the factor."""
    if f"{which}_range" in expects:
        low, high = expects[f"{which}_range"]
        return bool(low - 0.01 <= found <= high + 0.01)
    return within(found, expects[f"{which}_per_year"])


def said(expected: Mapping[str, str], key: str, answer: str) -> bool:
    """Whether an answer is the expected one or the one allowed beside it."""
    return answer in (expected[key], expected.get("also"))


def rows(half: str, panel: str = "panel", draws: int = 2000) -> Iterator[dict[str, Any]]:
    """One row a house: what agrees and what the engine says."""
    from eavefall_model.advice.judge import judge

    for house in houses(half, panel):
        try:
            outcome = outcome_of(house, draws=draws)
        except SurveyError as error:  # a tree that the tables do not have: nothing agrees
            print(f"{house.id}: {error.message}")
            yield {"id": house.id, "unknown": True, "expects": house.expects}
            continue
        judged = judge(outcome, load_rules())
        expects = house.expects
        verdicts = {each.kind: each.verdict for each in judged.guards}
        found_open, found_guarded = per_year(outcome, "none"), per_year(outcome, expects["guard"])
        yield {
            "id": house.id,
            "class": said(expects["fineness"], "class", judged.fine),
            "fine": judged.fine,
            "worth": judged.worth.answer,
            "worth_it": judged.worth.answer in (expects["worth_it"], expects.get("worth_it_also")),
            **{kind: said(wanted, "verdict", verdicts[kind]) for kind, wanted in expects["guards"].items()},
            "verdicts": verdicts,
            "cleanings": cleanings_agree(expects, "open", found_open)
            and cleanings_agree(expects, "guarded", found_guarded),
            "by litter": cleanings_agree(expects, "open", by_litter(outcome, "none"))
            and cleanings_agree(expects, "guarded", by_litter(outcome, expects["guard"])),
            "open within": cleanings_agree(expects, "open", found_open),
            "guarded within": cleanings_agree(expects, "guarded", found_guarded),
            "open": (expects["open_per_year"], found_open),
            "guarded": (expects["guarded_per_year"], found_guarded),
            "expects": expects,
        }


def total(name: str, agrees: Sequence[bool]) -> str:
    """One line of the score with a Wilson interval."""
    low, high = wilson(sum(agrees), len(agrees))
    return f"{name:18s} {sum(agrees):2d} of {len(agrees)} ({low:.0%} to {high:.0%})"


@dataclass(frozen=True)
class Ranges:
    """Of one house's open gutter, or of one guard on it: 10 to 90 ratio by the trees alone, and over
    simulated houses that fit the survey (truths,) the ratio of the range told, whether the truth lies in it,
    and whether it ends at "more than five years", where all that is longer counts as the same."""

    before: float
    ratios: np.ndarray
    hits: np.ndarray
    open_ended: np.ndarray


def _answer(depth: float, due: float, observed: Observed, whole: bool, rng: np.random.Generator) -> Observed:
    """What somebody answers at a house that shows so much and asks for so many visits, by the errors of
    ``litter.history``: a look in fifths, with ``whole`` how often it is cleaned and whether it ran over
    too."""
    uneven = math.sqrt(FILL_ERROR**2 - STEP**2 / 12)
    look = np.clip(min(depth, 1.2) + uneven * rng.standard_normal(), 0, 1)
    if rng.random() < MISTAKEN:
        look = rng.integers(6) / 5
    told = replace(observed, fill=round(float(look) * 5) / 5)
    if not whole:
        return told
    habit = due * math.exp(HABIT_ERROR * rng.standard_normal())
    if rng.random() < MISTAKEN:
        habit = 0.5 * 12 ** rng.random()
    over = rng.random() < (0.5 if rng.random() < MISTAKEN else overflow_chance(np.array(depth)))
    return replace(told, cleanings_per_year=habit, overflowed=bool(over))


def _told(
    months: np.ndarray,
    seen: np.ndarray,
    observed: Observed,
    due: np.ndarray,
    due_seen: np.ndarray | float,
    asked: tuple[int, bool],
    rng: np.random.Generator,
) -> Ranges:
    """Draws stand for true houses: each answers what it shows, and the other draws are weighed by that."""
    truths, whole = asked
    ratios, hits, ends = [], [], []
    for truth in rng.choice(len(months), truths, replace=False):
        told = _answer(float(seen[truth]), float(due[truth]), observed, whole, rng)
        others = np.where(np.arange(len(months)) != truth, 0.0, -1e3)
        rows = resampled_rows(
            weights_from(log_likelihood(told, seen, due, due_seen) + others).share, rng.random()
        )
        low, high = np.quantile(months[rows], (0.1, 0.9))
        hits.append(low - 1e-9 <= months[truth] <= high + 1e-9)
        ratios.append(high / low)
        ends.append(high >= HORIZON_MONTHS - 1e-6)
    before = float(np.divide(*np.quantile(months, (0.9, 0.1))))
    return Ranges(before, np.array(ratios), np.array(hits), np.array(ends))


def ranges(
    house: House, number: int, truths: int = 60, whole: bool = False, draws: int = 2000
) -> dict[str, Ranges]:
    """Ranges of one house with gutter and guard each looked at when it is due, after a year at most.

    ``number`` gives each house draws and truths of its own, so that hits are independent.
    """
    data = {**house.survey, "history": {"cleanings_per_year": 0}}
    outcome = run(survey_from_data(data), {}, {}, load_rules(), load_guards(), seed=number, draws=draws)
    gutter, guard = outcome.guards["none"], outcome.guards[house.expects["guard"]]
    month, rng = outcome.survey.month, np.random.default_rng([number, 7])

    def looked_at(found: GuardOutcome) -> tuple[int, float]:
        middle = np.median(found.months, axis=0)
        return int(np.argmin(middle)), float(np.clip(middle.min(), 3.0, 12.0))

    at, since = looked_at(gutter)
    full = outcome.capacity.gutter_kg_m[:, at] / outcome.settings["fill_share"]
    fill = sum(
        fill_since_cleaning(gutter.litter.inside[foliage, :, at], full, past, since, month)
        for foliage, past in enumerate(outcome.sources.past)
    )
    loose = looseness(outcome.streams.normal("history.loose"))
    on, passed = looked_at(guard)
    face = next(stage for stage in guard.stages if stage.code == 1)
    lies = lying_since_brushed(face, on, outcome.sources.past, passed, month)
    covered = 1 - (1 - outcome.settings["blinded_limit"]) ** lies
    return {
        "open": _told(
            gutter.house_months, seen_depth(np.asarray(fill), loose), Observed(month, since),
            12 / gutter.months[:, at], seen_depth(outcome.settings["fill_share"], loose),
            (truths, whole), rng,
        ),
        "guarded": _told(
            guard.house_months, covered, Observed(month, passed), 12 / guard.months[:, on],
            outcome.settings["blinded_limit"], (truths, whole), rng,
        ),
    }  # fmt: skip


def print_ranges(panel: str, truths: int, whole: bool) -> None:
    """Medians over all houses of a panel, and how often the truth lies in the range told."""
    each = [*houses("open", panel), *houses("closed", panel)]
    found = [ranges(house, number, truths, whole) for number, house in enumerate(each)]
    for name in ("open", "guarded"):
        mine = [one[name] for one in found]
        for when, ratios in (
            ("before", np.array([one.before for one in mine])),
            ("after", np.array([float(np.median(one.ratios)) for one in mine])),
        ):
            low, middle, high = np.quantile(ratios, (0.25, 0.5, 0.75))
            n = len(ratios)
            print(f"{name} {when} median 10-90 ratio {middle:.1f} (quartiles {low:.1f} to {high:.1f}, n {n})")
        hits = np.concatenate([one.hits for one in mine])
        ends = np.concatenate([one.open_ended for one in mine])
        for which, some in (
            ("all", hits),
            ("range ends below five years", hits[~ends]),
            ("beyond", hits[ends]),
        ):
            if len(some):
                low, high = wilson(int(some.sum()), len(some))
                share = f"{some.mean():.0%} of {len(some)} ({low:.0%} to {high:.0%})"
                print(f"{name} truth in range, {which}: {share}")


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--closed", action="store_true")
    parser.add_argument("--panel", choices=("first", "second", "third", "fourth"), default="first")
    parser.add_argument("--draws", type=int, default=2000)
    parser.add_argument(
        "--ranges", action="store_true", help="10 to 90 ratios and coverage of all forty instead"
    )
    parser.add_argument("--truths", type=int, default=60, help="simulated houses for each, with --ranges")
    parser.add_argument("--whole", action="store_true", help="tell how often and overflow too, with --ranges")
    asked = parser.parse_args()
    half = "closed" if asked.closed else "open"
    panel = "panel" if asked.panel == "first" else f"panel_{asked.panel}"
    if asked.ranges:
        print_ranges(panel, asked.truths, asked.whole)
        return
    found = list(rows(half, panel, asked.draws))
    short = {"suits": "S", "suits with care": "c", "does not suit": "-"}
    for row in found:
        if "unknown" in row:
            continue
        expects = row["expects"]
        marks = " ".join(
            f"{kind[:5]}:{short[wanted['verdict']]}{short[row['verdicts'][kind]]}{'' if row[kind] else '!'}"
            for kind, wanted in expects["guards"].items()
        )
        print(
            f"{row['id'][:32]:32s} {expects['fineness']['class'][:7]:7s} {row['fine'][:7]:7s}"
            f"{' ' if row['class'] else '!'} {expects['worth_it'][:5]:5s} {row['worth'][:5]:5s} "
            f"open {row['open'][0]:4.2f} {row['open'][1]:4.2f} guarded {row['guarded'][0]:4.2f} "
            f"{row['guarded'][1]:4.2f}{'' if row['cleanings'] else '!'} {marks}"
        )
    kinds = list(found[0]["expects"]["guards"])
    if asked.panel != "first":
        print("! marks what does not agree; open and guarded: asked, found")
    for name in ("class", *kinds, "cleanings", "by litter", "open within", "guarded within", "worth_it"):
        print(total(name, [bool(row.get(name)) for row in found]))


if __name__ == "__main__":
    main()
