"""Users, passwords (argon2id by argon2-cffi's defaults, RFC 9106 low-memory profile) and sign-ins."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from typing import Final, cast

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.actor import Actor, Role
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import after, now_text
from eavefall_service.storage.rows import SessionRow, UserRow

__all__ = ["add_user", "check_password", "has_users", "keyed_hash", "sign_in", "sign_out", "user_of_session"]

_HASHER: Final = PasswordHasher()
# Verified when the name is unknown, so that both refusals take the same time.
_NOBODY: Final = _HASHER.hash(secrets.token_hex(16))


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
    session: Session, name: str, role: Role, password: str, *, by: str, branch: str = "", units: str = "us"
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
    note(session, None, Actor(by, "admin"), "user added", {"user": name, "role": role, "branch": branch})
    return row


def sign_in(session: Session, name: str, password: str, *, secret: str, hours: float) -> tuple[Actor, str]:
    """The actor and the cookie's token; raises ``sign-in-wrong``. Takes as long for an unknown name."""
    user = session.scalar(select(UserRow).where(UserRow.name == name.strip()))
    stored = user.password_hash if user and user.disabled_at is None else _NOBODY
    try:
        _HASHER.verify(stored, password)
    except (VerificationError, InvalidHashError):
        user = None
    if user is None or user.disabled_at is not None:
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
    actor = _actor(user)
    note(session, None, actor, "signed in", {})
    return actor, token


def user_of_session(session: Session, token: str, secret: str) -> Actor | None:
    """Who a cookie's token stands for, or None if nobody (any more)."""
    user = session.scalar(
        select(UserRow)
        .join(SessionRow, SessionRow.user_id == UserRow.id)
        .where(
            SessionRow.token_hash == keyed_hash(secret, token),
            SessionRow.expires_at > now_text(),
            UserRow.disabled_at.is_(None),
        )
    )
    return _actor(user) if user else None


def has_users(session: Session) -> bool:
    """Whether anybody can sign in."""
    return session.scalar(select(UserRow.id).limit(1)) is not None


def sign_out(session: Session, token: str, secret: str) -> None:
    """Make a cookie worthless."""
    session.execute(delete(SessionRow).where(SessionRow.token_hash == keyed_hash(secret, token)))


def _actor(user: UserRow) -> Actor:
    return Actor(user.name, cast(Role, user.role), user.branch, "metric" if user.units == "metric" else "us")
