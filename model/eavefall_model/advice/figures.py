"""The registry of figures: one decorated function is one figure that rules may test and sentences may quote.

A figure is of the house, of an eave, of a tree or of a guard kind; it has a unit, which says how it is
written for each reader (``say``), a label, and the source of its formula or convention. Rules about an eave,
a tree or a guard may use those of the house too. A figure is worked out when it is first asked for.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Set
from dataclasses import dataclass
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.decide import ENOUGH
from eavefall_model.advice.schema import Figure
from eavefall_model.debris.drop import piece_fates
from eavefall_model.debris.evidence import GUTTER_LITTER_WORDS, NAMES, GutterPhoto, part_of
from eavefall_model.debris.schema import Piece
from eavefall_model.house.eave_water import water_of
from eavefall_model.litter.cleaning_months import heaviest_months as heaviest
from eavefall_model.litter.opening_needed import SMALL_PARTS
from eavefall_model.litter.sources import Source, is_generic, kind_words
from eavefall_model.shed.plan import wrap_deg
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.species.pieces import piece_mg
from eavefall_model.species.table import Part, month_share_for
from eavefall_model.survey import Eave, Household, Survey
from eavefall_model.vocabulary import FAILURES, FINENESS_CLASSES, ClassAnswer, Value

if TYPE_CHECKING:
    from eavefall_model.advice.outcome import GuardOutcome, Outcome

Array = NDArray[np.float64]
Scope = Literal["house", "eave", "tree", "guard"]
_NEAR_M: Final = 30.0
# A crown whose edge is this near hangs over the gutter whenever the wind blows. Our judgement.
_TOUCHES_M: Final = 0.5
# A month belongs to the tassels where more than this share of them falls in it.
_SEASON_SHARE: Final = 0.1
# Pieces named where they are counted, the most frequent first.
_MOST_PIECES: Final = 3
# Fewer in a meter and year, one or two in a foot, are not worth a word.
_FEW_PIECES: Final = 5
PIECES: Final[Mapping[str, str]] = {
    "needle": "broken needles", "bundle": "broken needles", "seed": "seeds", "samara": "keys",
    "bract": "bracts", "bud scale": "bud scales", "catkin": "bits of catkins", "male cone": "male cones",
    "leaflet": "leaflets", "cone scale": "cone scales", "spray": "bits of spray", "scale": "scales",
    "seed tuft": "tufts", "cotton tuft": "tufts", "seed string": "seed strings",
}  # fmt: skip
_NEEDLES: Final = frozenset({"needle", "bundle", "scale", "spray"})
SLOT_FOES: Final[Mapping[str, str]] = {
    "Quercus": "oak", "Acer": "maple", "Pinus": "pine", "Gleditsia": "locust", "Robinia": "locust",
}  # fmt: skip

# Where figures come from: the source of the formula, the convention, or ``judgement``.
_SURVEY: Final = "as the survey says"
_OFFICE: Final = "as the survey says, else judgement: once a year"
_PHOTOS: Final = "photos sure of opposite things of one place; that one may be misread is judgement"
_HANDFUL: Final = "counted and measured in the photo of a handful (debris/)"
_GUTTER: Final = "measured in a photo into the gutter (debris/gutter.py)"
_KINDS: Final = "the survey, pooled photos (tags/) and the species table (species/data, a source in each row)"
_CLASSES: Final = "ranges of clear opening at ISO 3310-1 sizes (screens/classes.py); the limits are judgement"
_RUNS: Final = "counted over the trial runs; how many must agree is judgement"
_CALENDAR: Final = "five years played month by month (shed/visits.py); when cleaning is due is judgement"
_ARITHMETIC: Final = "arithmetic on the figures named in its label, 12 months a year"
_LITTER: Final = (
    "litterfall by crown area, crowns by height and fall-off with distance as published (species/data, "
    "shed/kernel.py); how fast litter falls and what wind does is judgement"
)
_SEASONS: Final = "months of leaf and needle fall as published (species/data/seasons.csv)"
_VISITS: Final = (
    "whole visits that serve half of the trial runs (litter/cleaning_plan.py); when one is due: judgement"
)
_WIDTHS: Final = "needle widths of floras (species/data/parts.csv), else the gauge photo or the drop test"
_PLAN: Final = "geometry of the survey's distances, heights and crowns"
_GUARDS: Final = "the catalogue of guards (screens/data/guards.yaml, each with its source)"
_PASSAGE: Final = "entry end-on is exact geometry (screens/passage.py); how pieces come to lie is judgement"
_WATER: Final = (
    "rational method; gutter: Beij 1934, as in the EPA SWMM manual; outlet: EN 12056-3, Wyly and Eaton 1961 "
    "(water/gutter.py, water/outlet.py)"
)
_BEIJ: Final = "Beij 1934, as in the EPA SWMM Reference Manual, volume III (water/gutter.py)"
_JUDGEMENT: Final = "judgement"


def middle(values: Array) -> float:
    """Median, 0 of nothing."""
    return float(np.median(values)) if values.size else 0.0


@dataclass(frozen=True)
class FigureKind:
    """One registered figure; ``on_survey`` where the survey alone states it, before any computing."""

    name: str
    of: Scope
    unit: str
    label: str
    source: str
    on_survey: bool
    compute: Callable[[Any], Value]


_registered: dict[str, FigureKind] = {}


def _figure(
    of: Scope, unit: str, label: str, source: str, *, on_survey: bool = False
) -> Callable[[Callable[[Any], Value]], Callable[[Any], Value]]:
    """Register the decorated function under its own name."""

    def register(compute: Callable[[Any], Value]) -> Callable[[Any], Value]:
        name = compute.__name__.removeprefix("_")
        assert name not in _registered, name
        _registered[name] = FigureKind(name, of, unit, label, source, on_survey, compute)
        return compute

    return register


class Case:
    """What figures are asked of: the house, or one part of it with the house behind it."""

    scope: Scope = "house"

    def __init__(self, house: Case | None = None) -> None:
        self.house = house
        self._values: dict[str, Value] = {}

    def value(self, name: str) -> Value:
        """The value of a figure of this part or of its house; ``None`` where it is not known."""
        kind = FIGURES[name]
        if kind.of != self.scope:
            assert self.house is not None, f"{name} is not a figure of a {self.scope}"
            return self.house.value(name)
        if name not in self._values:
            self._values[name] = kind.compute(self)
        return self._values[name]

    def figure(self, name: str) -> Figure:
        """A figure with its unit, rounded to four digits as it is kept."""
        kind, value = FIGURES[name], self.value(name)
        if isinstance(value, float):
            value = float(f"{value:.4g}")
        return Figure(name=name, label=kind.label, unit=kind.unit, value=value)


class SurveyCase(Case):
    """A house of which nothing is computed yet."""

    def __init__(self, survey: Survey) -> None:
        super().__init__()
        self.survey = survey

    @property
    def household(self) -> Household:
        return self.survey.household


class HouseCase(SurveyCase):
    """A house with its outcome; ``answer`` and ``opening_mm`` as decided so far."""

    def __init__(self, outcome: Outcome, answer: ClassAnswer, opening_mm: float) -> None:
        super().__init__(outcome.survey)
        self.outcome = outcome
        self.answer: ClassAnswer = answer
        self.opening_mm = opening_mm

    @cached_property
    def open_gutter(self) -> GuardOutcome:
        return self.outcome.guards["none"]

    @cached_property
    def worst_eave(self) -> int:
        """The eave whose open gutter needs cleaning first."""
        return int(np.argmin(np.median(self.open_gutter.months, axis=0)))

    @cached_property
    def load_kg_m(self) -> Array:
        return np.asarray(self.open_gutter.litter.year[:, self.worst_eave])

    @cached_property
    def needle_kg_m(self) -> Array:
        needles = [each for each in self.outcome.sources.each if each.taxon.foliage == "needle"]
        return sum((each.load_kg_m[:, self.worst_eave] for each in needles), np.zeros(len(self.load_kg_m)))

    @cached_property
    def needles_that_matter(self) -> list[Source]:
        """Sources whose needles matter in more than the safe share of draws."""
        found = []
        for source in self.outcome.sources.each:
            if not np.isfinite(source.thin_mm).all():
                continue
            needles = sum(part.litter_share for part in source.taxon.parts if part.part in _NEEDLES)
            matters = (source.load_kg_m * needles > self.outcome.allowed_kg_m).any(axis=1)
            if matters.mean() > self.outcome.settings["safe_share"]:
                found.append(source)
        return found

    @cached_property
    def thinnest(self) -> Source | None:
        return min(self.needles_that_matter, key=lambda each: middle(each.thin_mm), default=None)

    def parts(self, wanted: Set[str]) -> list[tuple[Part, float, Array]]:
        """Parts that trees shed at the worst eave, with kg/m in a year and the share of each month."""
        outcome = self.outcome
        return [
            (part, load * part.litter_share, np.array(month_share_for(part, outcome.survey.hemisphere)))
            for source in outcome.sources.each
            if source.trees and (load := middle(source.load_kg_m[:, self.worst_eave])) > 0
            for part in source.taxon.parts
            if part.part in wanted
        ]

    @cached_property
    def heaviest_months(self) -> tuple[tuple[int, ...], float]:
        months, share = heaviest(
            self.open_gutter.litter.inside[:, :, self.worst_eave].sum(axis=0).mean(axis=0)
        )
        return tuple(months), share

    @property
    def gutter_photo(self) -> GutterPhoto | None:
        """The photo into a gutter that counts."""
        seen = self.outcome.gutter_photo
        return seen if seen is not None and seen.counts else None

    @cached_property
    def most_pieces(self) -> tuple[str, list[Piece]] | None:
        """The commonest kind of piece in the handfuls, as it is called, and its pieces."""
        pieces = self.outcome.pieces
        if not pieces:
            return None
        kinds = [piece.kind for piece in pieces]
        kind = max(dict.fromkeys(kinds), key=kinds.count)
        mine = [piece for piece in pieces if piece.kind == kind]
        name = NAMES[kind or "other"]
        # Half of them shorter than any that the trees here let go of whole.
        whole = [
            part.length_mm[0]
            for known in self.outcome.evidence
            for candidate in known.candidates
            if (part := part_of(candidate.taxon, kind)) is not None
        ]
        if kind == "needle" and whole and middle(np.array([each.length_mm for each in mine])) < min(whole):
            name = f"broken {name}"
        return name, mine

    @cached_property
    def long_needles_m(self) -> list[float]:
        """Distances of long-needled trees that stand near and shed on the house."""
        outcome = self.outcome
        return [
            self.distance_m(at)
            for at in range(len(outcome.survey.trees))
            if any(
                each.taxon.form == "long_needle" and each.chance > outcome.settings["safe_share"]
                for each in outcome.evidence[at].candidates
            )
            and middle(outcome.house.distance_m[:, at]) < _NEAR_M
            and (outcome.sources.tree_kg_m[:, at] > 0).any()
        ]

    @cached_property
    def slot_foes(self) -> dict[str, bool]:
        """Trees that a front slot does badly with, where they bring what matters, and whether one of each
        reaches the gutter; needles of pines are dragged in from anywhere."""
        outcome = self.outcome
        loads = {id(each): middle(each.load_kg_m.max(axis=1)) for each in outcome.sources.each}
        least = max(0.05 * sum(loads.values()), outcome.settings["matters_g_m"] / 1000)
        house = outcome.house
        edge_m = np.median(house.out_m - house.crowns.radius_m, axis=0)
        over = {tree.name for at, tree in enumerate(outcome.survey.trees) if edge_m[at] <= _TOUCHES_M}
        found: dict[str, bool] = {}
        for source in outcome.sources.each:
            pine = source.taxon.form == "long_needle"
            foe = SLOT_FOES.get(source.taxon.genus) or ("pine" if pine else None)
            if foe and loads[id(source)] > least:
                found[foe] = found.get(foe, False) or pine or bool(over & set(source.trees))
        return found

    def distance_m(self, at: int) -> float:
        """Distance of a tree: as it was given, else typical."""
        given = self.survey.trees[at].distance_m
        return middle(self.outcome.house.distance_m[:, at]) if given is None else given


class EaveCase(Case):
    """One eave of a house."""

    scope = "eave"

    def __init__(self, house: HouseCase, number: int) -> None:
        super().__init__(house)
        self.outcome, self.number = house.outcome, number
        self.eave: Eave = house.survey.eaves[number]

    @cached_property
    def water(self) -> Any:
        return water_of(self.outcome.house, self.number)


class TreeCase(Case):
    """One tree of a house."""

    scope = "tree"

    def __init__(self, house: HouseCase, at: int) -> None:
        super().__init__(house)
        self.outcome, self.at = house.outcome, at
        self.distance_m = house.distance_m(at)
        self.tree = house.survey.trees[at]
        self.loads: Array = self.outcome.sources.tree_kg_m[:, at]
        self.eave = int(np.argmax(np.median(self.loads, axis=0)))
        self.taxon = max(self.outcome.evidence[at].candidates, key=lambda each: each.chance).taxon


class GuardCase(Case):
    """One guard kind at a house, against the opening needed."""

    scope = "guard"

    def __init__(self, house: HouseCase, guard: GuardOutcome) -> None:
        super().__init__(house)
        self.outcome, self.guard, self.needed_mm = house.outcome, guard, house.opening_mm
        self.unguarded = middle(house.open_gutter.house_months)

    @cached_property
    def dropped(self) -> tuple[int, int] | None:
        """Of the handfuls' pieces, dropped by computation, how many pass through and how many stick."""
        offer, pieces = self.guard.offer, self.outcome.pieces
        if offer is None or not pieces:
            return None
        through, sticks = piece_fates(pieces, offer.clear_mm, offer.solid_mm, offer.passage_shape)
        return round(float(through.sum())), round(float(sticks.sum()))

    def share(self, of: Array) -> float:
        """Mean share over draws of a year's litter at all eaves."""
        year = self.guard.litter.year.sum(axis=1)
        return float((of.sum(axis=1) / np.maximum(year, 1e-12)).mean()) if year.any() else 0.0


