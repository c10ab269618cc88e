"""Why an auditor should look at a survey, most pressing first. The weights and limits are judgement."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from typing import Final

from eavefall_model.advice.schema import Advice
from eavefall_service.journeys.accounts import keyed_hash
from eavefall_service.journeys.photos import PhotoView
from eavefall_service.storage.rows import DecisionRow

NEED_WEIGHTS: Final = {
    "overridden": 5.0,
    "contradictory": 4.0,
    "unsure": 3.0,
    "high value": 2.0,
    "remote": 1.0,
    "random sample": 1.0,
}
_SURE_FROM: Final = 0.6
_LARGE_GUARD_M: Final = 60.0
_ONE_IN: Final = 10


def in_sample(survey_id: str, secret: str) -> bool:
    """Whether a survey is in the standing one-in-ten sample, which only the secret foretells."""
    return int(keyed_hash(secret, f"sample {survey_id}")[:8], 16) % _ONE_IN == 0


def needs_of(
    survey_id: str,
    origin: str,
    advice: Advice | None,
    photos: Sequence[PhotoView],
    decisions: Sequence[DecisionRow],
    secret: str,
) -> list[str]:
    """The needs that hold now, in the order of their weight."""
    found = set()
    if origin == "homeowner":
        found.add("remote")
    if in_sample(survey_id, secret):
        found.add("random sample")
    if any(_contradicted(photo) for photo in photos):
        found.add("contradictory")
    if advice is None or advice.fineness_class == "unsure":
        found.add("unsure")
    if advice is not None:
        if max(advice.class_probability.values(), default=0.0) < _SURE_FROM:
            found.add("unsure")
        if advice.check_photos:
            found.add("contradictory")
        if sum(eave.take_off.guard_m for eave in advice.eaves) >= _LARGE_GUARD_M:
            found.add("high value")
        overrides = [row for row in decisions if row.kind == "override"]
        if overrides and overrides[-1].fineness_class != advice.fineness_class:
            found.add("overridden")
    return [need for need in NEED_WEIGHTS if need in found]


def score_of(needs: Sequence[str]) -> float:
    """Place in the queue: the larger, the sooner."""
    return sum(NEED_WEIGHTS[need] for need in needs)


def contradicts(foliage: Mapping[str, str], form: str, said: Collection[str], said_form: str | None) -> bool:
    """Whether a person says something else than the model's verdict; ``unsure`` is contradicted by nobody.

    ``foliage`` and ``form`` are the verdict's, ``said`` the kinds of foliage that the person saw.
    """
    wrong = any(
        verdict != "unsure" and (verdict == "yes") != (label in said) for label, verdict in foliage.items()
    )
    return wrong or bool(said_form and form not in ("unsure", said_form))


def _contradicted(photo: PhotoView) -> bool:
    if photo.tags is None or photo.person is None:
        return False
    verdict = photo.tags.verdict
    return contradicts(verdict.foliage.model_dump(), verdict.form, photo.person.foliage, photo.person.form)
