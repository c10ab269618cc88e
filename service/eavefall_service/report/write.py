"""A finished walk to a report file: HTML, or PDF when the name ends so."""

from __future__ import annotations

from pathlib import Path

from eavefall_service.report.build import build_report
from eavefall_service.report.html import render_html
from eavefall_service.report.pdf import render_pdf
from eavefall_service.report.photos import picture_from_rgb
from eavefall_service.walk import Walk

__all__ = ["write_report"]


def write_report(walk: Walk, path: Path, *, rendered: bool = False) -> None:
    """Write the report of ``walk``; ``rendered`` labels its pictures as drawn by our own code."""
    photos = {name: picture_from_rgb(rgb, rendered=rendered) for name, rgb in walk.pictures.items()}
    document = build_report(walk.survey, walk.advice, photos, walk.tags, walk.gauges)
    if path.suffix.lower() == ".pdf":
        path.write_bytes(render_pdf(document))
    else:
        path.write_text(render_html(document), "utf-8")
