"""Figures of a reason in a homeowner's words: sizes, waits, shares, and what trees and gutters are called."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final

from eavefall_model.advice.schema import Advice, Reason
from eavefall_model.advice.site_photos import PHOTO_TREE, PHOTO_TREE_OF
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.survey import Survey
from eavefall_service.journeys.prequote import HOME_TREE
from eavefall_service.plots.words import BEYOND, joined, mm_and_in, months_count, per_cent

__all__ = ["CLASSES", "GUARDS", "HOLES", "accepted", "figures_of", "gutter_name", "tree_name", "wait"]

CLASSES: Final = {
    "open": "an open screen",
    "coarse": "a coarse screen",
    "medium": "a medium screen",
    "fine": "a fine screen",
    "extra-fine": "an extra-fine screen",
    "no-guard-needed": "no screen at all",
    "unsure": "something we can't name yet",
}
# What the holes of a class compare with. Coins are 1.3 to 2.4 mm thick and pencils about 7 mm (from memory);
# leads of mechanical pencils are 0.5, 0.7 and 0.9 mm (ISO 9175-1, from memory).
HOLES: Final = {
    "open": "about as wide as a pencil, or wider",
    "coarse": "wider than a coin is thick, narrower than a pencil",
    "medium": "about as wide as a coin is thick",
    "fine": "about as wide as the lead of a mechanical pencil",
    "extra-fine": "no wider than the thinnest lead of a mechanical pencil",
}
GUARDS: Final = {
    "none": "no screen",
    "wire_netting": "wire netting",
    "expanded_metal": "expanded metal (a sheet slit and pulled into a mesh)",
    "perforated_panel": "a perforated panel (a sheet with punched holes)",
    "front_slot_cover": "a solid cover with a slot along its front",
    "woven_micromesh": "micromesh (very fine woven steel cloth)",
}
_PHOTO_TREES: Final = {
    PHOTO_TREE: "the trees in your photos",
    PHOTO_TREE_OF["needle"]: "the needle trees in your photos",
    PHOTO_TREE_OF["broad"]: "the broadleaf trees in your photos",
}
_LB_PER_KG: Final = 2.20462


def tree_name(name: str) -> str:
    """``the tree nearest the roof``; a tree that the office named stands in quotes."""
    if name == HOME_TREE:
        return "the tree nearest the roof"
    return _PHOTO_TREES.get(name, f"“{name}”")


def gutter_name(name: str, survey: Survey) -> str:
    """``your gutter``, or which of them where there are several."""
    return "your gutter" if len(survey.eaves) == 1 else f"your gutter “{name}”"


def wait(months: float) -> str:
    """``about every 9 months``, ``less than once in five years``."""
    return (
        "less than once in five years" if months >= HORIZON_MONTHS else f"about every {months_count(months)}"
    )


def _waits(months: float) -> str:
    return BEYOND if months >= HORIZON_MONTHS else f"about {months_count(months)}"


def _rate(per_year: float) -> str:
    """``about once a year``, ``about 2.6 times a year``; less often than that as a wait."""
    if per_year < 0.95:
        return wait(12 / per_year) if per_year > 0 else wait(HORIZON_MONTHS)
    return "about once a year" if per_year < 1.05 else f"about {round(per_year, 1):g} times a year"


def _times(per_year: float) -> str:
    named = {0.5: "once in two years", 1.0: "once a year", 2.0: "twice a year"}
    return named.get(per_year, f"{per_year:g} times a year")


def accepted(advice: Advice, survey: Survey) -> tuple[str, bool]:
    """How often cleaning is acceptable, such as ``once a year``, and whether the household said so."""
    said = survey.household.cleanings_per_year
    if said is not None:
        return _times(said), True
    taken = next((row for row in advice.assumed if row.field == "household.cleanings_per_year"), None)
    return (_times(float(taken.value.split()[0])) if taken else "as often as we assumed"), False


def _mass(kilograms: float) -> str:
    if kilograms < 0.1:
        return f"{kilograms * 1000:.0f} g ({kilograms * _LB_PER_KG * 16:.1f} oz)"
    return f"{kilograms:.1f} kg ({kilograms * _LB_PER_KG:.1f} lb)"


def _trees(names: str) -> str:
    return joined([tree_name(name) for name in names.split(", ")])


_NUMBERS: Final[Mapping[str, Callable[[float], str]]] = {
    **dict.fromkeys(
        (
            "needed_opening_mm", "thin_needle_mm", "opening_mm", "gutter_width_mm", "enough_width_mm",
        ),
        mm_and_in,
    ),
    **dict.fromkeys(("thin_needle_low_mm", "thin_needle_high_mm"), "{:.2f}".format),
    **dict.fromkeys(("unguarded_months", "guarded_months"), _waits),
    **dict.fromkeys(("load_share", "passes_share", "lodges_share", "all_year_share"), per_cent),
    "unguarded_per_year": _rate,
    "litter_kg_m": _mass,
    "pitch_deg": "{:.0f} degrees".format,
}  # fmt: skip
_TEXTS: Final[Mapping[str, Callable[[str], str]]] = {
    **dict.fromkeys(("answer", "class_otherwise"), lambda name: CLASSES.get(name, name)),
    **dict.fromkeys(("tree", "kind_unknown", "thin_needle_tree"), _trees),
    "guard": lambda kind: GUARDS.get(kind, kind),
}


def figures_of(reason: Reason, advice: Advice, survey: Survey) -> dict[str, str]:
    """The reason's figures as words, by the names the rules use; unknown ones are left out.

    Beside them ``accepted`` and, for an eave, ``gutter``; ``unguarded_every`` and ``guarded_every`` are the
    waits as a frequency.
    """
    found = {"accepted": accepted(advice, survey)[0]}
    for name, value in reason.numbers.items():
        if value is None:
            continue
        if isinstance(value, str):
            found[name] = _TEXTS[name](value) if name in _TEXTS else value
        else:
            found[name] = _NUMBERS[name](value) if name in _NUMBERS else f"{value:g}"
            if name in ("unguarded_months", "guarded_months"):
                found[name.replace("_months", "_every")] = wait(value)
    if reason.about and reason.about in {eave.name for eave in survey.eaves}:
        found["gutter"] = gutter_name(reason.about, survey)
    if reason.about in GUARDS:
        found["guard"] = GUARDS[reason.about]
    return found
