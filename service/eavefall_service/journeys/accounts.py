"""Users, passwords (argon2id by argon2-cffi's defaults, RFC 9106 low-memory profile) and sign-ins."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass, replace
from typing import Final, cast

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import Actor, Role
from eavefall_service.journeys.administration.settings import SECOND_FACTOR
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import after, now_s, now_text
from eavefall_service.storage.rows import SecondFactorRow, SessionRow, SettingRow, UserRow

_HASHER: Final = PasswordHasher()
# Verified when the name is unknown, so that both refusals take the same time.
_NOBODY: Final = _HASHER.hash(secrets.token_hex(16))


@dataclass(frozen=True)
class SignedIn:
    """A sign-in that has just been made: who, the session's token and the device's cookie."""

    actor: Actor
    token: str
    device: str


def keyed_hash(secret: str, token: str) -> str:
    """HMAC-SHA-256 of a token: what is stored in its place."""
    return hmac.new(secret.encode(), token.encode(), hashlib.sha256).hexdigest()


def check_password(password: str, fewest: int) -> None:
    """Raise ``password-weak`` for a short password or one of few different letters."""
    if len(password) < fewest or len(set(password.lower())) < 5:
        raise ServiceError(
            "password-weak",
            f"The password needs at least {fewest} letters, not all alike.",
            "Three or four unrelated words do well.",
        )


def add_user(
    session: Session, name: str, role: Role, password: str, *, by: Actor, branch: str = "", units: str = "us"
) -> UserRow:
    """A new user; raises ``name-taken``. Check the password first with :func:`check_password`."""
    name = name.strip()
    if session.scalar(select(UserRow).where(UserRow.name == name)):
        raise ServiceError("name-taken", f"There is a user named {name!r} already.", "Choose another name.")
    row = UserRow(
        name=name,
        role=role,
        branch=branch.strip(),
        password_hash=_HASHER.hash(password),
        units=units,
        created_at=now_text(),
    )
    session.add(row)
    note(session, None, by, "user added", {"user": name, "role": role, "branch": branch})
    return row


def people(session: Session) -> list[UserRow]:
    """Everybody, by name."""
    return list(session.scalars(select(UserRow).order_by(UserRow.name)))


def set_disabled(session: Session, name: str, is_disabled: bool, *, by: Actor) -> None:
    """Shut a person out, their sign-ins with them, or let them in again; raises ``not-found``."""
    user = person(session, name)
    user.disabled_at = now_text() if is_disabled else None
    if is_disabled:
        session.execute(delete(SessionRow).where(SessionRow.user_id == user.id))
    note(session, None, by, "user disabled" if is_disabled else "user enabled", {"user": user.name})


def hash_of(password: str) -> str:
    """What is kept of a password. Takes 64 MiB and some 50 ms: never inside a transaction."""
    return _HASHER.hash(password)


def set_password(session: Session, name: str, password_hash: str, *, by: Actor) -> None:
    """A new password (:func:`hash_of`, checked before); all sign-ins end. Raises ``not-found``."""
    user = person(session, name)
    user.password_hash = password_hash
    session.execute(delete(SessionRow).where(SessionRow.user_id == user.id))
    note(session, None, by, "password changed", {"user": user.name})


def sign_out_everywhere(session: Session, name: str, *, by: Actor) -> int:
    """End all sign-ins of a person; returns how many there were. Raises ``not-found``."""
    user = person(session, name)
    open_ = list(session.scalars(select(SessionRow).where(SessionRow.user_id == user.id)))
    for each in open_:
        session.delete(each)
    note(session, None, by, "signed out everywhere", {"user": user.name, "sign_ins": len(open_)})
    return len(open_)


def person(session: Session, name: str) -> UserRow:
    """The person of this name, whether they may sign in or not; raises ``not-found``."""
    user = session.scalar(select(UserRow).where(UserRow.name == name.strip()))
    if user is None:
        raise ServiceError("not-found", f"There is nobody named {name!r}.", "See `eavefall user list`.")
    return user


def known_person(session: Session, name: str) -> UserRow | None:
    """The person of this name, if there is one who may sign in."""
    user = session.scalar(select(UserRow).where(UserRow.name == name.strip()))
    return user if user is not None and user.disabled_at is None else None


def verified(user: UserRow | None, password: str) -> Actor:
    """The person, if the password is theirs; raises ``sign-in-wrong``. Takes as long for nobody.

    Takes 64 MiB and some 50 ms: never inside a transaction.
    """
    try:
        _HASHER.verify(user.password_hash if user else _NOBODY, password)
    except (VerificationError, InvalidHashError, UnicodeEncodeError):
        user = None
    if user is None:
        raise ServiceError("sign-in-wrong", "The name or the password is wrong.", "Try again.")
    return actor_of(user)


def half_of(user: UserRow, secret: str, seconds: float) -> str:
    """A word that says for some minutes that this person's password was right; good with a code only."""
    until = f"{now_s() + seconds:.0f}"
    return f"{until}.{_half_seal(user, until, secret)}"


