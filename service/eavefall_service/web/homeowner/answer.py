"""The homeowner's first answer: how fine, how often, why, what to do next, what to be careful of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from eavefall_model.advice import Advice
from eavefall_model.advice.say import (
    CLASSES,
    Voice,
    every,
    months_text,
    say,
    sentence_case,
    times_text,
    voice_of,
)
from eavefall_model.language import listed, mark, translate
from eavefall_model.units import range_text
from eavefall_model.vocabulary import GUARD_KINDS, Language, Units
from eavefall_service.journeys.prequote import PreQuote
from eavefall_service.web import words
from eavefall_service.web.homeowner.steps import Step, first_of, steps_of

_NO_WORDS = mark("The office's own rules decided this. Ask the office what they are.")
_NO_TREES = mark(
    "So far we know of no tree near your house. Where none stands, next to nothing falls into a gutter."
)
_TELL_TREES = mark("Send a photo of your house and its trees, or tell us about the nearest tree.")


_SHOWN: Final = 3
# What to say with a class where it is the answer.
SAFE_SIDE: Final = {
    "open": "An open screen, to be on the safe side",
    "coarse": "A coarse screen, to be on the safe side",
    "medium": "A medium screen, to be on the safe side",
    "fine": "A fine screen, to be on the safe side",
    "extra-fine": "An extra-fine screen, to be on the safe side",
}
# What the holes of a class compare with. Coins are 1.3 to 2.4 mm thick and pencils about 7 mm (from memory);
# leads of mechanical pencils are 0.5, 0.7 and 0.9 mm (ISO 9175-1, from memory).
HOLES: Final = {
    "open": "Holes {size}: about as wide as a pencil, or wider.",
    "coarse": "Holes {size}: wider than a coin is thick, narrower than a pencil.",
    "medium": "Holes {size}: about as wide as a coin is thick.",
    "fine": "Holes {size}: about as wide as the lead of a mechanical pencil.",
    "extra-fine": "Holes {size}: no wider than the thinnest lead of a mechanical pencil.",
}


@dataclass(frozen=True)
class HomeAnswer:
    """All that the page says, ready to show. ``first`` stands only where no screen can be named yet."""

    fine: str
    fine_lines: tuple[str, ...]
    worth: str
    worth_lines: tuple[str, ...]
    often: str
    often_lines: tuple[str, ...]
    reasons: tuple[str, ...]
    first: tuple[Step, ...]
    yours: tuple[Step, ...]
    visit: tuple[Step, ...]
    nothing_likely: bool
    cautions: tuple[str, ...]
    range_lines: tuple[str, ...]
    to_settle: tuple[str, ...]


def home_answer(quote: PreQuote, units: Units = "us", language: Language = "en") -> HomeAnswer:
    """The span of answers in a homeowner's words."""
    advice = quote.middle
    voice = voice_of(advice, "owner", units, language)
    no_tree = any(row.field == "trees" for row in advice.assumed)
    fine, fine_lines = _how_fine(quote, no_tree, voice)
    worth, worth_lines = _worth_it(advice, voice, no_tree)
    yours, visit = steps_of(advice, voice)
    cautions = tuple(dict.fromkeys(say(each, voice) or "" for each in advice.cautions))
    first = first_of(advice, voice)
    return HomeAnswer(
        fine=fine,
        fine_lines=fine_lines,
        worth=worth,
        worth_lines=worth_lines,
        often=words.months_span(quote.low_months, quote.high_months, language),
        often_lines=_how_often(advice, no_tree, voice),
        range_lines=tuple(filter(None, (say(advice.range_said, voice),))) if advice.range_said else (),
        to_settle=tuple(filter(None, (say(each, voice) for each in advice.questions))),
        reasons=(translate(language, _NO_TREES),)
        if no_tree
        else _reasons(advice, voice, cautions) or (translate(language, _NO_WORDS),),
        first=(Step(translate(language, _TELL_TREES), page="questions"),) if no_tree else first,
        yours=tuple(step for step in yours if step.page not in {each.page for each in first}),
        visit=visit,
        nothing_likely=not (no_tree or first)
        and not any(row.chance_changes_class or row.chance_changes_interval for row in advice.measure_next),
        cautions=cautions,
    )


