"""The answers at the top, in words that need no help."""

from __future__ import annotations

from eavefall_model.advice.say import (
    FAILURES,
    guard_name,
    joined,
    months_text,
    range_of,
    say,
    sentence_case,
    sieve_text,
    sold_text,
    voice_of,
    wait_text,
)
from eavefall_model.advice.schema import Advice, Opening
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.units import per_cent, range_text
from eavefall_model.vocabulary import FINENESS_CLASSES, GUARD_KINDS, FinenessClass, Units
from eavefall_service.report.document import Answer, Entry

_REASONS_ON_TOP = 2
_NAMED = 2
# Between these chances that a guard pays, neither answer would be honest (judgement).
_EITHER_WAY = (0.35, 0.65)
_CLASS_WORDS = {
    "open": "An open screen",
    "coarse": "A coarse screen",
    "medium": "A medium screen",
    "fine": "A fine screen",
    "extra-fine": "An extra-fine screen",
}

_EAVE_WORDS: dict[str, str] = {
    **{name: name.replace("-", " ") for name in FINENESS_CLASSES},
    "no-guard-needed": "no guard needed",
    "unsure": "not known yet",
}


def answers_of(advice: Advice, units: Units) -> tuple[Answer, Answer, Answer]:
    """How fine if a guard goes on, whether it is worth it, how often to clean."""
    return _how_fine(advice), _worth_it(advice, units), _how_often(advice, units)


def _split(advice: Advice) -> str:
    """What the trial runs over the uncertain inputs asked for."""
    ranked = sorted(advice.class_probability.items(), key=lambda item: (-item[1], item[0]))
    parts = [f"{_EAVE_WORDS.get(name, name)} {per_cent(share)}" for name, share in ranked if share >= 0.005]
    return f"The trial runs asked for: {joined(parts)}." if parts else ""


def enough_of(advice: Advice) -> str:
    """In how many trial runs the class is fine enough, and how many the next coarser one would do for."""
    share = advice.class_probability
    if advice.fineness_class not in FINENESS_CLASSES:
        return ""
    at = FINENESS_CLASSES.index(advice.fineness_class)
    coarser = share.get("no-guard-needed", 0.0) + sum(share.get(name, 0.0) for name in FINENESS_CLASSES[:at])
    enough = coarser + share.get(advice.fineness_class, 0.0)
    line = f"Fine enough in {per_cent(enough)} of trial runs"
    if at == 0:
        return f"{line}."
    return f"{line}; the next coarser class, {FINENESS_CLASSES[at - 1]}, in {per_cent(coarser)}."


def _by_eave(advice: Advice) -> str:
    """Which eave asks for what, where they differ."""
    eaves: dict[str, list[str]] = {}
    for eave in advice.eaves:
        eaves.setdefault(eave.fineness_class, []).append(eave.eave)
    if len(eaves) < 2:
        return ""
    return f"Eave by eave: {'; '.join(f'{_EAVE_WORDS[name]} at {joined(on)}' for name, on in eaves.items())}."


def _sold(opening: Opening) -> str:
    """What the trade sells in the range, the most open first."""
    named = [sold_text(sold) for sold in opening.on_market[:_NAMED]]
    return f"Sold in that range: {joined(named)}." if named else ""


def _how_fine(advice: Advice) -> Answer:
    question = "How fine, if a guard goes on?"
    if advice.fineness_class == "unsure":
        return _find_out_first(advice, question)
    fine = _class_if_guarded(advice)
    if fine is None:
        lines = ("So little falls here that no fineness is asked for.", _split(advice))
        return Answer(question, "No class is needed", tuple(filter(None, lines)))
    said: list[str] = []
    opening = advice.opening_if_guarded_mm or advice.opening_mm
    headline = _CLASS_WORDS[fine]
    if opening is not None:
        size = range_text(opening.low_mm, opening.high_mm)
        said.append(f"Clear openings {size}; nearest standard sieve {sieve_text(opening)}.")
    advised = advice.recommended_guard
    if advised in (None, "none") and advice.worth is not None:
        advised = advice.worth.guard
    if advised is not None and advised != "none":
        said.append(f"Guard kind that suits best here: {guard_name(advised)}.")
    if opening is not None:
        said.append(_sold(opening))
    said.append(_by_eave(advice))
    return Answer(question, headline, tuple(filter(None, said)))


def _class_if_guarded(advice: Advice) -> FinenessClass | None:
    """The class that a guard would have to have, whether or not it is worth it."""
    for each in (advice.if_guarded, advice.fineness_class):
        if each in FINENESS_CLASSES:
            return each
    return None


def _find_out_first(advice: Advice, question: str) -> Answer:
    """No class and no guard yet: what to find out, in order."""
    if not advice.find_out_first:
        settle = f" This would settle it: {advice.measure_next[0].sentence}" if advice.measure_next else ""
        lines = (f"What we know does not decide between the classes.{settle}", _split(advice))
        return Answer(question, "We cannot say yet", tuple(filter(None, lines)))
    first, *rest = (step.sentence for step in advice.find_out_first)
    headline, _, how = first.partition(": ")
    none_yet = "No guard is advised before that; the table compares them all."
    said = (sentence_case(how), *rest, none_yet, _split(advice))
    return Answer(question, headline, tuple(filter(None, said)))


