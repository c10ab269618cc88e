"""Advice as text on a terminal: the three answers, the comparison, the reasons, what to do next."""

from __future__ import annotations

import calendar
import re
from collections.abc import Sequence
from typing import get_args

from rich.console import Console
from rich.panel import Panel
from rich.table import Table
from rich.text import Text

from eavefall_model.advice.schema import Advice, Interval, Opening
from eavefall_model.survey import Survey
from eavefall_model.units import MM_PER_INCH
from eavefall_model.vocabulary import GuardKind
from eavefall_service.plots.words import sold_text

__all__ = ["print_advice"]


def print_advice(to: Console, survey: Survey, advice: Advice) -> None:
    """Print one assessment."""
    answers = Table.grid(padding=(0, 2))
    answers.add_row(Text("How fine", style="bold"), _fineness(advice))
    answers.add_row(Text("How often", style="bold"), _how_often(advice))
    answers.add_row(
        Text("Why", style="bold"), Text("\n".join(reason.sentence for reason in advice.reasons[:3]))
    )
    to.print(Panel(answers, title=Text(survey.name), title_align="left"))
    to.print(_guards(advice))
    _list(to, "About each guard", [f"{_words(guard.kind)}: {guard.why}" for guard in advice.guards])
    to.print(_eaves(advice))
    # What speaks about one guard kind is in the table above already.
    general = [reason for reason in advice.reasons if reason.about not in get_args(GuardKind)]
    _list(to, "Reasons", [f"{reason.sentence} [{reason.rule}; {reason.mark}]" for reason in general])
    _list(
        to,
        "Assumed",
        [f"{one.field}: {one.value} ({one.low} to {one.high}). {one.why}" for one in advice.assumed],
    )
    _list(to, "Measure next", [one.sentence for one in advice.measure_next])
    _list(to, "What would change the answer", [one.sentence for one in advice.flips])
    _list(to, "Check these photos", list(advice.check_photos))
    _list(to, "Cautions", [one.sentence for one in advice.cautions])
    made = advice.provenance
    to.print(
        Text(
            f"{made.package}, rules {_short(made.rules)}, tagger {_short(made.model)}, seed {made.seed}",
            style="dim",
        )
    )


def _words(kind: str) -> str:
    return kind.replace("_", " ")


def _short(text: str) -> str:
    """Hashes cut to twelve digits: enough to tell versions apart by eye, the JSON has them whole."""
    return re.sub(r"([0-9a-f]{12})[0-9a-f]+", r"\1", text)


def _fineness(advice: Advice) -> Text:
    text = Text(advice.fineness_class.replace("-", " "), style="bold")
    if advice.opening_mm is not None:
        text.append(f", {_opening(advice.opening_mm)}", style="default")
    for line in advice.find_out_first:
        text.append(f"\n{line}", style="default")
    if advice.opening_mm is not None and advice.opening_mm.on_market:
        sold = ", ".join(sold_text(each) for each in advice.opening_mm.on_market)
        text.append(f"; sold as {sold}", style="default")
    if advice.recommended_guard is not None:
        text.append(f"; guard: {_words(advice.recommended_guard)}", style="default")
    return text


def _opening(opening: Opening) -> str:
    inches = f"{opening.low_mm / MM_PER_INCH:.3f} to {opening.high_mm / MM_PER_INCH:.3f} in"
    named = " / ".join(name for name in (opening.designation_iso, opening.designation_astm) if name)
    return f"clear opening {opening.low_mm:g} to {opening.high_mm:g} mm ({inches}; {named})"


def _months(interval: Interval) -> str:
    return f"{interval.typical:.0f} ({interval.low:.0f} to {interval.high:.0f})"


def _names(months: Sequence[int]) -> str:
    return ", ".join(calendar.month_abbr[month] for month in months) or "any month"


def _how_often(advice: Advice) -> Text:
    return Text(
        f"every {_months(advice.interval_months)} months, best in {_names(advice.clean_in)}; "
        f"without a guard every {_months(advice.interval_unguarded_months)} months"
    )


def _guards(advice: Advice) -> Table:
    table = Table(title="Guard kinds side by side", title_justify="left")
    for heading in ("Guard", "Verdict", "Opening mm", "Months", "Gets through", "Fails by"):
        table.add_column(heading, overflow="fold")
    for guard in advice.guards:
        table.add_row(
            _words(guard.kind),
            guard.verdict,
            "" if guard.opening_mm is None else f"{guard.opening_mm:g}",
            _months(guard.interval_months),
            f"{guard.passes_share:.0%}",
            guard.failure,
        )
    return table


def _eaves(advice: Advice) -> Table:
    table = Table(title="Eave by eave", title_justify="left")
    for heading in ("Eave", "Class", "Months", "Litter kg/m a year", "Rain", "Guard m", "From"):
        table.add_column(heading, overflow="fold")
    for eave in advice.eaves:
        litter = eave.litter_kg_per_m_year
        table.add_row(
            eave.eave,
            eave.fineness_class,
            _months(eave.interval_months),
            f"{litter.typical:.2f} ({litter.low:.2f} to {litter.high:.2f})",
            eave.water.sentence,
            f"{eave.take_off.guard_m:.1f}",
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
