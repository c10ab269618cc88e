"""Command line for pictures: check, credits, fetch-packages, render-scenes, observations."""

from __future__ import annotations

import csv
import sys
from collections import Counter
from pathlib import Path
from typing import Annotated

import numpy as np
import typer
from numpy.typing import NDArray
from rich.console import Console
from rich.table import Table

from eavefall_datasets import observations as community
from eavefall_datasets.audit import audit, contact_sheet
from eavefall_datasets.licences import judge
from eavefall_datasets.manifest import load_manifest
from eavefall_datasets.packages import fetch
from eavefall_datasets.scenes.labeled import write_dataset
from eavefall_model.photo import Photo
from eavefall_model.vocabulary import FOLIAGE

app = typer.Typer(
    add_completion=False, no_args_is_help=True, help="Pictures to train and test the tagger on."
)
_say = Console()


@app.command()
def check(
    folder: Annotated[
        Path | None, typer.Option(help="Folder with manifest.csv; default: EAVEFALL_IMAGERY.")
    ] = None,
    sheet: Annotated[Path | None, typer.Option(help="Write suspects as a contact sheet (PNG).")] = None,
    suspects: Annotated[int, typer.Option(help="How many suspects to show.")] = 40,
) -> None:
    """Audit every picture; exit status 1 if any is missing or unreadable."""
    from eavefall_model.tags.tagger import Tagger

    pictures = load_manifest(folder)
    tagger = Tagger.load()

    def probability(photo: Photo) -> NDArray[np.float64]:
        tags = tagger.tag(photo, "check")
        return np.array([tags.foliage[label] for label in FOLIAGE])

    with _say.status(f"looking at {len(pictures)} pictures"):
        found = audit(pictures, probability)
    _say.print(
        f"{found.looked_at} pictures, {len(found.missing)} missing, {len(found.unreadable)} unreadable"
    )
    for name in found.missing:
        _say.print(f"missing: {name}")
    for name, code in found.unreadable:
        _say.print(f"unreadable: {name} ({code})")
    for group in found.duplicates:
        _say.print(f"near-duplicates: {', '.join(group)}")
    by_id = {picture.file_id: picture for picture in pictures}
    worst = found.suspects[:suspects]
    for name, loss in worst:
        _say.print(f"suspect: {name} says {by_id[name].foliage}, loss {loss:.2f}")
    if sheet is not None:
        shown = [by_id[name] for name, _ in worst]
        contact_sheet(
            shown, [f"{p.foliage} loss {loss:.1f}" for p, (_, loss) in zip(shown, worst, strict=True)], sheet
        )
    raise typer.Exit(1 if found.missing or found.unreadable else 0)


@app.command()
def sources(folder: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None) -> None:
    """One table of sources: licence, count, classes, and whether they may be trained on."""
    pictures = load_manifest(folder)
    table = Table("source", "licence", "pictures", "classes", "trained on")
    keys = sorted({(p.source, p.licence) for p in pictures})
    for source, licence in keys:
        own = [p for p in pictures if (p.source, p.licence) == (source, licence)]
        classes = ", ".join(f"{word} {n}" for word, n in sorted(Counter(p.foliage for p in own).items()))
        verdict = judge(licence)
        table.add_row(
            source, licence, str(len(own)), classes, "yes" if verdict.trainable else f"no: {verdict.reason}"
        )
    _say.print(table)


@app.command()
def credits(folder: Annotated[Path | None, typer.Option(help="Folder with manifest.csv.")] = None) -> None:
    """Credit rows (CSV on standard output) of every picture that may be trained on."""
    columns = ("file_id", "source", "licence", "credit", "credit_url")
    writer = csv.writer(sys.stdout, lineterminator="\n")
    writer.writerow(columns)
    for picture in load_manifest(folder):
        if picture.trainable:
            writer.writerow([getattr(picture, name) for name in columns])


@app.command("fetch-packages")
def fetch_packages(
    out: Annotated[Path, typer.Argument(help="Where to put them; not in the repository.")],
) -> None:
    """Bring the openly licensed pictures inside Debian packages that packages.csv lists."""
    written = fetch(out, say=_say.print)
    _say.print(f"{len(written)} pictures written to {out}")


@app.command("render-scenes")
def render_scenes(
    out: Annotated[Path, typer.Argument(help="Folder to write.")],
    count: Annotated[int, typer.Option(help="Number of scenes.")] = 380,
    seed: Annotated[int, typer.Option(help="Number of the first scene.")] = 1000,
    size: Annotated[int, typer.Option(help="Side, px.")] = 320,
) -> None:
    """Draw labeled scenes of houses, trees, litter and places without trees."""
    _say.print(str(write_dataset(out, count, seed=seed, size=size)))


@app.command()
def observations(
    tables: Annotated[Path, typer.Argument(help="Folder with taxa, observations, observers, photos tables.")],
    out: Annotated[Path, typer.Argument(help="Where to put photos and credits.csv.")],
    bucket: Annotated[str, typer.Option(help="Folder or http(s) address that holds photos/.")],
    taxon: Annotated[list[str], typer.Option(help="Species or genus; repeat for more.")],
    month: Annotated[list[int] | None, typer.Option(help="Month 1 to 12; repeat; default all.")] = None,
    per_species: Annotated[int, typer.Option(help="At most so many of each species.")] = 100,
) -> None:
    """Bring openly licensed observation photos by species and month; stop and repeat at will."""
    wanted = community.choose(tables, taxon, months=month or range(1, 13), per_species=per_species)
    brought, missing = community.bring(wanted, bucket, out, say=_say.print)
    _say.print(f"{len(wanted)} chosen, {brought} brought, {missing} not found")


def main() -> None:
    """Entry point."""
    app()
