"""A plan sketch: house, eaves by load, trees, wind, north and a scale bar."""

from __future__ import annotations

import math
import string
from collections.abc import Mapping
from dataclasses import dataclass, replace

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Circle, Polygon

from eavefall_model.advice.schema import Advice
from eavefall_model.survey import Survey
from eavefall_service.plots.layout import House, TreeMark, house_of, trees_of
from eavefall_service.plots.palette import ACCENT, INK, MIST, PAPER, QUIET, SECOND
from eavefall_service.plots.words import compass, joined, kg_per_m, length_both

__all__ = ["PlanPlot", "plan_plot"]

# Trees farther than this beyond the house would shrink everything else; they stand at the edge, with an
# arrow.
_REACH_M = 16.0
_CROWN = {"needle": ("#7fa48f", "///"), "broad": ("#ecd2a0", "---"), "unknown": ("#e3e4e0", "")}


@dataclass(frozen=True)
class PlanPlot:
    """``loads`` is typical litter per eave in kg per metre and year, in the order of ``house.eaves``."""

    house: House
    trees: tuple[TreeMark, ...]
    loads: tuple[float, ...]
    wind_from_deg: float | None
    size_in: tuple[float, float] = (4.6, 4.6)

    @property
    def title(self) -> str:
        """A heading."""
        return "Plan sketch"

    @property
    def alt(self) -> str:
        """Eaves with load, trees with direction and distance, wind."""
        eaves = joined(
            [
                f"{line.name} facing {compass(line.facing_deg)} with {kg_per_m(load)} of litter a year"
                for line, load in zip(self.house.eaves, self.loads, strict=True)
            ]
        )
        trees = joined(
            [
                f"{tree.name}{f' (group of {tree.count})' if tree.count > 1 else ''} to the "
                f"{compass(tree.bearing_deg)}, "
                + (
                    "distance not given"
                    if tree.distance_m is None
                    else f"{length_both(tree.distance_m)} away"
                )
                for tree in self.trees
            ]
        )
        wind = "" if self.wind_from_deg is None else f" Wind mostly from {compass(self.wind_from_deg)}."
        return f"Plan sketch, north up. Eaves: {eaves}. Trees: {trees or 'none'}.{wind}"

    def draw(self, figure: Figure) -> None:
        """House in the middle, heavier eaves thicker, assumed places dashed."""
        axes = figure.add_subplot()
        half = max(math.hypot(*corner) for corner in self.house.corners)
        trees = [self._near(tree, half + _REACH_M) for tree in self.trees]
        view = max(
            [
                half + 4.0,
                *(
                    max(abs(tree.trunk[0]), abs(tree.trunk[1])) + max(tree.crown_m, 3.5) + 3.0
                    for tree in trees
                ),
            ]
        )
        axes.add_patch(Polygon(self.house.corners, facecolor=MIST, edgecolor=QUIET, linewidth=1))
        for tree in trees:
            self._tree(axes, tree, view)
        heaviest = max(self.loads, default=0.0) or 1.0
        key = []
        for at, (line, load) in enumerate(zip(self.house.eaves, self.loads, strict=True)):
            letter = string.ascii_uppercase[at % 26]
            (x0, y0), (x1, y1) = line.start, line.end
            axes.plot(
                [x0, x1], [y0, y1], color=SECOND, linewidth=1.5 + 5.5 * load / heaviest, zorder=4,
                solid_capstyle="butt", linestyle="solid" if line.known else (0, (2, 0.8)),
            )  # fmt: skip
            inward = 0.055 * view
            angle = math.radians(line.facing_deg)
            middle = ((x0 + x1) / 2 - inward * math.sin(angle), (y0 + y1) / 2 - inward * math.cos(angle))
            axes.text(*middle, letter, fontsize=9, fontweight="bold", ha="center", va="center", zorder=6)
            key.append(f"{letter}  {line.name}: {kg_per_m(load)} a year")
        self._compass(axes, view)
        axes.set_xlim(-view, view)
        axes.set_ylim(-view, view)
        axes.set_aspect("equal")
        axes.set_axis_off()
        if any(not tree.known for tree in self.trees) or any(not line.known for line in self.house.eaves):
            key.append("Dashed: place or size assumed, not measured")
        axes.text(
            0.0,
            -0.02,
            "\n".join(key),
            transform=axes.transAxes,
            va="top",
            ha="left",
            fontsize=8.5,
            linespacing=1.35,
        )

    def _near(self, tree: TreeMark, limit: float) -> TreeMark:
        away = math.hypot(*tree.trunk)
        if away <= limit:
            return tree
        return replace(tree, trunk=(tree.trunk[0] * limit / away, tree.trunk[1] * limit / away), crown_m=-1.0)

    def _tree(self, axes: Axes, tree: TreeMark, view: float) -> None:
        x, y = tree.trunk
        fill, hatch = _CROWN[tree.kind]
        far = tree.crown_m < 0
        crown = 1.6 if far else max(tree.crown_m, 0.6)
        # A group stands side by side across its bearing; five circles are enough to read as "several".
        shown = min(tree.count, 5)
        side = math.radians(tree.bearing_deg + 90)
        for number in range(shown):
            shift = (number - (shown - 1) / 2) * crown * 0.9
            at = (x + shift * math.sin(side), y + shift * math.cos(side))
            axes.add_patch(
                Circle(
                    at, crown, facecolor=fill, edgecolor=INK, linewidth=0.8, alpha=0.75, hatch=hatch,
                    zorder=3, linestyle="solid" if tree.known and not far else (0, (3, 2)),
                )
            )  # fmt: skip
            axes.plot(*at, marker="^" if tree.kind == "needle" else "o", color=INK, markersize=4, zorder=5)
        if far:
            out = (math.sin(math.radians(tree.bearing_deg)), math.cos(math.radians(tree.bearing_deg)))
            axes.annotate(
                "", (x + 4.5 * out[0], y + 4.5 * out[1]), (x + 1.8 * out[0], y + 1.8 * out[1]),
                arrowprops={"arrowstyle": "->", "color": INK}, zorder=5,
            )  # fmt: skip
        words = f"{tree.count} × {tree.name}" if tree.count > 1 else tree.name
        if tree.distance_m is not None:
            words += f"\n{tree.distance_m:.0f} m ({tree.distance_m / 0.3048:.0f} ft)"
        # Above a tree that stands well to the north, below any other, clear of the whole group.
        above = math.cos(math.radians(tree.bearing_deg)) > 0.35
        clear = crown + (shown - 1) / 2 * crown * 0.9 * abs(math.cos(side)) + 0.02 * view
        axes.text(
            min(max(x, -0.72 * view), 0.72 * view), y + clear if above else y - clear, words, fontsize=8,
            ha="center", va="bottom" if above else "top", zorder=7, linespacing=1.15,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.75, "pad": 0.8},
        )  # fmt: skip

    def _compass(self, axes: Axes, view: float) -> None:
        corner = (-0.9 * view, 0.93 * view)
        axes.annotate(
            "N", (corner[0], corner[1] - 0.16 * view), corner, ha="center", va="center", fontsize=9,
            arrowprops={"arrowstyle": "<-", "color": INK, "linewidth": 1.2},
        )  # fmt: skip
        if self.wind_from_deg is not None:
            angle = math.radians(self.wind_from_deg)
            middle = (0.82 * view, 0.86 * view)
            step = (0.09 * view * math.sin(angle), 0.09 * view * math.cos(angle))
            axes.annotate(
                "", (middle[0] - step[0], middle[1] - step[1]), (middle[0] + step[0], middle[1] + step[1]),
                arrowprops={"arrowstyle": "-|>", "color": ACCENT, "linewidth": 2.2}, zorder=8,
            )  # fmt: skip
            axes.text(
                0.98 * view, 0.72 * view, f"wind from {compass(self.wind_from_deg)}", fontsize=8.5,
                ha="right", va="center", zorder=8,
            )  # fmt: skip
        bar = 10.0 if view > 14 else 5.0
        left, low = view * 0.96 - bar, -0.95 * view
        axes.plot([left, left + bar], [low, low], color=INK, linewidth=2, solid_capstyle="butt")
        axes.text(left + bar / 2, low + 0.02 * view, f"{bar:.0f} m ({bar / 0.3048:.0f} ft)", fontsize=8,
                  ha="center", va="bottom")  # fmt: skip


def plan_plot(survey: Survey, advice: Advice, forms: Mapping[str, str] | None = None) -> PlanPlot:
    """The sketch of one survey; ``forms`` gives forms of trees that the survey leaves open."""
    house = house_of(survey)
    load = {eave.eave: eave.litter_kg_per_m_year.typical for eave in advice.eaves}
    return PlanPlot(
        house,
        trees_of(survey, house, forms or {}),
        tuple(load.get(line.name, 0.0) for line in house.eaves),
        survey.wind.from_deg,
    )
