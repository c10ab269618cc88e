"""The office statistics follow the surveys in the background, so that looking at them writes nothing."""

from __future__ import annotations

from typing import Final

from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.journeys.door import changing_office
from eavefall_service.office import facts
from eavefall_service.office.watching import Designs
from eavefall_service.web.server_state import Office

# In one transaction, so that nobody who wants to write waits long.
_AT_ONCE: Final = 200


def bring_up_facts_later(office: Office) -> None:
    """Facts up with the surveys when nothing urgent waits."""
    office.once_later("facts", lambda: bring_up_facts(office))


def bring_up_facts(office: Office) -> None:
    """Facts up with the surveys; if many wait, the rest follows by itself."""
    with office.database.read() as session:
        behind = facts.waiting(session)
    if not behind:
        return
    with changing_office(office.database, UPKEEP, "keep statistics") as session:
        facts.refresh_facts(session, office.photos.original, limit=_AT_ONCE)
    if behind > _AT_ONCE:
        bring_up_facts_later(office)


def keep_designs(office: Office) -> None:
    """Write the alarm designs that pages have made, so that they outlive a restart."""
    if office.alarm_designs:
        with changing_office(office.database, UPKEEP, "keep statistics") as session:
            Designs(session, office.alarm_designs).keep(session)