# ---- the house


@_figure("house", "class", "fineness so far", _CLASSES)
def _answer(case: HouseCase) -> Value:
    return case.answer


@_figure("house", "mm", "widest opening that keeps out what matters", _CLASSES)
def _needed_opening_mm(case: HouseCase) -> Value:
    return case.opening_mm


@_figure("house", "share", "trial runs in which the open gutter waits as long as the owner accepts", _RUNS)
def _no_guard_share(case: HouseCase) -> Value:
    return case.outcome.answer.no_guard_share


@_figure("house", "share", "trial runs in which this fineness, or a coarser one, is enough", _RUNS)
def _class_share(case: HouseCase) -> Value:
    known = case.answer in FINENESS_CLASSES
    index = FINENESS_CLASSES.index(case.answer) if known else case.outcome.answer.index
    return float((case.outcome.house_index <= index).mean())


@_figure("house", "months", "wait of the open gutter", _CALENDAR)
def _unguarded_months(case: HouseCase) -> Value:
    return middle(case.open_gutter.house_months)


@_figure("house", "a year", "cleanings planned for the open gutter, in whole visits", _VISITS)
def _planned_per_year(case: HouseCase) -> Value:
    return case.open_gutter.plan.per_year


@_figure("house", "times a year", "cleanings that the owner accepts", _OFFICE)
def _accepted_per_year(case: HouseCase) -> Value:
    return case.outcome.accepted_per_year


