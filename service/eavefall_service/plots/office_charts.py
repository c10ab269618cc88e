"""Charts of the office's pages: frozen figures that were measured elsewhere, drawn with matplotlib.

The alternative text of each says its numbers. Intervals are drawn whole: an axis ends where the longest does.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from eavefall_model.advice.say import CLASSES
from eavefall_service.plots.palette import ACCENT, INK, MIST, QUIET, RULE, SECOND
from eavefall_service.statistics.agreement import Confusion
from eavefall_service.statistics.calibration import Calibration
from eavefall_service.statistics.drift import DriftWatch, Week
from eavefall_service.statistics.plans import Plan, accept_probability
from eavefall_service.statistics.posterior import ScaleUpdate
from eavefall_service.statistics.rates import Rate, rate
from eavefall_service.statistics.weeks import iso_week

_FACTORS: Final = (0.25, 0.5, 1.0, 2.0, 4.0)
_TICKS: Final = 6


def _shares(axis: Axes, top: float, which: str = "y") -> None:
    step = next((s for s in (0.01, 0.02, 0.05, 0.1, 0.2, 0.25) if top / s <= 5), 0.25)
    ticks = [i * step for i in range(int(top / step + 1e-9) + 1)]
    words = [f"{100 * tick:g} %" for tick in ticks]
    (axis.set_yticks if which == "y" else axis.set_xticks)(ticks, words)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _said(found: Rate) -> str:
    if found.value is None:
        return "no data, n = 0"
    return f"{_percent(found.value)} ({_percent(found.low)} to {_percent(found.high)}, n = {found.n})"


def _whisker(axes: Axes, at: float, found: Rate, size: float) -> None:
    """A dot at the share with its interval."""
    axes.plot([at] * 2, [found.low, found.high], color=ACCENT, linewidth=1.4)
    axes.plot([at], [found.value or 0.0], "o", color=ACCENT, markersize=size, clip_on=False)


def _on_grid(axes: Axes, which: Literal["both", "y"] = "both") -> None:
    axes.grid(axis=which)
    axes.set_axisbelow(True)


@dataclass(frozen=True)
class ConfusionPlot:
    """Squares whose darkness is the share of the row; every count is written; the diagonal is framed."""

    table: Confusion

    @property
    def title(self) -> str:
        """A heading."""
        return f"{self.table.first} against {self.table.second}"

    @property
    def alt(self) -> str:
        """Agreement and every count."""
        words = self._words()
        cells = (
            f"{self.table.first} {a}, {self.table.second} {b}: {count}"
            for a, row in zip(words, self.table.counts, strict=True)
            for b, count in zip(words, row, strict=True)
            if count
        )
        return f"Same answer: {_said(self.table.agreement())}. {'; '.join(cells)}."

    def _words(self) -> list[str]:
        """Classes as the trade says them; what else is counted stands as it is."""
        return [CLASSES["estimator"].get(label, label) for label in self.table.labels]

    @property
    def size_in(self) -> tuple[float, float]:
        """Grows with the labels."""
        side = 0.44 * len(self.table.labels)
        return side + 1.4, side + 1.0

    def draw(self, figure: Figure) -> None:
        """First reader down, second across."""
        axes = figure.add_subplot()
        size = len(self.table.labels)
        for i, row in enumerate(self.table.counts):
            total = sum(row)
            for j, count in enumerate(row):
                share = count / total if total else 0.0
                axes.add_patch(Rectangle((j, i), 1, 1, facecolor=ACCENT, alpha=0.5 * share, linewidth=0))
                edge = (INK, 1.6) if i == j else (QUIET, 0.4)
                axes.add_patch(
                    Rectangle(
                        (j + 0.03, i + 0.03), 0.94, 0.94, fill=False, edgecolor=edge[0], linewidth=edge[1]
                    )
                )
                axes.text(
                    j + 0.5, i + 0.42, str(count), ha="center", va="center", weight="bold", fontsize=8.5
                )
                if total:
                    axes.text(j + 0.5, i + 0.74, _percent(share), ha="center", va="center", fontsize=7)
        axes.set_xlim(0, size)
        axes.set_ylim(size, 0)
        axes.set_aspect("equal")
        words = self._words()
        places = [i + 0.5 for i in range(size)]
        axes.set_xticks(places, words, rotation=35, ha="left", rotation_mode="anchor")
        axes.set_yticks(places, words)
        axes.xaxis.tick_top()
        axes.xaxis.set_label_position("top")
        axes.set_xlabel(self.table.second)
        axes.set_ylabel(self.table.first)
        axes.tick_params(length=0)
        axes.spines[:].set_visible(False)


@dataclass(frozen=True)
class WeeksPlot:
    """Weekly shares with their intervals, the usual share, every alarm; weeks without a survey too."""

    heading: str
    weeks: tuple[Week, ...]
    watched: DriftWatch
    size_in: tuple[float, float] = (4.5, 2.5)

    @property
    def title(self) -> str:
        """A heading."""
        return self.heading

    def _span(self) -> range:
        return range(self.weeks[0].week, self.weeks[-1].week + 1) if self.weeks else range(0)

    @property
    def alt(self) -> str:
        """Usual share, alarms, the last week, and how many weeks had no survey."""
        if not self.weeks:
            return "No survey yet."
        last, span = self.weeks[-1], self._span()
        usual = self.watched.baseline
        alarms = [f"alarm in {iso_week(alarm.week)}, {alarm.direction}" for alarm in self.watched.alarms]
        return (
            f"{sum(week.share.n for week in self.weeks)} surveys in {len(span)} weeks, "
            f"{iso_week(span[0])} to {iso_week(span[-1])}, "
            f"{len(span) - len(self.weeks)} of them without a survey. "
            f"Usual: {_said(usual) if usual else 'not known yet'}. Last week: {_said(last.share)}. "
            f"{'; '.join(alarms) or 'no alarm'}."
        )

    def draw(self, figure: Figure) -> None:
        """One whisker a week; a gray stripe where there was no survey."""
        axes = figure.add_subplot()
        if not self.weeks:
            axes.set_axis_off()
            axes.text(0.5, 0.5, "No survey yet", ha="center", transform=axes.transAxes)
            return
        span = self._span()
        top = max(week.share.high for week in self.weeks)
        usual = self.watched.baseline
        if usual is not None and usual.value is not None:
            top = max(top, usual.high)
            axes.axhspan(usual.low, usual.high, color=MIST, zorder=0)
            axes.axhline(usual.value, color=QUIET, linestyle=(0, (5, 3)), linewidth=1.2, zorder=1)
        for empty in sorted(set(span) - {week.week for week in self.weeks}):
            axes.axvspan(empty - 0.5, empty + 0.5, facecolor="none", edgecolor=RULE, hatch="///", linewidth=0)
        for week in self.weeks:
            _whisker(axes, week.week, week.share, 4)
        for alarm in self.watched.alarms:
            axes.axvline(alarm.week, color=SECOND, linestyle=(0, (3, 2)), linewidth=1.3)
            axes.plot([alarm.week], [top * 1.06], marker="v", color=SECOND, markersize=8, clip_on=False)
        axes.set_ylim(0, top * 1.06)
        axes.set_xlim(span[0] - 0.6, span[-1] + 0.6)
        step = max(1, math.ceil(len(span) / _TICKS))
        axes.set_xticks(span[::step], [iso_week(week) for week in span[::step]], rotation=30, ha="right")
        _shares(axes, min(1.0, top * 1.06))
        axes.set_ylabel(f"share, n = {sum(week.share.n for week in self.weeks)}")
        _on_grid(axes, "y")


@dataclass(frozen=True)
class CalibrationPlot:
    """Share right against stated confidence; the dashed diagonal is perfect."""

    found: Calibration
    size_in: tuple[float, float] = (3.4, 3.1)

    @property
    def title(self) -> str:
        """A heading."""
        return "Stated confidence against what blind reading found"

    @property
    def alt(self) -> str:
        """Error and every band."""
        bands = "; ".join(
            f"said {_percent(b.mean_confidence)}, right {_said(b.right)}" for b in self.found.bins
        )
        return (
            f"n = {self.found.n}; calibration error {self.found.ece:.3f}, a perfect model shows "
            f"{self.found.ece_floor:.3f}. {bands}."
        )

    def draw(self, figure: Figure) -> None:
        """A larger dot rests on more readings."""
        axes = figure.add_subplot()
        axes.plot([0, 1], [0, 1], color=QUIET, linestyle=(0, (5, 3)), linewidth=1.2)
        for band in self.found.bins:
            _whisker(axes, band.mean_confidence, band.right, 3 + 8 * math.sqrt(band.right.n / self.found.n))
        axes.set_xlim(0, 1.02)
        axes.set_ylim(0, 1.02)
        _shares(axes, 1.0)
        _shares(axes, 1.0, "x")
        axes.set_xlabel("stated confidence")
        axes.set_ylabel(f"share right, n = {self.found.n}")
        _on_grid(axes)


@dataclass(frozen=True)
class OperatingCurvePlot:
    """Chance that a lot passes against the share wrong in it."""

    plan: Plan
    size_in: tuple[float, float] = (3.8, 2.4)

    @property
    def title(self) -> str:
        """A heading."""
        return f"Check {self.plan.sample_size}, pass with up to {self.plan.accept} wrong"

    @property
    def alt(self) -> str:
        """The curve at a few shares wrong."""
        points = ", ".join(
            f"{100 * wrong:g} % wrong passes {accept_probability(self.plan, wrong):.0%}"
            for wrong in (0.01, 0.02, 0.04, 0.1, 0.2, 0.3)
        )
        return f"Of lots with so many wrong, so many pass: {points}."

    def draw(self, figure: Figure) -> None:
        """The dot is the quality level that was asked for."""
        axes = figure.add_subplot()
        top = 0.02
        while accept_probability(self.plan, top) > 0.02 and top < 1:
            top = min(1.0, top * 1.3)
        grid = [top * i / 80 for i in range(81)]
        axes.plot(grid, [accept_probability(self.plan, share) for share in grid], color=ACCENT, linewidth=2)
        level = self.plan.aql_percent / 100
        at_level = accept_probability(self.plan, level)
        axes.plot([level], [at_level], "o", color=SECOND, markersize=7)
        axes.annotate(
            f"{100 * level:g} % wrong: {at_level:.0%} pass",
            (level, at_level),
            (8, 4),
            textcoords="offset points",
        )
        axes.set_xlim(0, top)
        axes.set_ylim(0, 1.05)
        _shares(axes, 1.0)
        _shares(axes, top, "x")
        axes.set_xlabel("share wrong in the lot")
        axes.set_ylabel("chance to pass")
        _on_grid(axes)


@dataclass(frozen=True)
class FactorPlot:
    """Prior (dashed) and posterior (solid) of the factor on predicted months."""

    guard: str
    update: ScaleUpdate
    size_in: tuple[float, float] = (3.4, 2.0)

    @property
    def title(self) -> str:
        """A heading."""
        return f"Factor on months: {self.guard}"

    @property
    def alt(self) -> str:
        """The update in words."""
        return self.update.sentence

    def draw(self, figure: Figure) -> None:
        """On a logarithmic axis, where half and double are equally far from 1."""
        axes = figure.add_subplot()
        update = self.update
        axes.semilogx(
            update.factor_grid, update.prior_density, color=QUIET, linestyle=(0, (5, 3)), linewidth=1.4
        )
        axes.semilogx(update.factor_grid, update.posterior_density, color=ACCENT, linewidth=2)
        axes.axvspan(update.posterior[0], update.posterior[2], color=MIST, zorder=0)
        axes.set_xlim(update.factor_grid[0], update.factor_grid[-1])
        axes.set_xticks(_FACTORS, [f"{factor:g}" for factor in _FACTORS])
        axes.minorticks_off()
        axes.set_ylim(bottom=0)
        axes.set_yticks([])
        axes.set_xlabel(f"factor on months, n = {update.n} (dashed: before)")
        axes.set_ylabel("how likely")


@dataclass(frozen=True)
class CountsPlot:
    """Bars with their counts, and for shares of a whole their interval."""

    heading: str
    rows: tuple[tuple[str, int], ...]
    as_shares: bool = False

    @property
    def title(self) -> str:
        """A heading."""
        return self.heading

    @property
    def size_in(self) -> tuple[float, float]:
        """Grows with the rows."""
        return 3.5, 0.4 + 0.24 * max(1, len(self.rows))

    def _words(self) -> list[str]:
        total = sum(count for _, count in self.rows)
        if not self.as_shares:
            return [str(count) for _, count in self.rows]
        rates = [rate(count, total) for _, count in self.rows]
        return [
            f"{count} ({_percent(found.low)} to {_percent(found.high)})"
            for (_, count), found in zip(self.rows, rates, strict=True)
        ]

    @property
    def alt(self) -> str:
        """Every bar."""
        each = "; ".join(
            f"{name}: {words}" for (name, _), words in zip(self.rows, self._words(), strict=True)
        )
        return f"{sum(count for _, count in self.rows)} surveys. {each}." if self.rows else "No survey yet."

    def draw(self, figure: Figure) -> None:
        """The first row on top."""
        axes = figure.add_subplot()
        places: Sequence[int] = range(len(self.rows))
        counts = [count for _, count in self.rows]
        bars = axes.barh(places, counts, color=ACCENT, height=0.7)
        axes.bar_label(bars, self._words(), padding=4, fontsize=8.5)
        axes.set_yticks(places, [name for name, _ in self.rows])
        axes.invert_yaxis()
        axes.set_xlim(0, max(counts, default=1) * (2.0 if self.as_shares else 1.15) or 1)
        axes.set_xticks([])
        axes.spines["bottom"].set_visible(False)
        axes.tick_params(length=0)
