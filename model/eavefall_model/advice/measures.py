"""The figures about an eave, a tree or a guard that rules test and quote. Names as in ``figures.py``."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.eave_water import water_of
from eavefall_model.advice.engine import Value
from eavefall_model.advice.outcome import GuardOutcome, Outcome
from eavefall_model.advice.wording import GENERIC_WORDS, far_words, litter_words, middle, spare_words
from eavefall_model.shed.plan import wrap_deg
from eavefall_model.vocabulary import FAILURES, Failure

__all__ = [
    "eave_figures",
    "guard_figures",
    "tree_figures",
]

Array = NDArray[np.float64]


def eave_figures(outcome: Outcome, number: int) -> dict[str, Value]:
    """Figures about one eave."""
    eave = outcome.survey.eaves[number]
    none = outcome.guards["none"]
    water = water_of(outcome.site, number)
    return {
        "eave": eave.name,
        "eave_unguarded_months": middle(none.months[:, number]),
        "eave_litter_kg_m": middle(none.litter.year[:, number]),
        "gutter_width_mm": middle(outcome.site.eaves.depth_m[:, number]) * 1000,
        "gutter_condition": eave.gutter.condition,
        "water_margin": water.margin,
        "gutter_margin": water.gutter_margin,
        "gutter_spare_words": spare_words(water.gutter_margin),
        "water_spare_words": spare_words(water.margin),
        "enough_width_mm": water.enough_width_m * 1000 if water.enough_width_m else None,
        "water_weakest": water.weakest,
        "pitch_deg": middle(outcome.site.roofs.pitch_deg[:, number]),
        "roof": eave.roof,
        "shaded_or_mossy": eave.shaded_or_mossy,
    }


def _below_every_gutter(outcome: Outcome, at: int) -> bool:
    """Whether a tree's crown is wholly below every gutter, typically."""
    return middle(outcome.site.crowns.height_m[:, at]) <= float(
        np.median(outcome.site.roofs.eave_height_m, axis=0).min()
    )


def tree_figures(outcome: Outcome, at: int) -> dict[str, Value]:
    """Figures about one tree."""
    tree = outcome.survey.trees[at]
    loads = outcome.sources.tree_kg_m[:, at]
    e = int(np.argmax(np.median(loads, axis=0)))
    total = outcome.guards["none"].litter.year[:, e]
    best = max(outcome.evidence[at].candidates, key=lambda each: each.chance).taxon
    out = middle(outcome.site.distance_m[:, at])
    edge = middle(outcome.site.out_m[:, at] - outcome.site.crowns.radius_m[:, at])
    side = None
    if outcome.survey.wind.from_deg is not None:
        east, north = middle(outcome.site.crowns.east_m[:, at]), middle(outcome.site.crowns.north_m[:, at])
        bearing = np.degrees(np.arctan2(east, north))
        off = abs(float(wrap_deg(np.asarray(bearing - outcome.survey.wind.from_deg))))
        side = "upwind" if off < 60 else "downwind" if off > 120 else "beside"
    return {
        "tree": tree.name,
        "kind": GENERIC_WORDS.get(best.name, best.common),
        "foliage": best.foliage,
        "form": best.form,
        "distance_m": out,
        "distance_words": far_words(out),
        "litter_words": litter_words(middle(loads[:, e])),
        "edge_m": edge,
        "bearing_side": side,
        "load_share": float((loads[:, e] / np.maximum(total, 1e-12)).mean()) if total.any() else 0.0,
        "tree_litter_kg_m": middle(loads[:, e]),
        "below_eave": _below_every_gutter(outcome, at),
        "overhangs": edge < 0,
    }


def guard_figures(outcome: Outcome, guard: GuardOutcome, needed_mm: float) -> dict[str, Value]:
    """Figures about one guard kind."""
    year = guard.litter.year.sum(axis=1)
    total = np.maximum(year, 1e-12)
    passes = float((guard.litter.below.sum(axis=1) / total).mean()) if year.any() else 0.0
    lodges = float((guard.litter.stuck.sum(axis=1) / total).mean()) if year.any() else 0.0
    months = middle(guard.house_months)
    unguarded = middle(outcome.guards["none"].house_months)
    offer = guard.offer
    return {
        "guard": guard.guard.kind,
        "opening_mm": offer.clear_mm if offer else None,
        "refuses": offer is not None and offer.shape != "slot" and offer.clear_mm <= needed_mm * 1.001,
        "passes_share": passes,
        "lodges_share": lodges,
        "stays_share": max(1.0 - passes - lodges, 0.0),
        "guarded_months": months,
        "guarded_per_year": 12.0 / max(months, 0.1),
        "gain": months / max(unguarded, 0.1),
        "failure": failure(guard),
        "slope": guard.guard.surface.slope,
        "noncombustible": offer.noncombustible if offer else None,
    }


def failure(guard: GuardOutcome) -> Failure:
    """What makes a hand necessary first in most draws, at the eave that needs it first."""
    if middle(guard.house_months) >= 60.0:
        return "none expected"
    at = guard.months.argmin(axis=1)
    first = guard.first[np.arange(len(at)), at]
    return FAILURES[int(np.bincount(first, minlength=3).argmax())]
