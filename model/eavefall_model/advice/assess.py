"""One survey, its photos' readings and an office's settings in, one piece of advice out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from importlib.metadata import PackageNotFoundError, version
from types import MappingProxyType
from typing import Final

from eavefall_model.advice.calendar import plan_said
from eavefall_model.advice.cautions import cautions
from eavefall_model.advice.decide import class_probability, interval, opening_of
from eavefall_model.advice.eaves import eave_advice
from eavefall_model.advice.flips import flips
from eavefall_model.advice.judge import judge
from eavefall_model.advice.measure_next import first_steps, measure_next
from eavefall_model.advice.outcome import Outcome, run
from eavefall_model.advice.rulebook import RuleBook, load_rules
from eavefall_model.advice.schema import Advice, Provenance
from eavefall_model.advice.worth import past_of, questions_of, range_said
from eavefall_model.debris.schema import DebrisResult, GutterResult
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.house.tree_kinds import tree_kinds
from eavefall_model.reading import Reading
from eavefall_model.screens.guards import Guards, load_guards
from eavefall_model.survey import Place, Prices, Survey
from eavefall_model.tables import tables_digest
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.vocabulary import Units
from eavefall_model.water.design_rain import DesignRains, shipped_rains

_NOTHING: Final[Mapping[str, PhotoTags]] = MappingProxyType({})
_NO_GAUGE: Final[Mapping[str, GaugeResult]] = MappingProxyType({})
_NO_DEBRIS: Final[Mapping[str, DebrisResult]] = MappingProxyType({})
_NO_GUTTERS: Final[Mapping[str, GutterResult]] = MappingProxyType({})


@dataclass(frozen=True)
class OfficeSettings:
    """What an answer rests on beside the survey and its photos.

    ``rules`` and ``guards`` are those shipped or the office's own; ``prices``, where given, stand for those
    of the survey; ``rains`` is the table of design rains by place, ``place`` where a survey lies
    that does not say; ``units`` are those that the office speaks in. ``draws`` and ``seed`` are the same for
    everybody, so that one house has one answer.
    """

    rules: RuleBook = field(default_factory=load_rules)
    guards: Guards = field(default_factory=load_guards)
    prices: Prices | None = None
    rains: DesignRains = field(default_factory=shipped_rains)
    place: Place | None = None
    units: Units = "us"
    draws: int = 2000
    seed: int = 0

    @property
    def version(self) -> str:
        """Names everything here that an answer depends on, and the engine with its tables."""
        prices = "" if self.prices is None else self.prices.model_dump_json()
        place = "" if self.place is None else self.place.model_dump_json()
        made = f"{_package()} {tables_digest()} {self.rules.digest} {self.guards.digest}"
        return f"{made} {prices} {self.rains.digest} {place} {self.units} {self.draws} {self.seed}"


def _package() -> str:
    """Name and version of this package, which stand in every answer's provenance."""
    try:
        return f"eavefall {version('eavefall')}"
    except PackageNotFoundError:
        return "eavefall (not installed)"


def answer(survey: Survey, readings: Sequence[Reading] = (), office: OfficeSettings | None = None) -> Advice:
    """Advice for one house.

    Parameters
    ----------
    survey : Survey
        What was seen and measured; gaps become stated defaults with a wide spread.
    readings : sequence of Reading
        Of its photos, as people corrected them; by their names in the survey.
    office : OfficeSettings, optional
        The office's rules, guards and prices; else those shipped.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` for a species we do not have or a drop test that counts more than it dropped.
    """
    office = office or OfficeSettings()
    survey = office.rains.filled(survey, office.place)
    tags = {each.photo: each.tags for each in readings if each.tags is not None}
    models = sorted({each.model.partition(";")[0] for each in tags.values()})
    return assess(
        survey if office.prices is None else survey.model_copy(update={"prices": office.prices}),
        tags,
        {each.photo: each.gauge for each in readings if each.gauge is not None},
        {each.photo: each.debris for each in readings if each.debris is not None},
        {each.photo: each.gutter for each in readings if each.gutter is not None},
        rules=office.rules,
        guards=office.guards,
        seed=office.seed,
        draws=office.draws,
        failed_photos=[each.photo for each in readings if each.failure is not None],
        model_id=", ".join(models) or "none",
        units=office.units,
    )