@_figure("house", "yes or no", "the owner said how often", _SURVEY)
def _accepted_known(case: HouseCase) -> Value:
    return case.household.cleanings_per_year is not None


@_figure("house", "class", "fineness if a guard goes on", _CLASSES)
def _class_otherwise(case: HouseCase) -> Value:
    return FINENESS_CLASSES[case.outcome.answer.index]


@_figure(
    "house", "words", "the open gutter asks for more than accepted: yes, no or could go either way", _RUNS
)
def _worth(case: HouseCase) -> Value:
    share = case.outcome.answer.no_guard_share
    return "no" if share > ENOUGH else "yes" if 1 - share > ENOUGH else "could go either way"


@_figure("house", "yes or no", "needles arrive, all of them scale leaves", _KINDS)
def _only_scale_leaves(case: HouseCase) -> Value:
    forms = {source.taxon.form for source in case.needles_that_matter}
    return forms == {"scale_leaf"}


@_figure("house", "kg/m", "litter in a year at the eave with most", _LITTER)
def _litter_kg_m(case: HouseCase) -> Value:
    return middle(case.load_kg_m)


@_figure("house", "kg/m", "of that, from trees", _LITTER)
def _trees_kg_m(case: HouseCase) -> Value:
    return middle(case.outcome.sources.tree_kg_m[:, :, case.worst_eave].sum(axis=1))


