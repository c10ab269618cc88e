"""Everything computed for one house before any rule speaks: loads, needed openings, times for every guard."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.decide import Answer, decide
from eavefall_model.advice.figures import SurveyCase
from eavefall_model.advice.rulebook import RuleBook
from eavefall_model.debris.evidence import (
    FEW,
    GROUPS,
    GutterPhoto,
    gutter_photo,
    sound_pieces,
    with_fill_seen,
)
from eavefall_model.debris.schema import DebrisResult, GutterResult, Piece
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.house.contradictions import Contradiction, contradictions
from eavefall_model.house.house import House, build_house
from eavefall_model.house.place_photos import with_photo_trees
from eavefall_model.house.streams import Streams
from eavefall_model.house.tree_kinds import Evidence, gather
from eavefall_model.litter.capacity import Capacity, capacity
from eavefall_model.litter.cleaning_plan import (
    CALLS_NOBODY,
    NEAR_M,
    PLUGS,
    CleaningPlan,
    HalfYear,
    Stage,
    advised_a_year,
    looks_a_year,
    plan_of,
    whole_months,
)
from eavefall_model.litter.falling import Fallen, fallen, open_courses, room_of
from eavefall_model.litter.fate_tables import DryLeaves, Opening, PartFate, entered_shares, part_fates
from eavefall_model.litter.history import (
    FILL_ERROR,
    Observed,
    Weights,
    fill_for_depth,
    fill_since_cleaning,
    log_likelihood,
    looseness,
    observed_in,
    resampled_rows,
    seen_depth,
    surprise,
    weights_from,
)
from eavefall_model.litter.opening_needed import LADDER, class_index, needed_opening_mm, refusing_opening_mm
from eavefall_model.litter.sources import Source, Sources, build_sources
from eavefall_model.litter.waiting import GuardTimes, guard_times, lying_since_brushed, open_gutter
from eavefall_model.screens.guards import Guard, Guards, Offer
from eavefall_model.screens.standards import load_sieves
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.species.pieces import piece_mg
from eavefall_model.species.table import Taxon, month_share_for
from eavefall_model.survey import Survey
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.vocabulary import GuardKind, Hemisphere

Array = NDArray[np.float64]


@dataclass(frozen=True)
class GuardOutcome:
    """One guard kind over all draws: months that it waits (draws, eaves), first failure, what makes visits
    due, litter, the house's worst eave, the plan of whole visits by that eave, and the fates of each
    source's parts on the opening taken, a column of one."""

    guard: Guard
    offer: Offer | None
    months: Array
    first: NDArray[np.intp]
    stages: tuple[Stage, ...]
    litter: Fallen
    house_months: Array
    plan: CleaningPlan
    fates: tuple[tuple[PartFate, ...], ...] = ()

    @property
    def visits_a_year(self) -> float:
        """Visits planned; where even the most that anybody pays are too few, those that it would take."""
        wanted = 12.0 / float(np.median(self.house_months)) if self.plan.too_often else 0.0
        return max(self.plan.per_year, wanted)


@dataclass(frozen=True)
class Told:
    """What the gutter's own past says.

    ``before_months`` (draws,) is how long the gutter, or the guard on it, would wait by the trees alone;
    ``scale`` what the litter is multiplied by where the trees do not explain it, else 1.
    """

    observed: Observed
    eave: str
    before_months: Array
    weights: Weights
    expected_fill: float | None
    scale: float


