"""Screen openings against the widths of what falls, on one logarithmic axis in mm and in."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FixedLocator, FuncFormatter, NullLocator

from eavefall_model.language import listed, translate
from eavefall_model.screens.classes import CLASS_BOUNDS_MM
from eavefall_model.units import MM_PER_INCH, number_text, opening_text, span_text
from eavefall_model.vocabulary import Language
from eavefall_service.plots.palette import ACCENT, CHART_IN, INK, MIST, PAPER, QUIET, SECOND
from eavefall_service.plots.words import shortened


def _to_inches(mm: Any) -> Any:
    return np.asarray(mm) / MM_PER_INCH


def _to_mm(inches: Any) -> Any:
    return np.asarray(inches) * MM_PER_INCH


def _mm_tick(mm: float, at: int | None) -> str:
    return f"{number_text(mm)}{' mm' if at == 0 else ''}"


def _inch_tick(inch: float, at: int | None) -> str:
    return f"{number_text(inch)}{' in' if at == 0 else ''}"


_LOW_MM = 0.17
_HIGH_MM = 20.0
_LETTER_IN = 0.07


@dataclass(frozen=True)
class WidthBar:
    """Width of one kind of litter from ``low_mm`` to ``high_mm``; ``measured`` if a gauge photo gave it."""

    label: str
    low_mm: float
    high_mm: float
    measured: bool = False


@dataclass(frozen=True)
class OpeningPlot:
    """``opening_mm`` is the widest opening advised, or ``None`` where no guard is advised."""

    bars: tuple[WidthBar, ...]
    opening_mm: float | None
    language: Language = "en"

    @property
    def title(self) -> str:
        """A heading."""
        return translate(self.language, "Openings against what falls")

    @property
    def size_in(self) -> tuple[float, float]:
        """Grows with the number of bars."""
        return CHART_IN, 1.0 + 0.17 * max(1, len(self.bars))

    @property
    def alt(self) -> str:
        """The chosen opening and each width."""
        word = translate(self.language, "measured")
        measured = f" {word}"
        each = [f"{bar.label} {self._span(bar)}{measured if bar.measured else ''}" for bar in self.bars]
        said = [translate(self.language, "Chart with a logarithmic axis of widths.")]
        if self.opening_mm:
            size = opening_text(self.opening_mm, language=self.language)
            said.append(translate(self.language, "Advised opening {size}.", size=size))
        else:
            said.append(translate(self.language, "No opening is advised."))
        if each:
            widths = listed(each, self.language)
            said.append(translate(self.language, "Widths of what falls: {widths}.", widths=widths))
        return " ".join(said)

    def _span(self, bar: WidthBar) -> str:
        low, high = (number_text(each, 2, self.language) for each in (bar.low_mm, bar.high_mm))
        return f"{span_text(low, high, self.language)} mm"

    def draw(self, figure: Figure) -> None:
        """Class bands behind, one named bar per kind of litter, the advised opening as a line through all."""
        axes = figure.add_subplot()
        rows = max(1, len(self.bars))
        axes.set_xscale("log")
        axes.set_xlim(_LOW_MM, _HIGH_MM)
        axes.set_ylim(rows - 0.4, -2.4)
        for at, (name, (low, high)) in enumerate(reversed(CLASS_BOUNDS_MM.items())):
            left, right = max(low, _LOW_MM), min(high, _HIGH_MM)
            axes.axvspan(left, right, facecolor=MIST if at % 2 == 0 else PAPER, edgecolor="none", zorder=0)
            if at:
                axes.axvline(left, color=QUIET, linewidth=0.5, linestyle=":", zorder=1)
            axes.text(
                math.sqrt(left * right),
                -1.9,
                translate(self.language, name),
                ha="center",
                va="center",
                color=INK,
            )
        for row, bar in enumerate(self.bars):
            self._bar(axes, row, bar)
        axes.set_yticks([])
        if not self.bars:
            axes.text(
                2.0, 0, translate(self.language, "no tree is known well enough yet"), ha="center", va="center"
            )
        if self.opening_mm is not None:
            axes.plot([self.opening_mm] * 2, [rows, -1.4], color=SECOND, linewidth=2, linestyle=(0, (5, 1.5)))
            left_side = self.opening_mm > 4
            size = number_text(self.opening_mm, 2)
            advised = translate(self.language, "advised {size} mm", size=size)
            axes.annotate(
                advised, (self.opening_mm, -1.0),
                xytext=(-4 if left_side else 4, 0), textcoords="offset points", va="center",
                ha="right" if left_side else "left", fontweight="bold", color=INK, zorder=5,
            )  # fmt: skip
        axes.xaxis.set_major_locator(FixedLocator([0.25, 0.5, 1, 2.5, 6.3, 15]))
        axes.xaxis.set_minor_locator(NullLocator())
        axes.xaxis.set_major_formatter(FuncFormatter(_mm_tick))
        inches = axes.secondary_xaxis("top", functions=(_to_inches, _to_mm))
        inches.xaxis.set_major_locator(FixedLocator([0.01, 0.02, 0.04, 0.1, 0.25, 0.6]))
        inches.xaxis.set_minor_locator(NullLocator())
        inches.xaxis.set_major_formatter(FuncFormatter(_inch_tick))
        axes.spines["left"].set_visible(False)

    def _bar(self, axes: Axes, row: int, bar: WidthBar) -> None:
        low, high = max(bar.low_mm, _LOW_MM), min(bar.high_mm, _HIGH_MM)
        # A width known as one figure still needs a bar that can be seen.
        low, high = (low / 1.03, high * 1.03) if high < low * 1.06 else (low, high)
        axes.barh(
            row, high - low, left=low, height=0.6, facecolor=ACCENT if bar.measured else "#b9cfc2",
            edgecolor=INK, linewidth=0.7, hatch="" if bar.measured else "///", zorder=3,
        )  # fmt: skip
        measured = translate(self.language, "measured")
        words = f"{bar.label}, {measured}" if bar.measured else bar.label
        # The name stands on the right where the axis has room for it.
        per_decade_in = CHART_IN / math.log10(_HIGH_MM / _LOW_MM)
        right_in, left_in = (
            math.log10(share) * per_decade_in - 0.15 for share in (_HIGH_MM / high, low / _LOW_MM)
        )
        left_side = right_in < _LETTER_IN * len(words) and right_in < left_in
        words = shortened(words, int(max(right_in, left_in) / _LETTER_IN))
        axes.annotate(
            words, (low if left_side else high, row), xytext=(-4 if left_side else 4, 0),
            textcoords="offset points", va="center", ha="right" if left_side else "left", color=INK, zorder=4,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.8, "pad": 0.6},
        ).set_in_layout(False)  # fmt: skip
