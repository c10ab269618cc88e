"""``eavefall user``: who may sign in."""

from __future__ import annotations

import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.table import Table
from sqlalchemy.orm import Session

from eavefall_service.cli.console import error_console, print_table
from eavefall_service.cli.office_data import acting
from eavefall_service.journeys import accounts
from eavefall_service.journeys.actor import Role
from eavefall_service.journeys.administration import second_factor
from eavefall_service.journeys.administration.settings import set_second_factor_roles
from eavefall_service.journeys.door import Verb, changing_office
from eavefall_service.storage import Database
from eavefall_service.web import limits

_DATA: Final = Path("eavefall-data")
_ROLES: Final[dict[str, Role]] = {"rep": "rep", "auditor": "auditor", "admin": "admin"}
DataOption = Annotated[Path, typer.Option(help="Data directory.")]
NameArgument = Annotated[str, typer.Argument(help="Name to sign in with.")]
StdinOption = Annotated[bool, typer.Option("--password-stdin", help="Read the password from standard input.")]


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    users = typer.Typer(no_args_is_help=True, help="Who may sign in.")
    for name, command in (
        ("add", add_user), ("list", list_users), ("disable", disable), ("enable", enable),
        ("password", new_password), ("sign-out", sign_out), ("reset-second-factor", reset_second_factor),
        ("need-second-factor", need_second_factor),
    ):  # fmt: skip
        users.command(name)(command)
    app.add_typer(users, name="user")


def add_user(
    name: NameArgument,
    role: Annotated[str, typer.Option(help="rep, auditor or admin.")] = "rep",
    branch: Annotated[str, typer.Option(help="Branch the person works for.")] = "",
    units: Annotated[str, typer.Option(help="us or metric.")] = "us",
    data: DataOption = _DATA,
    password_stdin: StdinOption = False,
) -> None:
    """Make a person who can sign in; asks for the password."""
    if role not in _ROLES:
        raise typer.BadParameter("must be rep, auditor or admin", param_hint="--role")
    if units not in ("us", "metric"):
        raise typer.BadParameter("must be us or metric", param_hint="--units")
    password = _password(password_stdin)
    with _people(data) as session:
        accounts.add_user(session, name, _ROLES[role], password, by=acting(), branch=branch, units=units)
    error_console().print(f"{name} can sign in as {role}.")


def list_users(data: DataOption = _DATA) -> None:
    """Everybody who can or could sign in."""
    table = Table("name", "role", "branch", "since", "state", "second factor")
    database = Database.of(data)
    try:
        with database.read() as session:
            for user in accounts.people(session):
                state = f"disabled {user.disabled_at[:10]}" if user.disabled_at else "may sign in"
                factor = second_factor.factor_of(session, user.name)
                is_on = "on" if factor is not None and factor.confirmed_at else "off"
                table.add_row(user.name, user.role, user.branch, user.created_at[:10], state, is_on)
    finally:
        database.close()
    print_table(table, "`eavefall user add NAME --role admin` makes the first person.")


def disable(name: NameArgument, data: DataOption = _DATA) -> None:
    """Shut a person out at once; what they did stays."""
    with _people(data) as session:
        accounts.set_disabled(session, name, True, by=acting())
    error_console().print(f"{name} cannot sign in any more.")


def enable(name: NameArgument, data: DataOption = _DATA) -> None:
    """Let a person in again."""
    with _people(data) as session:
        accounts.set_disabled(session, name, False, by=acting())
    error_console().print(f"{name} can sign in again.")


def new_password(name: NameArgument, data: DataOption = _DATA, password_stdin: StdinOption = False) -> None:
    """Give a person a new password and end their sign-ins."""
    password = _password(password_stdin)
    kept = accounts.hash_of(password)
    with _people(data) as session:
        accounts.set_password(session, name, kept, by=acting())
    error_console().print(f"{name} has a new password and is signed out everywhere.")


def sign_out(name: NameArgument, data: DataOption = _DATA) -> None:
    """End all sign-ins of a person, as after a lost phone."""
    with _people(data) as session:
        ended = accounts.sign_out_everywhere(session, name, by=acting())
    error_console().print(f"{name} is signed out everywhere ({ended} sign-ins ended).")


def reset_second_factor(name: NameArgument, data: DataOption = _DATA) -> None:
    """Take a lost second factor away, after making sure who asks; their sign-ins end."""
    with _people(data) as session:
        second_factor.reset(session, name, by=acting())
    error_console().print(f"{name} signs in by password alone until a new second factor is set up.")


def need_second_factor(
    roles: Annotated[
        list[str] | None, typer.Argument(help="Roles, such as auditor admin; none: nobody.")
    ] = None,
    data: DataOption = _DATA,
) -> None:
    """Say which roles can do nothing without a second factor; they set it up at their next page."""
    with _people(data, "change settings") as session:
        set_second_factor_roles(session, roles or [], by=acting())
    error_console().print(f"Needed by: {', '.join(sorted(roles or [])) or 'nobody'}.")


@contextmanager
def _people(data: Path, verb: Verb = "change people") -> Iterator[Session]:
    database = Database.of(data)
    try:
        with changing_office(database, acting(), verb) as session:
            yield session
    finally:
        database.close()


def _password(from_stdin: bool) -> str:
    if from_stdin:
        password = sys.stdin.readline().rstrip("\n")
    else:
        password = typer.prompt("Password", hide_input=True, confirmation_prompt=True)
    accounts.check_password(password, limits.PASSWORD_LETTERS)
    return password
