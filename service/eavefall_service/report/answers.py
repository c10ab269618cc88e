"""The answers at the top, in words that need no help."""

from __future__ import annotations

from dataclasses import replace

from eavefall_model.advice.say import (
    CLASSES,
    FAILURES,
    Voice,
    every,
    guard_name,
    months_text,
    range_of,
    say,
    sentence_case,
    sieve_text,
    sold_text,
    times_text,
    voice_of,
    wait_text,
)
from eavefall_model.advice.schema import Advice, Opening, Said
from eavefall_model.language import listed, translate
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.units import per_cent, range_text
from eavefall_model.vocabulary import FINENESS_CLASSES, GUARD_KINDS, FinenessClass, Language, Units
from eavefall_service.report.document import Answer, Entry

_REASONS_ON_TOP = 2
_NAMED = 2
# Between these chances that a guard pays, neither answer would be honest (judgement).
_EITHER_WAY = (0.35, 0.65)
# The class as the answer of a report.
SCREENS = {
    "open": "An open screen",
    "coarse": "A coarse screen",
    "medium": "A medium screen",
    "fine": "A fine screen",
    "extra-fine": "An extra-fine screen",
}


def reader_voice(advice: Advice, units: Units, language: Language = "en") -> Voice:
    """In whose words a report speaks: the estimator's, or in another language than English the owner's, who
    asked for it."""
    return voice_of(advice, "estimator" if language == "en" else "owner", units, language)


def told(said: Said, voice: Voice) -> str:
    """What is said in a report; what has no words for the owner is said as to the estimator."""
    return say(said, voice) or say(said, replace(voice, audience="estimator")) or ""


def class_name(name: str, language: Language = "en") -> str:
    """A class in a table or a running line: ``extra fine``, ``no guard needed``."""
    return translate(language, CLASSES["estimator"][name]).replace("-", " ")


def answers_of(advice: Advice, units: Units, language: Language = "en") -> tuple[Answer, Answer, Answer]:
    """How fine if a guard goes on, whether it is worth it, how often to clean."""
    voice = reader_voice(advice, units, language)
    return _how_fine(advice, voice), _worth_it(advice, voice), _how_often(advice, voice)


def _split(advice: Advice, language: Language) -> str:
    """What the trial runs over the uncertain inputs asked for."""
    ranked = sorted(advice.class_probability.items(), key=lambda item: (-item[1], item[0]))
    parts = [
        f"{class_name(name, language)} {per_cent(share, language)}"
        for name, share in ranked
        if share >= 0.005
    ]
    shares = listed(parts, language)
    return translate(language, "The trial runs asked for: {shares}.", shares=shares) if parts else ""


def enough_of(advice: Advice, language: Language = "en") -> str:
    """In how many trial runs the class is fine enough, and how many the next coarser one would do for."""
    share = advice.class_probability
    if advice.fineness_class not in FINENESS_CLASSES:
        return ""
    at = FINENESS_CLASSES.index(advice.fineness_class)
    coarser = share.get("no-guard-needed", 0.0) + sum(share.get(name, 0.0) for name in FINENESS_CLASSES[:at])
    enough = per_cent(coarser + share.get(advice.fineness_class, 0.0), language)
    if at == 0:
        return translate(language, "Fine enough in {enough} of trial runs.", enough=enough)
    return translate(
        language,
        "Fine enough in {enough} of trial runs; the next coarser class, {coarser}, in {share}.",
        enough=enough,
        coarser=translate(language, CLASSES["estimator"][FINENESS_CLASSES[at - 1]]),
        share=per_cent(coarser, language),
    )


def _by_eave(advice: Advice, language: Language) -> str:
    """Which eave asks for what, where they differ."""
    eaves: dict[str, list[str]] = {}
    for eave in advice.eaves:
        eaves.setdefault(eave.fineness_class, []).append(eave.eave)
    if len(eaves) < 2:
        return ""
    each = "; ".join(
        translate(
            language,
            "{screen} at {eaves}",
            screen=class_name(name, language),
            eaves=listed(on, language),
        )
        for name, on in eaves.items()
    )
    return translate(language, "Eave by eave: {each}.", each=each)


