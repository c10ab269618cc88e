"""Photos of a survey: taken in, tagged, corrected beside the model's view, deleted."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, Final, cast

from sqlalchemy import delete as erase
from sqlalchemy import func, select
from sqlalchemy.orm import Session

from eavefall_model.debris.drop import sorted_by_hand
from eavefall_model.debris.gutter_section import GutterSize
from eavefall_model.debris.schema import GUTTER_FORMAT, DebrisResult, GutterResult
from eavefall_model.errors import ServiceError
from eavefall_model.gauge.references import parse_reference
from eavefall_model.gauge.schema import GaugeResult
from eavefall_model.language import mark
from eavefall_model.tags.schema import PhotoTags
from eavefall_model.vocabulary import (
    DEBRIS_KINDS,
    FOLIAGE,
    FORMS,
    NEED_REFERENCE,
    SHOWS,
    DebrisKind,
    Foliage,
    Form,
)
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import (
    CorrectionRow,
    DebrisRow,
    GaugeRow,
    PhotoRow,
    PieceRow,
    SurveyRow,
    TagsRow,
)

# Whose correction counts before whose.
_WEIGHT: Final = ("admin", "auditor", "rep", "homeowner")
_DELETE_SOME: Final = mark("Delete some first.")


@dataclass(frozen=True)
class PhotoMeta:
    """What the sender says of a photo. ``shot`` names the guided shot that it answers."""

    shows: str = "tree"
    of: str | None = None
    reference: str | None = None
    shot: str | None = None

    def check(self) -> None:
        """Raise ``request-invalid`` or ``gauge-reference-unknown`` for a word that is not one of ours."""
        if self.shows not in SHOWS:
            raise ServiceError("request-invalid", f"{self.shows!r} is not one of {', '.join(SHOWS)}.")
        for text in (self.of, self.reference, self.shot):
            if text is not None and not 0 < len(text) <= 80:
                raise ServiceError("request-invalid", "A photo's words have 1 to 80 letters.")
        if self.reference is not None and self.shows == "gutter":
            GutterSize.parse(self.reference)
        elif self.reference is not None:
            parse_reference(self.reference)


@dataclass(frozen=True)
class PhotoFacts:
    """What is kept of a photo besides its bytes; ``bytes`` is their number, the size is upright."""

    sha256: str
    bytes: int
    width_px: int
    height_px: int


@dataclass(frozen=True)
class PhotoView:
    """A photo with all that is known of it. ``corrections`` holds the newest of each role, ``pieces`` the
    correction that counts of each piece of a handful, by its number."""

    row: PhotoRow
    tags: PhotoTags | None
    corrections: Mapping[str, CorrectionRow]
    gauge: GaugeResult | None
    debris: DebrisResult | None = None
    pieces: Mapping[int, PieceRow] = field(default_factory=dict)
    gutter: GutterResult | None = None

    @property
    def sorted_pieces(self) -> dict[int, DebrisKind]:
        """Kinds of pieces that people have said, by number."""
        return {number: cast(DebrisKind, row.kind) for number, row in self.pieces.items()}

    @property
    def sorted_debris(self) -> DebrisResult | None:
        """The handful as people sorted it."""
        if self.debris is None:
            return None
        who = " and ".join(sorted({f"the {row.role}" for row in self.pieces.values()}))
        return sorted_by_hand(self.debris, self.sorted_pieces, who)

    @property
    def person(self) -> CorrectionRow | None:
        """The correction that counts: the auditor's before the rep's before the homeowner's."""
        for role in _WEIGHT:
            if role in self.corrections:
                return self.corrections[role]
        return None


def known_photo(session: Session, survey_id: str, sha256: str) -> PhotoRow | None:
    """The survey's photo with these bytes that is not deleted, if any."""
    return session.scalar(
        select(PhotoRow).where(
            PhotoRow.survey_id == survey_id, PhotoRow.sha256 == sha256, PhotoRow.deleted_at.is_(None)
        )
    )


def photo_of(session: Session, survey_id: str, sha256: str) -> PhotoRow:
    """As :func:`known_photo`, but raises ``not-found``."""
    row = known_photo(session, survey_id, sha256)
    if row is None:
        raise ServiceError("not-found", mark("There is no such photo in this survey."))
    return row


