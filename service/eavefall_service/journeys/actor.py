"""Who does something."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

from eavefall_model.errors import ServiceError

# "upkeep" is the server itself: reading photos, keeping answers, deleting by age.
Role = Literal["rep", "auditor", "admin", "homeowner", "upkeep"]
OFFICE: Final[frozenset[Role]] = frozenset({"rep", "auditor", "admin"})
AUDITORS: Final[frozenset[Role]] = frozenset({"auditor", "admin"})
ADMINS: Final[frozenset[Role]] = frozenset({"admin"})


@dataclass(frozen=True)
class Actor:
    """A signed-in person, or the holder of a link (``link_id``) to one survey (``link_survey``)."""

    name: str
    role: Role
    branch: str = ""
    units: Literal["us", "metric"] = "us"
    link_survey: str | None = None
    link_id: int | None = None
    # Signed in by password only, though the office asks this role for more.
    needs_second_factor: bool = False

    def need(self, roles: frozenset[Role]) -> None:
        """Raise ``not-allowed`` unless the actor has one of ``roles``."""
        if self.role not in roles:
            raise ServiceError("not-allowed", "This page is for others of the office.")

    def need_survey(self, survey_id: str, created_by: str) -> None:
        """Raise unless the actor may open the survey: office staff any, reps their own, a link its one."""
        if self.role in AUDITORS or self.role == "upkeep" or self.link_survey == survey_id:
            return
        if self.role == "rep" and self.name == created_by:
            return
        # Not "not allowed": that would tell which surveys exist.
        raise ServiceError("not-found", "There is no such survey.")


UPKEEP: Final = Actor("upkeep", "upkeep")
