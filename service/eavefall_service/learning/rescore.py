"""Old surveys under another model: which advice would change. Nothing is stored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import cast

from sqlalchemy.orm import Session

from eavefall_model.advice import OfficeSettings
from eavefall_model.reading import read_photo
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import MEASURED, Shows
from eavefall_service.journeys.advice import Inputs, advise, latest_advice, readings_of
from eavefall_service.journeys.photos import PhotoView, views
from eavefall_service.journeys.surveys import assemble
from eavefall_service.storage.rows import SurveyRow


@dataclass(frozen=True)
class Rescored:
    """One survey's kept answer beside the one that another model would give now.

    ``rules_differ``: the rules changed as well since the kept answer, so the model need not be the cause.
    """

    survey_id: str
    name: str
    model_before: str
    class_before: str
    class_after: str
    months_before: float
    months_after: float
    rules_differ: bool

    @property
    def changed(self) -> bool:
        """Whether the class differs, or the typical interval by more than a third (as the rules count it)."""
        low, high = sorted((self.months_before, self.months_after))
        return self.class_before != self.class_after or high > 1.33 * low


def rescore(
    session: Session, row: SurveyRow, tagger: Tagger, original: Callable[[str], Path], office: OfficeSettings
) -> Rescored | None:
    """Tag a survey's photos again and run the rules; None where it has no advice to compare with.

    What people corrected stays corrected. A photo that is no longer there keeps its old tags.
    """
    kept = latest_advice(session, row.id)
    if kept is None:
        return None
    seen = [_again(view, tagger, original) for view in views(session, row.id)]
    advice = advise(Inputs(assemble(session, row), readings_of(seen), office))
    return Rescored(
        row.id,
        row.name,
        kept.model,
        kept.fineness_class,
        advice.fineness_class,
        float(kept.body["interval_months"]["typical"]),
        advice.interval_months.typical,
        kept.rules != advice.provenance.rules,
    )


def _again(view: PhotoView, tagger: Tagger, original: Callable[[str], Path]) -> PhotoView:
    if view.row.shows in MEASURED:
        return view
    try:
        data = original(view.row.sha256).read_bytes()
    except OSError:
        return view
    shows = cast(Shows, view.row.shows)
    return replace(
        view, tags=read_photo(data, name=view.row.name, shows=shows, tagger=tagger).tags or view.tags
    )
