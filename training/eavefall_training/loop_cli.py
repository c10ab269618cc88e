"""``eavefall-training refit``, ``gate`` and ``active``: from an office's corrections to a better model."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from numpy.typing import NDArray
from rich.console import Console
from rich.progress import Progress
from rich.table import Table

from eavefall_datasets.manifest import default_root, load_manifest
from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import held_out_groups
from eavefall_model.tags.card import Source
from eavefall_model.tags.folder import PACKAGED, tagger_of
from eavefall_model.tags.tagger import Tagger
from eavefall_training.active import learning_curves, savings
from eavefall_training.described import Described, describe, describe_plainly, joined, slices_of
from eavefall_training.gate import gate, right_answers, write_report
from eavefall_training.refit import choose_ridge, write_candidate

CurrentOption = Annotated[
    Path | None, typer.Option(help="Folder of the model in use; left out: the one in the package.")
]
BaseOption = Annotated[Path | None, typer.Option(help="Folder of the base pictures, with manifest.csv.")]


def register(app: typer.Typer) -> None:
    """Mount the commands."""
    app.command("refit")(refit)
    app.command("gate")(run_gate)
    app.command("active")(active)


def _described(pictures: list[Picture], tagger: Tagger, what: str) -> Described:
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(what, total=len(pictures))
        return describe(pictures, tagger, lambda done: bar.update(task, completed=done))


def _folds(parts: list[tuple[list[Picture], dict[str, dict[str, str]]]], folds: int) -> NDArray[np.int64]:
    """Fold of each picture: whole species and sources, and whole surveys of the office."""
    out: list[int] = []
    for pictures, slices in parts:
        groups = held_out_groups(pictures)
        names = [slices.get(p.file_id, {}).get("survey", groups[p.file_id]) if slices else groups[p.file_id]
                 for p in pictures]  # fmt: skip
        number = {name: i % folds for i, name in enumerate(sorted(set(names)))}
        out.extend(number[name] for name in names)
    return np.array(out, dtype=np.int64)


def refit(
    office: Annotated[
        list[Path], typer.Argument(help="Folders from `eavefall office export`, the train part.")
    ],
    out: Annotated[Path, typer.Option(help="Folder to write the candidate to.")],
    base: BaseOption = None,
    current: CurrentOption = None,
    name: Annotated[str, typer.Option(help="Name of the new model.")] = "office-refit",
    folds: Annotated[int, typer.Option(min=2, max=10, help="Folds that choose how far it may move.")] = 4,
) -> None:
    """Learn the last layer anew from base pictures and an office's own; minutes on a plain CPU."""
    tagger = tagger_of(current)
    root = base or default_root()
    usable = [p for p in load_manifest(root) if p.trainable]
    parts: list[tuple[list[Picture], dict[str, dict[str, str]]]] = [(usable, {})]
    for folder in office:
        parts.append(([p for p in load_manifest(folder, corrections={}) if p.trainable], slices_of(folder)))
    data = joined([_described(pictures, tagger, "Reading pictures") for pictures, _ in parts if pictures])
    made = choose_ridge(data, _folds([part for part in parts if part[0]], folds))
    sources = tuple(
        Source(name=f"office photos {i + 1}", pictures=len(pictures), use="trained",
               licences="sender's consent", classes=", ".join(sorted({p.foliage for p in pictures})))
        for i, (pictures, _) in enumerate(parts[1:])
    )  # fmt: skip
    weights_file = tagger.card.weights_file
    weights = ((current / weights_file) if current else _packaged(weights_file)).read_bytes()
    write_candidate(made, weights, tagger.card, name, sources, out)
    table = Table("ridge", "held-out loss", title=f"{made.n} pictures")
    for ridge, loss in made.held_out_loss.items():
        chosen = " (chosen)" if ridge == made.ridge else ""
        table.add_row("no change" if ridge == 0 else f"{ridge:g}", f"{loss:.4f}{chosen}")
    Console().print(table)
    Console().print(f"Candidate in {out}. Next: eavefall-training gate {out} --locked ...", markup=False)


def _packaged(weights_file: str) -> Path:
    from importlib import resources

    return Path(str(resources.files("eavefall_model.tags").joinpath(weights_file)))


def run_gate(
    candidate: Annotated[Path, typer.Argument(help="Folder of the candidate.")],
    locked: Annotated[list[Path], typer.Option(help="Folder of locked pictures; may be given again.")],
    current: CurrentOption = None,
) -> None:
    """Compare a candidate with the model in use on locked pictures; exit 1 and say why if it is refused."""
    pictures: list[Picture] = []
    slices: dict[str, dict[str, str]] = {}
    for folder in locked:
        pictures += load_manifest(folder, corrections={})
        slices |= slices_of(folder)
    answers = []
    for model, what in ((current, "Model in use"), (candidate, "Candidate")):
        tagger = tagger_of(model)
        data = _described(pictures, tagger, what)
        answers.append(right_answers(data, tagger))
    verdict = gate(answers[0], answers[1], data, slices)
    write_report(verdict, candidate, current.name if current else PACKAGED, [str(f) for f in locked])
    table = Table(
        "slice", "n", "in use", "95 % interval", "candidate", "", title=f"{verdict.n} locked pictures"
    )
    for row in verdict.rows:
        table.add_row(
            row.slice, str(row.n), f"{row.current:.3f}", f"{row.low:.3f} to {row.high:.3f}",
            f"{row.candidate:.3f}", "fell" if row.fell else "",
        )  # fmt: skip
    console = Console()
    console.print(table)
    console.print(
        f"Score {verdict.current_score:.3f} in use, {verdict.candidate_score:.3f} candidate; "
        f"{verdict.gained} gained, {verdict.lost} lost, McNemar p = {verdict.p_value:.3f}."
    )
    if not verdict.passed:
        console.print(f"Refused: {verdict.why}.", markup=False)
        raise typer.Exit(1)
    console.print(f"Passed. Next: eavefall office promote {candidate}", markup=False)


def active(
    base: BaseOption = None,
    runs: Annotated[int, typer.Option(min=2, max=200, help="Splits to average over.")] = 12,
) -> None:
    """Simulate how many labels a well-chosen queue saves against a random one."""
    pictures = [p for p in load_manifest(base or default_root()) if not p.unsure]
    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Reading pictures", total=len(pictures))
        data = describe_plainly(pictures, lambda done: bar.update(task, completed=done))
    groups = held_out_groups(pictures)
    curves = learning_curves(data, [groups[p.file_id] for p in pictures], runs=runs)
    table = Table(
        "labels", "random", "chosen", title=f"Balanced accuracy, {runs} splits, {len(data)} pictures"
    )
    for i, labels in enumerate(curves[0].labels):
        table.add_row(str(labels), *(f"{curve.mean()[i]:.3f}" for curve in curves))
    saving = savings(*curves)
    console = Console()
    console.print(table)
    console.print(
        f"For {saving.accuracy:.3f}: {saving.random:.0f} labels at random, {saving.chosen:.0f} chosen; "
        f"{saving.saved:.0%} saved ({saving.low:.0%} to {saving.high:.0%}, {saving.runs} splits)."
    )