def add_photo(
    session: Session,
    survey: SurveyRow,
    actor: Actor,
    photo: PhotoFacts,
    meta: PhotoMeta,
    *,
    most: int,
    most_gauge: int,
) -> PhotoRow:
    """The row of a photo whose bytes already lie in their place; a deleted one comes back.

    Raises ``too-many-photos`` beyond ``most`` photos, of which ``most_gauge`` close-ups with a reference.
    """
    row = session.scalar(
        select(PhotoRow).where(PhotoRow.survey_id == survey.id, PhotoRow.sha256 == photo.sha256)
    )
    if row is not None and row.deleted_at is None:
        return row
    kept = PhotoRow.deleted_at.is_(None)
    counts = select(
        func.count(),
        func.count().filter(kept),
        func.count().filter(kept, PhotoRow.shows.in_(NEED_REFERENCE)),
    ).where(PhotoRow.survey_id == survey.id)
    ever, ever_kept, kept_gauge = session.execute(counts).one()
    if meta.shows in NEED_REFERENCE and kept_gauge >= most_gauge:
        message = mark("This survey has {most} photos beside a card or on the sheet already.")
        raise ServiceError("too-many-photos", message, _DELETE_SOME, most=most_gauge)
    if ever_kept >= most:
        message = mark("This survey has {most} photos already.")
        raise ServiceError("too-many-photos", message, _DELETE_SOME, most=most)
    if row is None:
        row = PhotoRow(survey_id=survey.id, sha256=photo.sha256, name=f"photo-{ever + 1:02d}")
        session.add(row)
    row.shows, row.of, row.shot = meta.shows, meta.of, meta.shot
    # What is measured names its reference; where the sender did not say, a card, and a handful our sheet.
    row.reference = meta.reference or {"gauge": "card", "handful": "sheet"}.get(meta.shows)
    row.sent_by, row.sent_role, row.received_at = actor.name, actor.role, now_text()
    row.bytes, row.width_px, row.height_px = photo.bytes, photo.width_px, photo.height_px
    row.state, row.error_code, row.deleted_at = "stored", None, None
    survey.changed_at = now_text()
    session.flush()
    note(
        session, survey.id, actor, "photo sent", {"photo": row.name, "shows": row.shows, "bytes": photo.bytes}
    )
    return row


def add_tags(session: Session, photo_id: int, tags: PhotoTags | None, error_code: str | None = None) -> None:
    """Keep what the model said, or why it could not; a second run of the same model changes nothing."""
    row = session.get_one(PhotoRow, photo_id)
    row.state, row.error_code = ("tagged", None) if tags else ("tag-failed", error_code)
    if tags and not session.scalar(
        select(TagsRow.id).where(TagsRow.photo_id == photo_id, TagsRow.model == tags.model)
    ):
        session.add(
            TagsRow(
                photo_id=photo_id, model=tags.model, body=tags.model_dump(mode="json"), created_at=now_text()
            )
        )


def add_gauge(session: Session, photo_id: int, result: GaugeResult) -> None:
    """Keep a measurement; the newest counts."""
    _add_measured(session, photo_id, GaugeRow, result)


def add_debris(session: Session, photo_id: int, result: DebrisResult | GutterResult) -> None:
    """Keep the pieces of a handful, or how full a gutter is; the newest reading counts."""
    _add_measured(session, photo_id, DebrisRow, result)


def _add_measured(
    session: Session,
    photo_id: int,
    kind: type[GaugeRow] | type[DebrisRow],
    result: GaugeResult | DebrisResult | GutterResult,
) -> None:
    session.get_one(PhotoRow, photo_id).error_code = None
    session.add(
        kind(
            photo_id=photo_id,
            reference=result.reference,
            version=result.version,
            body=result.model_dump(mode="json"),
            created_at=now_text(),
        )
    )


def sort_piece(
    session: Session, survey: SurveyRow, photo: PhotoRow, actor: Actor, number: int, kind: str
) -> PieceRow:
    """Keep a person's word for one piece beside the sorter's; raises ``request-invalid`` for a word or a
    number that there is not."""
    measured = session.scalar(
        select(DebrisRow).where(DebrisRow.photo_id == photo.id).order_by(DebrisRow.id.desc()).limit(1)
    )
    numbers = [] if measured is None else [piece["number"] for piece in measured.body.get("pieces", ())]
    if measured is None or number not in numbers:
        raise ServiceError(
            "request-invalid", mark("The handful has no piece number {number}."), number=number
        )
    if kind not in DEBRIS_KINDS:
        raise ServiceError("request-invalid", f"{kind!r} is not one of {', '.join(DEBRIS_KINDS)}.")
    before = next(piece["kind"] for piece in measured.body["pieces"] if piece["number"] == number)
    row = PieceRow(
        debris_id=measured.id,
        photo_id=photo.id,
        who=actor.name,
        role=actor.role,
        number=number,
        kind=kind,
        created_at=now_text(),
    )
    session.add(row)
    survey.changed_at = now_text()
    detail = {"photo": photo.name, "piece": number, "before": before, "after": kind}
    note(session, survey.id, actor, "piece sorted", detail)
    return row


def add_measure_failure(session: Session, photo_id: int, error_code: str) -> None:
    """Keep why a photo could not be measured, so that nobody waits for it."""
    session.get_one(PhotoRow, photo_id).error_code = error_code