@_figure("house", "mm", "middle width of the leaves and leaflets that come down", _WIDTHS)
def _leaf_width_mm(case: HouseCase) -> Value:
    blades = case.parts({"leaf", "leaflet"})
    widths = [(math.log(part.width_mm[0] * part.width_mm[1]) / 2, kg) for part, kg, _ in blades]
    total = sum(kg for _, kg in widths)
    # To the millimeter: leaves of one twig differ by more.
    return float(round(math.exp(sum(width * kg for width, kg in widths) / total))) if total > 0 else None


@_figure("house", "kg/m", "tassels of trees that shed leaves", _LITTER)
def _tassels_kg_m(case: HouseCase) -> Value:
    return float(sum(kg for _, kg, _ in case.parts({"catkin"})))


@_figure("house", "share", "leaves that come down in the months of the tassels", _SEASONS)
def _leaves_with_tassels(case: HouseCase) -> Value:
    tassels, leaves = (
        sum((kg * months for _, kg, months in case.parts({part})), np.zeros(12))
        for part in ("catkin", "leaf")
    )
    if not tassels.any() or not leaves.any():
        return None
    return float(leaves[tassels > _SEASON_SHARE * tassels.sum()].sum() / leaves.sum())


@_figure("house", "kg/m", "of that, from needle trees", _LITTER)
def _needle_kg_m(case: HouseCase) -> Value:
    return middle(case.needle_kg_m)


