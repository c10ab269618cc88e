"""``eavefall office``: statistics and the learning loop from the command line."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Annotated, cast

import typer
from rich.table import Table

from eavefall_model.advice.say import GUARDS
from eavefall_model.errors import RulesError
from eavefall_model.vocabulary import GuardKind
from eavefall_service.cli.console import console, print_table
from eavefall_service.cli.office_data import DEFAULT_DATA, ByOption, DataOption, acting, opened
from eavefall_service.cli.office_learning import LOOP_COMMANDS
from eavefall_service.journeys.actor import UPKEEP
from eavefall_service.journeys.door import changing_office
from eavefall_service.office import agreement_tables, facts, outcomes, refitted_rules, samples, watching
from eavefall_service.statistics.agreement import kappa
from eavefall_service.statistics.plans import (
    accept_probability,
    estimation_size,
    limiting_quality,
    single_plan,
)
from eavefall_service.statistics.posterior import ScaleUpdate, update_scales
from eavefall_service.statistics.visits import compare
from eavefall_service.statistics.weeks import iso_week, week_of

BranchOption = Annotated[str, typer.Option(help="One branch only.")]


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    office = typer.Typer(no_args_is_help=True, help="Audit statistics and the learning loop.")
    commands: dict[str, Callable[..., None]] = {
        "plan": plan, "sample": sample, "agreement": agreement, "drift": drift, "outcome": outcome,
        "outcomes": show_outcomes, "accept": accept, "rules": rules, **LOOP_COMMANDS,
    }  # fmt: skip
    for name, command in commands.items():
        office.command(name)(command)
    app.add_typer(office, name="office")


def plan(
    surveys: Annotated[int, typer.Argument(help="How many surveys the lot has.", min=2)],
    aql: Annotated[float, typer.Option(help="Percent wrong that is still acceptable on average.")] = 4.0,
    within: Annotated[
        float | None, typer.Option(help="Or: estimate the error rate to this many points.")
    ] = None,
    expected: Annotated[float, typer.Option(help="Error rate expected, in percent, for --within.")] = 10.0,
) -> None:
    """How many surveys to check, and what such a check can tell."""
    if within is not None:
        n = estimation_size(within / 100, expected=expected / 100, population=surveys)
        console().print(
            f"Check {n} of {surveys} to know the error rate to {within:g} points either way (95 %)."
        )
        return
    try:
        made = single_plan(surveys, aql)
    except ValueError as error:
        raise typer.BadParameter(str(error), param_hint="--aql") from error
    console().print(
        f"Letter {made.letter}{'' if made.letter == made.plan_letter else f', arrow to {made.plan_letter}'}: "
        f"check {made.sample_size}, pass with up to {made.accept} wrong."
    )
    table = Table("wrong in the lot", "passes", "passes, this very lot")
    for wrong in (0.5, 1, 2, 4, 6.5, 10, 15, 20, 30):
        table.add_row(
            f"{wrong:g} %",
            f"{accept_probability(made, wrong / 100):.1%}",
            f"{accept_probability(made, wrong / 100, finite=True):.1%}",
        )
    console().print(table)
    console().print(f"One lot in ten still passes with {limiting_quality(made):.1%} wrong.")


def sample(
    data: DataOption = DEFAULT_DATA,
    weeks_back: Annotated[int, typer.Option(help="Last week to draw from: 1 is last week.", min=0)] = 1,
    weeks: Annotated[int, typer.Option(help="Over how many weeks.", min=1)] = 1,
    size: Annotated[int | None, typer.Option(help="How many; left out: as the plan says.", min=1)] = None,
    aql: Annotated[float, typer.Option(help="Quality level of the plan, percent.")] = 4.0,
    seed: Annotated[int | None, typer.Option(help="Seed; left out: made and recorded.")] = None,
    by: ByOption = "",
) -> None:
    """Draw a stratified random sample and keep it; `/office/statistics` shows it for blind reading."""
    last = week_of(datetime.now(UTC).date().isoformat()) - weeks_back
    with opened(data) as (database, _), changing_office(database, acting(by), "draw sample") as session:
        lot = facts.in_weeks(session, last - weeks + 1, last)
        made = single_plan(lot, aql) if lot >= 2 else None
        row = samples.make_draw(
            session, acting(by), last - weeks + 1, last, size or (made.sample_size if made else 1),
            seed=seed, plan=made, readers=samples.auditors(session),
        )  # fmt: skip
        drawn = samples.sampled_in(session, row.id, "")
    table = Table(
        "survey",
        "house",
        "branch",
        "rep",
        "second reader",
        title=f"Sample {row.id}: {row.size} of {row.listed}",
    )
    for each in drawn:
        table.add_row(each.survey_id, each.name, each.branch, each.rep, each.second_reader or "")
    print_table(table, "Surveys handed in during these weeks fill it; try --weeks or --weeks-back.")
    console().print(f"Seed {row.seed}, list {row.list_sha256[:12]}.")


def agreement(data: DataOption = DEFAULT_DATA, branch: BranchOption = "") -> None:
    """Who agrees with whom; error rates by blind reading of random samples."""
    with opened(data) as (database, _), database.read() as session:
        table = Table("pair", "same answer", "kappa", "linear kappa, ordered classes")
        for pair in agreement_tables.PAIRS:
            found = agreement_tables.pair_table(session, pair, branch or None)
            ordered = kappa(agreement_tables.ordered_only(found), "linear")
            table.add_row(pair, str(found.agreement()), str(kappa(found)), str(ordered))
        reads = agreement_tables.sample_reads(session, branch or None)
    console().print(table)
    console().print(f"Model wrong: {reads.model_wrong}. Rep wrong: {reads.rep_wrong}.")


def drift(
    data: DataOption = DEFAULT_DATA,
    measure: Annotated[str, typer.Option(help="corrected, unsure, poor_photo or needle.")] = "corrected",
    by: Annotated[str, typer.Option(help="branch or phone.")] = "branch",
) -> None:
    """Watch weekly shares; exit 1 if an alarm stands."""
    if measure not in watching.MEASURES:
        raise typer.BadParameter(f"must be one of {', '.join(watching.MEASURES)}", param_hint="--measure")
    if by not in watching.BY:
        raise typer.BadParameter(f"must be one of {', '.join(watching.BY)}", param_hint="--by")
    with opened(data) as (database, _), changing_office(database, UPKEEP, "keep statistics") as session:
        designs = watching.Designs(session)
        series = watching.drift_series(session, measure, by, designs)
        designs.keep(session)
    table = Table(by, "surveys", "usual", "state", "alarms", "changed since about")
    for each in series:
        alarms = each.watched.alarms
        table.add_row(
            each.group,
            str(each.watched.n),
            str(each.watched.baseline or ""),
            each.watched.state,
            ", ".join(f"{iso_week(alarm.week)} {alarm.direction}" for alarm in alarms),
            iso_week(alarms[0].since_week) if alarms else "",
        )
    print_table(table, "A few weeks of surveys handed in fill it.")
    if any(each.watched.alarms for each in series):
        raise typer.Exit(1)


def outcome(
    survey: Annotated[str, typer.Argument(help="Number of the survey.")],
    guard: Annotated[str, typer.Option(help="Guard in place, such as woven_micromesh or none.")],
    found: Annotated[str, typer.Option(help="clean, clogged or overflowed.")],
    months: Annotated[float, typer.Option(help="Months since the last cleaning.")],
    last_clean: Annotated[float, typer.Option(help="Months at the last visit that found it clear.")] = 0.0,
    note: Annotated[str, typer.Option(help="A few words.")] = "",
    data: DataOption = DEFAULT_DATA,
    by: ByOption = "",
) -> None:
    """Record what a later visit found."""
    with opened(data) as (database, _), changing_office(database, acting(by), "record outcome") as session:
        row = outcomes.record_outcome(session, acting(by), survey, guard, found, months, last_clean, note)
        console().print(
            f"Kept. Predicted for {_guard(guard)}: {row.predicted_low:.0f} to "
            f"{row.predicted_high:.0f} months, typically {row.predicted_typical:.0f}."
        )


def show_outcomes(data: DataOption = DEFAULT_DATA) -> None:
    """Observed against predicted months, and what outcomes say of the predictions."""
    with opened(data) as (database, _), database.read() as session:
        visits = outcomes.visits(session)
    table = Table("guard", "needed cleaning", "predicted", "z", "half by month", "predicted")
    for row in compare(visits):
        table.add_row(
            _guard(row.guard), str(row.in_need), f"{row.expected:.0%}",
            "too few" if row.z is None else f"{row.z:.1f}",
            "not reached" if row.observed_median is None else f"{row.observed_median:g}",
            f"{row.predicted_median:.0f}",
        )  # fmt: skip
    print_table(table, "Later visits fill it; each is kept with `eavefall office outcome`.")
    for update in update_scales(visits):
        console().print(_told(update))


def _guard(kind: str) -> str:
    return GUARDS["estimator"][cast(GuardKind, kind)]


def _told(update: ScaleUpdate) -> str:
    return f"{_guard(update.guard).capitalize()}: {update.sentence}"


def accept(
    guard: Annotated[str, typer.Argument(help="Guard kind, such as none or woven_micromesh.")],
    data: DataOption = DEFAULT_DATA,
    by: ByOption = "",
) -> None:
    """Accept today's factor on predicted months for a guard kind; it is recorded with prior and posterior."""
    with opened(data) as (database, _), changing_office(database, acting(by), "accept factor") as session:
        _, update = outcomes.accept_scale(session, acting(by), guard)
    console().print(_told(update))


def rules(
    out: Annotated[Path, typer.Argument(help="File to write.")],
    data: DataOption = DEFAULT_DATA,
    base: Annotated[Path | None, typer.Option(help="Rules to start from; left out: the package's.")] = None,
) -> None:
    """Write a copy of the rules with the accepted factors in it, for `eavefall assess --rules`."""
    shipped = resources.files("eavefall_model.advice").joinpath("rules.yaml")
    text = base.read_text(encoding="utf-8") if base else shipped.read_text(encoding="utf-8")
    with opened(data) as (database, _), database.read() as session:
        changed, told = refitted_rules.refitted_rules(text, outcomes.accepted_scales(session))
    if not told:
        raise RulesError("rules-invalid", "No accepted factor bears on the rules.", "Accept one first.")
    out.write_text(changed, encoding="utf-8")
    for sentence in told:
        console().print(sentence)
    console().print(f"Written to {out}.")
