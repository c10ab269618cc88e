"""What all tests of the service share."""

from __future__ import annotations

import os
import secrets
import shutil
import subprocess
import tempfile
from collections.abc import Callable, Iterator
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


def _programs() -> Path | None:
    """PostgreSQL's own programs, the newest there are; Debian keeps them off the path."""
    found = sorted(Path("/usr/lib/postgresql").glob("*/bin/initdb"))
    return found[-1].parent if found else next((Path(p).parent for p in [shutil.which("initdb")] if p), None)


@pytest.fixture(scope="session")
def postgres() -> Iterator[Callable[[], str]]:
    """Addresses of new, empty databases in a server of the tests' own, which never listens on a network."""
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL is NOT TESTED: its server is not installed (Debian: apt install postgresql)")
    psycopg = pytest.importorskip("psycopg", reason="PostgreSQL is NOT TESTED: psycopg is not installed")
    folder = Path(tempfile.mkdtemp(prefix="eavefall-pg-", dir="/tmp"))  # a socket's path is short
    # Its server refuses to run as root.
    who = {"user": "postgres", "group": "postgres", "extra_groups": []} if os.getuid() == 0 else {}
    if who:
        shutil.chown(folder, "postgres", "postgres")

    def call(program: str, *arguments: str) -> None:
        subprocess.run(
            [programs / program, "-D", folder / "data", *arguments],
            check=True, stdout=subprocess.DEVNULL, cwd=folder, timeout=120, **who,
        )  # fmt: skip

    try:
        call("initdb", "-A", "trust", "-U", "eavefall", "-E", "UTF8", "--locale=C.UTF-8", "--no-sync")
        options = f"-c fsync=off -c listen_addresses='' -k {folder}"
        call("pg_ctl", "-w", "-l", str(folder / "log"), "-o", options, "start")
        try:

            def new_address() -> str:
                name = f"t{secrets.token_hex(6)}"
                at = {"host": str(folder), "user": "eavefall", "dbname": "postgres", "autocommit": True}
                with psycopg.connect(**at) as server:
                    server.execute(f"CREATE DATABASE {name}")
                return f"postgresql+psycopg://eavefall@/{name}?host={folder}"

            yield new_address
        finally:
            call("pg_ctl", "-m", "immediate", "stop")
    finally:
        shutil.rmtree(folder)


@pytest.fixture(params=["sqlite", "postgresql"])
def fresh_data(request: pytest.FixtureRequest, tmp_path: Path) -> Path:
    """A new data directory, its rows to be in SQLite or in PostgreSQL."""
    data = tmp_path / "data"
    if request.param == "postgresql":
        data.mkdir(mode=0o700)
        (data / "database.url").write_text(request.getfixturevalue("postgres")())
    return data