@_figure("house", "share", "litter that comes from needle trees", _ARITHMETIC)
def _needle_share(case: HouseCase) -> Value:
    if not case.load_kg_m.any():
        return 0.0
    return float((case.needle_kg_m / np.maximum(case.load_kg_m, 1e-12)).mean())


@_figure("house", "mm", "thinnest needles that arrive in quantity", _WIDTHS)
def _thin_needle_mm(case: HouseCase) -> Value:
    return middle(case.thinnest.thin_mm) if case.thinnest else None


@_figure("house", "trees", "trees with the thinnest needles", _WIDTHS)
def _thin_needle_tree(case: HouseCase) -> Value:
    return case.thinnest.trees if case.thinnest else None


@_figure("house", "mm range", "thinnest needles, 10th to 90th percentile", _WIDTHS)
def _thin_needle_range_mm(case: HouseCase) -> Value:
    if case.thinnest is None:
        return None
    return tuple(float(f"{each:.4g}") for each in np.quantile(case.thinnest.thin_mm, (0.1, 0.9)))


@_figure("house", "yes or no", "species, gauge photo or drop test tells their width", _WIDTHS)
def _thin_needle_known(case: HouseCase) -> Value:
    thin = case.thinnest
    if thin is None:
        return None
    return not is_generic(thin.taxon) or thin.measured or bool(thin.drop_tests or thin.found)


@_figure("house", "yes or no", "a gauge photo or a drop test spoke", _WIDTHS)
def _measured_width(case: HouseCase) -> Value:
    return any(bool(source.measured or source.drop_tests) for source in case.needles_that_matter)


@_figure("house", "yes or no", "a drop test spoke", _WIDTHS)
def _drop_test(case: HouseCase) -> Value:
    return any(bool(source.drop_tests) for source in case.needles_that_matter)


@_figure("house", "m", "nearest long-needled tree", _KINDS)
def _nearest_pine_m(case: HouseCase) -> Value:
    return min(case.long_needles_m, default=None)


@_figure("house", "yes or no", "a long-needled tree within 30 m sheds on the house", _KINDS)
def _long_needles_near(case: HouseCase) -> Value:
    return bool(case.long_needles_m)


@_figure("house", "yes or no", "needles arrive, none of them long", _KINDS)
def _only_short_needles(case: HouseCase) -> Value:
    forms = {source.taxon.form for source in case.needles_that_matter}
    return bool(forms) and not case.long_needles_m and "long_needle" not in forms


@_figure("house", "words", "trees that a front slot does badly with", _JUDGEMENT)
def _slot_foes(case: HouseCase) -> Value:
    return tuple(sorted(foe for foe, over in case.slot_foes.items() if over)) or None


@_figure("house", "words", "of these, trees that do not reach the gutter", _JUDGEMENT)
def _slot_foes_beside(case: HouseCase) -> Value:
    return tuple(sorted(foe for foe, over in case.slot_foes.items() if not over)) or None


