"""The figures about the house that rules test and quote. Names as in ``figures.py``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from eavefall_model.advice.calendar import MONTHS, heaviest_months
from eavefall_model.advice.engine import Value
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.sources import Source, is_generic
from eavefall_model.advice.wording import far_words, middle
from eavefall_model.vocabulary import FINENESS_CLASSES

__all__ = ["house_figures", "worst_eave"]

_NEAR_M: Final = 30.0
_FOES: Final[Mapping[str, str]] = {
    "Quercus": "oak", "Acer": "maple", "Pinus": "pine", "Gleditsia": "locust", "Robinia": "locust",
}  # fmt: skip


def worst_eave(outcome: Outcome) -> int:
    """The eave whose open gutter needs a hand first."""
    return int(np.argmin(np.median(outcome.guards["none"].months, axis=0)))


def _needles_that_matter(outcome: Outcome) -> list[tuple[Source, float]]:
    """Sources whose needles matter in more than the safe share of draws, and in what share."""
    found = []
    for source in outcome.sources.each:
        if not np.isfinite(source.thin_mm).all():
            continue
        needles = sum(
            part.litter_share
            for part in source.taxon.parts
            if part.part in ("needle", "bundle", "scale", "spray")
        )
        matters = (source.load_kg_m * needles > outcome.allowed_kg_m).any(axis=1)
        if matters.mean() > outcome.settings["safe_share"]:
            found.append((source, float(matters.mean())))
    return found


def _foes(outcome: Outcome) -> str | None:
    heavy = []
    total = sum(middle(source.load_kg_m.max(axis=1)) for source in outcome.sources.each)
    for source in outcome.sources.each:
        genus = source.taxon.genus
        foe = _FOES.get(genus) or ("pine" if source.taxon.form == "long_needle" else None)
        if foe and total > 0 and middle(source.load_kg_m.max(axis=1)) > 0.05 * total:
            heavy.append(foe)
    return " and ".join(sorted(set(heavy))) or None


def _unknown_tree(outcome: Outcome) -> str | None:
    """A tree that matters and may as well be a needle tree as a leaf tree."""
    loads = outcome.sources.tree_kg_m
    for at, known in enumerate(outcome.evidence):
        if known.known != "nothing" or not 0.05 < known.needle_chance < 0.95:
            continue
        if (loads[:, at] > outcome.allowed_kg_m).any(axis=1).mean() > 0.5:
            return outcome.survey.trees[at].name
    return None


def house_figures(outcome: Outcome, answer: str, opening_mm: float) -> dict[str, Value]:
    """Figures about the house; ``answer`` and ``opening_mm`` as decided so far."""
    worst = worst_eave(outcome)
    none = outcome.guards["none"]
    unguarded = middle(none.house_months)
    load = none.litter.year[:, worst]
    needle = sum(
        (s.load_kg_m[:, worst] for s in outcome.sources.each if s.taxon.foliage == "needle"),
        np.zeros(len(load)),
    )
    share = float((needle / np.maximum(load, 1e-12)).mean()) if load.any() else 0.0
    matter = _needles_that_matter(outcome)
    thin = min(matter, key=lambda pair: middle(pair[0].thin_mm))[0] if matter else None
    months, top = heaviest_months(none.litter.inside[:, :, worst].sum(axis=0).mean(axis=0))
    long_near = [
        at
        for at, tree in enumerate(outcome.survey.trees)
        if any(
            c.taxon.form == "long_needle" and c.chance > outcome.settings["safe_share"]
            for c in outcome.evidence[at].candidates
        )
        and middle(outcome.site.distance_m[:, at]) < _NEAR_M
        and (outcome.sources.tree_kg_m[:, at] > 0).any()
    ]
    needle_forms = {source.taxon.form for source, _ in matter}
    household = outcome.survey.household
    accepted = f"{outcome.accepted_per_year:g} a year"
    said = household.cleanings_per_year is not None
    wait = outcome.answer
    index = FINENESS_CLASSES.index(answer) if answer in FINENESS_CLASSES else wait.index
    figures: dict[str, Value] = {
        "answer": answer,
        "needed_opening_mm": opening_mm,
        "no_guard_share": wait.no_guard_share,
        "class_share": float((outcome.house_index <= index).mean()),
        "unguarded_months": unguarded,
        "unguarded_per_year": 12.0 / max(unguarded, 0.1),
        "accepted_per_year": outcome.accepted_per_year,
        "accepted_known": said,
        "accepted_words": f"the owner accepts {accepted}"
        if said
        else f"an owner who has said nothing is taken to accept {accepted}",
        "class_otherwise": FINENESS_CLASSES[wait.index],
        "litter_kg_m": middle(load),
        "needle_kg_m": middle(needle),
        "needle_share": share,
        "thin_needle_mm": middle(thin.thin_mm) if thin else None,
        "thin_needle_tree": ", ".join(thin.trees) if thin else None,
        "thin_needle_low_mm": float(np.quantile(thin.thin_mm, 0.1)) if thin else None,
        "thin_needle_high_mm": float(np.quantile(thin.thin_mm, 0.9)) if thin else None,
        "thin_needle_known": (not is_generic(thin.taxon) or thin.measured or bool(thin.drop_tests))
        if thin
        else None,
        "measured_width": any(source.measured or source.drop_tests for source, _ in matter),
        "drop_test": any(bool(source.drop_tests) for source, _ in matter),
        "nearest_pine_m": min((middle(outcome.site.distance_m[:, at]) for at in long_near), default=None),
        "nearest_pine_words": far_words(min(middle(outcome.site.distance_m[:, at]) for at in long_near))
        if long_near
        else None,
        "long_needles_near": bool(long_near),
        "only_short_needles": bool(needle_forms) and not long_near and "long_needle" not in needle_forms,
        "slot_foes": _foes(outcome),
        "kind_unknown": _unknown_tree(outcome),
        "accepts_brushing": household.accepts_brushing,
        "ladder_reach": household.ladder_reach,
        "wildfire": outcome.survey.wildfire,
        "all_year_share": 1.0 - top if months else None,
        "heaviest_months": " and ".join(
            filter(None, (", ".join(MONTHS[m - 1] for m in months[:-1]), MONTHS[months[-1] - 1]))
        )
        if months
        else None,
        "trees": len(outcome.survey.trees),
        "photos_check": ", ".join(outcome.check_photos) or None,
    }
    return figures
