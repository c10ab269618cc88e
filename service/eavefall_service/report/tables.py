"""The tables of the report: guards, eaves, material."""

from __future__ import annotations

from collections.abc import Sequence

from eavefall_model.advice.say import (
    Voice,
    guard_name,
    guard_why,
    joined,
    months_text,
    say,
    sentence_case,
    spare_text,
    voice_of,
)
from eavefall_model.advice.schema import Advice, EaveAdvice, GuardVerdict, Opening
from eavefall_model.units import length_text, mass_per_length_text, number_text, opening_text, per_cent
from eavefall_model.vocabulary import Units
from eavefall_service.plots.words import load_value, months_short
from eavefall_service.report.document import Table

_NAMES = 4


def deciding_rule(row: GuardVerdict) -> str | None:
    """The rule that gave the verdict on a guard kind; the first of those that spoke."""
    return row.rules[0] if row.rules else None


def _first_why(row: GuardVerdict, advice: Advice, voice: Voice) -> str:
    """The sentence of the rule that decided."""
    for reason in advice.reasons:
        if reason.about == row.kind and reason.rule == deciding_rule(row):
            return say(reason, voice) or ""
    return guard_why(advice, row.kind, voice)


def _counted(row: GuardVerdict, advice: Advice, units: Units) -> str:
    """What gets in by number."""
    for reason in advice.reasons:
        if reason.about == row.kind and reason.rule == "small-things-get-in":
            return f" {say(reason, voice_of(advice, 'estimator', units))}"
    return ""


def guards_table(advice: Advice, units: Units) -> Table:
    """Every guard kind with its verdict, in the order of the advice; the advised one is marked, if any."""
    advised = advice.recommended_guard
    rows = tuple(
        (
            sentence_case(guard_name(row.kind)),
            row.verdict,
            "—" if row.opening_mm is None else opening_text(row.opening_mm),
            months_short(row.interval_months),
            row.failure,
            f"{per_cent(row.passes_share)} / {per_cent(row.stays_share)}",
            _first_why(row, advice, voice_of(advice, "estimator", units)) + _counted(row, advice, units),
        )
        for row in advice.guards
    )
    return Table(
        "guards",
        "Guard kinds side by side",
        ("Guard", "Verdict", "Opening", "Months", "Ended by", "In / stays", "Why"),
        rows,
        "Months to cleaning. In: share of the litter that passes into the gutter; stays: on the guard."
        + ("" if advised else " No guard is advised until the kind of tree is known."),
        tuple(at for at, row in enumerate(advice.guards) if row.kind == advised),
        (1.5, 0.85, 0.9, 1.0, 1.1, 0.95, 4.4),
    )


def _opening(opening: Opening | None) -> str:
    return "" if opening is None else f", up to {number_text(opening.high_mm)}\u00a0mm"


def eaves_table(advice: Advice, units: Units) -> Table:
    """Class, interval, load, months and rain of each eave."""
    return Table(
        "eaves",
        "Eave by eave",
        ("Eave", "Fineness", "Guard, months", "Open", "Litter a year", "Clean in", "Rain", "Trees"),
        tuple(
            (
                eave.eave,
                f"{eave.fineness_class.replace('-', ' ')}{_opening(eave.opening_mm)}",
                months_short(eave.interval_months) if advice.recommended_guard else "—",
                months_short(eave.interval_unguarded_months),
                f"{mass_per_length_text(eave.litter_kg_per_m_year.typical, units)} ({_range(eave, units)})",
                months_text(eave.clean_in) or "no fixed month",
                f"{eave.water.weakest}: {spare_text(eave.water.margin)}",
                _few(eave.trees) or "none near",
            )
            for eave in advice.eaves
        ),
        "Months and litter: typical, and the range of 8 in 10 trial runs. Rain: the tightest point, and its "
        "capacity over the design flow.",
        shares=(0.8, 1.7, 1.15, 1.0, 1.3, 0.95, 1.2, 1.3),
    )


def _few(names: Sequence[str]) -> str:
    """The first names, heaviest first as the advice gives them, and how many more."""
    if len(names) <= _NAMES:
        return joined(names)
    return f"{', '.join(names[: _NAMES - 1])} and {len(names) - _NAMES + 1} more"


def _range(eave: EaveAdvice, units: Units) -> str:
    load = eave.litter_kg_per_m_year
    low, high = (number_text(load_value(kg_m, units), 2) for kg_m in (load.low, load.high))
    return f"{low} to {high}"


def _meters(length_m: float, units: Units) -> str:
    return length_text(length_m, units) if length_m else "—"


def material_table(advice: Advice, units: Units) -> Table:
    """Material per eave and in all, and the price range where the office gave prices."""
    offs = [eave.take_off for eave in advice.eaves]
    rows = [
        (
            eave.eave,
            _meters(eave.take_off.guard_m, units),
            _meters(eave.take_off.gutter_m, units),
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
                _meters(sum(off.guard_m for off in offs), units),
                _meters(sum(off.gutter_m for off in offs), units),
                str(sum(off.corners for off in offs)),
                str(sum(off.ends for off in offs)),
                str(sum(off.outlets for off in offs)),
            )
        )
    waste = f"Lengths include {per_cent(max(off.waste_share for off in offs))} waste."
    notes = dict.fromkeys(off.note for off in offs if off.note and "Not a quote" not in off.note)
    return Table(
        "material",
        "Material",
        ("Eave", "Guard", "New gutter", "Corners", "Ends", "Outlets"),
        tuple(rows),
        " ".join(filter(None, (waste, *notes, price_line(advice)))),
        shares=(1.6, 1, 1, 0.8, 0.7, 0.8),
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