def _worth_it(advice: Advice, units: Units) -> Answer:
    """Yes, no, or could go either way; never flatter than the trial runs."""
    question = "Is a guard worth it?"
    if advice.fineness_class == "unsure":
        return Answer(question, "Not known yet", ("First find out the kind of tree.",))
    voice = voice_of(advice, "estimator", units)
    bare = advice.interval_unguarded_months
    if advice.worth is None:
        chance = 1.0 - advice.class_probability.get("no-guard-needed", 0.0)
        low, high = _EITHER_WAY
        headline = "Could go either way" if low <= chance <= high else "Yes" if chance > high else "No"
        often = "of trial runs the open gutter needs cleaning more often than the owner accepts."
        wait = f"about every {wait_text(bare.typical)} ({range_of(bare)})"
        lines = [f"In {per_cent(chance)} {often}", f"Without a guard: {wait}."]
    else:
        headline = sentence_case(advice.worth.answer)
        lines = [say(advice.worth, voice) or ""]
    patience = next((flip for flip in advice.flips if flip.input == "household.cleanings_per_year"), None)
    if patience is not None:
        lines.append(say(patience, voice) or "")
    return Answer(question, headline, tuple(filter(None, lines)))


def _how_often(advice: Advice, units: Units) -> Answer:
    voice = voice_of(advice, "estimator", units)
    question = "How often to clean?"
    guarded = advice.recommended_guard not in (None, "none")
    interval = advice.interval_months if guarded else advice.interval_unguarded_months
    rare = interval.typical >= HORIZON_MONTHS
    headline = sentence_case(f"{'' if rare else 'about every '}{wait_text(interval.typical)}")
    if rare:
        headline += " between cleanings"
    lines = []
    if interval.low < HORIZON_MONTHS:
        lines.append(f"8 of 10 trial runs: {range_of(interval)}.")
    said = [say(each, voice) or "" for each in (advice.plan, advice.past, advice.range_said) if each]
    if said:
        lines = [said[0], *lines, *said[1:]]
    elif advice.clean_in:
        lines.append(f"Best months: {months_text(advice.clean_in)}.")
    lines.append(
        "With the guard that suits best."
        if guarded
        else "From the ground or by a paid visit, without a guard."
    )
    ends = advice.recommended_guard or "none"
    verdict = next((row for row in advice.guards if row.kind == ends), None)
    if verdict is not None and verdict.failure != "none expected":
        lines.append(f"What ends the interval: {FAILURES[verdict.failure]}.")
    return Answer(question, headline, tuple(lines))


def why_of(advice: Advice, units: Units) -> tuple[str, ...]:
    """The sentences that decided; where there is no answer, the rule that says so comes first."""
    # What is said of a single guard kind belongs beside that kind.
    reasons = sorted(
        advice.reasons,
        key=lambda reason: (not reason.rule.startswith("unsure"), reason.about in GUARD_KINDS),
    )
    voice = voice_of(advice, "estimator", units)
    return tuple(say(reason, voice) or "" for reason in reasons[:_REASONS_ON_TOP]) or ("No rule spoke.",)


def next_step_of(advice: Advice) -> str:
    """What is most worth finding out, as one sentence."""
    for step in (*advice.find_out_first, *advice.measure_next):
        return step.sentence
    return "Nothing left to measure is likely to change the answer."


def notices_of(advice: Advice) -> tuple[Entry, ...]:
    """What the reader must know before trusting the answers."""
    notices = []
    if advice.failed_photos:
        notices.append(
            Entry("Photos that could not be read", f"{joined(advice.failed_photos)}. The rest was used.")
        )
    if advice.check_photos:
        notices.append(
            Entry("Photos to look at again", f"{joined(advice.check_photos)}: they disagree with the others.")
        )
    notices += [Entry("To be settled", one.sentence) for one in advice.questions]
    return tuple(notices)


def until_then_of(advice: Advice) -> tuple[str, ...]:
    """How to keep the gutters clean until the next visit, from the ground."""
    lines = []
    if advice.clean_in:
        lines.append(f"Put the cleaning in the calendar: {months_text(advice.clean_in)}.")
    lines.append(
        "After heavy rain, look up from the ground. Water over the front edge or a dry downspout means a "
        "blockage: call sooner."
    )
    if advice.recommended_guard not in (None, "none"):
        lines.append(
            "Once a season, look at the guard. Loose dry litter often blows off; a wet mat that stays for "
            "weeks needs brushing."
        )
    else:
        lines.append("Look below each downspout: grit and needles washed out show what collects above.")
    lines.append(
        "Cutting back what overhangs the roof brings less litter. Leave limbs near power lines or above the "
        "roof to a licensed tree service."
    )
    return tuple(lines)
