"""What an admin sets for the whole office: its letterhead, days of keeping, who needs a second factor."""

from __future__ import annotations

import base64
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from typing import Final, cast, get_args

from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.language import translate
from eavefall_model.vocabulary import Language
from eavefall_service.journeys.actor import OFFICE, Actor, Role
from eavefall_service.journeys.history import note
from eavefall_service.storage.rows import SettingRow

# Kind -> days it is kept if nobody says otherwise (judgement), and what it is.
KEPT: Final[Mapping[str, tuple[int, str]]] = {
    "photos": (365, "photos, from the day they came"),
    "drafts": (365, "surveys never sent to the office, from their last change"),
    "surveys": (1825, "all other surveys, from their last change"),
    "record": (1095, "who signed in and who changed people or settings"),
    "copies": (30, "copies of the database made before an upgrade"),
}
_KEEPING: Final = "days kept"
SECOND_FACTOR: Final = "second factor"
_LETTERHEAD: Final = "letterhead"
_LINE_MOST: Final = 60
_DAYS_MOST: Final = 36_500


@dataclass(frozen=True)
class Letterhead:
    """The office as homeowners see it. ``name`` is written as its people write it; ``logo`` is a JPEG."""

    name: str
    phone: str = ""
    logo: bytes = b""


def letterhead(session: Session, name: str, language: Language = "en") -> Letterhead:
    """The office's letterhead; ``name`` stands where nobody has written one, in the reader's language."""
    set_ = {key: str(value) for key, value in setting(session, _LETTERHEAD).items()}
    return Letterhead(
        set_.get("name") or translate(language, name),
        set_.get("phone", ""),
        base64.b64decode(set_.get("logo", "")),
    )


def set_letterhead(session: Session, head: Letterhead, *, by: Actor) -> None:
    """Write the letterhead; raises ``request-invalid`` for an overlong line."""
    name, phone = " ".join(head.name.split()), " ".join(head.phone.split())
    if len(name) > _LINE_MOST or len(phone) > _LINE_MOST:
        raise ServiceError("request-invalid", f"Name and phone have at most {_LINE_MOST} letters each.")
    logo = base64.b64encode(head.logo).decode("ascii")
    session.merge(SettingRow(name=_LETTERHEAD, value={"name": name, "phone": phone, "logo": logo}))
    detail = {"name": name, "phone": phone, "logo": "yes" if logo else "no"}
    note(session, None, by, "letterhead changed", detail)


def setting(session: Session, name: str) -> dict[str, object]:
    """A stored setting; empty if nobody has set it."""
    row = session.get(SettingRow, name)
    return dict(row.value) if row is not None else {}


def days_kept(session: Session) -> dict[str, int]:
    """Days of keeping for every kind of :data:`KEPT`."""
    set_ = setting(session, _KEEPING)
    return {kind: cast(int, set_.get(kind, days)) for kind, (days, _) in KEPT.items()}


def set_days_kept(session: Session, kind: str, days: int, *, by: Actor) -> None:
    """Keep a kind for so many days; raises ``request-invalid`` for an unknown kind or impossible days."""
    if kind not in KEPT:
        raise ServiceError("request-invalid", f"There is no kind {kind!r}.", f"Kinds: {', '.join(KEPT)}.")
    if not 1 <= days <= _DAYS_MOST:
        raise ServiceError("request-invalid", f"Days must be 1 to {_DAYS_MOST}.")
    before = days_kept(session)
    session.merge(SettingRow(name=_KEEPING, value={**before, kind: days}))
    note(session, None, by, "days kept changed", {"kind": kind, "before": before[kind], "after": days})


def second_factor_roles(session: Session) -> frozenset[Role]:
    """Roles that can do nothing without a second factor."""
    return frozenset(cast("list[Role]", setting(session, SECOND_FACTOR).get("roles", [])))


def set_second_factor_roles(session: Session, roles: Collection[str], *, by: Actor) -> None:
    """Say which roles need a second factor; raises ``request-invalid`` for what is no role of the office."""
    if unknown := sorted(set(roles) - OFFICE):
        known = ", ".join(role for role in get_args(Role) if role in OFFICE)
        raise ServiceError(
            "request-invalid", f"There is no role {unknown[0]!r} in the office.", f"Roles: {known}."
        )
    before = sorted(second_factor_roles(session))
    session.merge(SettingRow(name=SECOND_FACTOR, value={"roles": sorted(set(roles))}))
    detail = {"before": ", ".join(before), "after": ", ".join(sorted(set(roles)))}
    note(session, None, by, "second factor roles changed", detail)
