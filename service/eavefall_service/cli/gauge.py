"""``eavefall gauge``: needles in a close-up, in millimeters; ``eavefall gauge sheet``: the sheet to print."""

from __future__ import annotations

import json as json_text
import os
from collections import Counter
from pathlib import Path
from typing import Annotated, Any

import typer
from PIL import Image
from rich.progress import track
from rich.table import Table
from rich.text import Text
from typer.core import TyperGroup

from eavefall_model.errors import EavefallError, GaugeError
from eavefall_model.gauge.measure import measure
from eavefall_model.gauge.overlay import draw
from eavefall_model.gauge.references import parse_reference
from eavefall_model.gauge.schema import GAUGE_FORMAT, GaugeResult, GaugeSummary
from eavefall_model.gauge.sheet import write_sheet
from eavefall_model.photo import decode
from eavefall_service.cli.console import console, error_console
from eavefall_service.walk import photo_bytes


class _PhotosOrSheet(TyperGroup):
    """A group whose words are photos unless the first is the name of a command."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        named = args and args[0] in {*self.commands, *ctx.help_option_names}
        return super().parse_args(ctx, args if named or not args else ["photos", *args])


gauge = typer.Typer(
    cls=_PhotosOrSheet,
    no_args_is_help=True,
    help="Measure needles in close-up photos: [bold]eavefall gauge PHOTO... --reference card[/bold]. "
    "Print the gauge sheet: [bold]eavefall gauge sheet OUT.pdf[/bold].",
)


def register(app: typer.Typer) -> None:
    """Add the command group to ``app``."""
    app.add_typer(gauge, name="gauge")


@gauge.command("photos")
def photos(
    photos: Annotated[list[Path], typer.Argument(help="Close-ups with the reference beside the needles.")],
    reference: Annotated[
        str,
        typer.Option(
            "--reference",
            "-r",
            help="card, sheet, a4, letter, coin:24.26 (mm) or coin:us-quarter and the like.",
        ),
    ],
    json: Annotated[bool, typer.Option("--json", help=f"Print one {GAUGE_FORMAT} line per photo.")] = False,
    overlay: Annotated[
        Path | None,
        typer.Option(
            help="Write what was measured, drawn on the photo; a folder if there are several photos."
        ),
    ] = None,
) -> None:
    """Measure the needles in one or more photos (the word 'photos' may be left out)."""
    parse_reference(reference)  # a wrong reference is told once, not for every photo
    failed = refused = 0
    for path in track(
        photos, "Measuring", console=error_console(), transient=True, disable=json or not os.isatty(2)
    ):
        try:
            photo = decode(photo_bytes(path), name=str(path))
            result = measure(photo, reference, name=str(path))
            if overlay is not None:
                Image.fromarray(draw(photo.rgb, result)).save(_overlay_path(overlay, path, len(photos)))
        except EavefallError as error:
            failed += 1
            _show_failure(path, error, json)
            continue
        refused += result.refused is not None
        if json:
            typer.echo(result.model_dump_json())
        else:
            _show(result)
    if failed or refused:
        error_console().print(f"{failed} of {len(photos)} photos failed, {refused} were refused.")
        raise typer.Exit(1)


@gauge.command("sheet")
def sheet(
    out: Annotated[Path, typer.Argument(help="The PDF to write.")],
    paper: Annotated[str, typer.Option(help="letter or a4.")] = "letter",
) -> None:
    """Write the printable gauge sheet at true size."""
    if paper not in ("letter", "a4"):
        raise GaugeError(
            "gauge-reference-unknown", f"{paper!r} is not a paper we print on.", "Use letter or a4."
        )
    write_sheet(out, "a4" if paper == "a4" else "letter")
    console().print(f"Wrote {out}. Print it at 100 % and check the 100 mm scale with a rule.")


def _overlay_path(overlay: Path, photo: Path, count: int) -> Path:
    if count == 1 and overlay.suffix:
        return overlay
    overlay.mkdir(parents=True, exist_ok=True)
    return overlay / f"{photo.stem}-measured.png"


def _show_failure(path: Path, error: EavefallError, json: bool) -> None:
    if json:
        details = {"code": error.code, "message": error.message, "hint": error.hint}
        typer.echo(json_text.dumps({"format": GAUGE_FORMAT, "photo": str(path), "error": details}))
    else:
        console().print(Text.assemble(f"{path}  ", (f"{error.code}: {error.message} {error.hint}", "red")))


def _show(result: GaugeResult) -> None:
    out = console()
    if result.refused is not None:
        out.print(Text.assemble(f"{result.photo}: not measured. ", (result.refused.message, "red")))
        out.print(f"  {result.refused.retake}")
        return
    scale = "" if result.px_per_mm is None else f"{result.px_per_mm:.1f} pixels per mm at the reference"
    tilt = "" if result.tilt_deg is None else f", {result.tilt_deg:.0f}° from straight above"
    table = Table(title=f"{result.photo}: {scale}{tilt}", title_justify="left")
    for heading in ("No.", "Length mm", "Width mm", "Thin part mm", "Bundle", ""):
        table.add_column(heading, justify="right" if heading.endswith("mm") else "left")
    for needle in result.needles:
        table.add_row(
            str(needle.number),
            f"{needle.length_mm:.1f} ± {needle.length_sd_mm:.1f}",
            f"{needle.width_mm:.2f} ± {needle.width_sd_mm:.2f}",
            f"{needle.thin_width_mm:.2f}",
            "" if needle.bundle is None else str(needle.bundle),
            "" if needle.complete else "cut or hidden",
        )
    out.print(table)
    if result.summary is not None:
        _show_summary(result.summary)
    if result.weakest is not None:
        out.print(f"  weakest point: {result.weakest}")
    if result.left_out:
        out.print(f"  left out: {_left_out_text(result)}")
    for note in result.notes:
        out.print(f"  {note}")


def _show_summary(summary: GaugeSummary) -> None:
    out = console()
    out.print(
        f"  width: median {summary.width_median_mm:.2f} ± {summary.width_sd_mm:.2f} mm, 5th to 95th"
        f" percentile {summary.width_p5_mm:.2f} to {summary.width_p95_mm:.2f} mm, n = {summary.n}"
    )
    if summary.length_median_mm is not None:
        out.print(
            f"  length: median {summary.length_median_mm:.0f} mm, 5th to 95th percentile"
            f" {summary.length_p5_mm:.0f} to {summary.length_p95_mm:.0f} mm, n = {summary.n_complete}"
            f" ({summary.form.replace('_', ' ')})"
        )
    if summary.groups:
        out.print(f"  more than one kind: {_groups_text(summary)}")
    if summary.needles_per_bundle is not None:
        out.print(f"  {summary.needles_per_bundle} needles to a bundle")
    if summary.refusing_opening_mm is not None:
        out.print(
            f"  widest standard opening they cannot enter end-on: {summary.refusing_opening_mm:g} mm"
            f" ({summary.refusing_opening_mm / 25.4:.3f} in, {summary.refusing_designation})"
        )


def _groups_text(summary: GaugeSummary) -> str:
    """The kinds of needles in one photo, thinnest first, or "" where there is one."""
    return "; ".join(
        f"{group.n} of {group.width_median_mm:.2f} mm wide"
        + (f" and {group.length_median_mm:.0f} mm long" if group.length_median_mm is not None else "")
        for group in summary.groups
    )


def _left_out_text(result: GaugeResult) -> str:
    """What was seen and not measured: how many, and why; "" if nothing was."""
    reasons = Counter(strand.reason for strand in result.left_out)
    return ", ".join(f"{n} {reason}" for reason, n in reasons.most_common())