@_figure("house", "trees", "tree that matters and may be of either kind", _KINDS)
def _kind_unknown(case: HouseCase) -> Value:
    outcome = case.outcome
    for at, known in enumerate(outcome.evidence):
        if known.known != "nothing" or not 0.05 < known.needle_chance < 0.95:
            continue
        if (outcome.sources.tree_kg_m[:, at] > outcome.allowed_kg_m).any(axis=1).mean() > 0.5:
            return outcome.survey.trees[at].name
    return None


@_figure("house", "yes or no", "the owner accepts brushing", _SURVEY, on_survey=True)
def _accepts_brushing(case: SurveyCase) -> Value:
    return case.household.accepts_brushing


@_figure("house", "yes or no", "the owner goes up ladders", _SURVEY, on_survey=True)
def _ladder_reach(case: SurveyCase) -> Value:
    return case.household.ladder_reach


@_figure("house", "yes or no", "wildfire area", _SURVEY, on_survey=True)
def _wildfire(case: SurveyCase) -> Value:
    return case.survey.wildfire


@_figure("house", "yes or no", "an eave is shaded or mossy", _SURVEY, on_survey=True)
def _any_shaded_or_mossy(case: SurveyCase) -> Value:
    return any(eave.shaded_or_mossy for eave in case.survey.eaves)


@_figure("house", "share", "litter outside the three heaviest months", _SEASONS)
def _all_year_share(case: HouseCase) -> Value:
    months, share = case.heaviest_months
    return 1.0 - share if months else None


@_figure("house", "calendar months", "three heaviest months", _SEASONS)
def _heaviest_months(case: HouseCase) -> Value:
    return case.heaviest_months[0] or None


@_figure("house", "count", "trees listed", _SURVEY)
def _trees(case: HouseCase) -> Value:
    return len(case.survey.trees)


@_figure("house", "words", "photos that contradict the others", _PHOTOS)
def _photos_check(case: HouseCase) -> Value:
    return case.outcome.check_photos or None


@_figure("house", "count", "pieces counted in handfuls", _HANDFUL)
def _handful_pieces(case: HouseCase) -> Value:
    return len(case.outcome.pieces) or None


@_figure("house", "words", "the commonest kind of piece", _HANDFUL)
def _handful_kind(case: HouseCase) -> Value:
    return case.most_pieces[0] if case.most_pieces else None


@_figure("house", "count", "how many are of that kind", _HANDFUL)
def _handful_count(case: HouseCase) -> Value:
    return len(case.most_pieces[1]) if case.most_pieces else None


@_figure("house", "mm", "their middle length", _HANDFUL)
def _handful_length_mm(case: HouseCase) -> Value:
    return middle(np.array([piece.length_mm for piece in case.most_pieces[1]])) if case.most_pieces else None


@_figure("house", "mm", "their middle smallest width", _HANDFUL)
def _handful_width_mm(case: HouseCase) -> Value:
    if not case.most_pieces:
        return None
    return middle(np.array([piece.smallest_width_mm for piece in case.most_pieces[1]]))


@_figure("house", "words", "the gutter that a photo shows into", _GUTTER)
def _gutter_photo_of(case: HouseCase) -> Value:
    return (case.gutter_photo.eave or "the house") if case.gutter_photo else None


@_figure("house", "share", "of its depth that litter fills where it is fullest, by that photo", _GUTTER)
def _gutter_photo_full(case: HouseCase) -> Value:
    return case.gutter_photo.fill.full_share if case.gutter_photo else None


@_figure("house", "share", "10th percentile of that", _GUTTER)
def _gutter_photo_low(case: HouseCase) -> Value:
    return case.gutter_photo.fill.full_low if case.gutter_photo else None


@_figure("house", "share", "90th percentile of that", _GUTTER)
def _gutter_photo_high(case: HouseCase) -> Value:
    return case.gutter_photo.fill.full_high if case.gutter_photo else None


@_figure("house", "words", "what mostly lies in it, by that photo", _GUTTER)
def _gutter_photo_lies(case: HouseCase) -> Value:
    return GUTTER_LITTER_WORDS[case.gutter_photo.fill.kind] if case.gutter_photo else None


@_figure("house", "months", "since it was last cleaned", _SURVEY)
def _gutter_photo_months(case: HouseCase) -> Value:
    return case.survey.history.last_cleaned_months_ago if case.gutter_photo else None


# ---- an eave


@_figure("eave", "eave", "eave", _SURVEY)
def _eave(case: EaveCase) -> Value:
    return case.eave.name