def is_half(user: UserRow, word: str, secret: str) -> bool:
    """Whether :func:`half_of` gave this word out for this person, not long ago and for the same password."""
    until, _, seal = word.partition(".")
    right = hmac.compare_digest(seal.encode(), _half_seal(user, until, secret).encode())
    return right and until.isdecimal() and float(until) > now_s()


def _half_seal(user: UserRow, until: str, secret: str) -> str:
    return keyed_hash(secret, f"half {user.id} {until} {user.password_hash}")


def begin_session(session: Session, actor: Actor, *, secret: str, hours: float) -> SignedIn:
    """A sign-in with its cookies; of a person disabled meanwhile ``sign-in-wrong`` is raised."""
    user = known_person(session, actor.name)
    if user is None:
        raise ServiceError("sign-in-wrong", "The name or the password is wrong.", "Try again.")
    token = secrets.token_urlsafe(32)
    session.execute(delete(SessionRow).where(SessionRow.expires_at < now_text()))
    session.add(
        SessionRow(
            token_hash=keyed_hash(secret, token),
            user_id=user.id,
            created_at=now_text(),
            expires_at=after(hours=hours),
        )
    )
    note(session, None, actor, "signed in", {})
    device = secrets.token_urlsafe(12)
    return SignedIn(actor_of(user), token, f"{device}.{_device_seal(device, actor.name, secret)}")


def device_of(cookie: str, name: str, secret: str) -> str:
    """The device that a cookie names, if this very person signed in with it before; else empty."""
    device, _, seal = cookie.partition(".")
    return device if hmac.compare_digest(seal.encode(), _device_seal(device, name, secret).encode()) else ""


def _device_seal(device: str, name: str, secret: str) -> str:
    return keyed_hash(secret, f"device {device} of {name}")


def user_of_session(session: Session, token: str, secret: str) -> Actor | None:
    """Who a cookie's token stands for, or None if nobody (any more)."""
    found = session.execute(
        select(UserRow, SecondFactorRow.confirmed_at, SettingRow.value)
        .join(SessionRow, SessionRow.user_id == UserRow.id)
        .outerjoin(SecondFactorRow, SecondFactorRow.user_id == UserRow.id)
        .outerjoin(SettingRow, SettingRow.name == SECOND_FACTOR)
        .where(
            SessionRow.token_hash == keyed_hash(secret, token),
            SessionRow.expires_at > now_text(),
            UserRow.disabled_at.is_(None),
        )
    ).first()
    if found is None:
        return None
    user, confirmed_at, asked = found
    needs = confirmed_at is None and asked is not None and user.role in asked["roles"]
    return replace(actor_of(user), needs_second_factor=needs)


def has_users(session: Session) -> bool:
    """Whether anybody can sign in."""
    return session.scalar(select(UserRow.id).limit(1)) is not None


def sign_out(session: Session, token: str, secret: str) -> None:
    """Make a cookie worthless."""
    session.execute(delete(SessionRow).where(SessionRow.token_hash == keyed_hash(secret, token)))


def actor_of(user: UserRow) -> Actor:
    """The person as one who acts."""
    return Actor(user.name, cast(Role, user.role), user.branch, "metric" if user.units == "metric" else "us")
