"""A photo into a gutter as pages show it: its rims and the litter line drawn on it, and how full that is."""

from __future__ import annotations

from dataclasses import dataclass

from eavefall_model.debris.evidence import fifths, lies
from eavefall_model.vocabulary import Language
from eavefall_service.journeys.photos import PhotoView

# References of the page's choices, as :meth:`GutterSize.parse` reads them, and their words.
GUTTERS = (
    ("k_style:5in", "K-style, 5 in"),
    ("k_style:6in", "K-style, 6 in"),
    ("half_round:5in", "Half-round, 5 in"),
    ("half_round:6in", "Half-round, 6 in"),
    ("box:5in", "Box, 5 in"),
    ("box:6in", "Box, 6 in"),
)


@dataclass(frozen=True)
class GutterShown:
    """``rims`` and ``line`` are an SVG's points in the photo's pixels; ``full`` and ``lies`` are
    sentences."""

    rims: tuple[str, ...]
    line: str
    full: str
    lies: str


def gutter_shown(view: PhotoView, language: Language = "en") -> GutterShown | None:
    """How full, with the lines that say so; None where the photo does not tell."""
    fill = view.gutter.fill if view.gutter else None
    if fill is None:
        return None
    return GutterShown(
        tuple(_points(line) for line in fill.lines_px),
        _points(fill.litter_px),
        fifths(fill, language),
        lies(fill, language),
    )


def _points(points: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{x:.0f},{y:.0f}" for x, y in points)
