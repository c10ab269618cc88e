"""The tables. Times are text in UTC (see :mod:`eavefall_service.storage.clock`); documents are JSON."""

from __future__ import annotations

from typing import Any

from sqlalchemy import JSON, CheckConstraint, ForeignKey, Index, MetaData, String, UniqueConstraint
from sqlalchemy.orm import DeclarativeBase, Mapped, mapped_column


class Base(DeclarativeBase):
    """Base of all rows; constraints have stable names so that migrations can find them."""

    metadata = MetaData(
        naming_convention={
            "ix": "ix_%(table_name)s_%(column_0_name)s",
            "uq": "uq_%(table_name)s_%(column_0_name)s",
            "fk": "fk_%(table_name)s_%(column_0_name)s",
            "pk": "pk_%(table_name)s",
            "ck": "ck_%(table_name)s_%(constraint_name)s",
        }
    )
    type_annotation_map = {  # noqa: RUF012
        dict[str, Any]: JSON,
        list[str]: JSON,
        # In the order of its letters' numbers, as in SQLite: times compare as text.
        str: String().with_variant(String(collation="C"), "postgresql"),
    }


def _one_of(column: str, *words: str) -> CheckConstraint:
    return CheckConstraint(f"{column} IN ({', '.join(map(repr, words))})", name=column)


class UserRow(Base):
    """A person of the office. ``role`` is ``rep``, ``auditor`` or ``admin``."""

    __tablename__ = "users"
    __table_args__ = (_one_of("role", "rep", "auditor", "admin"), _one_of("units", "us", "metric"))
    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(unique=True)
    role: Mapped[str]
    branch: Mapped[str] = mapped_column(default="")
    password_hash: Mapped[str]
    units: Mapped[str] = mapped_column(default="us")
    created_at: Mapped[str]
    disabled_at: Mapped[str | None]


class SessionRow(Base):
    """A sign-in; only a keyed hash of its cookie is kept."""

    __tablename__ = "sessions"
    token_hash: Mapped[str] = mapped_column(primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    created_at: Mapped[str]
    expires_at: Mapped[str]


class SecondFactorRow(Base):
    """A person's authenticator. ``salt`` gives its key only together with the server's own secret.

    ``confirmed_at`` is empty until the first code was right; ``last_step`` is the time step (RFC 6238) of
    the newest code taken, since none is taken twice.
    """

    __tablename__ = "second_factors"
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"), primary_key=True)
    salt: Mapped[str]
    confirmed_at: Mapped[str | None]
    last_step: Mapped[int] = mapped_column(default=0)


class RecoveryCodeRow(Base):
    """A code for whoever has lost their authenticator, good once; only a keyed hash is kept."""

    __tablename__ = "recovery_codes"
    code_hash: Mapped[str] = mapped_column(primary_key=True)
    user_id: Mapped[int] = mapped_column(ForeignKey("users.id"), index=True)
    used_at: Mapped[str | None]


class SettingRow(Base):
    """What an admin has set for the office; see :mod:`eavefall_service.journeys.administration.settings`."""

    __tablename__ = "settings"
    name: Mapped[str] = mapped_column(primary_key=True)
    value: Mapped[dict[str, Any]]


class ErasureRow(Base):
    """A survey erased for good. Its number tells nothing of the household; it lets the history go.

    ``photos`` are the hashes whose files are still to be deleted; empty once that is done.
    """

    __tablename__ = "erasures"
    survey_id: Mapped[str] = mapped_column(primary_key=True)
    at: Mapped[str]
    photos: Mapped[list[str]]


class SurveyRow(Base):
    """One house. ``document`` is the survey without photos; the last columns repeat its newest advice.

    ``status`` is ``open``, ``submitted``, ``sent_back`` or ``confirmed``; ``needs`` lists why an auditor
    should look (``unsure``, ``contradictory``, ``overridden``, ``high value``, ``random sample``).
    """

    __tablename__ = "surveys"
    __table_args__ = (_one_of("status", "open", "submitted", "sent_back", "confirmed"),)
    id: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    branch: Mapped[str] = mapped_column(default="", index=True)
    status: Mapped[str] = mapped_column(default="open", index=True)
    origin: Mapped[str] = mapped_column(default="rep")
    created_by: Mapped[str]
    created_at: Mapped[str] = mapped_column(index=True)
    changed_at: Mapped[str] = mapped_column(index=True)
    submitted_at: Mapped[str | None]
    document: Mapped[dict[str, Any]]
    answers: Mapped[dict[str, Any]] = mapped_column(default=dict)
    consent_at: Mapped[str | None]
    consent_training: Mapped[bool] = mapped_column(default=False)
    needs: Mapped[list[str]] = mapped_column(default=list)
    need_score: Mapped[float] = mapped_column(default=0.0, index=True)
    assigned_to: Mapped[str | None]
    fineness_class: Mapped[str | None]
    interval_low: Mapped[float | None]
    interval_typical: Mapped[float | None]
    interval_high: Mapped[float | None]
    guard_m: Mapped[float | None]


class PhotoRow(Base):
    """One photo of one survey. ``state``: ``stored``, ``tagged`` or ``tag-failed`` (with ``error_code``)."""

    __tablename__ = "photos"
    __table_args__ = (
        UniqueConstraint("survey_id", "sha256"),
        Index("ix_photos_sha256", "sha256"),
        _one_of("state", "stored", "tagged", "tag-failed"),
    )
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), index=True)
    sha256: Mapped[str]
    name: Mapped[str]
    shows: Mapped[str]
    of: Mapped[str | None]
    reference: Mapped[str | None]
    shot: Mapped[str | None]
    sent_by: Mapped[str]
    sent_role: Mapped[str]
    received_at: Mapped[str] = mapped_column(index=True)
    bytes: Mapped[int]
    width_px: Mapped[int]
    height_px: Mapped[int]
    state: Mapped[str]
    error_code: Mapped[str | None]
    deleted_at: Mapped[str | None]


