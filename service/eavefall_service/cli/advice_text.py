"""Advice as text on a terminal: the three answers, the comparison, the reasons, what to do next."""

from __future__ import annotations

import re
from collections.abc import Sequence

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from eavefall_model.advice import Advice
from eavefall_model.advice.say import (
    CLASSES,
    FAILURES,
    Voice,
    assumed_text,
    guard_name,
    guard_why,
    interval_text,
    months_text,
    say,
    sentence_case,
    sieve_text,
    sold_text,
    voice_of,
)
from eavefall_model.survey import Survey
from eavefall_model.units import length_text, mass_per_length_text, opening_text, per_cent, range_text
from eavefall_model.vocabulary import GUARD_KINDS, Units

__all__ = ["print_advice"]


def print_advice(to: Console, survey: Survey, advice: Advice, units: Units) -> None:
    """Print one assessment in the office's units."""
    voice = voice_of(advice, "estimator", units)
    answers = Table.grid(padding=(0, 2))
    answers.add_row(Text("How fine", style="bold"), _fineness(advice, units))
    answers.add_row(Text("How often", style="bold"), _how_often(advice))
    why = [say(reason, voice) or "" for reason in advice.reasons[:3]]
    answers.add_row(Text("Why", style="bold"), Text("\n".join(why)))
    to.print(Panel(answers, title=Text(survey.name), title_align="left"))
    to.print(_guards(advice, units))
    about = [
        f"{sentence_case(guard_name(guard.kind))}: {guard_why(advice, guard.kind, voice)}"
        for guard in advice.guards
    ]
    _list(to, "About each guard", about)
    to.print(_eaves(advice, voice))
    # What speaks about one guard kind is in the table above already.
    general = [reason for reason in advice.reasons if reason.about not in GUARD_KINDS]
    _list(to, "Reasons", [f"{say(reason, voice)} [{reason.rule}; {reason.mark}]" for reason in general])
    _list(to, "Assumed", [f"{sentence_case(assumed_text(row, voice))}. {row.why}" for row in advice.assumed])
    _list(to, "Measure next", [one.sentence for one in advice.measure_next])
    _list(to, "What would change the answer", [say(flip, voice) or "" for flip in advice.flips])
    _list(to, "Check these photos", list(advice.check_photos))
    _list(to, "Cautions", [say(caution, voice) or "" for caution in advice.cautions])
    made = advice.provenance
    to.print(
        Text(
            f"{made.package}, rules {_short(made.rules)}, tagger {_short(made.model)}, seed {made.seed}",
            style="dim",
        )
    )


def _short(text: str) -> str:
    """Hashes cut to twelve digits: enough to tell versions apart by eye, the JSON has them whole."""
    return re.sub(r"([0-9a-f]{12})[0-9a-f]+", r"\1", text)


def _fineness(advice: Advice, units: Units) -> Text:
    text = Text(CLASSES["estimator"][advice.fineness_class], style="bold")
    opening = advice.opening_mm
    if opening is not None:
        size = range_text(opening.low_mm, opening.high_mm, units)
        text.append(f", clear opening {size}; {sieve_text(opening)}", style="default")
    for line in advice.find_out_first:
        text.append(f"\n{line}", style="default")
    if opening is not None and opening.on_market:
        text.append(f"; sold as {', '.join(map(sold_text, opening.on_market))}", style="default")
    if advice.recommended_guard is not None:
        text.append(f"; guard: {guard_name(advice.recommended_guard)}", style="default")
    return text


def _how_often(advice: Advice) -> Text:
    best = f", best in {months_text(advice.clean_in)}" if advice.clean_in else ""
    open_gutter = interval_text(advice.interval_unguarded_months)
    return Text(f"every {interval_text(advice.interval_months)}{best}; without a guard every {open_gutter}")


def _guards(advice: Advice, units: Units) -> Table:
    table = Table(title="Guard kinds side by side", title_justify="left")
    for heading in ("Guard", "Verdict", "Opening", "Wait", "Passes through", "What ends it"):
        table.add_column(heading, overflow="fold")
    for guard in advice.guards:
        table.add_row(
            guard_name(guard.kind),
            guard.verdict,
            "" if guard.opening_mm is None else opening_text(guard.opening_mm, units),
            interval_text(guard.interval_months),
            per_cent(guard.passes_share),
            FAILURES[guard.failure],
        )
    return table


def _eaves(advice: Advice, voice: Voice) -> Table:
    table = Table(title="Eave by eave", title_justify="left")
    for heading in ("Eave", "Fineness", "Wait", "Litter a year", "Rain", "Guard", "From"):
        table.add_column(heading, overflow="fold")
    for eave in advice.eaves:
        litter = eave.litter_kg_per_m_year
        typical, low, high = (
            mass_per_length_text(each, voice.units) for each in (litter.typical, litter.low, litter.high)
        )
        table.add_row(
            eave.eave,
            CLASSES["estimator"][eave.fineness_class],
            interval_text(eave.interval_months),
            f"{typical} ({low} to {high})",
            say(eave.water, voice) or "",
            length_text(eave.take_off.guard_m, voice.units) if eave.take_off.guard_m else "none",
            ", ".join(eave.trees),
        )
    return table


def _list(to: Console, title: str, lines: Sequence[str]) -> None:
    if not lines:
        return
    to.print(Text(f"\n{title}", style="bold"))
    for line in lines:
        row = Table.grid(padding=(0, 1))
        row.add_row("-", Text(line))
        to.print(row)
