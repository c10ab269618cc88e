"""From a stored survey to advice: photos' tags as people corrected them, gauges, then the rules."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Sequence
from dataclasses import dataclass, field

from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.advice.assess import assess, engine
from eavefall_model.advice.rulebook import RuleBook, load_rules
from eavefall_model.advice.schema import Advice
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.screens.guards import Guards, load_guards
from eavefall_model.survey import Survey
from eavefall_model.tables import tables_digest
from eavefall_model.tags.schema import FoliageVerdict, PhotoTags, Verdict
from eavefall_model.vocabulary import FOLIAGE, FORMS
from eavefall_service.journeys.photos import PhotoView, views
from eavefall_service.journeys.surveys import assemble
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import AdviceRow, CorrectionRow, SurveyRow

__all__ = ["HouseRules", "Inputs", "advise", "as_corrected", "inputs_of", "latest_advice", "store_advice"]

# A person on the spot is taken at their word, but not as certain (judgement).
_PERSON_SURE = 0.97
DRAWS = 1000


@dataclass(frozen=True)
class HouseRules:
    """The rules and guard kinds that an office goes by: those shipped, or its own copies."""

    book: RuleBook = field(default_factory=load_rules)
    guards: Guards = field(default_factory=load_guards)

    @property
    def version(self) -> str:
        """Names all that an answer rests on besides the survey, its photos and the tagger."""
        return f"{engine()} {tables_digest()} {self.book.digest} {self.guards.digest}"


class Inputs:
    """All that the rules are given for one survey, and the rules; ``sha256`` names it."""

    def __init__(self, survey: Survey, photos: Sequence[PhotoView], model_id: str, rules: HouseRules) -> None:
        self.survey = survey
        self.model_id = model_id
        self.rules = rules
        self.tags: dict[str, PhotoTags] = {}
        self.gauges: dict[str, GaugeResult] = {}
        self.failed: list[str] = []
        for photo in photos:
            name = photo.row.name
            if photo.gauge is not None:
                self.gauges[name] = photo.gauge
            if photo.row.shows in ("gauge", "gutter"):
                continue
            if photo.tags is None:
                self.failed.append(name)
            else:
                self.tags[name] = as_corrected(photo.tags, photo.person, name)
        text = json.dumps(
            [
                survey.dump(),
                {name: tags.model_dump(mode="json") for name, tags in self.tags.items()},
                {name: gauge.model_dump(mode="json") for name, gauge in self.gauges.items()},
                model_id,
                rules.version,
            ],
            sort_keys=True,
        )
        self.sha256 = hashlib.sha256(text.encode()).hexdigest()


def as_corrected(tags: PhotoTags, person: CorrectionRow | None, name: str) -> PhotoTags:
    """The tags that count: the model's own, or, where a person spoke, theirs in the same form."""
    tags = tags.model_copy(update={"photo": name})
    if person is None:
        return tags
    rest = (1 - _PERSON_SURE) / (len(FORMS) - 1)
    form = (
        {each: _PERSON_SURE if each == person.form else rest for each in FORMS} if person.form else tags.form
    )
    return tags.model_copy(
        update={
            "foliage": {
                each: _PERSON_SURE if each in person.foliage else 1 - _PERSON_SURE for each in FOLIAGE
            },
            "form": form,
            "verdict": Verdict(
                foliage=FoliageVerdict(
                    needle="yes" if "needle" in person.foliage else "no",
                    broad="yes" if "broad" in person.foliage else "no",
                    bare="yes" if "bare" in person.foliage else "no",
                ),
                form=person.form if person.form else tags.verdict.form,
                form_set=(person.form,) if person.form else tags.verdict.form_set,
            ),
            "model": f"{tags.model}; corrected by the {person.role}",
        }
    )


def inputs_of(session: Session, row: SurveyRow, model_id: str, rules: HouseRules) -> Inputs:
    """Read a survey's inputs from the database."""
    return Inputs(assemble(session, row), views(session, row.id), model_id, rules)


def latest_advice(session: Session, survey_id: str) -> AdviceRow | None:
    """The newest run, if any."""
    return session.scalar(
        select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc()).limit(1)
    )


def advise(inputs: Inputs) -> Advice:
    """Run the rules. Long (up to a second); not for the event loop."""
    return assess(
        inputs.survey,
        inputs.tags,
        inputs.gauges,
        rules=inputs.rules.book,
        guards=inputs.rules.guards,
        seed=0,
        draws=DRAWS,
        failed_photos=inputs.failed,
        model_id=inputs.model_id,
    )


def store_advice(session: Session, row: SurveyRow, inputs: Inputs, advice: Advice) -> AdviceRow:
    """Keep a run, and repeat its answer on the survey's own row for lists and searches."""
    run = AdviceRow(
        survey_id=row.id,
        created_at=now_text(),
        input_sha256=inputs.sha256,
        model=inputs.model_id,
        rules=advice.provenance.rules,
        fineness_class=advice.fineness_class,
        body=advice.model_dump(mode="json"),
    )
    session.add(run)
    row.fineness_class = advice.fineness_class
    row.interval_low = advice.interval_months.low
    row.interval_typical = advice.interval_months.typical
    row.interval_high = advice.interval_months.high
    row.guard_m = sum(eave.take_off.guard_m for eave in advice.eaves)
    return run