def _sold(opening: Opening, language: Language) -> str:
    """What the trade sells in the range, the most open first."""
    named = [sold_text(sold, language) for sold in opening.on_market[:_NAMED]]
    cloths = listed(named, language)
    return translate(language, "Sold in that range: {cloths}.", cloths=cloths) if named else ""


def _how_fine(advice: Advice, voice: Voice) -> Answer:
    language = voice.language
    question = translate(language, "How fine, if a guard goes on?")
    if advice.fineness_class == "unsure":
        return _find_out_first(advice, question, voice)
    fine = _class_if_guarded(advice)
    if fine is None:
        none = translate(language, "So little falls here that no fineness is asked for.")
        lines = (none, _split(advice, language))
        return Answer(question, translate(language, "No class is needed"), tuple(filter(None, lines)))
    said: list[str] = []
    opening = advice.opening_if_guarded_mm or advice.opening_mm
    if opening is not None:
        said.append(
            translate(
                language,
                "Clear openings {size}; nearest standard sieve {sieve}.",
                size=range_text(opening.low_mm, opening.high_mm, language=language),
                sieve=sieve_text(opening),
            )
        )
    advised = advice.recommended_guard
    if advised in (None, "none") and advice.worth is not None:
        advised = advice.worth.guard
    if advised is not None and advised != "none":
        guard = guard_name(advised, language)
        said.append(translate(language, "Guard kind that suits best here: {guard}.", guard=guard))
    if opening is not None:
        said.append(_sold(opening, language))
    said.append(_by_eave(advice, language))
    return Answer(question, translate(language, SCREENS[fine]), tuple(filter(None, said)))


def _class_if_guarded(advice: Advice) -> FinenessClass | None:
    """The class that a guard would have to have, whether or not it is worth it."""
    for each in (advice.if_guarded, advice.fineness_class):
        if each in FINENESS_CLASSES:
            return each
    return None


def _find_out_first(advice: Advice, question: str, voice: Voice) -> Answer:
    """No class and no guard yet: what to find out, in order."""
    language = voice.language
    if not advice.find_out_first:
        lines = [translate(language, "What we know does not decide between the classes.")]
        if advice.measure_next:
            step = told(advice.measure_next[0], voice)
            lines.append(translate(language, "This would settle it: {step}", step=step))
        lines = [" ".join(lines), _split(advice, language)]
        return Answer(question, translate(language, "We cannot say yet"), tuple(filter(None, lines)))
    first, *rest = (say(step, replace(voice, audience="estimator")) or "" for step in advice.find_out_first)
    headline, _, how = first.partition(": ")
    none_yet = translate(language, "No guard is advised before that; the table compares them all.")
    said = (sentence_case(how), *rest, none_yet, _split(advice, language))
    return Answer(question, headline, tuple(filter(None, said)))


def _worth_it(advice: Advice, voice: Voice) -> Answer:
    """Yes, no, or could go either way; never flatter than the trial runs."""
    language = voice.language
    question = translate(language, "Is a guard worth it?")
    if advice.fineness_class == "unsure":
        first = translate(language, "First find out the kind of tree.")
        return Answer(question, translate(language, "Not known yet"), (first,))
    bare = advice.interval_unguarded_months
    if advice.worth is None:
        chance = 1.0 - advice.class_probability.get("no-guard-needed", 0.0)
        low, high = _EITHER_WAY
        headline = "could go either way" if low <= chance <= high else "yes" if chance > high else "no"
        lines = [
            translate(
                language,
                "In {share} of trial runs the open gutter needs cleaning more often than the owner accepts.",
                share=per_cent(chance, language),
            ),
            translate(
                language,
                "Without a guard: {often} ({range}).",
                often=every(bare.typical, language),
                range=range_of(bare, language),
            ),
        ]
    else:
        headline = advice.worth.answer
        lines = [told(advice.worth, voice)]
    patience = next((flip for flip in advice.flips if flip.input == "household.cleanings_per_year"), None)
    if patience is not None:
        lines.append(told(patience, voice))
    answer = sentence_case(translate(language, headline))
    return Answer(question, answer, tuple(filter(None, lines)))


