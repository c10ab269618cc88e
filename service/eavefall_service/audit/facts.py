"""Keeping the facts up with the surveys: only what changed since last time is read again."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any, Final, Literal, cast

from PIL import Image
from sqlalchemy import delete, func, select, tuple_
from sqlalchemy.orm import Session

from eavefall_service.audit.drift import season
from eavefall_service.audit.rows import FactRow, ProgressRow
from eavefall_service.journeys.photos import PhotoView, views
from eavefall_service.storage.rows import AdviceRow, DecisionRow, SurveyRow

__all__ = ["OPEN", "SURE_FROM", "phone_of", "refresh_facts", "waiting", "week_of", "week_start"]

OPEN: Final = "open"
# Below this largest class probability an answer counts as unsure; the queue uses the same limit.
SURE_FROM: Final = 0.6
_EXIF_MODEL: Final = 0x0110
_MONDAY: Final = date(1970, 1, 5).toordinal()


def week_of(at: str) -> int:
    """Week of a stored time: Mondays since 5 January 1970."""
    return (date.fromisoformat(at[:10]).toordinal() - _MONDAY) // 7


def week_start(week: int) -> date:
    """The Monday that a week begins on."""
    return date.fromordinal(_MONDAY + 7 * week)


def phone_of(path: Path) -> str:
    """Camera model that a photo's EXIF names, at most 40 letters; ``unknown`` where it names none."""
    try:
        with Image.open(path) as image:
            words = str(image.getexif().get(_EXIF_MODEL, "")).strip("\x00 ")
    except (OSError, ValueError, SyntaxError, Image.DecompressionBombError):
        return "unknown"
    clean = "".join(letter for letter in words if letter.isprintable())
    return clean[:40] or "unknown"


def waiting(session: Session) -> int:
    """Surveys that changed since the facts were last brought up (some may have nothing new for them)."""
    return len(_changed(session, *_marks(session), limit=None)[0])


def refresh_facts(session: Session, original: Callable[[str], Path], limit: int | None = None) -> int:
    """Bring facts up with surveys that changed; returns how many surveys were read.

    Parameters
    ----------
    session : Session
        For writing.
    original : callable
        Where a photo's bytes lie, by SHA-256; only its EXIF header is read.
    limit : int, optional
        At most this many surveys now, oldest change first.
    """
    ids, upto = _changed(session, *_marks(session), limit=limit)
    for survey_id in ids:
        _refresh_one(session, survey_id, original)
    for name, value in upto.items():
        session.merge(ProgressRow(name=name, value=value))
    return len(ids)


def _marks(session: Session) -> tuple[str, int]:
    marks = {row.name: row.value for row in session.scalars(select(ProgressRow))}
    return marks.get("changed_at", ""), int(marks.get("advice", "0"))


def _changed(
    session: Session, changed_at: str, advice: int, limit: int | None
) -> tuple[list[str], dict[str, str]]:
    # A survey's own change time moves with photos, corrections and decisions; new advice has its own number.
    moment, _, last_id = changed_at.partition(" ")
    newer = (
        select(SurveyRow.id, SurveyRow.changed_at)
        .where(tuple_(SurveyRow.changed_at, SurveyRow.id) > (moment, last_id), SurveyRow.status != OPEN)
        .order_by(SurveyRow.changed_at, SurveyRow.id)
        .limit(limit)
    )
    found = session.execute(newer).all()
    ids = [row.id for row in found]
    runs = session.execute(
        select(AdviceRow.survey_id, func.max(AdviceRow.id))
        .join(SurveyRow, SurveyRow.id == AdviceRow.survey_id)
        .where(AdviceRow.id > advice, SurveyRow.status != OPEN)
        .group_by(AdviceRow.survey_id)
        .order_by(func.max(AdviceRow.id))
        .limit(limit)
    ).all()
    marks = {}
    if found:
        marks["changed_at"] = f"{found[-1].changed_at} {found[-1].id}"
    if runs:
        marks["advice"] = str(runs[-1][1])
    return list(dict.fromkeys([*ids, *(run.survey_id for run in runs)])), marks


def _refresh_one(session: Session, survey_id: str, original: Callable[[str], Path]) -> None:
    survey = session.get_one(SurveyRow, survey_id)
    advice = session.scalar(
        select(AdviceRow).where(AdviceRow.survey_id == survey_id).order_by(AdviceRow.id.desc()).limit(1)
    )
    if advice is None:
        session.execute(delete(FactRow).where(FactRow.survey_id == survey_id))
        return
    decisions = list(
        session.scalars(
            select(DecisionRow).where(DecisionRow.survey_id == survey_id).order_by(DecisionRow.id)
        )
    )
    photos = views(session, survey_id)
    at = survey.submitted_at or survey.created_at
    probabilities = cast(dict[str, float], advice.body.get("class_probability", {}))
    confidence = max(probabilities.values(), default=0.0)
    rep_class = _said(decisions, {"override"}) or advice.fineness_class
    hemisphere = cast(Literal["north", "south"], survey.document.get("hemisphere", "north"))
    session.merge(
        FactRow(
            survey_id=survey_id,
            at=at,
            week=week_of(at),
            branch=survey.branch or "no branch",
            rep=survey.created_by,
            season=season(int(at[5:7]), hemisphere),
            phone=_phone(photos, original),
            model=advice.model,
            model_class=advice.fineness_class,
            rep_class=rep_class,
            auditor_class=_settled(decisions, rep_class),
            confidence=confidence,
            corrected=int(rep_class != advice.fineness_class or any(map(_contradicted, photos))),
            unsure=int(advice.fineness_class == "unsure" or confidence < SURE_FROM),
            poor_photo=int(any(p.tags is not None and bool(p.tags.quality.problems) for p in photos)),
            needle=int(any(p.tags is not None and p.tags.verdict.foliage.needle == "yes" for p in photos)),
        )
    )


def _said(decisions: list[DecisionRow], kinds: set[str]) -> str | None:
    said = [row.fineness_class for row in decisions if row.kind in kinds]
    return said[-1] if said else None


def _settled(decisions: list[DecisionRow], standing: str) -> str | None:
    """What the last confirming or correcting auditor left standing."""
    last = [row for row in decisions if row.kind in ("confirm", "correct")]
    if not last:
        return None
    return last[-1].fineness_class if last[-1].kind == "correct" else standing


def _contradicted(photo: PhotoView) -> bool:
    """Whether a rep or homeowner said something else than the model's tags."""
    said: Any = next((photo.corrections[r] for r in ("rep", "homeowner") if r in photo.corrections), None)
    if said is None or photo.tags is None:
        return False
    verdict = photo.tags.verdict
    foliage = verdict.foliage.model_dump()
    wrong = any(v != "unsure" and (v == "yes") != (label in said.foliage) for label, v in foliage.items())
    return wrong or bool(said.form and verdict.form not in ("unsure", said.form))


def _phone(photos: list[PhotoView], original: Callable[[str], Path]) -> str:
    names = [phone_of(original(photo.row.sha256)) for photo in photos[:1]]
    return names[0] if names else "no photo"
