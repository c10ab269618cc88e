"""Litter that reaches one eave, by calendar month and form, stacked."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.artist import Artist
from matplotlib.figure import Figure
from matplotlib.patches import Patch
from matplotlib.ticker import MaxNLocator

from eavefall_model.advice.say import months_text
from eavefall_model.advice.schema import EaveAdvice
from eavefall_model.language import listed, month_name
from eavefall_model.units import mass_per_length_text
from eavefall_model.vocabulary import Units
from eavefall_service.plots.palette import ACCENT, CHART_IN, INK, form_style
from eavefall_service.plots.words import NOTHING_KG_M, load_value


@dataclass(frozen=True)
class LitterPlot:
    """``layers`` holds a form and twelve values in kg per meter of gutter, January first; heaviest first."""

    eave: str
    layers: tuple[tuple[str, tuple[float, ...]], ...]
    clean_in: tuple[int, ...]
    size_in: tuple[float, float] = (CHART_IN, 1.65)
    units: Units = "us"

    @property
    def title(self) -> str:
        """A heading."""
        return f"Litter by month at {self.eave}"

    @property
    def alt(self) -> str:
        """Heaviest month, share of each form, and the cleaning months."""
        totals = [sum(month) for month in zip(*(values for _, values in self.layers), strict=True)]
        if not totals or max(totals) <= 0:
            return f"Bar chart. Next to no litter reaches the eave {self.eave} in any month."
        year = sum(totals)
        shares = [f"{form_style(form)[0]} {sum(values) / year * 100:.0f} %" for form, values in self.layers]
        cleaning = f" Months to clean in: {months_text(self.clean_in)}." if self.clean_in else ""
        return (
            f"Stacked bar chart of litter per length of gutter at the eave {self.eave}. Over a year "
            f"{mass_per_length_text(year, self.units)}, most in {month_name(totals.index(max(totals)) + 1)}; "
            f"{listed(shares)}.{cleaning}"
        )

    def draw(self, figure: Figure) -> None:
        """Bars from January to December, a labeled swatch per form in stacking order."""
        axes = figure.add_subplot()
        base = [0.0] * 12
        swatches: list[Artist] = []
        for position, (form, kg_per_m) in enumerate(self.layers):
            values = [load_value(kg_m, self.units) for kg_m in kg_per_m]
            word, fill, hatch = form_style(form, position)
            look: dict[str, Any] = {"facecolor": fill, "edgecolor": INK, "linewidth": 0.6, "hatch": hatch}
            axes.bar(range(12), values, bottom=base, width=0.78, **look)
            base = [low + more for low, more in zip(base, values, strict=True)]
            swatches.append(Patch(label=word, **look))
        top = max(base, default=0.0) or 1.0
        axes.set_ylim(0, top * 1.16)
        for month in self.clean_in:
            at = base[month - 1] + top * 0.03
            axes.plot([month - 1], [at], marker="v", color=ACCENT, markersize=7, clip_on=False)
        if self.clean_in:
            mark = axes.plot([], [], marker="v", color=ACCENT, markersize=7, linestyle="", label="clean in")[
                0
            ]
            swatches.insert(0, mark)
        axes.set_xticks(range(12), [month_name(month)[0] for month in range(1, 13)])
        axes.tick_params(axis="x", length=0)
        axes.yaxis.set_major_locator(MaxNLocator(3))
        axes.set_ylabel("lb per foot" if self.units == "us" else "kg per meter")
        axes.grid(axis="y")
        axes.set_axisbelow(True)
        if not self.layers:
            axes.text(
                5.5,
                0.5,
                "nothing to speak of in any month",
                ha="center",
                va="center",
            )
        if swatches:
            figure.legend(
                handles=swatches, loc="outside upper center", ncols=2, handlelength=1.4, columnspacing=1.0
            )


def litter_plot(eave: EaveAdvice, units: Units = "us") -> LitterPlot:
    """The plot for one eave. Forms that bring under a gram a year are left out."""
    layers = [
        (row.form, tuple(row.kg_per_m)) for row in eave.litter_by_month if sum(row.kg_per_m) >= NOTHING_KG_M
    ]
    layers.sort(key=lambda layer: (-sum(layer[1]), layer[0]))
    return LitterPlot(eave.eave, tuple(layers), eave.clean_in, units=units)
