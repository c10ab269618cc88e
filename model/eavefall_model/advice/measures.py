"""The figures that rules test and quote, computed from an outcome. Names as in ``figures.py``."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.calendar import MONTHS, heaviest_months
from eavefall_model.advice.eave_draws import outlet_sides_m
from eavefall_model.advice.engine import Value
from eavefall_model.advice.outcome import GuardOutcome, Outcome
from eavefall_model.advice.schema import FINENESS_CLASSES
from eavefall_model.advice.site import Site
from eavefall_model.advice.sources import Source, is_generic
from eavefall_model.shed.plan import wrap_deg
from eavefall_model.water.check import EaveWater, ScreenOnGutter, check_eave

__all__ = [
    "eave_figures",
    "guard_figures",
    "house_figures",
    "share_below",
    "tree_figures",
    "water_of",
    "worst_eave",
]

Array = NDArray[np.float64]
_FAILURES: Final = ("gutter fills", "surface blinds", "outlet blocks")
_NEAR_M: Final = 30.0
_FOES: Final[Mapping[str, str]] = {
    "Quercus": "oak", "Acer": "maple", "Pinus": "pine", "Gleditsia": "locust", "Robinia": "locust",
}  # fmt: skip


_GENERIC: Final[Mapping[str, str]] = {
    "any long needle": "long-needled", "any short needle": "short-needled", "any scale leaf": "scale-leaved",
    "any broad leaf": "broadleaf", "any small leaflet": "small-leaved",
}  # fmt: skip


def _far(metres: float) -> str:
    return f"{max(metres, 0.0):.0f} m ({max(metres, 0.0) / 0.3048:.0f} ft)"


def _light(kilograms: float) -> str:
    if kilograms < 0.001:
        return "less than a gram"
    return f"{kilograms * 1000:.0f} g" if kilograms < 0.1 else f"{kilograms:.2f} kg"


def _spare(margin: float) -> str:
    return f"{margin:.0%} to spare" if margin >= 0 else f"{-margin:.0%} short"


def _middle(values: Array) -> float:
    return float(np.median(values)) if values.size else 0.0


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
    total = sum(_middle(source.load_kg_m.max(axis=1)) for source in outcome.sources.each)
    for source in outcome.sources.each:
        genus = source.taxon.genus
        foe = _FOES.get(genus) or ("pine" if source.taxon.form == "long_needle" else None)
        if foe and total > 0 and _middle(source.load_kg_m.max(axis=1)) > 0.05 * total:
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
    unguarded = _middle(none.house_months)
    load = none.litter.year[:, worst]
    needle = sum(
        (s.load_kg_m[:, worst] for s in outcome.sources.each if s.taxon.foliage == "needle"),
        np.zeros(len(load)),
    )
    share = float((needle / np.maximum(load, 1e-12)).mean()) if load.any() else 0.0
    matter = _needles_that_matter(outcome)
    thin = min(matter, key=lambda pair: _middle(pair[0].thin_mm))[0] if matter else None
    months, top = heaviest_months(none.litter.inside[:, worst].mean(axis=0))
    long_near = [
        at
        for at, tree in enumerate(outcome.survey.trees)
        if any(
            c.taxon.form == "long_needle" and c.chance > outcome.settings["safe_share"]
            for c in outcome.evidence[at].candidates
        )
        and _middle(outcome.site.out_m[:, at]) < _NEAR_M
        and (outcome.sources.tree_kg_m[:, at] > 0).any()
    ]
    needle_forms = {source.taxon.form for source, _ in matter}
    household = outcome.survey.household
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
        "litter_kg_m": _middle(load),
        "needle_kg_m": _middle(needle),
        "needle_share": share,
        "thin_needle_mm": _middle(thin.thin_mm) if thin else None,
        "thin_needle_tree": ", ".join(thin.trees) if thin else None,
        "thin_needle_low_mm": float(np.quantile(thin.thin_mm, 0.1)) if thin else None,
        "thin_needle_high_mm": float(np.quantile(thin.thin_mm, 0.9)) if thin else None,
        "thin_needle_known": (not is_generic(thin.taxon) or thin.measured or bool(thin.drop_tests))
        if thin
        else None,
        "measured_width": any(source.measured or source.drop_tests for source, _ in matter),
        "drop_test": any(bool(source.drop_tests) for source, _ in matter),
        "nearest_pine_m": min((_middle(outcome.site.out_m[:, at]) for at in long_near), default=None),
        "nearest_pine_words": _far(min(_middle(outcome.site.out_m[:, at]) for at in long_near))
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


def water_of(site: Site, number: int, screen: ScreenOnGutter | None = None) -> EaveWater:
    """Water check of one eave with middle values, with or without a screen on it."""
    eave = site.survey.eaves[number]
    profile = eave.gutter.profile or "k_style"
    across_m, across_2_m = outlet_sides_m(eave)
    return check_eave(
        length_m=_middle(site.eaves.length_m[:, number]),
        run_m=_middle(site.eaves.run_m[:, number]),
        pitch_deg=_middle(site.roofs.pitch_deg[:, number]),
        intensity_mm_h=site.intensity_mm_h,
        profile=profile,
        width_m=_middle(site.eaves.depth_m[:, number]),
        depth_m=_middle(site.gutter_depth_m[:, number]),
        outlets=int(_middle(site.outlets[:, number])),
        downspout_m=across_m,
        downspout_2_m=across_2_m,
        screen=screen,
    )


def eave_figures(outcome: Outcome, number: int) -> dict[str, Value]:
    """Figures about one eave."""
    eave = outcome.survey.eaves[number]
    none = outcome.guards["none"]
    water = water_of(outcome.site, number)
    return {
        "eave": eave.name,
        "eave_unguarded_months": _middle(none.months[:, number]),
        "eave_litter_kg_m": _middle(none.litter.year[:, number]),
        "gutter_width_mm": _middle(outcome.site.eaves.depth_m[:, number]) * 1000,
        "gutter_condition": eave.gutter.condition,
        "water_margin": water.margin,
        "gutter_margin": water.gutter_margin,
        "gutter_spare_words": _spare(water.gutter_margin),
        "water_spare_words": _spare(water.margin),
        "enough_width_mm": water.enough_width_m * 1000 if water.enough_width_m else None,
        "water_weakest": water.weakest,
        "pitch_deg": _middle(outcome.site.roofs.pitch_deg[:, number]),
        "roof": eave.roof,
        "shaded_or_mossy": eave.shaded_or_mossy,
    }


def share_below(outcome: Outcome, at: int) -> bool:
    """Whether a tree's crown is wholly below every gutter, typically."""
    return _middle(outcome.site.crowns.height_m[:, at]) <= float(
        np.median(outcome.site.roofs.eave_height_m, axis=0).min()
    )


