"""How likely it is that a hand is needed by each month, with and without a guard."""

from __future__ import annotations

from dataclasses import dataclass

from matplotlib.figure import Figure

from eavefall_model.advice.schema import Advice, GuardVerdict, Interval
from eavefall_model.survey import GuardKind
from eavefall_service.plots.palette import ACCENT, INK, PAPER, QUIET, SECOND
from eavefall_service.plots.words import GUARD_WORDS, interval_text

__all__ = ["NeedCurve", "NeedPlot", "need_plot"]


@dataclass(frozen=True)
class NeedCurve:
    """``share`` of draws (0 to 1) in which a hand is needed by each of ``months``."""

    label: str
    months: tuple[float, ...]
    share: tuple[float, ...]
    interval: Interval


@dataclass(frozen=True)
class NeedPlot:
    """One or two curves: no guard, then the advised guard where one is advised."""

    curves: tuple[NeedCurve, ...]
    size_in: tuple[float, float] = (4.6, 2.55)

    @property
    def title(self) -> str:
        """A heading."""
        return "When a hand will be needed"

    @property
    def alt(self) -> str:
        """The interval of each curve in words."""
        each = "; ".join(f"{curve.label}: {interval_text(curve.interval)}" for curve in self.curves)
        return (
            f"Curves of the chance that a cleaning is due within two years. Typical time and range: {each}."
        )

    def draw(self, figure: Figure) -> None:
        """Curves labelled where they end; a bar below each for the 10 to 90 % range, a dot at the median."""
        axes = figure.add_subplot()
        bare = (SECOND, (0, (4, 1.6)), "s")
        guarded = (ACCENT, "solid", "o")
        last = 24.0
        for row, curve in enumerate(self.curves):
            colour, dashes, marker = bare if curve.label == GUARD_WORDS["none"] else guarded
            shares = [100 * share for share in curve.share]
            axes.plot(curve.months, shares, color=colour, linestyle=dashes, linewidth=2)
            last = max(last, max(curve.months, default=0.0))
            height = -11.0 - 15.0 * row
            low, high = min(curve.interval.low, last), min(curve.interval.high, last)
            axes.plot(
                [low, high], [height, height], color=colour, linewidth=5, alpha=0.45, solid_capstyle="butt"
            )
            axes.plot([low, high], [height, height], color=colour, linewidth=1)
            axes.plot(
                [min(curve.interval.typical, last)], [height], marker=marker, color=colour, markersize=6,
                markeredgecolor=PAPER, clip_on=False,
            )  # fmt: skip
            right = high < 0.62 * last
            axes.text(
                high + 0.4 if right else low - 0.4, height, curve.label, color=INK, fontsize=8.5, va="center",
                ha="left" if right else "right",
            )  # fmt: skip
        floor = -8.0 - 15.0 * len(self.curves)
        axes.axhline(0, color=QUIET, linewidth=0.8)
        axes.set_ylim(floor, 102)
        axes.set_xlim(0, last)
        axes.set_yticks([0, 25, 50, 75, 100], ["0 %", "25 %", "50 %", "75 %", "100 %"])
        axes.set_xticks(range(0, int(last) + 1, 3))
        axes.set_xlabel("months since the last cleaning")
        axes.set_ylabel("chance that it is due", y=(50 - floor) / (102 - floor))
        axes.grid(axis="both")
        axes.set_axisbelow(True)


def _curve(verdict: GuardVerdict) -> NeedCurve:
    need = verdict.time_to_need
    return NeedCurve(GUARD_WORDS[verdict.kind], need.months, need.share, verdict.interval_months)


def need_plot(advice: Advice) -> NeedPlot:
    """No guard, and the advised guard if that is another kind."""
    kinds: list[GuardKind] = ["none"]
    if advice.recommended_guard != "none":
        kinds.append(advice.recommended_guard)
    by_kind = {verdict.kind: verdict for verdict in advice.guards}
    return NeedPlot(tuple(_curve(by_kind[kind]) for kind in kinds if kind in by_kind))
