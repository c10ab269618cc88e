"""``eavefall serve``: the web service."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Final

import typer
import uvicorn

from eavefall_service.cli.console import error_console
from eavefall_service.cli.own_files import (
    PRICES_HELP,
    GuardsOption,
    PlaceOption,
    RainOption,
    RulesOption,
    office_settings,
)
from eavefall_service.journeys import accounts
from eavefall_service.storage import Database
from eavefall_service.web.app import create_app
from eavefall_service.web.serving import give_memory_back, server_config, take_short_turns
from eavefall_service.web.settings import LOOPBACK_SECRET, Settings
from eavefall_service.web.watching.metrics import Metrics, serve_metrics
from eavefall_service.web.watching.structured_log import log_as_json

_DATA: Final = Path("eavefall-data")
DataOption = Annotated[Path, typer.Option(help="Data directory; made when absent.")]


def register(app: typer.Typer) -> None:
    """Mount the command."""
    app.command()(serve)


def serve(
    data: DataOption = _DATA,
    host: Annotated[str, typer.Option(help="Address to listen on.")] = "127.0.0.1",
    port: Annotated[int, typer.Option(help="Port to listen on.", min=1, max=65535)] = 8337,
    public_url: Annotated[
        str, typer.Option(help="How browsers reach it, such as https://surveys.example.")
    ] = "",
    secret: Annotated[
        str, typer.Option(envvar="EAVEFALL_SECRET", help="Key of sign-ins and links; needed on a network.")
    ] = LOOPBACK_SECRET,
    trusted_proxy: Annotated[
        str, typer.Option(help="Address of the reverse proxy whose X-Forwarded-For is believed.")
    ] = "",
    metrics_port: Annotated[
        int,
        typer.Option(help="Port of this computer alone for Prometheus metrics; 0: none.", min=0, max=65535),
    ] = 0,
    office: Annotated[str, typer.Option(help="Name that homeowners read.")] = "our office",
    prices: Annotated[Path | None, typer.Option(help=PRICES_HELP)] = None,
    rules: RulesOption = None,
    guards: GuardsOption = None,
    rain: RainOption = None,
    place: PlaceOption = "",
) -> None:
    """Open the tool for reps, homeowners and the office in a browser."""
    answers = office_settings(rules, guards, prices, rain, place)
    settings = Settings(data, host, port, public_url, secret, office, answers)
    give_memory_back()
    take_short_turns()
    log_as_json()
    metrics = Metrics()
    app = create_app(settings, metrics=metrics)
    if not _has_users(data):
        error_console().print(
            "Nobody can sign in yet. Make the first person of the office with:\n"
            f"  eavefall user add NAME --role admin --data {data}"
        )
    stop = serve_metrics(metrics, metrics_port) if metrics_port else None
    try:
        uvicorn.Server(server_config(app, host, port, trusted_proxy)).run()
    finally:
        if stop:
            stop()


def _has_users(data: Path) -> bool:
    database = Database.of(data)
    try:
        with database.read() as session:
            return accounts.has_users(session)
    finally:
        database.close()
