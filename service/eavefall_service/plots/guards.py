"""Guard kinds side by side: how long each keeps the gutter clear."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from matplotlib.figure import Figure

from eavefall_model.advice.say import guard_name, interval_text
from eavefall_model.advice.schema import Advice, Interval
from eavefall_service.plots.palette import CHART_IN, INK, PAPER, form_style

_LOOK = {
    "suits": (form_style("long_needle")[1], "", "o"),
    "suits with care": ("#b9cfc2", "///", "D"),
    "does not suit": ("#f4f1ea", "xxx", "X"),
}
# The chart ends here; longer waits point on.
_AXIS_MONTHS: Final = 24.0


@dataclass(frozen=True)
class GuardRow:
    """Interval of one guard kind in months, and its verdict."""

    label: str
    verdict: str
    interval: Interval
    advised: bool


@dataclass(frozen=True)
class GuardPlot:
    """Rows from the longest typical interval to the shortest."""

    rows: tuple[GuardRow, ...]

    @property
    def title(self) -> str:
        """A heading."""
        return "Guard kinds side by side"

    @property
    def size_in(self) -> tuple[float, float]:
        """Grows with the number of kinds."""
        return CHART_IN, 0.85 + 0.4 * max(1, len(self.rows))

    @property
    def alt(self) -> str:
        """Each kind with verdict and interval."""
        each = "; ".join(
            f"{row.label} {row.verdict}{', advised' if row.advised else ''}, {interval_text(row.interval)}"
            for row in self.rows
        )
        return f"Range chart of months between cleanings for each guard kind: {each}."

    def draw(self, figure: Figure) -> None:
        """A bar from the 10th to the 90th percentile, a mark at the median, verdict by hatch and by word."""
        axes = figure.add_subplot()
        longest = max((row.interval.high for row in self.rows), default=_AXIS_MONTHS)
        last = min(_AXIS_MONTHS, max(6.0, longest))
        for at, row in enumerate(self.rows):
            fill, hatch, marker = _LOOK[row.verdict]
            low, high = min(row.interval.low, last), min(row.interval.high, last)
            width = max(high - low, last * 0.008)
            low = min(low, last - width)
            axes.barh(
                at, width, left=low, height=0.46, facecolor=fill, edgecolor=INK, linewidth=0.7, hatch=hatch
            )
            beyond = row.interval.typical >= _AXIS_MONTHS
            axes.plot(
                [min(row.interval.typical, last)], [at], marker=">" if beyond else marker,
                markersize=9 if beyond else 7, color=INK, markeredgecolor=PAPER, clip_on=False, zorder=5,
            )  # fmt: skip
        axes.set_yticks(range(len(self.rows)), [f"{row.label}\n{row.verdict}" for row in self.rows])
        for label, row in zip(axes.get_yticklabels(), self.rows, strict=True):
            label.set_fontweight("bold" if row.advised else "normal")
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(len(self.rows) - 0.5, -0.5)
        axes.set_xlim(0, last)
        step = 6 if last > 12 else 2
        ticks = range(0, int(last) + 1, step)
        axes.set_xticks(ticks, [f"{tick}+" if tick == _AXIS_MONTHS else str(tick) for tick in ticks])
        axes.set_xlabel("months until cleaning is needed")
        axes.grid(axis="x")
        axes.set_axisbelow(True)


def guard_plot(advice: Advice) -> GuardPlot:
    """All kinds that the advice compared."""
    rows = sorted(
        advice.guards, key=lambda verdict: (-verdict.interval_months.typical, -verdict.interval_months.high)
    )
    return GuardPlot(
        tuple(
            GuardRow(
                guard_name(row.kind), row.verdict, row.interval_months, row.kind == advice.recommended_guard
            )
            for row in rows
        )
    )
