"""The tables of the report: guards, eaves, material."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from eavefall_model.advice.say import (
    Voice,
    guard_name,
    guard_why,
    months_text,
    sentence_case,
    spare_text,
)
from eavefall_model.advice.schema import Advice, EaveAdvice, GuardVerdict
from eavefall_model.language import listed, mark, translate
from eavefall_model.units import (
    length_text,
    mass_per_length_text,
    number_text,
    opening_text,
    per_cent,
    span_text,
)
from eavefall_model.vocabulary import Language, Units
from eavefall_service.plots.words import load_value, months_short
from eavefall_service.report.answers import class_name, reader_voice, told
from eavefall_service.report.document import Table

_NAMES = 4
# The rule that says what gets in by number, beside the one that decided.
COUNTED: Final = "small-things-get-in"


def deciding_rule(row: GuardVerdict) -> str | None:
    """The rule that gave the verdict on a guard kind; the first of those that spoke."""
    return row.rules[0] if row.rules else None


def _first_why(row: GuardVerdict, advice: Advice, voice: Voice) -> str:
    """The sentence of the rule that decided."""
    for reason in advice.reasons:
        if reason.about == row.kind and reason.rule == deciding_rule(row):
            return told(reason, voice)
    return guard_why(advice, row.kind, voice)


def _counted(row: GuardVerdict, advice: Advice, voice: Voice) -> str:
    """What gets in by number."""
    for reason in advice.reasons:
        if reason.about == row.kind and reason.rule == COUNTED:
            return f" {told(reason, voice)}"
    return ""


def _heads(language: Language, *words: str) -> tuple[str, ...]:
    return tuple(translate(language, word) for word in words)


def guards_table(advice: Advice, units: Units, language: Language = "en") -> Table:
    """Every guard kind with its verdict, in the order of the advice; the advised one is marked, if any."""
    advised = advice.recommended_guard
    voice = reader_voice(advice, units, language)
    rows = tuple(
        (
            sentence_case(guard_name(row.kind, language)),
            translate(language, row.verdict),
            "—" if row.opening_mm is None else opening_text(row.opening_mm, language=language),
            months_short(row.interval_months, language),
            translate(language, row.failure),
            f"{per_cent(row.passes_share, language)} / {per_cent(row.stays_share, language)}",
            _first_why(row, advice, voice) + _counted(row, advice, voice),
        )
        for row in advice.guards
    )
    note = translate(
        language,
        "Months to cleaning. In: share of the litter that passes into the gutter; stays: on the guard.",
    )
    if not advised:
        not_yet = translate(language, "No guard is advised until the kind of tree is known.")
        note = f"{note} {not_yet}"
    return Table(
        "guards",
        translate(language, "Guard kinds side by side"),
        _heads(
            language, mark("Guard"), mark("Verdict"), mark("Opening"), mark("Months"), mark("Ended by"),
            mark("In / stays"), mark("Why"),
        ),
        rows,
        note,
        tuple(at for at, row in enumerate(advice.guards) if row.kind == advised),
        # Spanish writes out "pulgadas".
        (1.6, 1.2, 1.1 if language == "en" else 1.45, 1.05, 1.2, 1.1, 0),
        last_below=True,
    )  # fmt: skip


def _fineness(eave: EaveAdvice, language: Language) -> str:
    name = class_name(eave.fineness_class, language)
    if eave.opening_mm is None:
        return name
    most = f"{number_text(eave.opening_mm.high_mm)}\u00a0mm"
    return translate(language, "{screen}, up to {most}", screen=name, most=most)


def eaves_table(advice: Advice, units: Units, language: Language = "en") -> Table:
    """Class, interval, load, months and rain of each eave."""
    return Table(
        "eaves",
        translate(language, "Eave by eave"),
        _heads(
            language, mark("Eave"), mark("Fineness"), mark("Guard, months"), mark("Open"),
            mark("Litter a year"), mark("Clean in"), mark("Rain"), mark("Trees"),
        ),
        tuple(
            (
                eave.eave,
                _fineness(eave, language),
                months_short(eave.interval_months, language) if advice.recommended_guard else "—",
                months_short(eave.interval_unguarded_months, language),
                f"{mass_per_length_text(eave.litter_kg_per_m_year.typical, units, language)} "
                f"({_range(eave, units, language)})",
                months_text(eave.clean_in, language) or translate(language, "no fixed month"),
                f"{translate(language, eave.water.weakest)}: {spare_text(eave.water.margin, language)}",
                _few(eave.trees, language) or translate(language, "none near"),
            )
            for eave in advice.eaves
        ),
        translate(
            language,
            "Months and litter: typical, and the range of 8 in 10 trial runs. Rain: the tightest point, and "
            "its capacity over the design flow.",
        ),
        shares=(0.65, 1.4, 1.2 if language == "en" else 1.55, 0.75, 1.5, 0.85, 1.5, 0),
        last_below=True,
    )  # fmt: skip


def _few(names: Sequence[str], language: Language) -> str:
    """The first names, heaviest first as the advice gives them, and how many more."""
    if len(names) <= _NAMES:
        return listed(names, language)
    first = ", ".join(names[: _NAMES - 1])
    return translate(language, "{names} and {n} more", names=first, n=len(names) - _NAMES + 1)


def _range(eave: EaveAdvice, units: Units, language: Language) -> str:
    load = eave.litter_kg_per_m_year
    low, high = (number_text(load_value(kg_m, units), 2, language) for kg_m in (load.low, load.high))
    return span_text(low, high, language)


def _meters(length_m: float, units: Units, language: Language) -> str:
    return length_text(length_m, units, language) if length_m else "—"


def material_table(advice: Advice, units: Units, language: Language = "en") -> Table:
    """Material per eave and in all, and the price range where the office gave prices."""
    offs = [eave.take_off for eave in advice.eaves]
    rows = [
        (
            eave.eave,
            _meters(eave.take_off.guard_m, units, language),
            _meters(eave.take_off.gutter_m, units, language),
            str(eave.take_off.corners),
            str(eave.take_off.ends),
            str(eave.take_off.outlets),
        )
        for eave in advice.eaves
    ]
    if len(rows) > 1:
        rows.append(
            (
                translate(language, "all eaves"),
                _meters(sum(off.guard_m for off in offs), units, language),
                _meters(sum(off.gutter_m for off in offs), units, language),
                str(sum(off.corners for off in offs)),
                str(sum(off.ends for off in offs)),
                str(sum(off.outlets for off in offs)),
            )
        )
    share = per_cent(max(off.waste_share for off in offs), language)
    waste = translate(language, "Lengths include {share} waste.", share=share)
    notes = dict.fromkeys(
        translate(language, off.note) for off in offs if off.note and "Not a quote" not in off.note
    )
    return Table(
        "material",
        translate(language, "Material"),
        _heads(
            language, mark("Eave"), mark("Guard"), mark("New gutter"), mark("Corners"), mark("Ends"),
            mark("Outlets"),
        ),
        tuple(rows),
        " ".join(filter(None, (waste, *notes, price_line(advice, language)))),
        shares=(1.6, 1, 1, 0.95, 0.75, 0.9),
    )  # fmt: skip


def price_line(advice: Advice, language: Language = "en") -> str:
    """Price range over all eaves, or nothing where the office gave no prices or they differ in currency."""
    offs = [eave.take_off for eave in advice.eaves]
    lows = [off.price_low for off in offs if off.price_low is not None]
    highs = [off.price_high for off in offs if off.price_high is not None]
    currencies = {off.currency for off in offs if off.price_low is not None}
    if not lows or len(lows) != len(offs) or len(highs) != len(offs) or len(currencies) != 1:
        return ""
    low, high = (f"{sum(prices):,.0f}" for prices in (lows, highs))
    return translate(
        language,
        "{low} to {high} {currency} from the office's own price table. Not a quote.",
        low=low,
        high=high,
        currency=currencies.pop(),
    )