def assign(session: Session, survey: SurveyRow, photo: PhotoRow, actor: Actor, of: str | None) -> None:
    """Say which tree or eave a photo shows; raises ``request-invalid`` for one the survey does not have."""
    names = {part["name"] for kind in ("trees", "eaves") for part in survey.document.get(kind, ())}
    if of is not None and of not in names:
        raise ServiceError("request-invalid", f"The survey has no tree or eave named {of!r}.")
    detail = {"photo": photo.name, "before": photo.of, "after": of}
    photo.of = of
    survey.changed_at = now_text()
    note(session, survey.id, actor, "photo assigned", detail)


def correct(
    session: Session,
    survey: SurveyRow,
    photo: PhotoRow,
    actor: Actor,
    foliage: tuple[Foliage, ...],
    form: Form | None,
) -> CorrectionRow:
    """Keep a person's view beside the model's."""
    if not set(foliage) <= set(FOLIAGE) or (form is not None and form not in FORMS):
        raise ServiceError("request-invalid", "A correction names foliage and form in our own words.")
    row = CorrectionRow(
        photo_id=photo.id,
        who=actor.name,
        role=actor.role,
        foliage=[each for each in FOLIAGE if each in foliage],
        form=form,
        created_at=now_text(),
    )
    session.add(row)
    survey.changed_at = now_text()
    detail: dict[str, Any] = {"photo": photo.name, "foliage": row.foliage, "form": form}
    note(session, survey.id, actor, "tag corrected", detail)
    return row


def sent_by_homeowner(session: Session, survey_id: str) -> list[PhotoRow]:
    """The photos that came over links of a survey and are not deleted."""
    query = select(PhotoRow).where(
        PhotoRow.survey_id == survey_id, PhotoRow.sent_role == "homeowner", PhotoRow.deleted_at.is_(None)
    )
    return list(session.scalars(query))


def delete(session: Session, survey: SurveyRow, photo: PhotoRow, actor: Actor) -> bool:
    """Delete a photo and what was read of it; True if no other survey holds its bytes."""
    for kept in (TagsRow, GaugeRow, CorrectionRow, PieceRow, DebrisRow):
        session.execute(erase(kept).where(kept.photo_id == photo.id))
    photo.deleted_at = now_text()
    photo.of = None
    survey.changed_at = now_text()
    note(session, survey.id, actor, "photo deleted", {"photo": photo.name})
    session.flush()
    others = select(PhotoRow.id).where(PhotoRow.sha256 == photo.sha256, PhotoRow.deleted_at.is_(None))
    return session.scalar(others.limit(1)) is None


def views(session: Session, survey_id: str) -> list[PhotoView]:
    """All photos of a survey that are not deleted, oldest first, in six queries."""
    photos = list(
        session.scalars(
            select(PhotoRow)
            .where(PhotoRow.survey_id == survey_id, PhotoRow.deleted_at.is_(None))
            .order_by(PhotoRow.id)
        )
    )
    ids = [photo.id for photo in photos]
    tags = {
        row.photo_id: PhotoTags.model_validate(row.body)
        for row in session.scalars(select(TagsRow).where(TagsRow.photo_id.in_(ids)).order_by(TagsRow.id))
    }
    gauges = {
        row.photo_id: GaugeResult.model_validate(row.body)
        for row in session.scalars(select(GaugeRow).where(GaugeRow.photo_id.in_(ids)).order_by(GaugeRow.id))
    }
    corrections: dict[int, dict[str, CorrectionRow]] = {}
    for row in session.scalars(
        select(CorrectionRow).where(CorrectionRow.photo_id.in_(ids)).order_by(CorrectionRow.id)
    ):
        corrections.setdefault(row.photo_id, {})[row.role] = row
    handfuls = {
        row.photo_id: row
        for row in session.scalars(
            select(DebrisRow).where(DebrisRow.photo_id.in_(ids)).order_by(DebrisRow.id)
        )
    }
    found = {photo_id: row.body for photo_id, row in handfuls.items()}

    def gutter(photo: PhotoRow) -> bool:
        return bool(found[photo.id]["format"] == GUTTER_FORMAT)

    pieces: dict[int, dict[int, PieceRow]] = {}
    counted = {row.id for row in handfuls.values()}
    for piece in session.scalars(
        select(PieceRow).where(PieceRow.debris_id.in_(counted)).order_by(PieceRow.id)
    ):
        mine = pieces.setdefault(piece.photo_id, {})
        if piece.number not in mine or _WEIGHT.index(piece.role) <= _WEIGHT.index(mine[piece.number].role):
            mine[piece.number] = piece
    return [
        PhotoView(
            photo,
            tags.get(photo.id),
            corrections.get(photo.id, {}),
            gauges.get(photo.id),
            DebrisResult.model_validate(found[photo.id]) if photo.id in found and not gutter(photo) else None,
            pieces.get(photo.id, {}),
            GutterResult.model_validate(found[photo.id]) if photo.id in found and gutter(photo) else None,
        )
        for photo in photos
    ]
