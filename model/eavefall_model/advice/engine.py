"""Runs the rules over figures: which spoke, what each decided, and who won."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from eavefall_model.advice.rulebook import Rule, RuleBook
from eavefall_model.advice.schema import Caution, Reason
from eavefall_model.vocabulary import VERDICTS, GuardKind, Verdict

__all__ = ["Spoken", "Value", "Verdicts", "fire", "rule_cautions", "verdicts"]

Value = float | int | str | bool | None


@dataclass(frozen=True)
class Spoken:
    """One rule that held, with the sentence it said and what it was about."""

    rule: Rule
    reason: Reason
    about: str | None


@dataclass(frozen=True)
class Verdicts:
    """The winning verdict on one guard, the sentences in order of weight, and the ids of the rules heard."""

    verdict: Verdict
    why: str
    rules: tuple[str, ...]


def _number(value: Value) -> float | int | str | None:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return float(f"{value:.4g}") if isinstance(value, float) else value


def fire(book: RuleBook, scope: str, figures: Mapping[str, Value], about: str | None = None) -> list[Spoken]:
    """Rules of one scope that hold for these figures, in the file's order.

    A rule whose sentence quotes a figure that is not known does not speak; if only what it says to the owner
    does, it says nothing to the owner.
    """
    spoken = []
    for rule in book.rules:
        if rule.about != scope:
            continue
        if not all(condition.holds(figures.get(name)) for name, condition in rule.when.items()):
            continue
        quoted = {name: figures.get(name) for name in rule.numbers()}
        if any(value is None for value in quoted.values()):
            continue
        told = {name: figures.get(name) for name in rule.numbers_to_owner()}
        to_owner = rule.to_owner
        if any(value is None for value in told.values()):
            to_owner, told = None, {}
        used = {name: _number(figures.get(name)) for name in (*rule.when, *quoted, *told)}
        reason = Reason(
            rule=rule.id,
            sentence=rule.sentence.format_map(quoted),
            to_owner=to_owner and to_owner.format_map(told),
            numbers=used,
            source=rule.source,
            mark=rule.mark,
            about=about,
        )
        spoken.append(Spoken(rule, reason, about))
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
    lines = [spoken.reason.sentence for spoken in (*agreeing, *silent)]
    return Verdicts(
        verdict=winner,
        why=" ".join(dict.fromkeys(lines)) or "No rule speaks about it.",
        rules=tuple(spoken.rule.id for spoken in (*agreeing, *silent)),
    )


def rule_cautions(heard: Sequence[Spoken]) -> list[Caution]:
    """Cautions that rules ask for, one for each topic."""
    found: dict[str, Caution] = {}
    for spoken in heard:
        topic = spoken.rule.effect.caution
        if topic is not None:
            found.setdefault(topic, Caution(topic=topic, sentence=spoken.reason.sentence))
    return list(found.values())
