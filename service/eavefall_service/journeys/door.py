"""The one door for change: every write to the database passes :func:`changing` or :func:`changing_office`.

Who may do what, and in which state of a survey, is the table :data:`TABLE`; nothing else decides it. A
confirmed survey is the office's word: its facts stand until an auditor sends it back.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final, Literal, get_args

from sqlalchemy.orm import Session

from eavefall_model.errors import ServiceError
from eavefall_model.language import mark
from eavefall_service.journeys.actor import AUDITORS, OFFICE, Actor, Role
from eavefall_service.storage import Database
from eavefall_service.storage.clock import now_text
from eavefall_service.storage.rows import LinkRow, SurveyRow

# "none": the verb is about the office or a survey that is still to be made.
State = Literal["none", "open", "submitted", "sent_back", "confirmed"]
STATES: Final[tuple[State, ...]] = get_args(State)
Verb = Literal[
    "make survey",
    "change survey",
    "send photo",
    "delete photo",
    "assign photo",
    "correct tags",
    "sort pieces",
    "submit",
    "override",
    "reply",
    "confirm",
    "correct",
    "send_back",
    "reopen",
    "assign",
    "confirm together",
    "undo",
    "make link",
    "withdraw link",
    "open link",
    "agree",
    "answer questions",
    "take back",
    "read blind",
    "keep reading",
    "keep advice",
    "delete by age",
    "draw sample",
    "record outcome",
    "accept factor",
    "keep statistics",
    "change people",
    "change settings",
    "erase",
    "keep second factor",
    "sign in",
    "sign out",
]
_NONE: Final[frozenset[State]] = frozenset({"none"})
_UNFINISHED: Final[frozenset[State]] = frozenset({"open", "submitted", "sent_back"})
_ANY: Final[frozenset[State]] = _UNFINISHED | {"confirmed"}
_HOMEOWNER: Final[frozenset[Role]] = frozenset({"homeowner"})
_UPKEEP: Final[frozenset[Role]] = frozenset({"upkeep"})
_ADMIN: Final[frozenset[Role]] = frozenset({"admin"})
_EVERYBODY: Final[frozenset[Role]] = OFFICE | _HOMEOWNER

# Verb -> who may, and in which states.
TABLE: Final[dict[Verb, tuple[frozenset[Role], frozenset[State]]]] = {
    "make survey": (OFFICE, _NONE),
    "change survey": (OFFICE, _UNFINISHED),
    "send photo": (_EVERYBODY, _UNFINISHED),
    "delete photo": (_EVERYBODY, _UNFINISHED),
    "assign photo": (OFFICE, _UNFINISHED),
    "correct tags": (OFFICE, _UNFINISHED),
    "sort pieces": (_EVERYBODY, _UNFINISHED),
    "submit": (_EVERYBODY, _UNFINISHED),
    "override": (OFFICE, _UNFINISHED),
    # Once replied it is with the office again; a phone that lost the answer replies once more.
    "reply": (OFFICE, frozenset({"sent_back", "submitted"})),
    "confirm": (AUDITORS, _UNFINISHED),
    "correct": (AUDITORS, _ANY),
    "send_back": (AUDITORS, _ANY),
    "reopen": (AUDITORS, frozenset({"confirmed", "sent_back"})),
    "assign": (AUDITORS, _ANY),
    # Several surveys at once: each of them is asked for "confirm" or "reopen" again.
    "confirm together": (AUDITORS, _NONE),
    "undo": (AUDITORS, _NONE),
    "make link": (OFFICE, _ANY),
    "withdraw link": (OFFICE, _ANY),
    "open link": (_HOMEOWNER, _ANY),
    "agree": (_HOMEOWNER, _UNFINISHED),
    "answer questions": (_HOMEOWNER, _UNFINISHED),
    # What people sent of their own home they may take back at any time.
    "take back": (_HOMEOWNER, _ANY),
    "read blind": (AUDITORS, _ANY),
    "keep reading": (_UPKEEP, _ANY),
    "keep advice": (_UPKEEP, _ANY),
    "delete by age": (_UPKEEP, _ANY),
    "draw sample": (AUDITORS, _NONE),
    "record outcome": (AUDITORS, _NONE),
    "accept factor": (AUDITORS, _NONE),
    "keep statistics": (_UPKEEP, _NONE),
    "change people": (_ADMIN, _NONE),
    "change settings": (_ADMIN, _NONE),
    # For good, in whatever state: what a household asks for does not wait for the office's work.
    "erase": (_ADMIN | _UPKEEP, _NONE),
    "keep second factor": (OFFICE, _NONE),
    "sign in": (OFFICE, _NONE),
    "sign out": (OFFICE, _NONE),
}
assert set(TABLE) == set(get_args(Verb))


def open_survey(session: Session, survey_id: str, actor: Actor) -> SurveyRow:
    """The survey, if the actor may open it; raises ``not-found`` otherwise."""
    row = session.get(SurveyRow, survey_id)
    if row is None:
        raise ServiceError("not-found", mark("There is no such survey."))
    actor.need_survey(row.id, row.created_by)
    return row


def check(actor: Actor, verb: Verb, state: State) -> None:
    """Raise ``not-allowed``, with a sentence that says why, unless the table lets the actor through."""
    roles, states = TABLE[verb]
    if actor.role not in roles:
        raise ServiceError("not-allowed", mark("This is for others of the office."))
    if state not in states:
        if state == "confirmed":
            raise ServiceError(
                "not-allowed",
                mark("The office has confirmed this survey."),
                mark("Ask it to send the survey back; then it can be changed."),
            )
        raise ServiceError(
            "not-allowed",
            mark("This cannot be done while the survey is {state}."),
            state=state.replace("_", " "),
        )


@contextmanager
def changing(
    database: Database, actor: Actor, verb: Verb, survey_id: str
) -> Iterator[tuple[Session, SurveyRow]]:
    """One transaction on one survey, after the table has been asked; committed whole or not at all.

    Raises
    ------
    ServiceError
        ``not-found`` if the actor may not open the survey, ``not-allowed`` if not in this state.
    """
    with database.write() as session:
        row = open_survey(session, survey_id, actor)
        check(actor, verb, state_of(row))
        if actor.link_id is not None:
            session.get_one(LinkRow, actor.link_id).last_used_at = now_text()
        yield session, row


@contextmanager
def changing_office(database: Database, actor: Actor, verb: Verb) -> Iterator[Session]:
    """One transaction that is about no survey yet, after the table has been asked."""
    check(actor, verb, "none")
    with database.write() as session:
        yield session


def state_of(row: SurveyRow) -> State:
    """The survey's status as a word of ours (the database holds no other)."""
    return next(state for state in STATES if state == row.status)
