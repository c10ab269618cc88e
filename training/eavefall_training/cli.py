"""Command line for training: reproduce, evaluate, figures, bench; refit, gate and active for an office."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from rich.console import Console
from rich.table import Table

from eavefall_model.tags.card import Card, Figure, load_card
from eavefall_training import loop_cli
from eavefall_training.bench import bench as measure
from eavefall_training.config import load_config

__all__ = ["app", "main"]

app = typer.Typer(add_completion=False, no_args_is_help=True, help="Train, test and release the tagger.")
_say = Console()


@app.command()
def reproduce(
    work: Annotated[Path, typer.Option(help="Folder for intermediate files.")] = Path("training-work"),
    out: Annotated[Path, typer.Option(help="Folder for weights, card and credits.")] = Path(
        "training-work/release"
    ),
    imagery: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None,
    packages: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets fetch-packages.")] = None,
    rendered: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets render-scenes.")] = None,
    config: Annotated[Path | None, typer.Option(help="Recipe (YAML); default: the committed one.")] = None,
    device: Annotated[str, typer.Option(help="cpu or cuda.")] = "cpu",
    workers: Annotated[int, typer.Option(help="Processes that fit nets side by side.")] = 1,
) -> None:
    """Fit all folds and the final net from the committed recipe, evaluate, and write the release."""
    from eavefall_training.reproduce import gather
    from eavefall_training.reproduce import reproduce as run

    recipe = load_config(config)
    material = gather(imagery, packages, rendered, recipe, work)
    card = run(material, recipe, work, out, device=device, workers=workers, say=_say.print)
    _print(card)


@app.command()
def pack(
    work: Annotated[Path, typer.Argument(help="Folder for pictures.npz.")],
    imagery: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None,
    packages: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets fetch-packages.")] = None,
    rendered: Annotated[Path | None, typer.Option(help="Folder of eavefall-datasets render-scenes.")] = None,
    config: Annotated[Path | None, typer.Option(help="Recipe (YAML); default: the committed one.")] = None,
) -> None:
    """The first part of reproduce alone: shrink all pictures into one file that another machine can fit."""
    from eavefall_training.reproduce import gather, pack_all

    recipe = load_config(config)
    material = gather(imagery, packages, rendered, recipe, work)
    with _say.status(f"packing {len(material[0])} pictures"):
        pack_all(material, recipe, work)
    _say.print(f"{work / 'pictures.npz'}: {(work / 'pictures.npz').stat().st_size / 1e6:.1f} MB")


@app.command()
def fit(
    work: Annotated[Path, typer.Argument(help="Folder with pictures.npz.")],
    config: Annotated[Path | None, typer.Option(help="Recipe (YAML); default: the committed one.")] = None,
    device: Annotated[str, typer.Option(help="cpu or cuda.")] = "cpu",
    workers: Annotated[int, typer.Option(help="Processes that fit nets side by side.")] = 1,
) -> None:
    """The long part of reproduce alone: fit every fold and the final net; reproduce then takes it up."""
    from eavefall_training.trials import fit_all

    fit_all(load_config(config), work, device=device, workers=workers)


@app.command()
def curve(
    work: Annotated[Path, typer.Argument(help="Folder with pictures.npz.")],
    config: Annotated[Path | None, typer.Option(help="Recipe (YAML); default: the committed one.")] = None,
    device: Annotated[str, typer.Option(help="cpu or cuda.")] = "cpu",
    workers: Annotated[int, typer.Option(help="Processes that fit nets side by side.")] = 1,
    steps: Annotated[int, typer.Option(help="Steps of each net; few for a rehearsal.")] = 600,
) -> None:
    """The learning curve: small nets on a quarter, half and all of the species and sources."""
    from eavefall_training import pack as packs
    from eavefall_training.curve import DRAWINGS, point_of, recipes
    from eavefall_training.trials import PICTURES, run_trials

    wanted = recipes(load_config(config), steps=steps)
    trials = run_trials(work / PICTURES, wanted, device=device, workers=workers, out=work, with_final=False)
    pictures = packs.load(work / PICTURES)
    for first in range(0, len(trials), DRAWINGS):
        point = point_of(pictures, trials[first : first + DRAWINGS])
        _say.print(f"{point.photos} photos, mean of {DRAWINGS} drawings of species and sources")
        _say.print(f"  needle against broad: area under curve {point.auc}, balanced {point.balanced}")
        for label, told, wrong in zip(("needle", "broad"), point.answered, point.wrong, strict=True):
            _say.print(f"  {label} answered {told}, wrong among answered {wrong}")


@app.command()
def evaluate(
    work: Annotated[Path, typer.Argument(help="Folder that reproduce left.")],
) -> None:
    """Figures of out-of-fold predictions that an earlier run left behind."""
    from eavefall_training import pack as packs
    from eavefall_training.reproduce import measured

    pack = packs.load(work / "pictures.npz")
    _print_figures(measured(pack, np.load(work / "logits.npy")))


@app.command()
def shipped(
    packages: Annotated[Path, typer.Argument(help="Folder of eavefall-datasets fetch-packages.")],
    imagery: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None,
    write: Annotated[
        Path | None, typer.Option(help="A card.json to write them to, in place of earlier ones.")
    ] = None,
) -> None:
    """Figures of the tagger of this installation, on pictures never trained on."""
    from eavefall_datasets.copies import copies, hashes_of
    from eavefall_datasets.manifest import load_manifest
    from eavefall_datasets.packages import load_packages
    from eavefall_model.tags.tagger import Tagger
    from eavefall_training.shipped import shipped_figures, with_figures

    photos, whole = load_manifest(imagery), load_packages(packages, kind="package")
    learnt = [picture for picture in (*photos, *whole) if picture.trainable]
    plants, desktop = ([p for p in some if not p.trainable] for some in (photos, whole))
    no_tree = [*load_packages(packages, kind="treeless"), *desktop]
    with _say.status("looking for copies of pictures that were learnt from"):
        seen = copies([*plants, *no_tree], learnt, hashes_of([*learnt, *plants, *no_tree]))
    _say.print(f"left out as copies of pictures that were learnt from: {', '.join(sorted(seen)) or 'none'}")
    held_out, treeless = ([p for p in some if p.file_id not in seen] for some in (plants, no_tree))
    with _say.status("looking") as status:
        found = shipped_figures(
            held_out,
            treeless,
            Tagger.load(),
            lambda done: status.update(f"{done} of {len(held_out) + len(treeless)} pictures"),
        )
    _print_figures(found)
    if write is not None:
        card = Card.model_validate_json(write.read_text(encoding="utf-8"))
        card = with_figures(card, found, [*held_out, *treeless])
        write.write_text(card.model_dump_json(indent=1) + "\n", encoding="utf-8")


@app.command()
def calibrate(
    work: Annotated[Path, typer.Argument(help="Folder that reproduce left.")],
) -> None:
    """Calibration and thresholds from the out-of-fold predictions of an earlier run, as JSON."""
    from eavefall_training import pack as packs
    from eavefall_training.evaluate import fit_rules

    pack = packs.load(work / "pictures.npz")
    logits = np.load(work / "logits.npy")
    rules = fit_rules(pack, logits, np.isfinite(logits[:, 0]) & (pack.fold >= 0))
    for label, rule in rules.foliage.items():
        _say.print_json(rule.model_dump_json(), indent=None)
        _say.print(f"  ^ {label}")
    _say.print_json(rules.form.model_dump_json(), indent=None)


@app.command()
def export(
    net: Annotated[Path, typer.Argument(help="A net saved by reproduce (final-NAME.pt).")],
    out: Annotated[Path, typer.Argument(help="ONNX file to write.")],
    side_px: Annotated[int, typer.Option(help="Side of the square it is served, px.")] = 256,
) -> None:
    """Write one net as ONNX and check that the file answers as the net does."""
    from eavefall_training.export import check_agrees, to_onnx
    from eavefall_training.reproduce import load_net

    loaded = load_net(net)
    data = to_onnx(loaded, side_px)
    out.write_bytes(data)
    pixels = np.random.default_rng(0).integers(0, 256, (2, side_px, side_px, 3), dtype=np.uint8)
    _say.print(f"{len(data) / 1e6:.1f} MB; logits differ by at most {check_agrees(data, loaded, pixels):.4f}")


@app.command()
def figures(
    work: Annotated[Path, typer.Argument(help="Folder that reproduce left.")],
    out: Annotated[Path, typer.Argument(help="Folder for the PNG files.")],
) -> None:
    """Reliability, risk against coverage, and the learning curve as pictures."""
    from eavefall_training.figures import draw_all

    for path in draw_all(work, out):
        _say.print(str(path))


@app.command()
def bench(
    rounds: Annotated[int, typer.Option(help="Repeats of full tag and bare decode.")] = 25,
    pairs: Annotated[int, typer.Option(help="Repeats of one process, then two.")] = 7,
    grain_px: Annotated[float, typer.Option(help="Grain of the picture; finer makes more bytes.")] = 2.0,
    patience_s: Annotated[float, typer.Option(help="How long to wait for quiet moments, in all.")] = 60.0,
) -> None:
    """Full tag over bare scaled decode, two processes over one, peak memory."""
    found = measure(rounds, pairs, grain_px=grain_px, patience_s=patience_s)
    _say.print(f"{found.megabytes:.1f} MB JPEG of 12 MP; medians, 95 % intervals over n repeats")
    _say.print(f"full tag over bare scaled decode, processor time: {found.full_over_decode}")
    _say.print(f"two processes over one, photos per second: {found.two_over_one}")
    _say.print(f"  bare loops in turn with them: {found.loops_two_over_one}")
    _say.print(f"  meanwhile {found.waiting:.1f} other tasks wanted a processor, on average")
    _say.print(f"peak memory of a fresh process, MB: {found.peak_mb}")


@app.command()
def card() -> None:
    """Figures of the tagger in this installation."""
    _print(load_card())


def _print(card: Card) -> None:
    _say.print(f"{card.name}, weights {card.weights_sha256[:12]}, input {card.input_px} px")
    _print_figures(card.figures)


def _print_figures(figures: tuple[Figure, ...]) -> None:
    table = Table("what", "value", "95 % interval", "n", "how")
    for f in figures:
        table.add_row(f.what, f"{f.value:.3f}", f"{f.low:.3f} to {f.high:.3f}", str(f.n), f.how)
    _say.print(table)


loop_cli.register(app)


def main() -> None:
    """Entry point."""
    app()
