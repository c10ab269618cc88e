"""Every plot as a drawing: deterministic, accessible, self-contained, readable without color."""

from __future__ import annotations

import re
import threading
from xml.etree import ElementTree as ET

import matplotlib
import pytest

from eavefall_model.advice.schema import Advice, Interval, MonthlyLitter, TimeToNeed
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import FORMS
from eavefall_service.plots.canvas import Plot, plot_svg
from eavefall_service.plots.guards import guard_plot
from eavefall_service.plots.litter import litter_plot
from eavefall_service.plots.need import need_plot
from eavefall_service.plots.opening import OpeningPlot, WidthBar
from eavefall_service.plots.palette import FORM_STYLE
from eavefall_service.plots.plan import plan_plot

KINDS = ("litter", "need", "opening", "guards", "plan")
SVG = "{http://www.w3.org/2000/svg}"


@pytest.fixture(scope="module")
def plots(survey: Survey, advice: Advice) -> dict[str, Plot]:
    bars = (WidthBar("white pine needle", 0.5, 0.7), WidthBar("white pines", 0.52, 0.66, measured=True))
    return {
        "litter": litter_plot(advice.eaves[1]),
        "need": need_plot(advice),
        "opening": OpeningPlot(bars, 0.5),
        "guards": guard_plot(advice),
        "plan": plan_plot(survey, advice),
    }


@pytest.fixture(scope="module")
def drawings(plots: dict[str, Plot]) -> dict[str, str]:
    return {kind: plot_svg(plot, kind) for kind, plot in plots.items()}


@pytest.mark.parametrize("kind", KINDS)
def test_same_figures_same_bytes(plots: dict[str, Plot], drawings: dict[str, str], kind: str) -> None:
    assert plot_svg(plots[kind], kind) == drawings[kind]


@pytest.mark.parametrize("kind", KINDS)
def test_accessible_and_self_contained(plots: dict[str, Plot], drawings: dict[str, str], kind: str) -> None:
    root = ET.fromstring(drawings[kind])
    assert root.get("role") == "img"
    assert root.find(f"{SVG}title").text == plots[kind].title  # type: ignore[union-attr]
    assert root.find(f"{SVG}desc").text == plots[kind].alt  # type: ignore[union-attr]
    assert len(plots[kind].alt) > 60
    labels = root.get("aria-labelledby", "").split()
    ids = [node.get("id") for node in root.iter() if node.get("id")]
    assert set(labels) <= set(ids)
    assert len(ids) == len(set(ids))
    assert all(str(ident).startswith(f"{kind}-") for ident in ids)
    targets = re.findall(r"url\(#([^)]+)\)", drawings[kind]) + re.findall(r'href="#([^"]+)"', drawings[kind])
    assert set(targets) <= set(ids)
    # No style attribute or element: a strict Content-Security-Policy drops those.
    assert "style=" not in drawings[kind]
    assert "<style" not in drawings[kind]
    assert not re.search(r"https?://(?!www\.w3\.org/)", drawings[kind])
    assert len(drawings[kind]) < 40_000


def test_two_drawings_share_no_id(drawings: dict[str, str]) -> None:
    ids = [ident for svg in drawings.values() for ident in re.findall(r' id="([^"]+)"', svg)]
    assert len(ids) == len(set(ids))


@pytest.mark.parametrize("kind", KINDS)
def test_text_stays_text(drawings: dict[str, str], kind: str) -> None:
    words = " ".join(node.text or "" for node in ET.fromstring(drawings[kind]).iter(f"{SVG}text"))
    expected = {
        "litter": ("J", "D", "lb per foot", "long needles", "clean in"),
        "need": ("no guard", "woven micromesh", "months since the last cleaning"),
        "opening": ("advised 0.5 mm", "extra-fine", "white pines, measured", "in", "mm"),
        "guards": ("solid cover with a front slot", "does not suit", "suits with care"),
        "plan": ("wind from NW", "3 × white pines", "red oak", "N"),
    }[kind]
    for word in expected:
        assert word in words


def test_settings_are_left_as_they_were(plots: dict[str, Plot]) -> None:
    before = dict(matplotlib.rcParams)
    plot_svg(plots["need"], "a")
    assert dict(matplotlib.rcParams) == before


def test_threads_draw_the_same(plots: dict[str, Plot], drawings: dict[str, str]) -> None:
    drawn: list[str] = []
    threads = [
        threading.Thread(target=lambda: drawn.append(plot_svg(plots["guards"], "guards"))) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert drawn == [drawings["guards"]] * 4


def test_forms_differ_without_color() -> None:
    # WCAG relative luminance; two foliage forms that lie close in gray must differ in hatch.
    def gray(fill: str) -> float:
        parts = [int(fill[at : at + 2], 16) / 255 for at in (1, 3, 5)]
        linear = [part / 12.92 if part <= 0.03928 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
        return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]

    # Whole-tree forms; parts (needle, leaf) share the look of the form they come from.
    looks = [(word, (gray(fill), hatch)) for word, fill, hatch in (FORM_STYLE[form] for form in FORMS)]
    for at, (word, (shade, hatch)) in enumerate(looks):
        for other, (other_shade, other_hatch) in looks[at + 1 :]:
            lighter, darker = max(shade, other_shade), min(shade, other_shade)
            contrast = (lighter + 0.05) / (darker + 0.05)
            assert contrast > 1.4 or hatch != other_hatch, (word, other)


def bars_in(svg: str) -> list[tuple[float, float, float, float]]:
    """Left, top, right, bottom of every hatched or filled rectangle that carries an ink outline."""
    boxes = []
    for path in re.findall(r'<path d="(M[^"]+?)z?"[^>]*fill="(?:url|#)[^>]*stroke="#1c2421"', svg):
        numbers = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path)]
        xs, ys = numbers[0::2], numbers[1::2]
        boxes.append((min(xs), min(ys), max(xs), max(ys)))
    return boxes


