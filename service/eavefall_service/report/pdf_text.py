"""Type for the PDF: styles, and text that survives any alphabet we carry a font for."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Final
from xml.sax.saxutils import escape

import matplotlib
from reportlab.lib.colors import HexColor
from reportlab.lib.styles import ParagraphStyle
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from eavefall_service.plots.palette import ACCENT, INK, QUIET

__all__ = ["safe_text", "short_hashes", "style"]

_FALLBACK: Final = "EavefallFallback"


@cache
def _fallback() -> str:
    # Every PDF reader has Helvetica in Latin-1; DejaVu Sans, which matplotlib carries, has Greek, Cyrillic
    # and more.
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    pdfmetrics.registerFont(TTFont(_FALLBACK, folder / "DejaVuSans.ttf"))
    return _FALLBACK


def safe_text(text: str) -> str:
    """Paragraph markup of plain text: escaped, and set in the fallback font where Helvetica has no letter."""
    runs: list[tuple[bool, str]] = []
    for letter in text:
        plain = len(letter.encode("cp1252", "ignore")) == 1
        if runs and runs[-1][0] == plain:
            runs[-1] = (plain, runs[-1][1] + letter)
        else:
            runs.append((plain, letter))
    return "".join(
        escape(run) if plain else f'<font name="{_fallback()}">{escape(run)}</font>' for plain, run in runs
    )


def short_hashes(text: str) -> str:
    """Hashes cut to twelve digits, enough to tell versions apart by eye."""
    return re.sub(r"([0-9a-f]{12})[0-9a-f]+", r"\1", text)


@cache
def _styles() -> dict[str, ParagraphStyle]:
    body = ParagraphStyle("body", fontName="Helvetica", fontSize=8, leading=10, textColor=HexColor(INK))

    def derived(name: str, **changes: object) -> ParagraphStyle:
        return ParagraphStyle(name, parent=body, **changes)

    bold = "Helvetica-Bold"
    return {
        each.name: each
        for each in (
            body,
            derived("title", fontName=bold, fontSize=16, leading=19),
            derived("quiet", textColor=HexColor(QUIET)),
            derived("small", fontSize=6.9, leading=8.2),
            derived("small-bold", fontSize=6.9, leading=8.2, fontName=bold),
            derived("tiny", fontSize=6.3, leading=7.5, textColor=HexColor(QUIET)),
            derived("trail", fontSize=6.1, leading=6.8),
            derived("tiny-bold", fontSize=6.3, leading=7.5, fontName=bold),
            derived(
                "heading",
                fontName=bold,
                fontSize=9.5,
                leading=11.5,
                spaceBefore=3.5,
                spaceAfter=1.5,
            ),
            derived("sub", fontName=bold, fontSize=8.5, leading=11),
            derived("answer", spaceAfter=1.8),
            derived("question", fontName=bold, fontSize=8.5, leading=11, textColor=HexColor(ACCENT)),
            derived("headline", fontName=bold, fontSize=11.5, leading=14, spaceAfter=2),
            derived("why", fontName=bold, fontSize=8.5, leading=10.5, spaceAfter=2),
        )
    }


def style(name: str) -> ParagraphStyle:
    """One of our paragraph styles; do not change it."""
    return _styles()[name]