@_figure("eave", "months", "wait of this open gutter", _CALENDAR)
def _eave_unguarded_months(case: EaveCase) -> Value:
    return middle(case.outcome.guards["none"].months[:, case.number])


@_figure("eave", "kg/m", "litter in a year here", _LITTER)
def _eave_litter_kg_m(case: EaveCase) -> Value:
    return middle(case.outcome.guards["none"].litter.year[:, case.number])


@_figure("eave", "size", "gutter width", _SURVEY)
def _gutter_width_mm(case: EaveCase) -> Value:
    return middle(case.outcome.house.eaves.depth_m[:, case.number]) * 1000


@_figure("eave", "words", "condition of the gutter", _SURVEY)
def _gutter_condition(case: EaveCase) -> Value:
    return case.eave.gutter.condition


@_figure("eave", "margin", "capacity of the weakest link, without a guard", _WATER)
def _water_margin(case: EaveCase) -> Value:
    return float(case.water.margin)


@_figure("eave", "margin", "capacity of the gutter", _BEIJ)
def _gutter_margin(case: EaveCase) -> Value:
    return float(case.water.gutter_margin)


@_figure("eave", "size", "narrowest trade width that carries the rain", _WATER)
def _enough_width_mm(case: EaveCase) -> Value:
    return case.water.enough_width_m * 1000 if case.water.enough_width_m else None


@_figure("eave", "words", "weakest link for the rain", _WATER)
def _water_weakest(case: EaveCase) -> Value:
    return str(case.water.weakest)


@_figure("eave", "pitch", "roof pitch", _SURVEY)
def _pitch_deg(case: EaveCase) -> Value:
    return middle(case.outcome.house.roofs.pitch_deg[:, case.number])


@_figure("eave", "words", "roof covering", _SURVEY)
def _roof(case: EaveCase) -> Value:
    return case.eave.roof


@_figure("eave", "yes or no", "shaded or mossy", _SURVEY)
def _shaded_or_mossy(case: EaveCase) -> Value:
    return case.eave.shaded_or_mossy


# ---- a tree


@_figure("tree", "trees", "tree", _SURVEY)
def _tree(case: TreeCase) -> Value:
    return case.tree.name


@_figure("tree", "words", "taken for", _KINDS)
def _kind(case: TreeCase) -> Value:
    return kind_words(case.taxon)


@_figure("tree", "foliage", "foliage", _KINDS)
def _foliage(case: TreeCase) -> Value:
    return case.taxon.foliage


@_figure("tree", "form", "form of its foliage", _KINDS)
def _form(case: TreeCase) -> Value:
    return case.taxon.form


@_figure("tree", "m", "distance, trunk to eave", _SURVEY)
def _distance_m(case: TreeCase) -> Value:
    return case.distance_m


@_figure("tree", "m", "crown edge to eave, negative over the roof", _PLAN)
def _edge_m(case: TreeCase) -> Value:
    site = case.outcome.house
    return middle(site.out_m[:, case.at] - site.crowns.radius_m[:, case.at])


@_figure("tree", "words", "upwind, downwind or beside the house", _JUDGEMENT)
def _bearing_side(case: TreeCase) -> Value:
    wind, crowns = case.outcome.survey.wind.from_deg, case.outcome.house.crowns
    if wind is None:
        return None
    bearing = np.degrees(np.arctan2(middle(crowns.east_m[:, case.at]), middle(crowns.north_m[:, case.at])))
    off = abs(float(wrap_deg(np.asarray(bearing - wind))))
    return "upwind" if off < 60 else "downwind" if off > 120 else "beside"


@_figure("tree", "share", "its share of the litter at the eave it loads most", _ARITHMETIC)
def _load_share(case: TreeCase) -> Value:
    total = case.outcome.guards["none"].litter.year[:, case.eave]
    return float((case.loads[:, case.eave] / np.maximum(total, 1e-12)).mean()) if total.any() else 0.0


@_figure("tree", "kg/m", "its litter in a year there", _LITTER)
def _tree_litter_kg_m(case: TreeCase) -> Value:
    return middle(case.loads[:, case.eave])


@_figure("tree", "yes or no", "crown wholly below the gutter", _PLAN)
def _below_eave(case: TreeCase) -> Value:
    site = case.outcome.house
    lowest = float(np.median(site.roofs.eave_height_m, axis=0).min())
    return middle(site.crowns.height_m[:, case.at]) <= lowest


