"""The drawings of one survey's pages, by the name in their address: each a picture file of its own."""

from __future__ import annotations

from eavefall_model.advice import Advice, kinds_of
from eavefall_model.errors import SurveyError
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import Units
from eavefall_service.journeys.survey_view import SurveyView
from eavefall_service.plots.canvas import Plot
from eavefall_service.plots.guards import guard_plot
from eavefall_service.plots.litter import litter_plot
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.plan import plan_plot, sketch_plot


def answer_drawings(survey: Survey, advice: Advice, units: Units) -> dict[str, Plot]:
    """``plan``, ``need``, ``guards``, and ``litter`` of the eave with most."""
    heaviest = max(advice.eaves, key=lambda eave: eave.litter_kg_per_m_year.typical)
    return {
        "plan": plan_plot(survey, advice, units),
        "need": need_plot(advice),
        "guards": guard_plot(advice),
        "litter": litter_plot(heaviest, units),
    }


def sketch_of(view: SurveyView, units: Units) -> Plot:
    """The house as far as it is known, before there is any advice: it grows with every tree."""
    try:
        kinds = kinds_of(view.survey, view.readings)
    except SurveyError:
        # A tree of a species that we do not have is told of where the answer is asked for.
        kinds = ()
    return sketch_plot(view.survey, kinds, units)
