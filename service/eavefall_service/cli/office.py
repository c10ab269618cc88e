"""``eavefall office``: statistics and the learning loop from the command line."""

from __future__ import annotations

import getpass
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path
from typing import Annotated, Final

import typer
from rich.progress import Progress
from rich.table import Table
from sqlalchemy import select

from eavefall_model.errors import RulesError
from eavefall_model.tags.folder import PACKAGED, tagger_of
from eavefall_service.audit import facts, office_rules, outcomes, samples, tables, watching
from eavefall_service.audit.agreement import kappa
from eavefall_service.audit.export import export_photos
from eavefall_service.audit.office_study import run_study
from eavefall_service.audit.office_world import Plan as OfficePlan
from eavefall_service.audit.outcome import compare
from eavefall_service.audit.plans import accept_probability, estimation_size, limiting_quality, single_plan
from eavefall_service.audit.posterior import update_scales
from eavefall_service.audit.registry import Registry
from eavefall_service.audit.rescore import rescore as rescore_one
from eavefall_service.audit.teach import ask_about
from eavefall_service.cli.console import console, error_console
from eavefall_service.journeys.actor import Actor
from eavefall_service.storage import Database, PhotoFolder
from eavefall_service.storage.rows import SurveyRow

__all__ = ["register"]

_DATA: Final = Path("eavefall-data")
DataOption = Annotated[Path, typer.Option(help="Data directory of the office.")]
ByOption = Annotated[str, typer.Option(help="Who does it, for the log; your login name if left out.")]
BranchOption = Annotated[str, typer.Option(help="One branch only.")]


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    office = typer.Typer(no_args_is_help=True, help="Audit statistics and the learning loop.")
    for name, command in (
        ("plan", plan), ("sample", sample), ("agreement", agreement), ("drift", drift), ("outcome", outcome),
        ("outcomes", show_outcomes), ("accept", accept), ("rules", rules), ("ask", ask), ("export", export),
        ("promote", promote), ("rollback", rollback), ("models", models), ("rescore", rescore),
        ("simulate", simulate),
    ):  # fmt: skip
        office.command(name)(command)
    app.add_typer(office, name="office")


@contextmanager
def _opened(data: Path) -> Iterator[tuple[Database, PhotoFolder]]:
    if not (data / "eavefall.db").is_file():
        raise typer.BadParameter(
            f"{data} holds no office; `eavefall serve --data {data}` starts one", param_hint="--data"
        )
    database = Database(data / "eavefall.db")
    try:
        photos = PhotoFolder(data / "photos")
        with database.write() as session:
            facts.refresh_facts(session, photos.original)
        yield database, photos
    finally:
        database.close()


def _actor(by: str) -> Actor:
    return Actor(by or getpass.getuser(), "admin")


def _bar() -> Progress:
    return Progress(console=error_console(), transient=True)


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
    data: DataOption = _DATA,
    weeks_back: Annotated[int, typer.Option(help="Last week to draw from: 1 is last week.", min=0)] = 1,
    weeks: Annotated[int, typer.Option(help="Over how many weeks.", min=1)] = 1,
    size: Annotated[int | None, typer.Option(help="How many; left out: as the plan says.", min=1)] = None,
    aql: Annotated[float, typer.Option(help="Quality level of the plan, percent.")] = 4.0,
    seed: Annotated[int | None, typer.Option(help="Seed; left out: made and recorded.")] = None,
    by: ByOption = "",
) -> None:
    """Draw a stratified random sample and keep it; `/office/statistics` shows it for blind reading."""
    last = facts.week_of(datetime.now(UTC).date().isoformat()) - weeks_back
    with _opened(data) as (database, _), database.write() as session:
        lot = facts.in_weeks(session, last - weeks + 1, last)
        made = single_plan(lot, aql) if lot >= 2 else None
        row = samples.make_draw(
            session, _actor(by), last - weeks + 1, last, size or (made.sample_size if made else 1),
            seed=seed, plan=made, readers=samples.auditors(session),
        )  # fmt: skip
        drawn = samples.sampled_in(session, row.id, "")
    table = Table(
        "survey", "branch", "rep", "second reader", title=f"Sample {row.id}: {row.size} of {row.listed}"
    )
    for each in drawn:
        table.add_row(each.survey_id, each.branch, each.rep, each.second_reader or "")
    console().print(table)
    console().print(f"Seed {row.seed}, list {row.list_sha256[:12]}.")


def agreement(data: DataOption = _DATA, branch: BranchOption = "") -> None:
    """Who agrees with whom; error rates by blind reading of random samples."""
    with _opened(data) as (database, _), database.read() as session:
        table = Table("pair", "same answer", "kappa", "linear kappa, ordered classes")
        for pair in ("model-rep", "model-auditor", "rep-auditor", "auditor-auditor"):
            found = tables.pair_table(session, pair, branch or None)
            ordered = kappa(tables.ordered_only(found), "linear")
            table.add_row(pair, str(found.agreement()), str(kappa(found)), str(ordered))
        reads = tables.sample_reads(session, branch or None)
    console().print(table)
    console().print(f"Model wrong: {reads.model_wrong}. Rep wrong: {reads.rep_wrong}.")


