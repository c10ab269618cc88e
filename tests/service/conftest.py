"""What all tests of the service share."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from argon2 import PasswordHasher

from eavefall_service.demo.invented_office import Person, fill_office
from eavefall_service.journeys import accounts
from eavefall_service.web import limits
from eavefall_service.web.settings import LOOPBACK_SECRET

# What the service itself uses; its strength is tested in web/test_access.py.
SERVICE_HASHER = accounts._HASHER


@pytest.fixture(scope="session", autouse=True)
def light_hashes() -> Iterator[None]:
    """Passwords of the tests are hashed in a hundredth of the work: there are hundreds of sign-ins."""
    light = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(accounts, "_HASHER", light)
        patch.setattr(accounts, "_NOBODY", light.hash("nobody"))
        yield


@pytest.fixture(scope="session", autouse=True)
def workers_in_turn() -> Iterator[None]:
    """Photos are worked on in turn with the tests, which wait for them, however busy the machine is."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(limits, "STEP_BACK", 0)
        yield


@dataclass(frozen=True)
class InventedOffice:
    """The demo's office: its data directory (copy it before changing it), its people, and what it told."""

    data: Path
    houses: int
    people: list[Person]
    told: list[str]


@pytest.fixture(scope="session")
def invented_office(tmp_path_factory: pytest.TempPathFactory) -> InventedOffice:
    """Made once for all: every house in it is read and answered."""
    data, houses, told = tmp_path_factory.mktemp("invented") / "office", 16, []
    people = fill_office(
        data, houses=houses, secret=LOOPBACK_SECRET, progress=lambda what, *_: told.append(what)
    )
    return InventedOffice(data, houses, people, told)