@_figure("tree", "yes or no", "crown reaches over the gutter", _PLAN)
def _overhangs(case: TreeCase) -> Value:
    return float(_edge_m(case) or 0.0) < 0  # type: ignore[arg-type]


# ---- a guard kind


@_figure("guard", "guard", "guard", _GUARDS)
def _guard(case: GuardCase) -> Value:
    return case.guard.guard.kind


@_figure("guard", "mm", "opening taken, of those on offer", _GUARDS)
def _opening_mm(case: GuardCase) -> Value:
    return case.guard.offer.clear_mm if case.guard.offer else None


@_figure("guard", "yes or no", "no wider than the opening needed", _JUDGEMENT)
def _refuses(case: GuardCase) -> Value:
    offer = case.guard.offer
    return offer is not None and offer.shape != "slot" and offer.clear_mm <= case.needed_mm * 1.03


@_figure("guard", "share", "litter that passes through", _PASSAGE)
def _passes_share(case: GuardCase) -> Value:
    return case.share(case.guard.litter.below)


@_figure("guard", "pieces/m", "pieces that get in within a year, by number", _PASSAGE)
def _small_things_in(case: GuardCase) -> Value:
    assert isinstance(case.house, HouseCase)
    outcome, at = case.house.outcome, case.house.worst_eave
    counts: dict[str, float] = {}
    for source, fates in zip(outcome.sources.each, case.guard.fates, strict=False):
        for each in fates:
            if each.part.part in SMALL_PARTS:
                kg_m = source.load_kg_m[:, at] * each.part.litter_share * each.through[:, 0]
                name = PIECES.get(each.part.part, each.part.part)
                counts[name] = counts.get(name, 0.0) + middle(kg_m) * 1e6 / piece_mg(each.part)
    most = sorted(counts.items(), key=lambda pair: (-pair[1], pair[0]))[:_MOST_PIECES]
    return tuple(f"{name}={number:.3g}" for name, number in most if number >= _FEW_PIECES) or None


@_figure("guard", "share", "litter that sticks in the openings", _PASSAGE)
def _lodges_share(case: GuardCase) -> Value:
    return case.share(case.guard.litter.stuck)


@_figure("guard", "share", "litter that stays on top", _PASSAGE)
def _stays_share(case: GuardCase) -> Value:
    passes, lodges = case.share(case.guard.litter.below), case.share(case.guard.litter.stuck)
    return max(1.0 - passes - lodges, 0.0)


@_figure("guard", "count", "pieces of the handfuls that pass through", _PASSAGE)
def _handful_passes(case: GuardCase) -> Value:
    return case.dropped[0] if case.dropped else None


@_figure("guard", "count", "pieces of the handfuls that stick", _PASSAGE)
def _handful_sticks(case: GuardCase) -> Value:
    return case.dropped[1] if case.dropped else None


@_figure("guard", "months", "wait with this guard", _CALENDAR)
def _guarded_months(case: GuardCase) -> Value:
    return middle(case.guard.house_months)


@_figure("guard", "a year", "visits planned with this guard, whole ones", _VISITS)
def _guarded_per_year(case: GuardCase) -> Value:
    return case.guard.plan.per_year


@_figure("guard", "ratio", "visits planned without this guard over those with it", _ARITHMETIC)
def _gain(case: GuardCase) -> Value:
    assert isinstance(case.house, HouseCase)
    return case.house.open_gutter.visits_a_year / case.guard.visits_a_year


@_figure("guard", "failure", "what ends the wait, at the eave that needs it first", _CALENDAR)
def _failure(case: GuardCase) -> Value:
    guard = case.guard
    if middle(guard.house_months) >= HORIZON_MONTHS:
        return "none expected"
    at = guard.months.argmin(axis=1)
    first = guard.first[np.arange(len(at)), at]
    return FAILURES[int(np.bincount(first, minlength=3).argmax())]


@_figure("guard", "words", "lies in the roof's plane or level", _GUARDS)
def _slope(case: GuardCase) -> Value:
    return case.guard.guard.surface.slope


@_figure("guard", "yes or no", "cannot burn", _GUARDS)
def _noncombustible(case: GuardCase) -> Value:
    return case.guard.offer.noncombustible if case.guard.offer else None


FIGURES: Final[Mapping[str, FigureKind]] = MappingProxyType(_registered)
