"""Keeping the facts up with the surveys: only what changed since last time is read again."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from PIL import Image
from sqlalchemy import delete, func, insert, select, tuple_
from sqlalchemy.orm import Session

from eavefall_service.journeys.needs import contradicts
from eavefall_service.statistics.weeks import season, week_of
from eavefall_service.storage.rows import AdviceRow, CorrectionRow, DecisionRow, PhotoRow, SurveyRow, TagsRow
from eavefall_service.storage.statistics_rows import FactRow, ProgressRow

OPEN: Final = "open"
# Below this largest class probability an answer counts as unsure; the queue uses the same limit.
SURE_FROM: Final = 0.6
# SQLite takes a thousand values in a statement everywhere.
_TOGETHER: Final = 400
_EXIF_MODEL: Final = 0x0110


def in_weeks(session: Session, first_week: int, last_week: int) -> int:
    """Number of surveys in some weeks, both ends included."""
    found = session.scalar(
        select(func.count()).select_from(FactRow).where(FactRow.week.between(first_week, last_week))
    )
    return found or 0


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
    for start in range(0, len(ids), _TOGETHER):
        _refresh(session, ids[start : start + _TOGETHER], original)
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


def _refresh(session: Session, ids: Sequence[str], original: Callable[[str], Path]) -> None:
    """Facts of some surveys, in a handful of queries for all of them together."""
    newest = select(func.max(AdviceRow.id)).where(AdviceRow.survey_id.in_(ids)).group_by(AdviceRow.survey_id)
    runs = {
        row.survey_id: row
        for row in session.execute(
            select(AdviceRow.survey_id, AdviceRow.model, AdviceRow.fineness_class, AdviceRow.body).where(
                AdviceRow.id.in_(newest)
            )
        )
    }
    decisions: dict[str, list[tuple[str, str | None]]] = defaultdict(list)
    for survey_id, kind, said in session.execute(
        select(DecisionRow.survey_id, DecisionRow.kind, DecisionRow.fineness_class)
        .where(DecisionRow.survey_id.in_(ids))
        .order_by(DecisionRow.id)
    ):
        decisions[survey_id].append((kind, said))
    photos = _photos(session, ids)
    columns = (
        SurveyRow.id,
        SurveyRow.submitted_at,
        SurveyRow.created_at,
        SurveyRow.branch,
        SurveyRow.created_by,
    )
    surveys = session.execute(select(*columns, SurveyRow.document).where(SurveyRow.id.in_(ids))).all()
    session.execute(delete(FactRow).where(FactRow.survey_id.in_(ids)))
    facts = []
    for survey in surveys:
        if survey.id not in runs:
            continue
        run, own, said = runs[survey.id], photos[survey.id], decisions[survey.id]
        at = survey.submitted_at or survey.created_at
        confidence = max(run.body.get("class_probability", {}).values(), default=0.0)
        rep_class = _last(said, {"override"}) or run.fineness_class
        facts.append(
            {
                "survey_id": survey.id,
                "at": at,
                "week": week_of(at),
                "branch": survey.branch or "no branch",
                "rep": survey.created_by,
                "season": season(int(at[5:7]), survey.document.get("hemisphere", "north")),
                "phone": phone_of(original(own[0].sha256)) if own else "no photo",
                "model": run.model,
                "model_class": run.fineness_class,
                "rep_class": rep_class,
                "auditor_class": _settled(said, rep_class),
                "rep_spoke": int(
                    any(kind == "override" for kind, _ in said) or any(p.spoken_of for p in own)
                ),
                "confidence": confidence,
                "corrected": int(rep_class != run.fineness_class or any(p.contradicted for p in own)),
                "unsure": int(run.fineness_class == "unsure" or confidence < SURE_FROM),
                "poor_photo": int(any(p.poor for p in own)),
                "needle": int(any(p.needle for p in own)),
            }
        )
    if facts:
        session.execute(insert(FactRow), facts)


@dataclass(frozen=True)
class _Photo:
    sha256: str
    poor: bool
    needle: bool
    contradicted: bool
    spoken_of: bool


def _photos(session: Session, ids: Sequence[str]) -> dict[str, list[_Photo]]:
    kept = (PhotoRow.survey_id.in_(ids), PhotoRow.deleted_at.is_(None))
    # What reps and homeowners said; an auditor's view is counted with the audit, not here.
    said: dict[int, tuple[list[str], str | None]] = {}
    by_rep: set[int] = set()
    for photo_id, role, foliage, form in session.execute(
        select(CorrectionRow.photo_id, CorrectionRow.role, CorrectionRow.foliage, CorrectionRow.form)
        .join(PhotoRow, PhotoRow.id == CorrectionRow.photo_id)
        .where(*kept, CorrectionRow.role.in_(("rep", "homeowner")))
        .order_by(CorrectionRow.id)
    ):
        said[photo_id] = (foliage, form)
        if role == "rep":
            by_rep.add(photo_id)
    newest = select(func.max(TagsRow.id)).join(PhotoRow, PhotoRow.id == TagsRow.photo_id).where(*kept)
    bodies = select(TagsRow.photo_id, TagsRow.body).where(TagsRow.id.in_(newest.group_by(TagsRow.photo_id)))
    tags = dict(session.execute(bodies).tuples().all())
    found: dict[str, list[_Photo]] = defaultdict(list)
    for photo_id, survey_id, sha256 in session.execute(
        select(PhotoRow.id, PhotoRow.survey_id, PhotoRow.sha256).where(*kept).order_by(PhotoRow.id)
    ):
        body = tags.get(photo_id)
        if body is None:
            found[survey_id].append(_Photo(sha256, False, False, False, photo_id in by_rep))
            continue
        verdict = body["verdict"]
        found[survey_id].append(
            _Photo(
                sha256,
                bool(body["quality"]["problems"]),
                verdict["foliage"]["needle"] == "yes",
                photo_id in said and contradicts(verdict["foliage"], verdict["form"], *said[photo_id]),
                photo_id in by_rep,
            )
        )
    return found


def _last(said: Sequence[tuple[str, str | None]], kinds: set[str]) -> str | None:
    classes = [fineness for kind, fineness in said if kind in kinds]
    return classes[-1] if classes else None


def _settled(said: Sequence[tuple[str, str | None]], standing: str) -> str | None:
    """What the last confirming or correcting auditor left standing; nothing where it was taken back."""
    last = [(kind, fineness) for kind, fineness in said if kind in ("confirm", "correct", "reopen")]
    if not last or last[-1][0] == "reopen":
        return None
    return last[-1][1] if last[-1][0] == "correct" else standing
