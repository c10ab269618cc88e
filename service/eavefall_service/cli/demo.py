"""``eavefall demo``: the main job on an invented house, or a whole invented office to look around in."""

from __future__ import annotations

from importlib import resources
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from eavefall_service.cli.assess import finish
from eavefall_service.cli.console import console, error_console
from eavefall_service.cli.office_data import progress_bar
from eavefall_service.walk import walk_survey


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command("demo")(demo)


def demo(
    out: Annotated[Path, typer.Option(help="Folder for the report and the JSON.")] = Path("eavefall-demo"),
    office: Annotated[
        Path | None, typer.Option(help="Instead: a new data directory, filled with an invented office.")
    ] = None,
    houses: Annotated[int, typer.Option(help="With --office: how many houses.", min=20, max=1000)] = 60,
) -> None:
    """Run the main job on an invented house with rendered photos; write its report and advice."""
    if office is not None:
        _office(office, houses)
        return
    out.mkdir(parents=True, exist_ok=True)
    error_console().print("An invented house; its photos are rendered by eavefall's own code.")
    with resources.as_file(resources.files("eavefall_service").joinpath("demo")) as folder:
        walk = walk_survey(folder / "demo.yaml")
        (out / "advice.json").write_text(walk.advice.model_dump_json(indent=2) + "\n", "utf-8")
        finish(walk, json=False, reports=[out / "report.html", out / "report.pdf"], rendered=True)


def _office(data: Path, houses: int) -> None:
    # Imported here: the database and the web's settings take a second to load, which one house does not need.
    from eavefall_service.demo.invented_office import fill_office
    from eavefall_service.web.settings import LOOPBACK_SECRET

    error_console().print("An invented office: people, houses and numbers are made up, photos rendered.")
    with progress_bar() as bar:
        task = bar.add_task("Starting", total=None)

        def told(what: str, done: int, total: int) -> None:
            bar.update(task, description=what, completed=done, total=total)

        people = fill_office(data, houses=houses, secret=LOOPBACK_SECRET, progress=told)
    table = Table("name", "role", "branch", "password", title="Sign in as")
    for person in people:
        table.add_row(person.name, person.role, person.branch, person.password)
    console().print(table)
    console().print(f"Now: eavefall serve --data {data}, and open http://127.0.0.1:8337")
