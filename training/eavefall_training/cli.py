"""Command line for training: reproduce, fit, curve, bench, card; refit, gate and active for an office."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.table import Table

from eavefall_model.tags.card import Card, load_card
from eavefall_training import loop_cli
from eavefall_training.bench import bench as measure

app = typer.Typer(add_completion=False, no_args_is_help=True, help="Train, test and release the tagger.")
_say = Console()

WorkOption = Annotated[Path, typer.Option(help="Folder for intermediate files.")]
DeviceOption = Annotated[str, typer.Option(help="cpu or cuda.")]
WorkersOption = Annotated[int, typer.Option(help="Processes that fit nets side by side.")]


@app.command()
def reproduce(
    work: WorkOption = Path("training-work"),
    out: Annotated[Path, typer.Option(help="Folder for weights, card and credits.")] = Path(
        "training-work/release"
    ),
    imagery: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None,
    packages: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets fetch-packages.")] = None,
    rendered: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets render-scenes.")] = None,
    device: DeviceOption = "cpu",
    workers: WorkersOption = 1,
) -> None:
    """Pack, fit all folds and the final net, evaluate, calibrate, write the release and print its card."""
    from eavefall_training.fit import Recipe
    from eavefall_training.pictures import gather
    from eavefall_training.release import reproduce as run

    found, credited = gather(imagery, packages, rendered, work)
    _print(run(found, credited, Recipe(), work, out, device=device, workers=workers, say=_say.print))


@app.command()
def fit(
    work: Annotated[Path, typer.Argument(help="Folder with pictures.npz.")],
    device: DeviceOption = "cpu",
    workers: WorkersOption = 1,
) -> None:
    """The long part of reproduce alone, on a machine that gets nothing but the packed pictures."""
    from eavefall_training.fit import Recipe, fit_all

    fit_all(Recipe(), work, device=device, workers=workers)


@app.command()
def curve(
    work: Annotated[Path, typer.Argument(help="Folder with pictures.npz.")],
    device: DeviceOption = "cpu",
    workers: WorkersOption = 1,
) -> None:
    """What every doubling of photos is worth: one net for each fold, from an eighth of them to all."""
    from dataclasses import replace

    from eavefall_training import pictures
    from eavefall_training.evaluate import learning_curve
    from eavefall_training.fit import Recipe, fit_all, training_rows

    pack, points = pictures.load(work / pictures.PICTURES), []
    for share, draw in ((0.125, 0), (0.25, 0), (0.25, 1), (0.5, 0), (0.5, 1), (1.0, 0), (1.0, 1)):
        some, folder = pictures.thinned(pack, share, draw), work / f"curve-{share}-{draw}"
        pictures.save(some, folder / pictures.PICTURES)
        recipe = replace(Recipe(), name="curve", nets=1, seed=draw)
        scores = fit_all(recipe, folder, device=device, workers=workers)
        folds = range(int(pack.fold.max()) + 1)
        learned = [sum(some.kinds[i] == "photo" for i in training_rows(some, recipe, k)) for k in folds]
        points.append((sum(learned) / len(learned), scores))
    for what, measured in learning_curve(pack, points):
        _say.print(f"{what}: {measured}")


@app.command()
def bench(rounds: Annotated[int, typer.Option(help="Repeats of each look and of bare decode.")] = 25) -> None:
    """Both looks over bare scaled decode, and peak memory."""
    found = measure(rounds)
    _say.print(f"{found.megabytes:.1f} MB JPEG of 12 MP; medians, 95 % intervals over n repeats")
    _say.print(f"first look over bare scaled decode, processor time: {found.first_over_decode}")
    _say.print(f"both looks over bare scaled decode, processor time: {found.both_over_decode}")
    _say.print(f"peak memory of a fresh process, MB: {found.peak_mb}")


@app.command()
def card() -> None:
    """Figures of the tagger in this installation."""
    _print(load_card())


def _print(card: Card) -> None:
    _say.print(f"{card.name}, weights {card.weights_sha256[:12]}, input {card.input_px} px")
    table = Table("what", "value", "95 % interval", "n", "how")
    for f in card.figures:
        table.add_row(f.what, f"{f.value:.3f}", f"{f.low:.3f} to {f.high:.3f}", str(f.n), f.how)
    _say.print(table)


loop_cli.register(app)


def main() -> None:
    """Entry point."""
    app()
