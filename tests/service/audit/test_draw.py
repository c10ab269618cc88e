"""Pictures: well-formed, described in words, and points where arithmetic puts them."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest

from eavefall_service.audit import draw
from eavefall_service.audit.agreement import Confusion
from eavefall_service.audit.calibration import calibration
from eavefall_service.audit.canvas import Canvas
from eavefall_service.audit.drift import watch_weeks, weekly
from eavefall_service.audit.outcome import Predicted, Visit
from eavefall_service.audit.plans import single_plan
from eavefall_service.audit.posterior import update_scale

TABLE = Confusion(("fine", "extra-fine"), ((30, 2), (5, 40)), "Rep", "Auditor")


def pictures() -> dict[str, str]:
    random = np.random.default_rng(0)
    weeks = np.repeat(np.arange(40), 20)
    events = random.random(800) < np.where(weeks > 20, 0.3, 0.08)
    stated = random.beta(4, 1, 300)
    visits = [Visit(str(i), "woven_micromesh", Predicted(6, 12, 24), "clogged", 7.0) for i in range(9)]
    return {
        "confusion": draw.confusion_svg(TABLE),
        "weekly": draw.weekly_svg(weekly(weeks, events), watch_weeks(weeks, events), "Corrected"),
        "nothing": draw.weekly_svg((), watch_weeks([], []), "Corrected"),
        "reliability": draw.reliability_svg(calibration(stated, random.random(300) < stated, draws=5)),
        "curve": draw.operating_curve_svg(single_plan(500, 1.0)),
        "scale": draw.scale_svg(update_scale("woven_micromesh", visits)),
    }


@pytest.mark.parametrize("name", sorted(pictures()))
def test_every_picture_is_well_formed_described_and_free_of_styles(name: str) -> None:
    picture = pictures()[name]
    root = ElementTree.fromstring(picture)
    assert root.get("role") == "img"
    assert root.get("aria-label")
    assert "style=" not in picture
    assert "nan" not in picture
    assert pictures()[name] == picture


def test_points_are_where_arithmetic_puts_them() -> None:
    canvas = Canvas((0.0, 10.0), (0.0, 1.0), width=188, height=156)
    # The frame runs from 64 to 164 across and from 114 up to 14.
    assert (canvas.px(0.0), canvas.px(10.0), canvas.px(5.0)) == (64.0, 164.0, 114.0)
    assert (canvas.py(0.0), canvas.py(1.0), canvas.py(0.25)) == (114.0, 14.0, 89.0)


def test_confusion_writes_every_count_and_the_agreement() -> None:
    picture = draw.confusion_svg(TABLE)
    assert all(re.search(rf">{count}</text>", picture) for count in (30, 2, 5, 40))
    assert "90.9%" in picture  # 70 of 77


def test_alarms_are_flagged_and_told() -> None:
    picture = pictures()["weekly"]
    assert "alarm in week 2" in picture
    assert picture.count("stroke-dasharray") >= 2


def test_words_from_outside_are_escaped() -> None:
    table = Confusion(("<b>", "b"), ((1, 0), (0, 1)), "R&D", "x")
    ElementTree.fromstring(draw.confusion_svg(table))
    assert "<b>" not in draw.confusion_svg(table)
