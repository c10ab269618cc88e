"""What all tests of the service share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from argon2 import PasswordHasher

from eavefall_service.journeys import accounts

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
