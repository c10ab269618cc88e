"""``eavefall tag``: photos to ``eavefall.tags/1``, one line each, whatever happens to the others."""

from __future__ import annotations

import glob
import json as json_text
import os
from collections.abc import Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Annotated, Any

import typer
from rich.progress import Progress
from rich.table import Table
from rich.text import Text

from eavefall_model.errors import EavefallError, PhotoError
from eavefall_model.photo import PHOTO_SUFFIXES, decode, display_jpeg
from eavefall_model.tags.overlay import draw
from eavefall_model.tags.schema import TAGS_FORMAT, PhotoTags
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FOLIAGE
from eavefall_service.cli.console import console, error_console
from eavefall_service.walk import photo_bytes


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command("tag")(tag)


def find_photos(arguments: Sequence[str]) -> list[Path]:
    """Photo files named by files, folders (not followed further down) and glob patterns, in order, once each.

    Raises
    ------
    PhotoError
        ``photo-missing`` when nothing at all is named.
    """
    found: dict[Path, None] = {}
    for argument in arguments:
        path = Path(argument)
        if path.is_dir():
            inside = sorted(one for one in path.iterdir() if one.suffix.lower() in PHOTO_SUFFIXES)
            found.update(dict.fromkeys(inside))
        elif not path.exists() and glob.has_magic(argument):
            found.update(dict.fromkeys(Path(one) for one in sorted(glob.glob(argument, recursive=True))))
        else:
            found[path] = None  # a missing file gets its own error line later
    if not found:
        raise PhotoError(
            "photo-missing", f"No photo in {', '.join(arguments)}.", "Name photo files, or a folder of them."
        )
    return list(found)


def tag(
    photos: Annotated[list[str], typer.Argument(help="Photo files, folders or glob patterns.")],
    json: Annotated[bool, typer.Option("--json", help="Print one eavefall.tags/1 line per photo.")] = False,
    evidence: Annotated[
        Path | None, typer.Option(help="Write, for each photo, a picture of where the answer came from.")
    ] = None,
    jobs: Annotated[int, typer.Option(min=1, max=64, help="Photos read at the same time.")] = 1,
) -> None:
    """Say of each photo: needle, broad leaf or bare, and which form."""
    paths = find_photos(photos)
    tagger = Tagger.load()
    if evidence is not None:
        evidence.mkdir(parents=True, exist_ok=True)

    def one(path: Path) -> PhotoTags | EavefallError:
        try:
            data = photo_bytes(path)
            tags = tagger.tag(decode(data, name=str(path), fit_px=tagger.fit_px), str(path))
            if evidence is not None:
                top = max(FOLIAGE, key=lambda label: tags.foliage[label])
                photo = decode(data, name=str(path), fit_px=tagger.evidence_px)
                picture = draw(photo.rgb, tagger.evidence(photo, top))
                (evidence / f"{path.stem}-{tags.sha256[:8]}-{top}.jpg").write_bytes(display_jpeg(picture))
            return tags
        except EavefallError as error:
            return error

    table = Table()
    for heading in ("Photo", "Needle", "Broad", "Bare", "Form", "Quality"):
        table.add_column(heading, overflow="fold")
    failed = 0
    for path, answer in zip(paths, _with_progress(one, paths, jobs), strict=True):
        if isinstance(answer, PhotoTags):
            if json:
                typer.echo(answer.model_dump_json())
            table.add_row(*_row(answer))
            continue
        failed += 1
        if json:
            typer.echo(json_text.dumps(_error_line(path, answer)))
        table.add_row(path.name, Text(f"{answer.code}: {answer.message}", style="red"))
    if not json:
        console().print(table)
    if failed:
        error_console().print(f"{failed} of {len(paths)} photos could not be read.")
        raise typer.Exit(1)


def _with_progress(one: Any, paths: Sequence[Path], jobs: int) -> Iterator[PhotoTags | EavefallError]:
    with Progress(console=error_console(), disable=not os.isatty(2), transient=True) as progress:
        task = progress.add_task("Reading photos", total=len(paths))
        with ThreadPoolExecutor(jobs) as pool:
            for answer in pool.map(one, paths):
                progress.advance(task)
                yield answer


def _row(tags: PhotoTags) -> tuple[str, ...]:
    verdict = tags.verdict.foliage
    cells = [f"{getattr(verdict, label)} {tags.foliage[label]:.2f}" for label in FOLIAGE]
    form = tags.verdict.form
    shown = form if form != "unsure" else "unsure: " + " or ".join(tags.verdict.form_set)
    return (
        Path(tags.photo).name,
        *cells,
        shown.replace("_", " "),
        ", ".join(tags.quality.problems) or "good",
    )


def _error_line(path: Path, error: EavefallError) -> dict[str, Any]:
    return {
        "format": TAGS_FORMAT,
        "photo": str(path),
        "error": {"code": error.code, "message": error.message, "hint": error.hint},
    }
