"""How likely it is that cleaning is due by each month, with and without a guard."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from matplotlib.figure import Figure

from eavefall_model.advice.say import guard_name, interval_text
from eavefall_model.advice.schema import Advice, GuardVerdict, Interval
from eavefall_model.language import translate
from eavefall_model.units import per_cent
from eavefall_model.vocabulary import GuardKind, Language
from eavefall_service.plots.palette import ACCENT, CHART_IN, INK, PAPER, QUIET, SECOND
from eavefall_service.plots.words import months_short

# Height of the words and the bar of one curve, on the axis of percentages.
_ROW = 46.0


@dataclass(frozen=True)
class NeedCurve:
    """``share`` of draws (0 to 1) in which cleaning is due by each of ``months``."""

    label: str
    months: tuple[float, ...]
    share: tuple[float, ...]
    interval: Interval


@dataclass(frozen=True)
class NeedPlot:
    """One or two curves: no guard, then the advised guard where one is advised."""

    curves: tuple[NeedCurve, ...]
    language: Language = "en"
    size_in: tuple[float, float] = (CHART_IN, 1.95)

    @property
    def title(self) -> str:
        """A heading."""
        return translate(self.language, "When cleaning will be due")

    @property
    def alt(self) -> str:
        """The interval of each curve in words."""
        each = "; ".join(
            f"{curve.label}: {interval_text(curve.interval, self.language)}" for curve in self.curves
        )
        return translate(
            self.language,
            "Curves of the chance that a cleaning is due within two years. Typical time and range: {each}.",
            each=each,
        )

    def draw(self, figure: Figure) -> None:
        """Curves, and below them words and a bar for each: for the 10 to 90 % range, a dot at the median."""
        axes = figure.add_subplot()
        bare = (SECOND, (0, (4, 1.6)), "s")
        guarded = (ACCENT, "solid", "o")
        last = 24.0
        for row, curve in enumerate(self.curves):
            color, dashes, marker = bare if curve.label == guard_name("none", self.language) else guarded
            shares = [100 * share for share in curve.share]
            axes.plot(curve.months, shares, color=color, linestyle=dashes, linewidth=2)
            last = max(last, max(curve.months, default=0.0))
            top = -_ROW * row
            low, high = min(curve.interval.low, last), min(curve.interval.high, last)
            middle, beyond = min(curve.interval.typical, last), curve.interval.typical >= last
            label = f"{curve.label}: {months_short(curve.interval, self.language)}"
            axes.text(0.3, top - 17, label, color=INK, va="center", ha="left").set_in_layout(False)
            bar: dict[str, Any] = {"color": color, "solid_capstyle": "butt"}
            axes.plot([low, high], [top - 37] * 2, linewidth=5, alpha=0.45, **bar)
            axes.plot([low, high], [top - 37] * 2, linewidth=1, **bar)
            axes.plot(
                [middle], [top - 37], marker=">" if beyond else marker, color=color, markersize=7,
                markeredgecolor=PAPER, clip_on=False, zorder=5,
            )  # fmt: skip
        floor = -5.0 - _ROW * len(self.curves)
        axes.axhline(0, color=QUIET, linewidth=0.8)
        axes.set_ylim(floor, 102)
        axes.set_xlim(0, last)
        axes.set_yticks([0, 50, 100], [per_cent(each, self.language) for each in (0, 0.5, 1)])
        axes.set_xticks(range(0, int(last) + 1, 6 if last <= 24 else 12))
        axes.set_xlabel(translate(self.language, "months since the last cleaning"))
        axes.set_ylabel(translate(self.language, "chance"), y=(50 - floor) / (102 - floor))
        axes.grid(axis="both")
        axes.set_axisbelow(True)


def _curve(verdict: GuardVerdict, language: Language) -> NeedCurve:
    need = verdict.time_to_need
    return NeedCurve(guard_name(verdict.kind, language), need.months, need.share, verdict.interval_months)


def need_plot(advice: Advice, language: Language = "en") -> NeedPlot:
    """No guard, and the advised guard if there is one and it is another kind."""
    kinds: list[GuardKind] = ["none"]
    advised = advice.recommended_guard
    if advised is not None and advised != "none":
        kinds.append(advised)
    by_kind = {verdict.kind: verdict for verdict in advice.guards}
    return NeedPlot(tuple(_curve(by_kind[kind], language) for kind in kinds if kind in by_kind), language)