class TagsRow(Base):
    """What one model said of one photo; a person's view is a correction and never changes this row."""

    __tablename__ = "tags"
    __table_args__ = (UniqueConstraint("photo_id", "model"),)
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"))
    model: Mapped[str]
    body: Mapped[dict[str, Any]]
    created_at: Mapped[str]


class CorrectionRow(Base):
    """What a person says a photo shows; the newest of each role counts, the older ones stay."""

    __tablename__ = "corrections"
    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    who: Mapped[str]
    role: Mapped[str]
    foliage: Mapped[list[str]]
    form: Mapped[str | None]
    created_at: Mapped[str]


class _MeasuredRow:
    """What was measured on one photo by a reference in it, or the refusal."""

    id: Mapped[int] = mapped_column(primary_key=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    reference: Mapped[str]
    version: Mapped[str]
    body: Mapped[dict[str, Any]]
    created_at: Mapped[str]


class GaugeRow(_MeasuredRow, Base):
    """One needle measurement, or its refusal."""

    __tablename__ = "gauges"


class DebrisRow(_MeasuredRow, Base):
    """The pieces of one handful, or its refusal."""

    __tablename__ = "debris"


class PieceRow(Base):
    """What a person says one piece of one measured handful is; the newest of each role counts."""

    __tablename__ = "piece_corrections"
    id: Mapped[int] = mapped_column(primary_key=True)
    debris_id: Mapped[int] = mapped_column(ForeignKey("debris.id"), index=True)
    photo_id: Mapped[int] = mapped_column(ForeignKey("photos.id"), index=True)
    who: Mapped[str]
    role: Mapped[str]
    number: Mapped[int]
    kind: Mapped[str]
    created_at: Mapped[str]


class LinkRow(Base):
    """A homeowner's link to one survey; only a keyed hash of its token is kept."""

    __tablename__ = "links"
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), index=True)
    token_hash: Mapped[str] = mapped_column(unique=True)
    created_by: Mapped[str]
    created_at: Mapped[str]
    expires_at: Mapped[str]
    revoked_at: Mapped[str | None]
    last_used_at: Mapped[str | None]


class HistoryRow(Base):
    """Who did what, when. Rows are only ever added: the database itself refuses to change or delete one.

    Only the lines of an erased survey (:class:`ErasureRow`), and those past their time, may go.
    """

    __tablename__ = "history"
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str | None] = mapped_column(index=True)
    at: Mapped[str] = mapped_column(index=True)
    who: Mapped[str]
    role: Mapped[str]
    action: Mapped[str]
    detail: Mapped[dict[str, Any]]


class DecisionRow(Base):
    """A person's decision on a survey.

    ``kind`` is ``submit``, ``override``, ``confirm``, ``correct``, ``send_back``, ``reply`` or
    ``reopen`` (a decision of the office taken back).
    """

    __tablename__ = "decisions"
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), index=True)
    at: Mapped[str]
    who: Mapped[str]
    role: Mapped[str]
    kind: Mapped[str]
    fineness_class: Mapped[str | None]
    interval_months: Mapped[float | None]
    note: Mapped[str]


class AdviceRow(Base):
    """One run of the rules, with the model and the input that made it."""

    __tablename__ = "advice_runs"
    id: Mapped[int] = mapped_column(primary_key=True)
    survey_id: Mapped[str] = mapped_column(ForeignKey("surveys.id"), index=True)
    created_at: Mapped[str]
    input_sha256: Mapped[str]
    model: Mapped[str]
    rules: Mapped[str]
    fineness_class: Mapped[str]
    body: Mapped[dict[str, Any]]
