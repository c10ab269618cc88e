"""Figures of one eave: its own class, intervals, litter by month and form, water and take-off."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.decide import decide, interval, opening_of, rounded
from eavefall_model.advice.figures import middle
from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome, plan_at
from eavefall_model.advice.say import written
from eavefall_model.advice.schema import EaveAdvice, Figure, Interval, MonthlyLitter, WaterCheck
from eavefall_model.advice.take_off import take_off
from eavefall_model.house.eave_water import water_of
from eavefall_model.litter.cleaning_plan import looks_a_year
from eavefall_model.litter.opening_needed import class_index
from eavefall_model.species.table import month_share_for
from eavefall_model.vocabulary import FINENESS_CLASSES, FORMS, ClassAnswer, Units
from eavefall_model.water.check import ScreenOnGutter

_FEW_KG_M: Final = 1e-3
_LINKS: Final = {"gutter": "the gutter", "outlet": "the outlet and downspout", "inlet": "the screen"}


def _by_month(outcome: Outcome, number: int) -> tuple[MonthlyLitter, ...]:
    courses: dict[str, NDArray[np.float64]] = {}
    for source in outcome.sources.each:
        course = sum(
            np.array(month_share_for(part, outcome.survey.hemisphere)) * part.litter_share
            for part in source.taxon.parts
        )
        load = float(source.load_kg_m[:, number].mean())
        courses[source.taxon.form] = courses.get(source.taxon.form, np.zeros(12)) + load * course
    return tuple(
        MonthlyLitter(form=form, kg_per_m=tuple(rounded(float(month)) for month in courses[form]))
        for form in FORMS
        if form in courses
    )


def _water(outcome: Outcome, judged: Judged, number: int, units: Units) -> WaterCheck:
    guard = outcome.guards[judged.planned]
    screen = None
    if guard.offer is not None:
        pitch = float(np.median(outcome.house.roofs.pitch_deg[:, number]))
        screen = ScreenOnGutter(
            opening_mm=guard.offer.clear_mm,
            open_area=guard.offer.open_area,
            slope_deg=guard.guard.surface.slope_at(pitch),
            blinded=outcome.settings["blinded_limit"],
            slot=guard.offer.shape == "slot",
        )
    found = water_of(outcome.house, number, screen)
    width_mm = middle(outcome.house.eaves.depth_m[:, number]) * 1000
    figures = [
        ("width_mm", "gutter width", "size", float(f"{width_mm:.4g}")),
        ("margin", "capacity of the weakest link", "margin", rounded(found.margin)),
        ("rain_mm_h", "design rain", "mm/h", outcome.house.intensity_mm_h),
    ]
    if found.gutter_margin >= 0:
        template = "A {width_mm} gutter is enough. "
    elif found.enough_width_m is None:
        template = "No single gutter up to 8 in (203 mm) carries this: add outlets. "
    else:
        template = "A {width_mm} gutter is not enough; {enough_mm} is. "
        figures.append(("enough_mm", "enough width", "size", round(found.enough_width_m * 1000, 1)))
    template += f"The weakest link is {_LINKS[found.weakest]}: {{margin}} in {{rain_mm_h}}."
    if found.caution:
        template += f" {found.caution}"
    check = WaterCheck(
        sentence="",
        to_estimator=template,
        to_owner=None,
        figures=tuple(
            Figure(name=name, label=label, unit=unit, value=value) for name, label, unit, value in figures
        ),
        demand_l_s=rounded(found.demand_l_s),
        gutter_l_s=rounded(found.gutter_l_s),
        outlet_l_s=rounded(found.outlet_l_s),
        inlet_l_s=None if found.inlet_l_s is None else rounded(found.inlet_l_s),
        weakest=found.weakest,
        margin=rounded(found.margin),
    )
    return written(check, units)


def eave_advice(outcome: Outcome, judged: Judged, number: int, units: Units) -> EaveAdvice:
    """Everything the advice says about one eave."""
    eave = outcome.survey.eaves[number]
    needed = outcome.needed_mm[:, number]
    answer = decide(
        needed, class_index(needed), outcome.enough_eaves[:, number], outcome.settings["safe_share"]
    )
    name: ClassAnswer = answer.fineness_class
    if judged.guard_anyway:
        name = FINENESS_CLASSES[answer.index]
    loads = outcome.sources.tree_kg_m[:, :, number]
    typical = np.median(loads, axis=0)
    heavy = [tree.name for at, tree in enumerate(outcome.survey.trees) if typical[at] > _FEW_KG_M]
    if judged.fineness_class == "unsure" and name != "no-guard-needed" and heavy:
        name = "unsure"
    guard = outcome.guards[judged.planned]
    none = outcome.guards["none"]
    kg = np.quantile(none.litter.year[:, number], (0.1, 0.5, 0.9))
    months = guard.months[:, number]
    least = 0.0 if judged.planned == "none" else looks_a_year(plan_at(none.stages, number).per_year)
    return EaveAdvice(
        eave=eave.name,
        fineness_class=name,
        opening_mm=None if name in ("no-guard-needed", "unsure") else opening_of(answer),
        interval_months=interval(months),
        interval_unguarded_months=interval(none.months[:, number]),
        clean_in=plan_at(guard.stages, number, least).months,
        litter_kg_per_m_year=Interval(
            low=rounded(float(kg[0])), typical=rounded(float(kg[1])), high=rounded(float(kg[2]))
        ),
        litter_by_month=_by_month(outcome, number),
        trees=tuple(heavy),
        water=_water(outcome, judged, number, units),
        take_off=take_off(outcome, judged, number),
    )