def drift(
    data: DataOption = _DATA,
    measure: Annotated[str, typer.Option(help="corrected, unsure, poor_photo or needle.")] = "corrected",
    by: Annotated[str, typer.Option(help="branch or phone.")] = "branch",
) -> None:
    """Watch weekly shares; exit 1 if an alarm stands."""
    if measure not in watching.MEASURES:
        raise typer.BadParameter(f"must be one of {', '.join(watching.MEASURES)}", param_hint="--measure")
    if by not in watching.BY:
        raise typer.BadParameter(f"must be one of {', '.join(watching.BY)}", param_hint="--by")
    with _opened(data) as (database, _), database.write() as session:
        designs = watching.Designs(session)
        series = watching.drift_series(session, measure, by, designs)
        designs.keep(session)
    table = Table(by, "surveys", "usual", "state", "alarms, week of", "changed since about")
    for each in series:
        alarms = each.watched.alarms
        table.add_row(
            each.group,
            str(each.watched.n),
            str(each.watched.baseline or ""),
            each.watched.state,
            ", ".join(f"{facts.week_start(alarm.week)} {alarm.direction}" for alarm in alarms),
            str(facts.week_start(alarms[0].since_week)) if alarms else "",
        )
    console().print(table)
    if any(each.watched.alarms for each in series):
        raise typer.Exit(1)


def outcome(
    survey: Annotated[str, typer.Argument(help="Number of the survey.")],
    guard: Annotated[str, typer.Option(help="Guard in place, such as woven_micromesh or none.")],
    found: Annotated[str, typer.Option(help="clean, clogged or overflowed.")],
    months: Annotated[float, typer.Option(help="Months since the last cleaning.")],
    last_clean: Annotated[float, typer.Option(help="Months at the last visit that found it clear.")] = 0.0,
    note: Annotated[str, typer.Option(help="A few words.")] = "",
    data: DataOption = _DATA,
    by: ByOption = "",
) -> None:
    """Record what a later visit found."""
    with _opened(data) as (database, _), database.write() as session:
        row = outcomes.record_outcome(session, _actor(by), survey, guard, found, months, last_clean, note)
        console().print(
            f"Kept. Predicted for {guard.replace('_', ' ')}: {row.predicted_low:.0f} to "
            f"{row.predicted_high:.0f} months, typically {row.predicted_typical:.0f}."
        )


def show_outcomes(data: DataOption = _DATA) -> None:
    """Observed against predicted months, and what outcomes say of the predictions."""
    with _opened(data) as (database, _), database.read() as session:
        visits = outcomes.visits(session)
    table = Table("guard", "needed a hand", "predicted", "z", "half by month", "predicted")
    for row in compare(visits):
        table.add_row(
            row.guard, str(row.in_need), f"{row.expected:.0%}",
            "too few" if row.z is None else f"{row.z:.1f}",
            "not reached" if row.observed_median is None else f"{row.observed_median:g}",
            f"{row.predicted_median:.0f}",
        )  # fmt: skip
    console().print(table)
    for update in update_scales(visits):
        console().print(update.sentence)


def accept(
    guard: Annotated[str, typer.Argument(help="Guard kind, such as none or woven_micromesh.")],
    data: DataOption = _DATA,
    by: ByOption = "",
) -> None:
    """Accept today's factor on predicted months for a guard kind; it is recorded with prior and posterior."""
    with _opened(data) as (database, _), database.write() as session:
        _, update = outcomes.accept_scale(session, _actor(by), guard)
    console().print(update.sentence)


def rules(
    out: Annotated[Path, typer.Argument(help="File to write.")],
    data: DataOption = _DATA,
    base: Annotated[Path | None, typer.Option(help="Rules to start from; left out: the package's.")] = None,
) -> None:
    """Write a copy of the rules with the accepted factors in it, for `eavefall assess --rules`."""
    shipped = resources.files("eavefall_model.advice").joinpath("rules.yaml")
    text = base.read_text(encoding="utf-8") if base else shipped.read_text(encoding="utf-8")
    with _opened(data) as (database, _), database.read() as session:
        changed, told = office_rules.refitted_rules(text, outcomes.accepted_scales(session))
    if not told:
        raise RulesError("rules-invalid", "No accepted factor bears on the rules.", "Accept one first.")
    out.write_text(changed, encoding="utf-8")
    for sentence in told:
        console().print(sentence)
    console().print(f"Written to {out}.")


