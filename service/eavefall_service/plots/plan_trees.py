"""Trees on the plan sketch: crowns, arrows to far ones, and labels that keep clear of them."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Final

from matplotlib.axes import Axes
from matplotlib.patches import Circle

from eavefall_model.units import length_text
from eavefall_model.vocabulary import Language, Units
from eavefall_service.plots.layout import Point, TreeMark
from eavefall_service.plots.palette import CHART_IN, INK, PAPER

ARROW_M: Final = 2.4
WIDTH_IN: Final = CHART_IN
_LETTER_IN: Final = 0.074
_CROWN: Final = {"needle": ("#7fa48f", "///"), "broad": ("#ecd2a0", "---"), "unsure": ("#e3e4e0", "")}


@dataclass(frozen=True)
class View:
    """The part of the ground that is shown, in meters, and how high it is drawn."""

    left: float
    right: float
    low: float
    high: float
    height_in: float

    @property
    def meters_per_inch(self) -> float:
        """Ground meters for one inch of drawing."""
        return (self.right - self.left) / WIDTH_IN


def tree_name(tree: TreeMark) -> str:
    """Name, with the number of a group."""
    return f"{tree.count} × {tree.name}" if tree.count > 1 else tree.name


def tree_away(tree: TreeMark, before: str, units: Units, language: Language = "en") -> str:
    """Distance, with ``before`` ahead of it; nothing where it was not given."""
    if tree.distance_m is None:
        return ""
    return f"{before}{length_text(tree.distance_m, units, language)}"


def stems(tree: TreeMark) -> list[Point]:
    """A group stands side by side across its bearing; five circles are enough to read as several."""
    shown = min(tree.count, 5)
    side = math.radians(tree.bearing_deg + 90)
    shifts = [(number - (shown - 1) / 2) * tree.crown_m * 0.9 for number in range(shown)]
    return [(tree.trunk[0] + by * math.sin(side), tree.trunk[1] + by * math.cos(side)) for by in shifts]


def draw_tree(axes: Axes, tree: TreeMark) -> None:
    """Crowns and trunks of one entry; hatched by kind, dashed where its place is assumed."""
    fill, hatch = _CROWN[tree.kind]
    for stem in stems(tree):
        axes.add_patch(
            Circle(
                stem, tree.crown_m, facecolor=fill, edgecolor=INK, linewidth=0.8, alpha=0.75, hatch=hatch,
                zorder=3, linestyle="solid" if tree.known else (0, (3, 2)),
            )
        )  # fmt: skip
        axes.plot(*stem, marker="^" if tree.kind == "needle" else "o", color=INK, markersize=4, zorder=5)


def draw_arrow(axes: Axes, tree: TreeMark) -> None:
    """Outwards, from a tree that really stands farther off."""
    way = (math.sin(math.radians(tree.bearing_deg)), math.cos(math.radians(tree.bearing_deg)))
    (x, y), start, end = tree.trunk, tree.crown_m + 0.2, tree.crown_m + ARROW_M
    axes.annotate(
        "", (x + end * way[0], y + end * way[1]), (x + start * way[0], y + start * way[1]),
        arrowprops={"arrowstyle": "->", "color": INK}, zorder=5,
    )  # fmt: skip


def draw_label(axes: Axes, view: View, tree: TreeMark, words: str, arrow_m: float) -> None:
    """On the side of a tree that faces away from the house, clear of its group and its arrow."""
    angle = math.radians(tree.bearing_deg)
    up, across = math.cos(angle), math.sin(angle)
    group = stems(tree)
    gap = 0.05 * view.meters_per_inch
    if abs(up) > 0.75:
        heights = [y for _, y in group]
        clear = tree.crown_m + gap + arrow_m * abs(up)
        y = max(heights) + clear if up > 0 else min(heights) - clear
        half = max(len(line) for line in words.split("\n")) * _LETTER_IN / 2 * view.meters_per_inch
        x = min(max(tree.trunk[0], view.left + half), view.right - half)
        place: dict[str, Any] = {"ha": "center", "va": "bottom" if up > 0 else "top"}
    else:
        sides = [x for x, _ in group]
        clear = tree.crown_m + gap + arrow_m * abs(across)
        x = max(sides) + clear if across > 0 else min(sides) - clear
        y = tree.trunk[1] + up * arrow_m
        place = {"ha": "left" if across > 0 else "right", "va": "center"}
    axes.text(
        x, y, words, fontsize=9, zorder=7, linespacing=1.15, **place,
        bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
    )  # fmt: skip