@dataclass(frozen=True)
class Outcome:
    """All draws of one house; see :func:`run`. ``patience_months`` (draws,) is how long an open gutter must
    wait between cleanings for its owner, ``asked_months`` (draws, eaves) how long it does by the visits that
    it asks for, ``by_the_gutter`` whether somebody has looked into it, so that nothing is advised by the
    trees; ``pieces`` are the sound ones of all handfuls,
    ``gutter_photo`` the one that shows how full a gutter is."""

    survey: Survey
    evidence: tuple[Evidence, ...]
    house: House
    sources: Sources
    capacity: Capacity
    settings: dict[str, float]
    streams: Streams
    accepted_per_year: float
    patience_months: Array
    asked_months: Array
    by_the_gutter: bool
    gutter: Opened
    allowed_kg_m: Array
    opening_cap_mm: float
    limits: tuple[Array, ...]
    ladder: tuple[tuple[PartFate, ...], ...]
    needed_mm: Array
    enough_eaves: NDArray[np.bool_]
    house_needed_mm: Array
    house_index: NDArray[np.intp]
    enough: NDArray[np.bool_]
    answer: Answer
    guards: Mapping[GuardKind, GuardOutcome]
    told: Told | None
    contradictions: tuple[Contradiction, ...]
    check_photos: tuple[str, ...]
    pieces: tuple[Piece, ...] = ()
    gutter_photo: GutterPhoto | None = None


# Spread, in the logarithm, of the cleanings a year that owners accept who have not said. Our judgement.
_PATIENCE_SPREAD: Final = 0.7
# Beyond what this share of the draws would give, the trees as described do not explain how full a gutter is.
_ODD: Final = 0.01
# Then the litter is taken as that much more or less; not beyond this factor. Our judgement.
_MOST: Final = 10.0
# No photo tells how full a whole gutter is better than this; and so far apart, a person's word and a photo
# disagree. Our judgement.
_LEAST_FILL_SD: Final = 0.08
_OTHERWISE: Final = 0.35
# Draws that a plan of visits is made by.
_PLAN_DRAWS: Final = 400
# Openings closer than a test sieve's own tolerance on its average opening (3 %) are the same size.
SAME_SIZE: Final = 1.03


def wait_months(accepted_per_year: float) -> float:
    """How long an open gutter must wait for an owner who accepts so many cleanings a year, months."""
    return min(12.0 / accepted_per_year, HORIZON_MONTHS) if accepted_per_year > 0 else HORIZON_MONTHS


def _next_finer_mm(opening_mm: float) -> float:
    below = [sieve.opening_mm for sieve in load_sieves() if sieve.opening_mm < opening_mm]
    return below[-1] if below else opening_mm


def needle_limits(
    sources: Sequence[Source], entered: Sequence[Mapping[float, Array]], tolerance: float
) -> tuple[Array, ...]:
    """For each source, (draws,) the widest opening that refuses its needles; a drop test overrules."""
    limits = []
    for source, shares in zip(sources, entered, strict=True):
        limit = refusing_opening_mm(source.thin_mm * source.bore_share)
        for tested_mm in sorted(shares, reverse=True):
            cleared = shares[tested_mm] <= tolerance
            limit = np.where(
                cleared, np.maximum(limit, tested_mm), np.minimum(limit, _next_finer_mm(tested_mm))
            )
        limits.append(limit)
    return tuple(limits)


def _pick_offer(guard: Guard, opening_mm: float) -> Offer | None:
    """The widest opening on offer that is no wider than needed, else the finest there is."""
    fits = [offer for offer in guard.offers if offer.clear_mm <= opening_mm * SAME_SIZE]
    return (fits or list(guard.offers[-1:]) or [None])[0]  # type: ignore[list-item]


def opening_cap_mm(book: RuleBook, survey: Survey) -> float:
    """Widest opening that rules about the survey itself allow, such as embers in a wildfire area."""
    case = SurveyCase(survey)
    caps = [
        rule.effect.opening_at_most_mm
        for rule in book.rules
        if rule.effect.opening_at_most_mm is not None
        and all(condition.holds(case.value(name)) for name, condition in rule.when.items())
    ]
    return min(caps, default=np.inf)


