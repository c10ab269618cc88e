"""The tables of the report: guards, eaves, water, what was assumed, take-off."""

from __future__ import annotations

import re
from collections.abc import Sequence

from eavefall_model.advice.schema import Advice, EaveAdvice, GuardVerdict, Opening
from eavefall_model.survey import Survey
from eavefall_service.plots.words import (
    FAILURE_WORDS,
    GUARD_WORDS,
    advised_guard,
    interval_text,
    joined,
    kg_per_m,
    length_both,
    litres_per_second,
    mm_and_in,
    months_text,
    number_text,
    per_cent,
    sentence_case,
    sieve_text,
    size_text,
)
from eavefall_service.report.document import Table

__all__ = ["assumed_table", "eaves_table", "guards_table", "price_line", "take_off_table", "water_table"]


_NAMES = 4
_PROFILES = {"k_style": "K-style", "half_round": "half-round"}


def _first_why(row: GuardVerdict, advice: Advice) -> str:
    """The sentence of the rule that decided; the others stand among the reasons."""
    deciding = row.rules[0] if row.rules else None
    for reason in advice.reasons:
        if reason.about == row.kind and reason.rule == deciding:
            return reason.sentence
    return row.why


def guards_table(advice: Advice) -> Table:
    """Every guard kind with its verdict, in the order of the advice; the advised one is marked, if any."""
    advised = advised_guard(advice)
    rows = []
    for row in advice.guards:
        rows.append(
            (
                sentence_case(GUARD_WORDS[row.kind]),
                row.verdict,
                "—" if row.opening_mm is None else mm_and_in(row.opening_mm),
                interval_text(row.interval_months),
                FAILURE_WORDS[row.failure],
                f"{per_cent(row.passes_share)} / {per_cent(row.stays_share)}",
                _first_why(row, advice),
            )
        )
    return Table(
        "guards",
        "Guard kinds side by side",
        (
            "Guard",
            "Verdict",
            "Opening",
            "Months until a hand is needed",
            "What ends it",
            "Gets in / stays",
            "Why",
        ),
        tuple(rows),
        "Gets in: share of the litter that passes into the gutter. Stays: share that remains on the guard."
        + ("" if advised else " No guard is advised until the kind of tree is known."),
        tuple(at for at, row in enumerate(advice.guards) if row.kind == advised),
        tuple(
            (row.interval_months.low, row.interval_months.typical, row.interval_months.high)
            for row in advice.guards
        ),
        bar_column=3,
    )


def _opening(opening: Opening | None) -> str:
    return "—" if opening is None else f"{size_text(opening)}; {sieve_text(opening)}"


def eaves_table(advice: Advice) -> Table:
    """Class, interval, load and months of each eave."""
    return Table(
        "eaves",
        "Eave by eave",
        (
            "Eave",
            "Fineness",
            "Clear opening",
            "With the guard",
            "No guard",
            "Litter a year",
            "Clean in",
            "Trees",
        ),
        tuple(
            (
                eave.eave,
                eave.fineness_class.replace("-", " "),
                _opening(eave.opening_mm),
                interval_text(eave.interval_months) if advised_guard(advice) else "—",
                interval_text(eave.interval_unguarded_months),
                f"{kg_per_m(eave.litter_kg_per_m_year.typical)}; {_range(eave)}",
                months_text(eave.clean_in) or "no fixed month",
                _few(eave.trees) or "none near",
            )
            for eave in advice.eaves
        ),
        "Intervals in months: typical, and the range that 8 of 10 trial runs fall in.",
    )


def _few(names: Sequence[str]) -> str:
    """The first names, heaviest first as the advice gives them, and how many more."""
    if len(names) <= _NAMES:
        return joined(names)
    return f"{', '.join(names[: _NAMES - 1])} and {len(names) - _NAMES + 1} more"


def _range(eave: EaveAdvice) -> str:
    load = eave.litter_kg_per_m_year
    return f"{number_text(load.low, 2)} to {number_text(load.high, 2)} kg/m"


def _margin(margin: float) -> str:
    return f"{per_cent(margin)} to spare" if margin >= 0 else f"{per_cent(-margin)} short"


