"""A plan sketch: house, eaves by load, trees, wind, north and a scale bar."""

from __future__ import annotations

import math
import string
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Polygon

from eavefall_model.advice.schema import Advice
from eavefall_model.house.tree_kinds import TreeKind
from eavefall_model.language import listed, translate
from eavefall_model.survey import Survey
from eavefall_model.units import compass, length_text, mass_per_length_text
from eavefall_model.vocabulary import Language, Units
from eavefall_service.plots.layout import House, TreeMark, house_of, spread_lines, trees_of
from eavefall_service.plots.palette import ACCENT, INK, MIST, QUIET, SECOND
from eavefall_service.plots.plan_trees import (
    ARROW_M,
    WIDTH_IN,
    View,
    draw_arrow,
    draw_label,
    draw_tree,
    stems,
    tree_away,
    tree_name,
)
from eavefall_service.plots.words import shortened

# Trees farther than this beyond the house would shrink everything else; they stand at the edge, with an
# arrow.
_REACH_M: Final = 9.0
_FAR_CROWN_M: Final = 1.6
# Beyond this many trees names would cover each other: they become numbers, with a key.
_NAMED: Final = 6
_STRIP_IN: Final = 0.32
_GROUND_IN: Final = 1.8
_SIDE_IN: Final = 0.85
_LABEL_IN: Final = 0.42
_LINE_IN: Final = 0.17
_BARS_M: Final[dict[Units, tuple[float, ...]]] = {
    "us": tuple(feet * 0.3048 for feet in (5, 10, 20, 50, 100)),
    "metric": (1.0, 2.0, 5.0, 10.0, 20.0, 50.0),
}


