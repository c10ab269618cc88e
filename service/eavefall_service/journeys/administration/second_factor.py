"""A second factor: codes of an authenticator (TOTP, RFC 6238, by ``pyotp``) and recovery codes.

The authenticator's key is derived from the server's secret and a random salt (RFC 4226, section 7.5), so a
database or a backup alone gives nobody a code.
"""

from __future__ import annotations

import base64
import hmac
import secrets
from typing import Final

import pyotp
from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_service.journeys.accounts import keyed_hash, person
from eavefall_service.journeys.actor import Actor
from eavefall_service.journeys.history import note
from eavefall_service.storage.clock import now_s, now_text
from eavefall_service.storage.rows import RecoveryCodeRow, SecondFactorRow, SessionRow, UserRow

RECOVERY_CODES: Final = 10
_KEY_BYTES: Final = 20  # as long as SHA-1's output, RFC 4226, requirement R6 and section 4
_STEP_S: Final = 30
_LETTERS: Final = "ABCDEFGHJKMNPQRSTUVWXYZ23456789"
_CODE_LETTERS: Final = 12  # 59 bits


def factor_of(session: Session, name: str) -> SecondFactorRow | None:
    """The person's second factor, begun or confirmed."""
    return session.scalar(
        select(SecondFactorRow)
        .join(UserRow, UserRow.id == SecondFactorRow.user_id)
        .where(UserRow.name == name)
    )


def key_of(row: SecondFactorRow, secret: str) -> str:
    """The authenticator's key in base 32, as people type it."""
    key = bytes.fromhex(keyed_hash(secret, f"second factor {row.salt}"))[:_KEY_BYTES]
    return base64.b32encode(key).decode()


def address_of(row: SecondFactorRow, secret: str, name: str, office: str) -> str:
    """The ``otpauth`` address for the QR picture."""
    return pyotp.TOTP(key_of(row, secret)).provisioning_uri(name=name, issuer_name=f"eavefall {office}")


def begin(session: Session, actor: Actor, code: str, secret: str) -> None:
    """A new key, unconfirmed; whoever has one already shows it by a code. Raises ``code-wrong``."""
    user, row = person(session, actor.name), factor_of(session, actor.name)
    if row is not None and row.confirmed_at is not None:
        check(session, actor, code, secret)
        note(session, None, actor, "second factor replaced", {"user": user.name})
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.user_id == user.id))
    session.merge(
        SecondFactorRow(user_id=user.id, salt=secrets.token_hex(16), confirmed_at=None, last_step=0)
    )


def confirm(session: Session, actor: Actor, code: str, secret: str) -> list[str]:
    """Turn the begun second factor on by its first code; returns the recovery codes, shown this once.

    Raises ``code-wrong``, or ``not-found`` if none was begun.
    """
    row = factor_of(session, actor.name)
    if row is None or row.confirmed_at is not None:
        raise ServiceError("not-found", "No second factor was begun.", "Begin again.")
    _take_step(row, code, secret)
    row.confirmed_at = now_text()
    note(session, None, actor, "second factor on", {"user": actor.name})
    return _new_codes(session, row.user_id, secret)


def renew(session: Session, actor: Actor, code: str, secret: str) -> list[str]:
    """New recovery codes instead of all earlier ones; raises ``code-wrong``."""
    check(session, actor, code, secret)
    user = person(session, actor.name)
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.user_id == user.id))
    note(session, None, actor, "recovery codes renewed", {"user": actor.name})
    return _new_codes(session, user.id, secret)


def check(session: Session, actor: Actor, code: str, secret: str) -> None:
    """Take a code of the authenticator, or a recovery code; none is taken twice.

    Raises ``code-needed`` without one, ``code-wrong`` for a wrong or used one. Only inside a writing
    transaction: two at once with the same code must not both pass.
    """
    row = factor_of(session, actor.name)
    if row is None or row.confirmed_at is None:
        return
    code = "".join(code.split()).replace("-", "").upper()
    if not code:
        raise ServiceError("code-needed", "Type the code that your authenticator shows.")
    if len(code) == _CODE_LETTERS:
        kept = session.get(RecoveryCodeRow, keyed_hash(secret, f"recovery {row.user_id} {code}"))
        if kept is None or kept.used_at is not None:
            raise _wrong()
        kept.used_at = now_text()
        note(
            session,
            None,
            actor,
            "recovery code used",
            {"user": actor.name, "left": left(session, actor.name)},
        )
        return
    _take_step(row, code, secret)


def left(session: Session, name: str) -> int:
    """How many recovery codes a person has not used."""
    count = (
        select(func.count()).select_from(RecoveryCodeRow).join(UserRow, UserRow.id == RecoveryCodeRow.user_id)
    )
    return session.scalar(count.where(UserRow.name == name, RecoveryCodeRow.used_at.is_(None))) or 0


def reset(session: Session, name: str, *, by: Actor) -> None:
    """Take a person's second factor away, and end their sign-ins; raises ``not-found``."""
    user = person(session, name)
    for row in (SecondFactorRow, RecoveryCodeRow, SessionRow):
        session.execute(delete(row).where(row.user_id == user.id))
    note(session, None, by, "second factor reset", {"user": user.name})


def _take_step(row: SecondFactorRow, code: str, secret: str) -> None:
    """Accept the code of the present half minute, the one before or the next; none older than the last."""
    totp = pyotp.TOTP(key_of(row, secret), interval=_STEP_S)
    now = int(now_s() // _STEP_S)
    for step in (now - 1, now, now + 1):
        if step > row.last_step and hmac.compare_digest(totp.at(step * _STEP_S).encode(), code.encode()):
            row.last_step = step
            return
    raise _wrong()


def _wrong() -> ServiceError:
    return ServiceError(
        "code-wrong", "The code is wrong or was used already.", "Wait for the next one and type it."
    )


def _new_codes(session: Session, user_id: int, secret: str) -> list[str]:
    codes = ["".join(secrets.choice(_LETTERS) for _ in range(_CODE_LETTERS)) for _ in range(RECOVERY_CODES)]
    for code in codes:
        session.add(
            RecoveryCodeRow(
                code_hash=keyed_hash(secret, f"recovery {user_id} {code}"), user_id=user_id, used_at=None
            )
        )
    return ["-".join((code[:4], code[4:8], code[8:])) for code in codes]
