"""The office's charts: well-formed, described by their numbers, whole intervals, points by arithmetic."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from matplotlib.figure import Figure
from numpy.typing import ArrayLike

from eavefall_service.plots.canvas import Plot, picture_svg
from eavefall_service.plots.office_charts import (
    CalibrationPlot,
    ConfusionPlot,
    CountsPlot,
    FactorPlot,
    OperatingCurvePlot,
    WeeksPlot,
)
from eavefall_service.plots.palette import ACCENT, DARK
from eavefall_service.statistics.agreement import Confusion
from eavefall_service.statistics.calibration import calibration
from eavefall_service.statistics.drift import Week, watch_weeks
from eavefall_service.statistics.plans import single_plan
from eavefall_service.statistics.posterior import update_scale
from eavefall_service.statistics.rates import rate
from eavefall_service.statistics.visits import Predicted, Visit
from eavefall_service.statistics.weeks import week_of

TABLE = Confusion(("fine", "extra-fine"), ((30, 2), (5, 40)), "Rep", "Auditor")
START = week_of("2031-01-06")


def weekly(weeks: ArrayLike, happened: ArrayLike) -> tuple[Week, ...]:
    """Share of events in every week that has a survey."""
    number, event = np.asarray(weeks), np.asarray(happened)
    each = [(int(week), event[number == week]) for week in np.unique(number)]
    return tuple(Week(week, rate(int(own.sum()), own.size)) for week, own in each)


def charts() -> dict[str, Plot]:
    random = np.random.default_rng(0)
    weeks = START + np.repeat(np.arange(40), 20)
    events = random.random(800) < np.where(weeks > START + 20, 0.3, 0.08)
    stated = random.beta(4, 1, 300)
    visits = [Visit(str(i), "woven_micromesh", Predicted(6, 12, 24), "clogged", 7.0) for i in range(9)]
    return {
        "confusion": ConfusionPlot(TABLE),
        "weeks": WeeksPlot("Corrected", weekly(weeks, events), watch_weeks(weeks, events)),
        "nothing": WeeksPlot("Corrected", (), watch_weeks([], [])),
        "calibration": CalibrationPlot(calibration(stated, random.random(300) < stated, draws=5)),
        "curve": OperatingCurvePlot(single_plan(500, 1.0)),
        "factor": FactorPlot("Woven micromesh", update_scale("woven_micromesh", visits)),
        "counts": CountsPlot("Answers", (("Fine", 12), ("Open", 0)), as_shares=True),
        "no counts": CountsPlot("Answers", ()),
    }


def axes_of(plot: Plot):  # type: ignore[no-untyped-def]
    figure = Figure(figsize=plot.size_in)
    plot.draw(figure)
    return figure.axes[0]


@pytest.mark.parametrize("name", sorted(charts()))
def test_every_picture_is_well_formed_described_and_the_same_again(name: str) -> None:
    picture = picture_svg(charts()[name])
    root = ElementTree.fromstring(picture)
    assert root.get("role") == "img"
    assert float(root.get("width", "0")) > 100
    assert charts()[name].alt in "".join(root.itertext())
    assert "nan" not in picture
    assert picture_svg(charts()[name]) == picture


def test_a_picture_follows_the_readers_color_scheme() -> None:
    picture = picture_svg(charts()["counts"])
    assert "prefers-color-scheme: dark" in picture
    assert f'[fill="{ACCENT}"]{{fill:{DARK[ACCENT]}}}' in picture
    assert f'fill="{ACCENT}"' in picture.split("</style>")[1]


def test_confusion_writes_every_count_and_the_agreement() -> None:
    picture = picture_svg(ConfusionPlot(TABLE))
    assert all(re.search(rf">\s*{count}\s*</text>", picture) for count in (30, 2, 5, 40))
    assert "Same answer: 91 % (82 % to 96 %, n = 77)" in ConfusionPlot(TABLE).alt  # 70 of 77, Wilson


def test_a_weeks_interval_is_never_cut() -> None:
    # One event in 100 surveys a week: the interval reaches 5.4 %, in a week of 14 surveys without one 21.5 %.
    weeks = [START] * 100 + [START + 1] * 14
    events = [True] + [False] * 113
    axes = axes_of(WeeksPlot("Corrected", weekly(weeks, events), watch_weeks(weeks, events)))
    bottom, top = axes.get_ylim()
    assert bottom == 0
    highest = max(float(np.max(line.get_ydata())) for line in axes.lines if len(line.get_xdata()) == 2)
    assert highest == pytest.approx(0.2153, abs=1e-4)
    assert top > highest


def test_empty_weeks_keep_their_place_and_are_told() -> None:
    weeks = [START] * 3 + [START + 4] * 3
    plot = WeeksPlot("Corrected", weekly(weeks, [False] * 6), watch_weeks(weeks, [False] * 6))
    axes = axes_of(plot)
    striped = [patch for patch in axes.patches if patch.get_hatch()]
    assert [round(float(patch.get_x() + patch.get_width() / 2)) for patch in striped] == [
        START + 1, START + 2, START + 3,
    ]  # fmt: skip
    assert "6 surveys in 5 weeks, 2031-W02 to 2031-W06, 3 of them without a survey" in plot.alt


def test_alarms_are_flagged_and_told() -> None:
    plot = charts()["weeks"]
    assert re.search(r"alarm in 2031-W\d\d, up", plot.alt)
    assert any(line.get_marker() == "v" for line in axes_of(plot).lines)


def test_bars_tell_count_and_interval() -> None:
    # 12 of 12 and 0 of 12: Wilson's intervals 75.75 to 100 and 0 to 24.25 %.
    alt = charts()["counts"].alt
    assert alt == "12 surveys. Fine: 12 (76 % to 100 %); Open: 0 (0 % to 24 %)."


def test_words_from_outside_are_escaped() -> None:
    table = Confusion(("<b>", "b"), ((1, 0), (0, 1)), "R&D", "x")
    picture = picture_svg(ConfusionPlot(table))
    ElementTree.fromstring(picture)
    assert "<b>" not in picture
