"""``eavefall debris``: a handful of litter spread on paper, piece by piece, and what of it each guard lets
through; or how full a gutter is.
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

from eavefall_model.debris.evidence import fifths, lies
from eavefall_model.debris.gutter import read_gutter
from eavefall_model.debris.gutter_section import GutterSize
from eavefall_model.debris.overlay import draw, draw_gutter_lines
from eavefall_model.debris.read import read_debris
from eavefall_model.debris.schema import DEBRIS_FORMAT, GUTTER_FORMAT, DebrisResult, GutterResult
from eavefall_model.errors import EavefallError
from eavefall_model.gauge.references import parse_reference
from eavefall_model.photo import decode
from eavefall_model.screens.guards import load_guards
from eavefall_model.units import per_cent
from eavefall_service.cli.console import console, error_console
from eavefall_service.walk import photo_bytes


def register(app: typer.Typer) -> None:
    """Add the command to ``app``."""
    app.command()(debris)


def debris(
    photo: Annotated[
        Path,
        typer.Argument(
            help="A handful spread on the gauge sheet, or on white paper beside a card; or a "
            "look into a gutter."
        ),
    ],
    reference: Annotated[
        str,
        typer.Option(
            "--reference",
            "-r",
            help="sheet, card, a4, letter, coin:24.26 (mm) or coin:us-quarter; of a gutter k_style:5in, "
            "half_round:6in or box:125mm.",
        ),
    ],
    shows: Annotated[str, typer.Option(help="handful or gutter.")] = "handful",
    json: Annotated[bool, typer.Option("--json", help=f"Print {DEBRIS_FORMAT} or {GUTTER_FORMAT}.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(help="Write the photo with every piece outlined, or with the gutter's lines."),
    ] = None,
    guards: Annotated[Path | None, typer.Option(help="The office's own guards file.")] = None,
) -> None:
    """Measure and sort what lies in a handful, and drop it on every guard by computation; or tell how full a
    gutter is."""
    if shows not in ("handful", "gutter"):
        raise typer.BadParameter("say handful or gutter", param_hint="--shows")
    _ = GutterSize.parse(reference) if shows == "gutter" else parse_reference(reference)
    offered = load_guards(guards)
    result: DebrisResult | GutterResult
    try:
        picture = decode(photo_bytes(photo), name=str(photo))
        if shows == "gutter":
            result = read_gutter(picture, reference, name=str(photo))
        else:
            result = read_debris(picture, reference, name=str(photo), guards=offered)
    except EavefallError as error:
        if json:
            details = {"code": error.code, "message": error.message, "hint": error.hint}
            form = GUTTER_FORMAT if shows == "gutter" else DEBRIS_FORMAT
            typer.echo(json_text.dumps({"format": form, "photo": str(photo), "error": details}))
        else:
            error_console().print(Text(f"{photo}  {error.code}: {error.message} {error.hint}", "red"))
        raise typer.Exit(1) from None
    if overlay is not None and result.refused is None:
        drawn = (
            draw_gutter_lines(picture.rgb, result)
            if isinstance(result, GutterResult)
            else draw(picture.rgb, result, offered.guards[-1].offers[0])
        )
        Image.fromarray(drawn).save(overlay)
    if json:
        typer.echo(result.model_dump_json())
    elif isinstance(result, GutterResult):
        _show_gutter(result)
    else:
        _show(result)
    if result.refused is not None:
        raise typer.Exit(1)


def _show_gutter(result: GutterResult) -> None:
    out = console()
    if result.fill is None:
        if result.refused is not None:
            out.print(Text(f"{result.photo}: not read. {result.refused.message}", "red"))
            out.print(f"  {result.refused.retake}")
        return
    mean = per_cent(result.fill.mean_share)
    out.print(f"{result.photo}: {fifths(result.fill)}; {mean} in the mean of what is in view.")
    out.print(f"  {lies(result.fill)} Seen from {result.fill.elevation_deg:.0f} degrees over the rim.")


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
