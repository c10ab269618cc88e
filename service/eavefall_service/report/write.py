"""A finished walk to a report file: HTML or PDF, as the name ends."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

from eavefall_model.errors import EavefallError
from eavefall_service.report.build import build_report
from eavefall_service.report.document import Letterhead
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import paper_of, render_pdf
from eavefall_service.report.photos import picture_from_rgb
from eavefall_service.walk import Walk, not_written_hint


def write_report(
    walk: Walk, path: Path, *, rendered: bool = False, letterhead: Letterhead | None = None
) -> None:
    """Write the report of ``walk``; ``rendered`` labels its pictures as drawn by our own code.

    Units and paper (letter or A4) are the office's.

    Raises
    ------
    EavefallError
        ``report-not-written`` for a name that ends neither in .html nor in .pdf, or a place that cannot be
        written. An older file of that name is then left as it was.
    """
    kind = path.suffix.lower()
    if kind not in (".html", ".htm", ".pdf"):
        raise EavefallError(
            "report-not-written", f"{path} ends neither in .html nor in .pdf.", "Name the kind of report so."
        )
    photos = {name: picture_from_rgb(rgb, rendered=rendered) for name, rgb in walk.pictures().items()}
    document = build_report(
        walk.survey, walk.advice, photos, walk.readings, letterhead=letterhead, units=walk.units
    )
    data = (
        render_pdf(document, paper_of(walk.units))
        if kind == ".pdf"
        else render_html(document).encode("utf-8")
    )
    half = path.with_name(f".{path.name}.part")
    try:
        half.write_bytes(data)
        os.replace(half, path)
    except OSError as error:
        with suppress(OSError):
            half.unlink()
        raise EavefallError(
            "report-not-written",
            f"{path} cannot be written ({error.strerror}).",
            not_written_hint(path),
        ) from error
