"""What would change the answer: for each input that can, the nearest change that gives another class.

The same draws are answered again with one tree moved, or with the thinnest needles of another width, or for
an owner who accepts more or fewer cleanings.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.decide import ENOUGH, decide
from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome, advised_visits, asked_months
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import Figure, Flip
from eavefall_model.litter.capacity import Capacity
from eavefall_model.litter.fate_tables import PartFate
from eavefall_model.litter.opening_needed import class_index, needed_opening_mm, refusing_opening_mm
from eavefall_model.litter.waiting import open_gutter
from eavefall_model.shed.kernel import crown_area_m2
from eavefall_model.shed.load import Crowns, Roofs, WindRose, share_per_meter
from eavefall_model.shed.plan import EaveLines, tree_positions
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.vocabulary import ClassAnswer, Units, Value

Array = NDArray[np.float64]
_ROWS: Final = 200
_TREES: Final = 3
_FEW_KG_M: Final = 0.01
_DISTANCES_M: Final = np.round(np.geomspace(1.0, 60.0, 24), 1)
_WIDTHS_MM: Final = (0.3, 0.4, 0.5, 0.6, 0.7, 0.85, 1.0, 1.2, 1.4, 1.7, 2.0, 2.5)
# What the answer would be then, after the clause that says when.
THEN: Final = {"no-guard-needed": "no guard is needed.", "open": "an open guard is enough."}
THEN_CLASS: Final = "a screen is wanted, fineness {to_class}."
MOVED: Final = "If {tree} stood {moved_m} from the eave, not {here_m},"
WIDTH: Final = {
    True: "If the thinnest needles of {trees} prove to be {width_mm} or thicker,",
    False: "If the thinnest needles of {trees} prove to be {width_mm} or thinner,",
}
FEWER: Final = "If the owner wants it cleaned less often than {per_year},"
MORE: Final = "If the owner accepts cleaning {per_year} or more often, no guard is needed."


def _flip(
    key: str, template: str, base: ClassAnswer, to: ClassAnswer, *figures: tuple[str, str, str, Value]
) -> Flip:
    """A change with its sentence; figures as name, label, unit and value."""
    to_class = ("to_class", "fineness then", "class", to)
    if template != MORE:
        template = f"{template}\n{THEN.get(to, THEN_CLASS)}"
    return Flip(
        input=key,
        sentence="",
        to_estimator=template,
        to_owner=None,
        figures=tuple(
            Figure(name=name, label=label, unit=unit, value=value)
            for name, label, unit, value in (*figures, to_class)
        ),
        from_class=base,
        to_class=to,
    )


class _Again:
    """Answers the first draws of an outcome again under a change."""

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        self.rows = slice(0, min(_ROWS, outcome.streams.draws))
        cap, rows = outcome.capacity, self.rows
        self.cap = Capacity(
            cap.gutter_kg_m[rows], cap.outlet_kg_m[rows], cap.surface_kg_m[rows], cap.kept[rows],
            cap.clears[rows], cap.mats[rows],
        )  # fmt: skip
        self.years = outcome.sources.years[:, rows]
        self.loads = [source.load_kg_m[rows] for source in outcome.sources.each]
        self.limits = [limit[rows] for limit in outcome.limits]
        self.ladder = [
            tuple(PartFate(each.part, _rows_of(each.through, rows), each.lodges) for each in fates)
            for fates in outcome.ladder
        ]
        self.trees = outcome.sources.tree_kg_m[rows], outcome.house.out_m[rows]
        self.base = self.answer(self.loads, self.limits)

    def answer(
        self, loads: Sequence[Array], limits: Sequence[Array], trees: tuple[Array, Array] | None = None
    ) -> ClassAnswer:
        """Class under other loads and needle limits; ``trees`` is what each brings then, and from where."""
        outcome = self.outcome
        sources = [
            replace(source, load_kg_m=load) for source, load in zip(outcome.sources.each, loads, strict=True)
        ]
        needed = needed_opening_mm(
            sources, self.ladder, outcome.allowed_kg_m[self.rows], outcome.settings, limits
        )
        house = np.minimum(needed, outcome.opening_cap_mm).min(axis=1)
        _, times = open_gutter(loads, outcome.gutter.courses, self.years, self.cap)
        advised = np.zeros_like(times.months)
        if not outcome.by_the_gutter:
            tree_kg_m, out_m = trees or self.trees
            advised = advised_visits(outcome.house, outcome.sources, tree_kg_m, out_m, outcome.settings)
        asked = asked_months(times, advised)
        enough = np.asarray((asked >= outcome.patience_months[self.rows, None] - 1e-6).all(axis=1))
        return decide(house, class_index(house), enough, outcome.settings["safe_share"]).fineness_class

    def moved(self, at: int, new: Array, by_m: Array) -> ClassAnswer:
        """Class with tree ``at`` (a draw's kind is kept) sending ``new`` (draws, eaves) instead, from
        ``by_m`` (draws,) farther off."""
        own = self.outcome.sources.tree_kg_m[self.rows, at]
        tree_kg_m, out_m = (each.copy() for each in self.trees)
        tree_kg_m[:, at], out_m[:, at] = new, out_m[:, at] + by_m
        kinds = self.outcome.sources.kind_of_tree[self.rows, at]
        loads = [load + np.where((kinds == s)[:, None], new - own, 0.0) for s, load in enumerate(self.loads)]
        return self.answer([np.maximum(load, 0.0) for load in loads], self.limits, (tree_kg_m, out_m))


def _rows_of(table: Array, rows: slice) -> Array:
    return table if table.shape[0] == 1 else table[rows]


def nearest_change(
    candidates: Sequence[float], here: float, answer: Callable[[int], ClassAnswer], base: ClassAnswer
) -> tuple[float, ClassAnswer] | None:
    """The candidate nearest to ``here`` with another answer; answers run one way along the candidates."""
    found = []
    for side in (
        [i for i, c in enumerate(candidates) if c > here],
        [i for i, c in enumerate(candidates) if c < here][::-1],
    ):
        if not side or answer(side[-1]) == base:
            continue
        first = side[bisect_left(side[:-1], True, key=lambda i: answer(i) != base)]
        found.append((candidates[first], answer(first)))
    return min(found, key=lambda pair: abs(np.log(pair[0] / max(here, 1e-6)))) if found else None


def _moved_loads(outcome: Outcome, at: int, rows: slice) -> Array:
    """Load of one tree standing at every candidate distance, shape (draws, distances, eaves)."""
    site = outcome.house
    many = len(_DISTANCES_M)

    def spread(column: Array) -> Array:
        return np.repeat(column[rows, at][:, None], many, axis=1)

    eaves = EaveLines(
        *(
            _rows_of(getattr(site.eaves, name), rows)
            for name in ("length_m", "run_m", "facing_deg", "depth_m", "offset_m")
        )
    )
    roofs = Roofs(
        *(_rows_of(getattr(site.roofs, name), rows) for name in ("eave_height_m", "pitch_deg", "slip_m"))
    )
    wind = WindRose(site.wind.from_deg[rows], site.wind.stretch[rows])
    # The crown moves with its trunk.
    leans = spread(site.out_m) - spread(site.distance_m)
    out = np.broadcast_to(_DISTANCES_M, leans.shape) + leans
    nearest = np.repeat(site.eave_of_tree[rows, at][:, None], many, axis=1)
    east, north = tree_positions(eaves, nearest, out, spread(site.along_m))
    c = site.crowns
    crowns = Crowns(
        east, north, spread(c.side_east_m), spread(c.side_north_m), spread(c.radius_m), spread(c.height_m),
        spread(c.depth_share), spread(c.scale_m),
    )  # fmt: skip
    share = share_per_meter(crowns, eaves, roofs, wind)
    return np.asarray(outcome.sources.production_kg[rows, at][:, None, None] * share)


def _distance_flips(again: _Again) -> list[Flip]:
    outcome, found = again.outcome, []
    loads = outcome.sources.tree_kg_m
    if loads.shape[1] == 0:
        return []
    # The trees that send most; of those that send nothing yet, the largest crowns.
    crowns_m2 = np.median(crown_area_m2(outcome.house.crowns.radius_m), axis=0)
    reach = np.median(loads.max(axis=2), axis=0) + 1e-9 * crowns_m2
    for at in np.argsort(-reach, kind="stable")[:_TREES]:
        tree = outcome.survey.trees[at]
        here = float(np.median(outcome.house.distance_m[:, at]))
        given = tree.distance_m  # what was typed is said as it was typed
        moved = _moved_loads(outcome, int(at), again.rows)
        kept: dict[int, ClassAnswer] = {}

        def answer(
            k: int, at: int = int(at), moved: Array = moved, kept: dict[int, ClassAnswer] = kept
        ) -> ClassAnswer:
            if k not in kept:
                by_m = _DISTANCES_M[k] - outcome.house.distance_m[again.rows, at]
                kept[k] = again.moved(at, moved[:, k], by_m)
            return kept[k]

        flip = nearest_change([float(d) for d in _DISTANCES_M], here, answer, again.base)
        if flip is not None:
            meters, name = flip
            found.append(
                _flip(
                    f"trees[{at}].distance",
                    MOVED,
                    again.base,
                    name,
                    ("tree", "tree", "trees", tree.name),
                    ("moved_m", "distance then", "m", meters),
                    ("here_m", "distance now", "m", float(f"{here:.3g}") if given is None else given),
                )
            )
    return found


def _width_flip(again: _Again) -> list[Flip]:
    outcome = again.outcome
    # The source that asks for the finest opening among those that send anything to speak of.
    needles = [
        s
        for s, source in enumerate(outcome.sources.each)
        if np.isfinite(source.thin_mm).all() and np.median(again.loads[s].max(axis=1)) > _FEW_KG_M
    ]
    if not needles:
        return []
    s = min(needles, key=lambda each: float(np.median(again.limits[each])))
    source = outcome.sources.each[s]
    here = float(np.median(source.thin_mm))

    def answer(k: int) -> ClassAnswer:
        limits = list(again.limits)
        limits[s] = np.full_like(
            limits[s], float(refusing_opening_mm(np.array(_WIDTHS_MM[k] * source.bore_share)))
        )
        return again.answer(again.loads, limits)

    flip = nearest_change(_WIDTHS_MM, here, answer, again.base)
    if flip is None:
        return []
    width, name = flip
    return [
        _flip(
            f"source.{source.taxon.name}.{source.name}.width", WIDTH[width > here], again.base, name,
            ("trees", "trees", "trees", source.trees), ("width_mm", "width then", "mm", width),
        )
    ]  # fmt: skip


def _cleanings_flip(outcome: Outcome) -> list[Flip]:
    # So many draws must wait long enough as make a guard not worth it.
    wait = float(np.quantile(outcome.asked_months.min(axis=1), 1 - ENOUGH))
    if wait >= HORIZON_MONTHS or outcome.answer.opening_mm <= 0:
        return []
    per_year = ("per_year", "cleanings a year", "a year", float(f"{12.0 / max(wait, 0.05):.3g}"))
    base, key = outcome.answer.fineness_class, "household.cleanings_per_year"
    if base == "no-guard-needed":
        index_class = decide(
            outcome.house_needed_mm,
            outcome.house_index,
            np.zeros_like(outcome.enough),
            outcome.settings["safe_share"],
        ).fineness_class
        return [_flip(key, FEWER, base, index_class, per_year)]
    return [_flip(key, MORE, base, "no-guard-needed", per_year)]


def flips(outcome: Outcome, judged: Judged, units: Units) -> tuple[Flip, ...]:
    """The nearest change of each input that flips the class; none while it is unsure or a rule forces it."""
    if judged.fineness_class == "unsure" or judged.guard_anyway:
        return ()
    again = _Again(outcome)
    found = _cleanings_flip(outcome)
    # On part of the draws the answer may lie just across a border: then a change is not told from chance.
    if again.base == outcome.answer.fineness_class:
        found = [*_distance_flips(again), *_width_flip(again), *found]
    return tuple(written(flip, units) for flip in found)
