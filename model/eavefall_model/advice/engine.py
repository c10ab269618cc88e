"""Runs the rules over figures: which spoke, what each decided, and who won."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from eavefall_model.advice.figures import Case
from eavefall_model.advice.rulebook import Rule, RuleBook
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import Caution, Reason
from eavefall_model.vocabulary import VERDICTS, GuardKind, Units, Verdict


@dataclass(frozen=True)
class Spoken:
    """One rule that held, with the sentence it said and what it was about."""

    rule: Rule
    reason: Reason
    about: str | None


@dataclass(frozen=True)
class Verdicts:
    """The winning verdict on one guard, and the ids of the rules behind it in order of weight."""

    verdict: Verdict
    rules: tuple[str, ...]


def fire(book: RuleBook, case: Case, units: Units, about: str | None = None) -> list[Spoken]:
    """Rules about what ``case`` is that hold for its figures, in the file's order.

    A rule whose sentence quotes a figure that is not known does not speak; if only what it says to the owner
    does, it says nothing to the owner. ``units`` are those of the ready sentence.
    """
    spoken = []
    for rule in book.rules:
        if rule.about != case.scope:
            continue
        if not all(condition.holds(case.value(name)) for name, condition in rule.when.items()):
            continue
        if any(case.value(name) is None for name in rule.quotes()):
            continue
        tells = rule.to_owner is not None and all(
            case.value(name) is not None for name in rule.quotes_to_owner()
        )
        used = dict.fromkeys((*rule.when, *rule.quotes(), *(rule.quotes_to_owner() if tells else ())))
        reason = Reason(
            rule=rule.id,
            sentence="",
            to_estimator=rule.sentence,
            to_owner=rule.to_owner if tells else None,
            figures=tuple(case.figure(name) for name in used),
            source=rule.source,
            mark=rule.mark,
            about=about,
        )
        spoken.append(Spoken(rule, written(reason, units), about))
    return spoken


def verdicts(kind: GuardKind, heard: Sequence[Spoken]) -> Verdicts:
    """The verdict of the highest precedence, the harsher of equals; ``suits with care`` if none judges."""
    judged = []
    for spoken in heard:
        effect = spoken.rule.effect
        verdict = effect.guards.get(kind) or (effect.verdict if spoken.rule.about == "guard" else None)
        judged.append((spoken, verdict))
    ranked = sorted(
        ((spoken, verdict) for spoken, verdict in judged if verdict is not None),
        key=lambda pair: (-pair[0].rule.precedence, -VERDICTS.index(pair[1])),
    )
    silent = [spoken for spoken, verdict in judged if verdict is None and spoken.rule.about == "guard"]
    winner = ranked[0][1] if ranked else "suits with care"
    agreeing = [spoken for spoken, verdict in ranked if verdict == winner]
    return Verdicts(winner, tuple(spoken.rule.id for spoken in (*agreeing, *silent)))


def rule_cautions(heard: Sequence[Spoken]) -> list[Caution]:
    """Cautions that rules ask for, one for each topic."""
    found: dict[str, Caution] = {}
    for spoken in heard:
        topic = spoken.rule.effect.caution
        if topic is not None:
            found.setdefault(topic, _caution(topic, spoken.reason))
    return list(found.values())


def _caution(topic: str, reason: Reason) -> Caution:
    # An office's rule that says nothing to the owner still cautions them.
    return Caution(
        topic=topic,
        sentence=reason.sentence,
        to_estimator=reason.to_estimator,
        to_owner=reason.to_owner or reason.to_estimator,
        figures=reason.figures,
    )