def ask(
    data: DataOption = _DATA,
    count: Annotated[int, typer.Option(help="How many photos.", min=1)] = 20,
    seed: Annotated[int, typer.Option(help="Seed of the random share.")] = 0,
) -> None:
    """Photos that an auditor should label next, because they would teach most; one in five at random."""
    with _opened(data) as (database, photos), database.read() as session, _bar() as bar:
        task = bar.add_task("Looking at photos", total=None)
        chosen = ask_about(
            session, tagger_of(Registry(data).folder()), photos.original, count, seed,
            progress=lambda done, total: bar.update(task, completed=done, total=total),
        )  # fmt: skip
    table = Table("survey", "photo", "score", "why")
    for each in chosen:
        table.add_row(
            each.survey_id, each.photo, f"{each.score:.2f}", "at random" if each.at_random else "teaches"
        )
    console().print(table)


def export(out: Annotated[Path, typer.Argument(help="New folder.")], data: DataOption = _DATA) -> None:
    """Write corrected and audited photos, with consent, as a data set: one part to learn from, one locked."""
    with _opened(data) as (database, photos), database.read() as session, _bar() as bar:
        task = bar.add_task("Writing photos", total=None)
        done = export_photos(session, photos.original, out, lambda n: bar.update(task, completed=n))
    console().print(
        f"{done.train} to learn from in {out / 'train'}, {done.locked} locked in {out / 'locked'}."
    )
    for why, n in sorted(done.left_out.items()):
        console().print(f"{n} left out: {why}.")


def promote(
    candidate: Annotated[Path, typer.Argument(help="Folder of a candidate that passed its gate.")],
    data: DataOption = _DATA,
    by: ByOption = "",
) -> None:
    """Let a candidate answer from now on; a running server takes it up at its next start."""
    change = Registry(data).promote(candidate, _actor(by).name)
    console().print(f"{change.model} answers now; before it was {change.before}.")


def rollback(data: DataOption = _DATA, by: ByOption = "") -> None:
    """Go back to the model before."""
    change = Registry(data).roll_back(_actor(by).name)
    console().print(f"{change.model} answers again; {change.before} is out.")


def models(data: DataOption = _DATA) -> None:
    """Which model answers, and every change so far."""
    registry = Registry(data)
    console().print(f"In use: {registry.current()}.")
    table = Table("when", "what", "model", "before", "by")
    for change in registry.history():
        table.add_row(change.at, change.action, change.model, change.before, change.who)
    console().print(table)


def rescore(
    data: DataOption = _DATA,
    model: Annotated[str, typer.Option(help="Model of the registry; left out: the one in use.")] = "",
    most: Annotated[int, typer.Option(help="At most so many of the newest surveys.", min=1)] = 100,
) -> None:
    """Which advice would change if old surveys were answered by this model; changes nothing."""
    tagger = tagger_of(Registry(data).folder(model or None))
    found = []
    with _opened(data) as (database, photos), database.read() as session, _bar() as bar:
        rows = session.scalars(
            select(SurveyRow)
            .where(SurveyRow.status != facts.OPEN)
            .order_by(SurveyRow.created_at.desc())
            .limit(most)
        ).all()
        for row in bar.track(rows, description="Scoring again"):
            one = rescore_one(session, row, tagger, photos.original)
            if one is not None:
                found.append(one)
    table = Table("survey", "name", "class", "would be", "months", "would be", "model before")
    for each in found:
        if each.changed:
            table.add_row(
                each.survey_id, each.name, each.class_before, each.class_after, f"{each.months_before:.0f}",
                f"{each.months_after:.0f}", each.model_before,
            )  # fmt: skip
    console().print(table)
    changed = sum(each.changed for each in found)
    console().print(
        f"{changed} of {len(found)} would change under {model or Registry(data).current() or PACKAGED}."
    )
    if any(each.rules_differ for each in found):
        console().print("Some were answered under other rules, which may be the cause.")


def simulate(
    runs: Annotated[int, typer.Option(help="Simulated years.", min=1)] = 200,
    surveys: Annotated[int, typer.Option(help="Surveys in a year.", min=100)] = 10_000,
    seed: Annotated[int, typer.Option(help="Seed.")] = 0,
) -> None:
    """Test these statistics on an invented office with known error rates: coverage, delay, false alarms."""
    with _bar() as bar:
        task = bar.add_task("Simulating years", total=runs)
        study = run_study(
            OfficePlan(surveys=surveys), runs, seed, lambda done: bar.update(task, completed=done)
        )
    table = Table(
        "95 % interval of", "holds the truth in", title=f"{runs} invented years of {surveys} surveys"
    )
    for name, share in study.coverage.items():
        table.add_row(name, str(share))
    console().print(table)
    console().print(f"Drift flagged: {study.found}.")
    if study.delay_weeks:
        median, late, worst = study.delay_weeks
        console().print(f"Weeks from drift to alarm: median {median:g}, 90 % by {late:g}, longest {worst:g}.")
    console().print(f"False alarms: {study.false_alarms} of quiet branch-years; early: {study.early}.")