def _how_fine(quote: PreQuote, no_tree: bool, voice: Voice) -> tuple[str, tuple[str, ...]]:
    advice, language = quote.middle, voice.language
    name = advice.fineness_class
    not_yet = translate(language, "We can't say yet")
    if no_tree:
        none = translate(
            language,
            "No photo shows a tree, and you have told us of none. If none stands near your house, it most "
            "likely needs no screen.",
        )
        return not_yet, (none,)
    others = [CLASSES["owner"][each] for each in quote.classes if each not in (name, "unsure")]
    also = listed([translate(language, each) for each in others], language, "or")
    if name == "unsure":
        return not_yet, (translate(language, "Still possible: {screens}.", screens=also),) if also else ()
    lines = []
    # Worth it or not, the fineness that a screen would need is said.
    fine = advice.if_guarded if name == "no-guard-needed" else name
    opening = advice.opening_mm or advice.opening_if_guarded_mm
    if opening is not None and fine in HOLES:
        size = range_text(opening.low_mm, opening.high_mm, voice.units, language)
        if size[0].isdigit():
            size = translate(language, "of {size}", size=size)
        lines.append(translate(language, HOLES[fine], size=size))
    if also:
        lines.append(
            translate(
                language, "With what we know so far it may also turn out to be {screens}.", screens=also
            )
        )
    if "unsure" in quote.classes:
        lines.append(
            translate(language, "If your answers are a little off, we must know the kind of tree first.")
        )
    if fine not in HOLES:
        return translate(language, "Most likely no screen"), tuple(lines)
    return translate(language, SAFE_SIDE[fine]), tuple(lines)


def _worth_it(advice: Advice, voice: Voice, no_tree: bool) -> tuple[str, tuple[str, ...]]:
    """Whether a screen is worth it, and why; never said before the trees are known."""
    not_yet = translate(voice.language, "Not known yet")
    if no_tree:
        return not_yet, (translate(voice.language, "First we must know which trees stand near."),)
    if advice.fineness_class == "unsure" or advice.worth is None:
        return not_yet, (translate(voice.language, "First we must know the kind of tree."),)
    answer = sentence_case(translate(voice.language, advice.worth.answer))
    return answer, tuple(filter(None, (say(advice.worth, voice),)))


def _reasons(advice: Advice, voice: Voice, apart: tuple[str, ...]) -> tuple[str, ...]:
    """The weightiest reasons, at most three, without those said ``apart`` from them.

    Why there is no class yet comes first. Reasons about single guard kinds are for the estimator's table.
    """
    ranked = sorted(
        (reason for reason in advice.reasons if reason.about not in GUARD_KINDS),
        key=lambda reason: not reason.rule.startswith("unsure"),
    )
    lines = [line for reason in ranked if (line := say(reason, voice)) is not None and line not in apart]
    return tuple(dict.fromkeys(lines))[:_SHOWN]


def _how_often(advice: Advice, no_tree: bool, voice: Voice) -> tuple[str, ...]:
    language, lines = voice.language, []
    if no_tree:
        lines.append(translate(language, "That holds if no tree stands near."))
    elif advice.recommended_guard is None:
        lines.append(
            translate(language, "That is clearing the gutter itself, as no screen can be named yet.")
        )
    elif advice.recommended_guard == "none":
        lines.append(
            translate(language, "In the likeliest case that is clearing the gutter itself, without a screen.")
        )
    else:
        lines.append(
            translate(language, "In the likeliest case there is a screen, and the work is brushing it off.")
        )
        bare = next(each for each in advice.guards if each.kind == "none")
        often = (
            times_text(bare.visits_per_year, language)
            if bare.visits_per_year
            else every(advice.interval_unguarded_months.typical, language)
        )
        lines.append(translate(language, "Without a screen: {often}.", often=often))
    if advice.past is not None:
        lines.append(say(advice.past, voice) or "")
    if advice.plan is not None:
        lines.append(say(advice.plan, voice) or "")
    elif advice.clean_in:
        lines.append(translate(language, "Best in {months}.", months=months_text(advice.clean_in, language)))
    return tuple(lines)