def water_table(advice: Advice) -> Table:
    """Design flow against gutter, outlet and screen of each eave."""
    return Table(
        "water",
        "Does the rain still get in?",
        ("Eave", "Design rain", "Gutter takes", "Outlet takes", "Screen takes", "Tightest point", "In words"),
        tuple(
            (
                eave.eave,
                litres_per_second(eave.water.demand_l_s),
                litres_per_second(eave.water.gutter_l_s),
                litres_per_second(eave.water.outlet_l_s),
                "—" if eave.water.inlet_l_s is None else litres_per_second(eave.water.inlet_l_s),
                f"{eave.water.weakest}, {_margin(eave.water.margin)}",
                eave.water.sentence,
            )
            for eave in advice.eaves
        ),
        "To spare: capacity of the tightest point over the design flow.",
    )


def _place(field: str, survey: Survey) -> str:
    """``back: height`` for ``eaves[1].height``; a field of no tree or eave stays as it is."""
    found = re.fullmatch(r"(eaves|trees)\[(\d+)\]\.(.+)", field)
    if found is None:
        return _words(field)
    parts = survey.eaves if found[1] == "eaves" else survey.trees
    at = int(found[2])
    return f"{parts[at].name}: {_words(found[3])}" if at < len(parts) else field


def _both_units(value: str) -> str:
    """``0.127 m`` as ``127 mm (5.0 in)``, ``5 m`` as ``5.0 m (16 ft)``; anything else as it stands."""
    metres = re.fullmatch(r"(\d+(?:\.\d+)?) m", value)
    if metres is None:
        return _PROFILES.get(value, value)
    length_m = float(metres[1])
    return mm_and_in(length_m * 1000) if length_m < 0.5 else length_both(length_m)


def _words(path: str) -> str:
    return path.replace("_", " ").replace(".", " ")


def assumed_table(survey: Survey, advice: Advice) -> Table:
    """What the survey left out and what was taken instead."""
    return Table(
        "assumed",
        "Assumed, because it was not given",
        ("What", "Taken as", "Could be", "Why"),
        tuple(
            (
                _place(row.field, survey),
                _both_units(row.value),
                "" if row.low == row.high else f"{_both_units(row.low)} to {_both_units(row.high)}",
                row.why,
            )
            for row in advice.assumed
        ),
    )


def take_off_table(advice: Advice) -> Table:
    """Material per eave."""
    rows = [
        (
            eave.eave,
            length_both(eave.take_off.guard_m),
            length_both(eave.take_off.gutter_m),
            per_cent(eave.take_off.waste_share),
            str(eave.take_off.corners),
            str(eave.take_off.ends),
            str(eave.take_off.outlets),
        )
        for eave in advice.eaves
    ]
    if len(rows) > 1:
        rows.append(
            (
                "all eaves",
                length_both(sum(eave.take_off.guard_m for eave in advice.eaves)),
                length_both(sum(eave.take_off.gutter_m for eave in advice.eaves)),
                "",
                str(sum(eave.take_off.corners for eave in advice.eaves)),
                str(sum(eave.take_off.ends for eave in advice.eaves)),
                str(sum(eave.take_off.outlets for eave in advice.eaves)),
            )
        )
    notes = dict.fromkeys(eave.take_off.note for eave in advice.eaves if eave.take_off.note)
    return Table(
        "take-off",
        "Take-off",
        ("Eave", "Guard", "New gutter", "Waste", "Corners", "Ends", "Outlets"),
        tuple(rows),
        " ".join(notes),
    )


def price_line(advice: Advice) -> str:
    """Price range over all eaves, or nothing where the office gave no prices or they differ in currency."""
    offs = [eave.take_off for eave in advice.eaves]
    lows = [off.price_low for off in offs if off.price_low is not None]
    highs = [off.price_high for off in offs if off.price_high is not None]
    currencies = {off.currency for off in offs if off.price_low is not None}
    if not lows or len(lows) != len(offs) or len(highs) != len(offs) or len(currencies) != 1:
        return ""
    money = f"{sum(lows):,.0f} to {sum(highs):,.0f} {currencies.pop()}"
    return f"{money} from the office's own price table. Not a quote."