def tree_figures(outcome: Outcome, at: int) -> dict[str, Value]:
    """Figures about one tree."""
    tree = outcome.survey.trees[at]
    loads = outcome.sources.tree_kg_m[:, at]
    e = int(np.argmax(np.median(loads, axis=0)))
    total = outcome.guards["none"].litter.year[:, e]
    best = max(outcome.evidence[at].candidates, key=lambda each: each.chance).taxon
    out = _middle(outcome.site.out_m[:, at])
    edge = out - _middle(outcome.site.crowns.radius_m[:, at])
    side = None
    if outcome.survey.wind.from_deg is not None:
        east, north = _middle(outcome.site.crowns.east_m[:, at]), _middle(outcome.site.crowns.north_m[:, at])
        bearing = np.degrees(np.arctan2(east, north))
        off = abs(float(wrap_deg(np.asarray(bearing - outcome.survey.wind.from_deg))))
        side = "upwind" if off < 60 else "downwind" if off > 120 else "beside"
    return {
        "tree": tree.name,
        "kind": _GENERIC.get(best.name, best.common),
        "foliage": best.foliage,
        "form": best.form,
        "distance_m": out,
        "distance_words": _far(out),
        "litter_words": _light(_middle(loads[:, e])),
        "edge_m": edge,
        "bearing_side": side,
        "load_share": float((loads[:, e] / np.maximum(total, 1e-12)).mean()) if total.any() else 0.0,
        "tree_litter_kg_m": _middle(loads[:, e]),
        "below_eave": share_below(outcome, at),
        "overhangs": edge < 0,
    }


def guard_figures(outcome: Outcome, guard: GuardOutcome, needed_mm: float) -> dict[str, Value]:
    """Figures about one guard kind."""
    year = guard.litter.year.sum(axis=1)
    total = np.maximum(year, 1e-12)
    passes = float((guard.litter.below.sum(axis=1) / total).mean()) if year.any() else 0.0
    lodges = float((guard.litter.stuck.sum(axis=1) / total).mean()) if year.any() else 0.0
    months = _middle(guard.house_months)
    unguarded = _middle(outcome.guards["none"].house_months)
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


def failure(guard: GuardOutcome) -> str:
    """What makes a hand necessary first in most draws, at the eave that needs it first."""
    if _middle(guard.house_months) >= 60.0:
        return "none expected"
    at = guard.months.argmin(axis=1)
    first = guard.first[np.arange(len(at)), at]
    return _FAILURES[int(np.bincount(first, minlength=3).argmax())]