def plan_at(stages: tuple[Stage, ...], eave: int, least: float = 0.0) -> CleaningPlan:
    """Whole visits at one eave, on enough of the draws to tell a share by."""
    step = max(len(stages[0].limit) // _PLAN_DRAWS, 1)
    return plan_of([each.at(eave, slice(None, None, step)) for each in stages], least)


def _halves(taxon: Taxon, hemisphere: Hemisphere) -> tuple[tuple[float, float], tuple[float, float]]:
    """What a kilogram of litter of a kind brings from January to June and from July to December: kilograms by
    the room that they take, and pieces that plug."""
    weight, number = np.zeros(12), np.zeros(12)
    for part in taxon.parts:
        fell = np.array(month_share_for(part, hemisphere)) * part.litter_share
        if part.part not in CALLS_NOBODY:
            weight += fell * room_of(taxon)
        if part.part in PLUGS:
            number += fell * 1e6 / piece_mg(part)
    return tuple((float(weight[at].sum()), float(number[at].sum())) for at in (slice(6), slice(6, 12)))  # type: ignore[return-value]


def advised_visits(
    house: House, sources: Sources, tree_kg_m: Array, out_m: Array, settings: Mapping[str, float]
) -> Array:
    """Visits a year that are usually advised, (draws, eaves), by the trees that shed there and when they do.

    ``tree_kg_m`` (draws, trees, eaves) is what they bring, ``out_m`` (draws, trees) how far from the eave
    they stand; the draws may be the first of the house's own.
    """
    rows = slice(len(tree_kg_m))
    near = out_m - house.crowns.radius_m[rows] <= NEAR_M
    nothing = np.zeros((tree_kg_m.shape[0], tree_kg_m.shape[2]))
    halves = [HalfYear(nothing, nothing), HalfYear(nothing, nothing)]
    for number, source in enumerate(sources.each):
        mine = np.where((near & (sources.kind_of_tree[rows] == number))[..., None], tree_kg_m, 0.0).sum(
            axis=1
        )
        if mine.any():
            halves = [
                half.with_(HalfYear(kg * mine, pieces * mine))
                for half, (kg, pieces) in zip(
                    halves, _halves(source.taxon, house.survey.hemisphere), strict=True
                )
            ]
    return advised_a_year(
        (halves[0], halves[1]),
        tree_kg_m.sum(axis=1),
        settings["matters_g_m"] / 1000,
        settings["pieces_per_m"],
    )


def asked_months(times: GuardTimes, advised: Array) -> Array:
    """Months between the visits that an open gutter asks for, (draws, eaves): whole ones, as many as litter
    asks for and never fewer than are usually advised."""
    whole = whole_months(times.stages, times.months)
    return np.minimum(whole, 12.0 / np.maximum(advised, 12.0 / HORIZON_MONTHS))


def _guard_outcome(
    guard: Guard, offer: Offer | None, times: GuardTimes, litter: Fallen, least: float = 0.0
) -> GuardOutcome:
    house = times.months.min(axis=1)
    worst = int(np.argmin(np.median(times.months, axis=0)))
    plan = plan_at(times.stages, worst, least)
    return GuardOutcome(guard, offer, times.months, times.first, times.stages, litter, house, plan)


@dataclass(frozen=True)
class Opened:
    """One set of draws without a guard."""

    streams: Streams
    house: House
    sources: Sources
    cap: Capacity
    courses: tuple[Array, ...]
    litter: Fallen
    times: GuardTimes


def _opened(
    survey: Survey,
    evidence: tuple[Evidence, ...],
    streams: Streams,
    settings: Mapping[str, float],
    scale: float = 1.0,
) -> Opened:
    house = build_house(survey, evidence, streams, settings)
    sources = build_sources(house, evidence, streams, settings["thin_kind_share"])
    if scale != 1.0:
        sources = sources.scaled(scale)
    cap = capacity(house, settings, streams)
    courses = tuple(open_courses(source, house, settings) for source in sources.each)
    loads = [source.load_kg_m for source in sources.each]
    litter, times = open_gutter(loads, courses, sources.years, cap)
    return Opened(streams, house, sources, cap, courses, litter, times)


def depth_since(
    found: Opened, eave: int, months_since: float, month: int | None, settings: Mapping[str, float]
) -> Array:
    """Share of its depth, (draws,), to which an open gutter would be seen filled so long after a cleaning."""
    full = found.cap.gutter_kg_m[:, eave] / settings["fill_share"]
    fill = sum(
        fill_since_cleaning(found.litter.inside[foliage, :, eave], full, past, months_since, month)
        for foliage, past in enumerate(found.sources.past)
    )
    return seen_depth(np.asarray(fill), looseness(found.streams.normal("history.loose")))


def covered_since(
    stages: tuple[Stage, ...],
    eave: int,
    past: Array,
    months_since: float,
    month: int | None,
    settings: Mapping[str, float],
) -> Array:
    """Share of a guard's face, (draws,), that would be found covered so long after it was brushed."""
    face = next(stage for stage in stages if stage.code == 1)
    bare = 1 - settings["blinded_limit"]
    return np.asarray(1 - bare ** lying_since_brushed(face, eave, past, months_since, month))


@dataclass(frozen=True)
class _Seen:
    """What each draw would show at one eave: share of the depth full, or of the guard's face covered
    (``None`` where the
    time is not known), how often a cleaning would be due, and what is seen when it is."""

    share: Array | None
    due_per_year: Array
    due_share: Array | float
    house_months: Array


def _open_seen(before: Opened, observed: Observed, eave: int, settings: Mapping[str, float]) -> _Seen:
    share = None
    if observed.months_since is not None:
        share = depth_since(before, eave, observed.months_since, observed.month, settings)
    loose = looseness(before.streams.normal("history.loose"))
    due = 12.0 / before.times.months[:, eave]
    house = before.times.months.min(axis=1)
    return _Seen(share, due, seen_depth(settings["fill_share"], loose), house)


def _guard_seen(
    before: Opened, observed: Observed, guard: Guard, eave: int, settings: Mapping[str, float]
) -> _Seen:
    """The same of a guard that lies there already, of the middle opening on offer: nobody told which."""
    offer = guard.offers[len(guard.offers) // 2]
    opening = (Opening(offer.clear_mm, offer.solid_mm, offer.passage_shape),)
    dry = DryLeaves(settings["crumb_share"], settings["curled_share"])
    fates = [part_fates(source, opening, dry) for source in before.sources.each]
    litter = fallen(before.house, before.sources.each, fates, 0, before.cap, settings)
    times = guard_times(before.house, litter, before.sources.years, before.cap, guard.surface, settings)
    share = None
    if observed.months_since is not None:
        share = covered_since(
            times.stages, eave, before.sources.past, observed.months_since, observed.month, settings
        )
    due = 12.0 / times.months[:, eave]
    return _Seen(share, due, settings["blinded_limit"], times.months.min(axis=1))


def _told_by_the_gutter(
    before: Opened, survey: Survey, settings: Mapping[str, float], offered: Guards, fill_sd: float
) -> Told | None:
    """What the house's own history says, and the weights of the draws by it."""
    names = [eave.name for eave in survey.eaves]
    worst = int(np.argmin(np.median(before.times.months, axis=0)))
    at = names.index(survey.history.eave) if survey.history.eave in names else worst
    observed = observed_in(survey, survey.eaves[at].gutter.guard, fill_sd)
    if observed is None:
        return None
    if observed.guard is None:
        seen = _open_seen(before, observed, at, settings)
    else:
        seen = _guard_seen(before, observed, offered.of_kind(observed.guard), at, settings)
    share, expected, scale = seen.share, None, 1.0
    if share is not None:
        at_most = np.minimum(share, 1.0)
        expected = float(np.median(at_most))
        told = observed.fill if observed.guard is None else None
        if told is not None and surprise(told, at_most, observed.fill_sd) < _ODD:
            # Not to be explained by the trees as listed: what lies there is what counts.
            deeper = max(told, FILL_ERROR / 2) / max(float(np.median(share)), 1e-6)
            scale = float(np.clip(fill_for_depth(deeper), 1 / _MOST, _MOST))
            share = share * deeper
    weights = weights_from(log_likelihood(observed, share, seen.due_per_year * scale, seen.due_share))
    return Told(
        observed=observed,
        eave=names[at],
        before_months=seen.house_months,
        weights=weights,
        expected_fill=expected,
        scale=scale,
    )


def _asked(found: Opened, told: Told | None, evidence: tuple[Evidence, ...]) -> tuple[Contradiction, ...]:
    """Everything in the survey that cannot well be true together."""
    asked = (*contradictions(found.house.survey, evidence), *found.sources.contradictions)
    if told is None or told.scale == 1.0 or told.observed.fill is None or told.expected_fill is None:
        return asked
    values = (told.observed.fill, told.expected_fill)
    return (*asked, Contradiction("past-and-trees", told.eave, ("history.now_full_fifths",), values))


def _nobodys(
    survey: Survey, debris: Mapping[str, DebrisResult], evidence: tuple[Evidence, ...]
) -> tuple[Contradiction, ...]:
    """Pieces of a handful that no tree of the survey sheds, group by group."""
    asked = []
    known = {id(piece) for each in evidence for piece in each.pieces}
    for photo in survey.photos:
        pieces = sound_pieces([debris[photo.file]] if photo.file in debris else [])
        for group, kinds in GROUPS.items():
            lost = [piece for piece in pieces if piece.kind in kinds and id(piece) not in known]
            if len(lost) >= FEW:
                length, width = (
                    float(np.median([getattr(piece, name) for piece in lost]))
                    for name in ("length_mm", "smallest_width_mm")
                )
                values = (float(len(lost)), group, length, width)
                asked.append(Contradiction("handful-and-trees", photo.file, ("trees",), values))
    return tuple(asked)


def _seen_otherwise(survey: Survey, seen: GutterPhoto | None) -> tuple[Contradiction, ...]:
    """A photo into the gutter that shows it far fuller or emptier than somebody said."""
    said = survey.history.now_full_fifths
    if seen is None or seen.counts or said is None:
        return ()
    values = (said / 5, seen.fill.full_share)
    if abs(np.subtract(*values)) < _OTHERWISE:
        return ()
    return (Contradiction("gutter-photo-and-past", seen.photo, ("history.now_full_fifths",), values),)


def run(
    survey: Survey,
    tags: Mapping[str, PhotoTags],
    gauges: Mapping[str, GaugeResult],
    book: RuleBook,
    offered: Guards,
    *,
    seed: int,
    draws: int,
    debris: Mapping[str, DebrisResult] = MappingProxyType({}),
    gutters: Mapping[str, GutterResult] = MappingProxyType({}),
) -> Outcome:
    """Draw every uncertain input, let the litter fall, and see how long each guard lasts."""
    seen_in = gutter_photo(survey, gutters)
    survey = with_fill_seen(with_photo_trees(survey, tags), seen_in)
    fill_sd = max(seen_in.sd, _LEAST_FILL_SD) if seen_in is not None and seen_in.counts else FILL_ERROR
    settings = book.numbers()
    evidence = gather(survey, tags, gauges, debris)
    given = survey.household.cleanings_per_year
    accepted = settings["cleanings_default"] if given is None else given

    # Without a guard; where the gutter has a past, the draws that it speaks for are drawn again.
    found = _opened(survey, evidence, Streams(seed, draws), settings)
    told = _told_by_the_gutter(found, survey, settings, offered, fill_sd)
    if told is not None:
        comb = float(found.streams.generator("history").random())
        rows = resampled_rows(told.weights.share, comb)
        found = _opened(survey, evidence, Streams(seed, draws, rows), settings, told.scale)
    streams, house, sources, cap = found.streams, found.house, found.sources, found.cap
    # Where the gutter itself tells how it fills, nobody goes by the trees.
    seen = told is not None and told.observed.fill is not None and told.observed.guard is None
    advised = np.zeros_like(found.times.months)
    if not seen:
        advised = advised_visits(house, sources, sources.tree_kg_m, house.out_m, settings)
    # As a plan serves the typical house: what is advised for more than half of the draws.
    least = float(np.median(advised.max(axis=1)) // 1)
    outcomes: dict[GuardKind, GuardOutcome] = {
        "none": _guard_outcome(offered.of_kind("none"), None, found.times, found.litter, least)
    }
    # An owner who has not said may accept more or less than the default: two thirds from half of it to twice.
    words = (
        np.exp(_PATIENCE_SPREAD * streams.normal("household.patience")) if given is None else np.ones(draws)
    )
    patience = np.minimum(wait_months(accepted) / words, HORIZON_MONTHS)
    asked = asked_months(found.times, advised)
    enough_eaves = np.asarray(asked >= patience[:, None] - 1e-6)
    enough = np.asarray(enough_eaves.all(axis=1))

    # The opening needed.
    entered = [
        entered_shares(source, streams.generator(f"drop.{source.taxon.name}.{source.name}"), draws)
        for source in sources.each
    ]
    dry = DryLeaves(settings["crumb_share"], settings["curled_share"])
    ladder = tuple(
        part_fates(source, LADDER, dry, shares) for source, shares in zip(sources.each, entered, strict=True)
    )
    limits = needle_limits(sources.each, entered, settings["enter_tolerance"])
    allowed = cap.gutter_kg_m / cap.kept * 12.0 / settings["matters_months"]
    needed = needed_opening_mm(sources.each, ladder, allowed, settings, limits)
    most_mm = min(opening_cap_mm(book, survey), settings["widest_mm"])
    needed = np.minimum(needed, most_mm)
    house_needed = needed.min(axis=1)
    house_index = class_index(house_needed)
    answer = decide(house_needed, house_index, enough, settings["safe_share"])

    # With every guard, each with the opening that suits best.
    picks = {
        guard.kind: offer
        for guard in offered.guards
        if (offer := _pick_offer(guard, answer.opening_mm)) is not None
    }
    openings = tuple(Opening(offer.clear_mm, offer.solid_mm, offer.passage_shape) for offer in picks.values())
    fates = [
        part_fates(source, openings, dry, shares)
        for source, shares in zip(sources.each, entered, strict=True)
    ]
    for column, (kind, offer) in enumerate(picks.items()):
        guard = offered.of_kind(kind)
        litter = fallen(house, sources.each, fates, column, cap, settings)
        times = guard_times(house, litter, sources.years, cap, guard.surface, settings)
        least = looks_a_year(outcomes["none"].plan.per_year)
        outcomes[kind] = replace(
            _guard_outcome(guard, offer, times, litter, least),
            fates=tuple(tuple(each.on(column) for each in of_source) for of_source in fates),
        )
    return Outcome(
        survey=survey,
        evidence=evidence,
        house=house,
        sources=sources,
        capacity=cap,
        settings=settings,
        streams=streams,
        accepted_per_year=accepted,
        patience_months=patience,
        asked_months=asked,
        by_the_gutter=seen,
        gutter=found,
        allowed_kg_m=allowed,
        opening_cap_mm=most_mm,
        limits=limits,
        ladder=ladder,
        needed_mm=needed,
        enough_eaves=enough_eaves,
        house_needed_mm=house_needed,
        house_index=house_index,
        enough=enough,
        answer=answer,
        guards=outcomes,
        told=told,
        contradictions=(
            *_asked(found, told, evidence),
            *_nobodys(survey, debris, evidence),
            *_seen_otherwise(survey, seen_in),
        ),
        check_photos=tuple(sorted({photo for known in evidence for photo in known.check_photos})),
        pieces=sound_pieces([debris[photo.file] for photo in survey.photos if photo.file in debris]),
        gutter_photo=seen_in,
    )
