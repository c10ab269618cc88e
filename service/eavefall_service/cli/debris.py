"""``eavefall debris``: a handful of litter spread on paper, piece by piece, and what of it each guard lets
through.
"""

from __future__ import annotations

import json as json_text
from collections import Counter
from pathlib import Path
from typing import Annotated

import typer
from PIL import Image
from rich.table import Table
from rich.text import Text

from eavefall_model.debris.overlay import draw
from eavefall_model.debris.read import read_debris
from eavefall_model.debris.schema import DEBRIS_FORMAT, DebrisResult
from eavefall_model.errors import EavefallError
from eavefall_model.gauge.references import parse_reference
from eavefall_model.photo import decode
from eavefall_model.screens.guards import load_guards
from eavefall_service.cli.console import console, error_console
from eavefall_service.walk import photo_bytes


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command()(debris)


def debris(
    photo: Annotated[
        Path, typer.Argument(help="A handful spread on the gauge sheet, or on white paper beside a card.")
    ],
    reference: Annotated[
        str,
        typer.Option(
            "--reference", "-r", help="sheet, card, a4, letter, coin:24.26 (mm) or coin:us-quarter."
        ),
    ],
    json: Annotated[bool, typer.Option("--json", help=f"Print {DEBRIS_FORMAT}.")] = False,
    overlay: Annotated[Path | None, typer.Option(help="Write the photo with every piece outlined.")] = None,
    guards: Annotated[Path | None, typer.Option(help="The office's own guards file.")] = None,
) -> None:
    """Measure and sort what lies in a handful, and drop it on every guard by computation."""
    parse_reference(reference)
    offered = load_guards(guards)
    try:
        picture = decode(photo_bytes(photo), name=str(photo))
        result = read_debris(picture, reference, name=str(photo), guards=offered)
    except EavefallError as error:
        if json:
            details = {"code": error.code, "message": error.message, "hint": error.hint}
            typer.echo(json_text.dumps({"format": DEBRIS_FORMAT, "photo": str(photo), "error": details}))
        else:
            error_console().print(Text(f"{photo}  {error.code}: {error.message} {error.hint}", "red"))
        raise typer.Exit(1) from None
    if overlay is not None and result.refused is None:
        finest = offered.guards[-1].offers[0]
        Image.fromarray(draw(picture.rgb, result, finest)).save(overlay)
    if json:
        typer.echo(result.model_dump_json())
    else:
        _show(result)
    if result.refused is not None:
        raise typer.Exit(1)


def _show(result: DebrisResult) -> None:
    out = console()
    if result.refused is not None:
        out.print(Text(f"{result.photo}: not read. {result.refused.message}", "red"))
        out.print(f"  {result.refused.retake}")
        return
    counts = Counter(piece.kind or "not sure" for piece in result.pieces)
    table = Table(title=f"{result.photo}: {len(result.pieces)} pieces", title_justify="left")
    for heading in ("Kind", "Pieces", "Length mm", "Smallest width mm"):
        table.add_column(heading, justify="left" if heading == "Kind" else "right")
    for kind, count in counts.most_common():
        of_kind = [piece for piece in result.pieces if (piece.kind or "not sure") == kind]
        lengths = sorted(piece.length_mm for piece in of_kind)
        widths = sorted(piece.smallest_width_mm for piece in of_kind)
        table.add_row(
            kind, str(count), f"{lengths[0]:.0f} to {lengths[-1]:.0f}", f"{widths[0]:.2f} to {widths[-1]:.2f}"
        )
    out.print(table)
    drops = Table(title="Dropped on each guard, by computation", title_justify="left")
    for heading in ("Guard", "Opening mm", "Passes through", "Sticks", "Stays on top"):
        drops.add_column(heading, justify="left" if heading == "Guard" else "right")
    for drop in result.drops:
        drops.add_row(
            drop.guard.replace("_", " "),
            f"{drop.opening_mm:.2f}",
            f"{drop.through:.0%} ({drop.through_low:.0%} to {drop.through_high:.0%})",
            f"{drop.sticks:.0%}",
            f"{max(1 - drop.through - drop.sticks, 0):.0%}",
        )
    out.print(drops)
    for note in result.notes:
        out.print(f"  {note}")