@dataclass(frozen=True)
class PlanPlot:
    """``loads`` is typical litter per eave in kg per meter and year, in the order of ``house.eaves``; none
    before there is an answer.
    """

    house: House
    trees: tuple[TreeMark, ...]
    loads: tuple[float | None, ...]
    wind_from_deg: float | None
    units: Units = "us"
    language: Language = "en"

    @property
    def title(self) -> str:
        """A heading."""
        return translate(self.language, "Plan sketch")

    @property
    def size_in(self) -> tuple[float, float]:
        """As high as the ground shown and the key below it need."""
        return WIDTH_IN, _STRIP_IN + self._view().height_in + self._key_in()

    @property
    def alt(self) -> str:
        """Eaves with load, trees with direction and distance, wind."""
        language = self.language
        eaves, trees = [], [self._tree_words(tree) for tree in self.trees]
        for line, load in zip(self.house.eaves, self.loads, strict=True):
            faces = self._point(line.facing_deg, line.facing_sd_deg)
            if load is None:
                eaves.append(translate(language, "{eave} facing {point}", eave=line.name, point=faces))
            else:
                litter = mass_per_length_text(load, self.units, language)
                eaves.append(
                    translate(
                        language,
                        "{eave} facing {point} with {litter} of litter a year",
                        eave=line.name,
                        point=faces,
                        litter=litter,
                    )
                )
        said = [
            translate(language, "Plan sketch, north up."),
            translate(language, "Eaves: {eaves}.", eaves=listed(eaves, language)),
            translate(
                language,
                "Trees: {trees}.",
                trees=listed(trees, language) or translate(language, "none"),
            ),
        ]
        if self.wind_from_deg is not None:
            wind = compass(self.wind_from_deg, language)
            said.append(translate(language, "Wind mostly from {point}.", point=wind))
        return " ".join(said)

    def draw(self, figure: Figure) -> None:
        """House in the middle, heavier eaves thicker, assumed places dashed."""
        figure.set_layout_engine("none")
        view, whole_in = self._view(), self.size_in[1]
        key = figure.add_axes((0, 0, 1, self._key_in() / whole_in))
        ground = figure.add_axes((0, self._key_in() / whole_in, 1, view.height_in / whole_in))
        strip = figure.add_axes((0, 1 - _STRIP_IN / whole_in, 1, _STRIP_IN / whole_in))
        self._ground(ground, view)
        self._strip(strip, view)
        key.set_xlim(0, WIDTH_IN)
        key.text(
            0.08,
            0.95,
            "\n".join(self._key()),
            transform=key.transAxes,
            va="top",
            fontsize=9,
            linespacing=1.35,
        )
        for axes in (key, ground, strip):
            axes.set_axis_off()

    def _point(self, bearing_deg: float, sd_deg: float | None) -> str:
        """A compass point, with how sure it is where that was measured."""
        point = compass(bearing_deg, self.language)
        if not sd_deg:
            return point
        degrees = f"{sd_deg:.0f}"
        return translate(
            self.language, "{point} give or take {degrees} degrees", point=point, degrees=degrees
        )

    def _tree_words(self, tree: TreeMark) -> str:
        language, name = self.language, tree.name
        if tree.count > 1:
            name = translate(language, "{tree} (group of {n})", tree=name, n=tree.count)
        point = self._point(tree.bearing_deg, tree.bearing_sd_deg)
        if tree.distance_m is None:
            return translate(language, "{tree} to the {point}, distance not given", tree=name, point=point)
        away = length_text(tree.distance_m, self.units, language)
        return translate(
            language, "{tree} to the {point}, {distance} away", tree=name, point=point, distance=away
        )

    def _key(self) -> list[str]:
        lines = [
            f"{string.ascii_uppercase[at % 26]}  {shortened(line.name, 18)}{self._load_words(load)}"
            for at, (line, load) in enumerate(zip(self.house.eaves, self.loads, strict=True))
        ]
        if len(self.trees) > _NAMED:
            lines += [
                f"{at}  {shortened(tree_name(tree), 40)}{tree_away(tree, ', ', self.units, self.language)}"
                for at, tree in enumerate(self.trees, 1)
            ]
        if not all([part.known for part in self.trees] + [line.known for line in self.house.eaves]):
            lines.append(translate(self.language, "Dashed: place or size assumed"))
        if spread_lines(self.house, self.trees):
            lines.append(translate(self.language, "Thin lines: give or take, as it was measured"))
        return lines

    def _load_words(self, load: float | None) -> str:
        if load is None:
            return ""
        litter = mass_per_length_text(load, self.units, self.language)
        a_year = translate(self.language, "{litter} a year", litter=litter)
        return f": {a_year}"

    def _key_in(self) -> float:
        return _LINE_IN * len(self._key()) + 0.05

    def _shown(self) -> list[TreeMark]:
        """Trees pulled in to the edge where they are far; those have no crown of their own."""
        limit = max(math.hypot(*corner) for corner in self.house.corners) + _REACH_M
        shown = []
        for tree in self.trees:
            away = math.hypot(*tree.trunk)
            if away > limit:
                at = (tree.trunk[0] * limit / away, tree.trunk[1] * limit / away)
                tree = replace(tree, trunk=at, crown_m=_FAR_CROWN_M, known=False)
            shown.append(replace(tree, crown_m=max(tree.crown_m, 0.6)))
        return shown

    def _view(self) -> View:
        points = list(self.house.corners)
        for tree in self._shown():
            for x, y in stems(tree):
                points += [(x - tree.crown_m, y - tree.crown_m), (x + tree.crown_m, y + tree.crown_m)]
        left, right = min(x for x, _ in points), max(x for x, _ in points)
        low, high = min(y for _, y in points), max(y for _, y in points)
        # Room for labels is inches, whatever the ground's scale.
        room = (WIDTH_IN - 2 * _SIDE_IN, _GROUND_IN - 2 * _LABEL_IN)
        per_inch = max((right - left) / room[0], (high - low) / room[1])
        across, upward = WIDTH_IN * per_inch, _GROUND_IN * per_inch
        x, y = (left + right) / 2, (low + high) / 2
        return View(x - across / 2, x + across / 2, y - upward / 2, y + upward / 2, _GROUND_IN)

    def _ground(self, axes: Axes, view: View) -> None:
        axes.set_xlim(view.left, view.right)
        axes.set_ylim(view.low, view.high)
        axes.add_patch(Polygon(self.house.corners, facecolor=MIST, edgecolor=QUIET, linewidth=1))
        for number, tree in enumerate(self._shown(), 1):
            draw_tree(axes, tree)
            given = self.trees[number - 1]
            far = math.hypot(*given.trunk) > math.hypot(*tree.trunk) + 0.01
            if far:
                draw_arrow(axes, tree)
            words = str(number) if len(self.trees) > _NAMED else self._label(given)
            draw_label(axes, view, tree, words, ARROW_M if far else 0.0)
        # Trees that stand at the edge have no true place to be unsure of.
        placed = [
            tree for tree, given in zip(self._shown(), self.trees, strict=True) if tree.trunk == given.trunk
        ]
        for points in spread_lines(self.house, placed):
            axes.plot(*zip(*points, strict=True), color=INK, linewidth=0.7, zorder=5)
        heaviest = max((load for load in self.loads if load is not None), default=0.0) or 1.0
        for at, (line, load) in enumerate(zip(self.house.eaves, self.loads, strict=True)):
            (x0, y0), (x1, y1) = line.start, line.end
            width = 3.0 if load is None else 1.5 + 5.5 * load / heaviest
            axes.plot(
                [x0, x1], [y0, y1], color=SECOND, linewidth=width, zorder=4,
                solid_capstyle="butt", linestyle="solid" if line.known else (0, (2, 0.8)),
            )  # fmt: skip
            inward, angle = 0.15 * view.meters_per_inch, math.radians(line.facing_deg)
            # A third along, so that letters of opposite eaves stay apart in a narrow house.
            middle = (
                x0 + (x1 - x0) / 3 - inward * math.sin(angle),
                y0 + (y1 - y0) / 3 - inward * math.cos(angle),
            )
            letter = string.ascii_uppercase[at % 26]
            axes.text(*middle, letter, fontsize=9, fontweight="bold", ha="center", va="center", zorder=6)

    def _label(self, tree: TreeMark) -> str:
        words = (
            "\n".join(textwrap.wrap(shortened(tree_name(tree), 44), 15, break_long_words=False)) or tree.name
        )
        return f"{words}{tree_away(tree, chr(10), self.units, self.language)}"

    def _strip(self, axes: Axes, view: View) -> None:
        """North, a scale bar and the wind, above the ground; in inches."""
        axes.set_xlim(0, WIDTH_IN)
        axes.set_ylim(0, _STRIP_IN)
        arrow = {"arrowstyle": "->", "color": INK, "linewidth": 1.2}
        axes.annotate("", (0.2, 0.31), (0.2, 0.01), arrowprops=arrow)
        axes.text(0.3, 0.17, "N", fontsize=9, va="center")
        meters = max(
            (bar for bar in _BARS_M[self.units] if bar <= 1.1 * view.meters_per_inch),
            default=_BARS_M[self.units][0],
        )
        long_in = meters / view.meters_per_inch
        axes.plot([0.75, 0.75 + long_in], [0.06, 0.06], color=INK, linewidth=2, solid_capstyle="butt")
        axes.text(0.75, 0.11, length_text(meters, self.units, self.language), fontsize=9, va="bottom")
        if self.wind_from_deg is None:
            return
        angle = math.radians(self.wind_from_deg)
        step = (0.13 * math.sin(angle), 0.13 * math.cos(angle))
        wind = {"arrowstyle": "-|>", "color": ACCENT, "linewidth": 2.2}
        axes.annotate("", (1.95 - step[0], 0.16 - step[1]), (1.95 + step[0], 0.16 + step[1]), arrowprops=wind)
        point = compass(self.wind_from_deg, self.language)
        words = translate(self.language, "wind from {point}", point=point)
        axes.text(2.2, 0.16, words, fontsize=9, va="center")


def plan_plot(survey: Survey, advice: Advice, units: Units = "us", language: Language = "en") -> PlanPlot:
    """The sketch of one survey with its litter."""
    load = {eave.eave: eave.litter_kg_per_m_year.typical for eave in advice.eaves}
    sketch = sketch_plot(survey, advice.trees, units)
    loads = tuple(load.get(line.name, 0.0) for line in sketch.house.eaves)
    return replace(sketch, loads=loads, language=language)


def sketch_plot(survey: Survey, kinds: Sequence[TreeKind], units: Units = "us") -> PlanPlot:
    """The sketch of one survey before there is an answer."""
    house = house_of(survey)
    trees = trees_of(survey, house, kinds)
    return PlanPlot(house, trees, (None,) * len(house.eaves), survey.wind.from_deg, units)
