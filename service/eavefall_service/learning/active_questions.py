"""The photos that a person should label next, from what an office has stored."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from sqlalchemy import select
from sqlalchemy.orm import Session

from eavefall_model.errors import PhotoError
from eavefall_model.photo import decode
from eavefall_model.tags.decide import foliage_probability
from eavefall_model.tags.tagger import Tagger
from eavefall_model.tags.teaching import choose, teaching_score
from eavefall_model.vocabulary import FOLIAGE, MEASURED
from eavefall_service.storage.rows import CorrectionRow, PhotoRow, SurveyRow


@dataclass(frozen=True)
class Ask:
    """A photo to ask about. Only those ``at_random`` may be counted for error rates."""

    survey_id: str
    photo: str
    sha256: str
    score: float
    at_random: bool


def ask_about(
    session: Session,
    tagger: Tagger,
    original: Callable[[str], Path],
    count: int,
    seed: int,
    *,
    newest: int = 300,
    progress: Callable[[int, int], None] = lambda _done, _total: None,
) -> list[Ask]:
    """Choose ``count`` of the newest photos that may be learned from and that no auditor has looked at.

    Known photos are those an auditor labeled; a rep's or homeowner's correction is a disagreement with the
    tagger, which is the best reason to have an auditor look.
    """
    audited = select(CorrectionRow.photo_id).where(CorrectionRow.role.in_(("auditor", "admin")))
    photos = (
        select(PhotoRow)
        .join(SurveyRow, SurveyRow.id == PhotoRow.survey_id)
        .where(
            SurveyRow.consent_training.is_(True),
            PhotoRow.deleted_at.is_(None),
            PhotoRow.shows.not_in(MEASURED),
        )
        .order_by(PhotoRow.id.desc())
    )
    open_ = list(session.scalars(photos.where(PhotoRow.id.not_in(audited)).limit(newest)))
    known = list(session.scalars(photos.where(PhotoRow.id.in_(audited)).limit(newest)))
    disagreed = set(
        session.scalars(select(CorrectionRow.photo_id).where(CorrectionRow.photo_id.not_in(audited)))
    )
    total = len(open_) + len(known)
    kept, foliage, features, learned = [], [], [], []
    for done, row in enumerate([*open_, *known]):
        progress(done + 1, total)
        try:
            photo = decode(original(row.sha256).read_bytes(), name=row.name, fit_px=tagger.fit_px)
        except (OSError, PhotoError):
            continue
        logits, raw = tagger.scores(photo)
        unit = raw / max(float(np.linalg.norm(raw)), 1e-12)
        if done >= len(open_):
            learned.append(unit)
            continue
        probability = foliage_probability(logits[: len(FOLIAGE)], tagger.card.foliage)
        kept.append(row)
        foliage.append([probability[name] for name in FOLIAGE])
        features.append(unit)
    if not kept:
        return []
    described = np.array(features)
    against = np.array(learned).reshape(len(learned), described.shape[1])  # nothing may be known yet
    score = teaching_score(
        np.array(foliage), described, against, np.array([row.id in disagreed for row in kept])
    )
    return [
        Ask(kept[c.place].survey_id, kept[c.place].name, kept[c.place].sha256, c.score, c.at_random)
        for c in choose(score, described, count, seed)
    ]