def test_bar_heights_are_in_proportion(advice: Advice) -> None:
    eave = advice.eaves[0].model_copy(
        update={
            "litter_by_month": (MonthlyLitter(form="long_needle", kg_per_m=(1.0, 2.0, 0.5) + (0.0,) * 9),),
            "clean_in": (),
        }
    )
    svg = plot_svg(litter_plot(eave), "p")
    # Lines of a hatch reach beyond the drawing on all sides.
    boxes = [box for box in bars_in(svg) if box[3] - box[1] > 0 and box[0] >= 0]
    axis = max(box[3] for box in boxes)
    bars = sorted(box for box in boxes if abs(box[3] - axis) < 0.02)[:3]
    heights = [box[3] - box[1] for box in bars]
    assert heights[1] / heights[0] == pytest.approx(2.0, rel=0.01)
    assert heights[2] / heights[0] == pytest.approx(0.5, rel=0.01)


def test_no_litter_reads_well(advice: Advice) -> None:
    eave = advice.eaves[0].model_copy(update={"litter_by_month": (), "clean_in": ()})
    plot = litter_plot(eave)
    assert "Next to no litter" in plot.alt
    assert "<svg" in plot_svg(plot, "p")


def test_no_guard_draws_one_curve(advice: Advice) -> None:
    bare = advice.model_copy(update={"recommended_guard": "none"})
    plot = need_plot(bare)
    assert [curve.label for curve in plot.curves] == ["no guard"]
    assert "woven" not in plot_svg(plot, "p")


def test_long_intervals_end_at_the_horizon(advice: Advice) -> None:
    never = TimeToNeed(months=(0.0, 24.0), share=(0.0, 0.02))
    guards = tuple(
        row.model_copy(
            update={"interval_months": Interval(low=40, typical=80, high=240), "time_to_need": never}
        )
        for row in advice.guards
    )
    rare = advice.model_copy(update={"guards": guards})
    assert "more than five years" in need_plot(rare).alt
    assert "<svg" in plot_svg(need_plot(rare), "a")
    assert "<svg" in plot_svg(guard_plot(rare), "b")


def test_hostile_names_are_escaped(survey: Survey, advice: Advice) -> None:
    trees = (survey.trees[0].model_copy(update={"name": '<script>alert("1")</script> & $x^2$'}),)
    plot = plan_plot(survey.model_copy(update={"trees": trees}), advice)
    root = ET.fromstring(plot_svg(plot, "p"))
    assert not list(root.iter("script"))
    words = " ".join(node.text or "" for node in root.iter(f"{SVG}text"))
    assert "$x^2$" in words


@pytest.mark.parametrize("name", ["李家的松树", "🌲 and 🏠", "a\x00b\x0b\x7f\ufeff\ufffe"])
def test_what_the_font_lacks_is_drawn_without_a_word(survey: Survey, advice: Advice, name: str) -> None:
    """A warning (an error here) would spell the name out in the server's log, letter by letter."""
    tree = survey.trees[0].model_copy(update={"name": name})
    changed = survey.model_copy(update={"trees": (tree, *survey.trees[1:])})
    drawn = ET.fromstring(plot_svg(plan_plot(changed, advice), "p"))
    assert re.sub(r"[\x00\x0b\x7f\ufeff\ufffe]", "", name) in "".join(drawn.itertext())


def test_far_trees_do_not_shrink_the_house(survey: Survey, advice: Advice) -> None:
    def house_width(trees: tuple[object, ...]) -> float:
        svg = plot_svg(plan_plot(survey.model_copy(update={"trees": trees}), advice), "p")
        path = re.search(r'<path d="(M[^"]+)"[^>]*fill="#e9eeea"', svg)
        assert path is not None
        xs = [float(n) for n in re.findall(r"-?\d+(?:\.\d+)?", path[1])][0::2]
        return max(xs) - min(xs)

    near = house_width(survey.trees[:2])
    far = house_width((survey.trees[2].model_copy(update={"distance_m": 400.0}),))
    assert far > 0.6 * near


def test_empty_opening_chart() -> None:
    plot = OpeningPlot((), None)
    assert "No opening is advised" in plot.alt
    assert "advised" not in re.sub(r"<desc.*?</desc>", "", plot_svg(plot, "p"))


def test_many_trees_become_numbers_with_a_key(survey: Survey, advice: Advice) -> None:
    trees = tuple(
        survey.trees[0].model_copy(
            update={"name": f"tree behind the shed {number}", "bearing_deg": 45.0 * number}
        )
        for number in range(8)
    )
    plot = plan_plot(survey.model_copy(update={"trees": trees}), advice)
    words = [
        " ".join((node.text or "").split()) for node in ET.fromstring(plot_svg(plot, "p")).iter(f"{SVG}text")
    ]
    for number in range(1, 9):
        assert str(number) in words
        assert any(
            line.startswith(f"{number} 3 × tree behind the shed {number - 1}, 16 ft") for line in words
        )
    assert plot.size_in[1] > plan_plot(survey, advice).size_in[1]