def _how_often(advice: Advice, voice: Voice) -> Answer:
    language = voice.language
    question = translate(language, "How often to clean?")
    guarded = advice.recommended_guard not in (None, "none")
    interval = advice.interval_months if guarded else advice.interval_unguarded_months
    visits = (
        next((each for each in advice.plan.figures if each.name == "visits"), None) if advice.plan else None
    )
    lines = []
    if visits is not None and isinstance(visits.value, float):
        headline = times_text(visits.value, language)
        lines.append(
            translate(
                language, "By what falls alone it is due {often}.", often=every(interval.typical, language)
            )
        )
    elif interval.typical >= HORIZON_MONTHS:
        headline = translate(language, "more than five years between cleanings")
    else:
        headline = translate(language, "about every {wait}", wait=wait_text(interval.typical, language))
    if interval.low < HORIZON_MONTHS:
        trials = translate(language, "8 of 10 trial runs: {range}.", range=range_of(interval, language))
        lines = [" ".join([*lines, trials])]
    said = [told(each, voice) for each in (advice.plan, advice.past, advice.range_said) if each]
    if said:
        lines = [said[0], *lines, *said[1:]]
    elif advice.clean_in:
        months = months_text(advice.clean_in, language)
        lines.append(translate(language, "Best months: {months}.", months=months))
    lines.append(
        translate(language, "With the guard that suits best.")
        if guarded
        else translate(language, "From the ground or by a paid visit, without a guard.")
    )
    ends = advice.recommended_guard or "none"
    verdict = next((row for row in advice.guards if row.kind == ends), None)
    if verdict is not None and verdict.failure != "none expected":
        failure = translate(language, FAILURES[verdict.failure])
        lines.append(translate(language, "What ends the interval: {failure}.", failure=failure))
    return Answer(question, sentence_case(headline), tuple(lines))


def why_of(advice: Advice, units: Units, language: Language = "en") -> tuple[str, ...]:
    """The sentences that decided; where there is no answer, the rule that says so comes first."""
    # What is said of a single guard kind belongs beside that kind.
    reasons = sorted(
        advice.reasons,
        key=lambda reason: (not reason.rule.startswith("unsure"), reason.about in GUARD_KINDS),
    )
    voice = reader_voice(advice, units, language)
    said = tuple(told(reason, voice) for reason in reasons[:_REASONS_ON_TOP])
    return said or (translate(language, "No rule spoke."),)


def next_step_of(advice: Advice) -> str:
    """What is most worth finding out, as one sentence."""
    for step in (*advice.find_out_first, *advice.measure_next):
        return step.sentence
    return "Nothing left to measure is likely to change the answer."


def notices_of(advice: Advice, units: Units = "us", language: Language = "en") -> tuple[Entry, ...]:
    """What the reader must know before trusting the answers."""
    notices = []
    if advice.failed_photos:
        photos = listed(advice.failed_photos, language)
        notices.append(
            Entry(
                translate(language, "Photos that could not be read"),
                translate(language, "{photos}. The rest was used.", photos=photos),
            )
        )
    if advice.check_photos:
        photos = listed(advice.check_photos, language)
        notices.append(
            Entry(
                translate(language, "Photos to look at again"),
                translate(language, "{photos}: they disagree with the others.", photos=photos),
            )
        )
    settle = translate(language, "To be settled")
    voice = reader_voice(advice, units, language)
    notices += [
        Entry(settle, one.sentence if language == "en" else told(one, voice)) for one in advice.questions
    ]
    return tuple(notices)


def until_then_of(advice: Advice, language: Language = "en") -> tuple[str, ...]:
    """How to keep the gutters clean until the next visit, from the ground."""
    lines = []
    if advice.clean_in:
        months = months_text(advice.clean_in, language)
        lines.append(translate(language, "Put the cleaning in the calendar: {months}.", months=months))
    lines.append(
        translate(
            language,
            "After heavy rain, look up from the ground. Water over the front edge or a dry downspout means a "
            "blockage: call sooner.",
        )
    )
    if advice.recommended_guard not in (None, "none"):
        lines.append(
            translate(
                language,
                "Once a season, look at the guard. Loose dry litter often blows off; a wet mat that stays "
                "for weeks needs brushing.",
            )
        )
    else:
        lines.append(
            translate(
                language,
                "Look below each downspout: grit and needles washed out show what collects above.",
            )
        )
    lines.append(
        translate(
            language,
            "Cutting back what overhangs the roof brings less litter. Leave limbs near power lines or above "
            "the roof to a licensed tree service.",
        )
    )
    return tuple(lines)