def assess(
    survey: Survey,
    tags: Mapping[str, PhotoTags] = _NOTHING,
    gauges: Mapping[str, GaugeResult] = _NO_GAUGE,
    debris: Mapping[str, DebrisResult] = _NO_DEBRIS,
    gutters: Mapping[str, GutterResult] = _NO_GUTTERS,
    *,
    rules: RuleBook | None = None,
    guards: Guards | None = None,
    seed: int = 0,
    draws: int = 2000,
    failed_photos: Sequence[str] = (),
    model_id: str = "none",
    units: Units = "us",
) -> Advice:
    """The engine below :func:`answer`, which is what everybody calls.

    Parameters
    ----------
    survey : Survey
        What was seen and measured; gaps become stated defaults with a wide spread.
    tags, gauges, debris, gutters : mapping
        Tags, gauge results, handfuls and gutters by photo file name as written in the survey.
    rules, guards : RuleBook, Guards, optional
        An office's own; else those shipped.
    seed, draws : int
        Of the Monte Carlo; each input has its own random stream, so changing one leaves the others' draws.
    failed_photos : sequence of str
        Photos that could not be read; passed on.
    model_id : str
        What tagged the photos, for provenance.
    units : Units
        Those of the ready sentences.

    Raises
    ------
    SurveyError
        ``survey-wrong-value`` for a species we do not have or a drop test that counts more than it dropped.
    """
    book = rules or load_rules()
    offered = guards or load_guards()
    outcome: Outcome = run(
        survey, tags, gauges, book, offered, seed=seed, draws=draws, debris=debris, gutters=gutters
    )
    judged = judge(outcome, book, units)
    per_eave = tuple(eave_advice(outcome, judged, number, units) for number in range(len(survey.eaves)))
    planned = outcome.guards[judged.planned]
    next_steps = measure_next(outcome, judged, units)
    known_class = judged.fineness_class != "no-guard-needed" and judged.fineness_class != "unsure"
    return Advice(
        survey=survey.name,
        fineness_class=judged.fineness_class,
        class_probability=class_probability(outcome.house_index, outcome.enough),
        opening_mm=opening_of(judged.answer) if known_class else None,
        interval_months=interval(planned.house_months),
        interval_unguarded_months=interval(outcome.guards["none"].house_months),
        clean_in=planned.plan.months,
        recommended_guard=judged.recommended,
        if_guarded=judged.fine,
        opening_if_guarded_mm=None if judged.fine == "unsure" else opening_of(judged.answer),
        worth=judged.worth,
        plan=plan_said(outcome, judged.planned, units),
        range_said=range_said(outcome, judged.planned, units),
        past=past_of(outcome, units),
        questions=questions_of(outcome.contradictions, units),
        eaves=per_eave,
        guards=judged.guards,
        reasons=judged.reasons,
        assumed=outcome.house.assumed,
        measure_next=next_steps,
        flips=flips(outcome, judged, units),
        cautions=cautions(outcome, judged),
        find_out_first=first_steps(outcome, judged, next_steps, units),
        trees=tree_kinds(outcome.survey, outcome.evidence),
        failed_photos=tuple(failed_photos),
        check_photos=outcome.check_photos,
        provenance=Provenance(
            package=_package(),
            rules=f"sha256:{book.digest} guards sha256:{offered.digest}",
            model=model_id,
            tables=f"sha256:{tables_digest()}",
            seed=seed,
            draws=draws,
        ),
    )
