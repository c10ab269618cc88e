"""Words of the pages: spans, months, classes, compass points, in arithmetic cases."""

from __future__ import annotations

import re
from types import SimpleNamespace

import pytest

from eavefall_model.gauge.schema import GaugeResult, LeftOut, Needle
from eavefall_model.gauge.summary import summarize
from eavefall_service.web import words
from eavefall_service.web.pages import templates


@pytest.mark.parametrize(
    ("values", "text"),
    [
        ((5, 8, 14), "about every 8 months (5 to 14 months)"),
        ((8, 8.2, 8.4), "about every 8 months (8 months)"),
        ((8, 20, 60), "about every 20 months (8 months to more than five years)"),
        ((12, 60, 60), "less than once in five years (12 months to more than five years)"),
        ((60, 60, 60), "less than once in five years (more than five years)"),
        ((None, None, None), "not known yet"),
    ],
)
def test_interval(values, text):
    assert words.interval(*values).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("low", "high", "text"),
    [
        (5, 14, "Every 5 to 14 months"),
        (5, 60, "Every 5 months to more than five years"),
        (60, 60, "Less than once in five years"),
    ],
)
def test_months_span(low, high, text):
    assert words.months_span(low, high).replace("\u00a0", " ") == text


@pytest.mark.parametrize(
    ("deg", "point"), [(0, "N"), (11.2, "N"), (11.3, "NNE"), (315, "NW"), (359, "N"), (None, "")]
)
def test_compass(deg, point):
    assert words.compass(deg) == point


def test_a_measured_close_up_says_its_kinds_its_weakest_point_and_what_was_left_out():
    def needle(number, width_mm):
        return Needle(
            number=number, length_mm=50.0, length_sd_mm=0.2, width_mm=width_mm, width_sd_mm=0.02,
            thin_width_mm=width_mm, bundle=None, complete=True, axis_px=((0.0, 0.0), (9.0, 9.0)),
        )  # fmt: skip

    needles = [needle(1, 0.6), needle(2, 0.6), needle(3, 1.4), needle(4, 1.4)]
    gauge = GaugeResult(
        photo="close.jpg", sha256="ab", reference="card", px_per_mm=11.0, px_per_mm_sd=0.02, tilt_deg=3.0,
        needles=tuple(needles), summary=summarize(needles, 0.002), refused=None,
        notes=("the card in the photo agrees with the coin and gives the plane",),
        weakest="the tilted view: hold the phone straight above",
        left_out=tuple(LeftOut(reason=why, axis_px=()) for why in ("tangled", "short", "short")), version="2",
    )  # fmt: skip
    row = SimpleNamespace(
        id=1, sha256="ab" * 32, error_code=None, name="close.jpg", reference="card", of="",
        width_px=9, height_px=9,
    )  # fmt: skip
    view = SimpleNamespace(row=row, gauge=gauge)
    page = templates.env.get_template("rep/measuring/_gauge.html").render(view=view, row=row)
    text = " ".join(re.sub(r"<[^>]+>", " ", page).split())
    assert "More than one kind 2 of 0.60 mm wide and 50 mm long; 2 of 1.40 mm wide and 50 mm long" in text
    assert "Weakest point the tilted view: hold the phone straight above" in text
    assert "Left out 2 short, 1 tangled" in text
    assert "The card in the photo agrees with the coin and gives the plane." in text
