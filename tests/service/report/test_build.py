"""What the report says, against the figures it was given."""

from __future__ import annotations

from eavefall_model.advice.schema import Advice, Assumed, Interval, TreeKind
from eavefall_model.gauge.schema import GaugeResult, Refusal
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_service.plots.words import GUARD_WORDS
from eavefall_service.report.build import build_report
from eavefall_service.report.document import ReportDocument
from eavefall_service.report.numbers import named_number
from eavefall_service.report.photos import PhotoPicture


def plain(text: str) -> str:
    """Fixed spaces as ordinary ones."""
    return text.replace("\u00a0", " ")


def rebuilt(survey: Survey, advice: Advice, **changes: object) -> ReportDocument:
    return build_report(survey, advice.model_copy(update=changes), {}, ())


def test_three_answers(document: ReportDocument) -> None:
    fine, often, why = document.answers
    assert plain(fine.headline) == "An extra-fine screen: clear openings up to 0.50 mm (0.020 in)"
    assert "Nearest standard sieve: ISO 3310-1 0.5 mm, ASTM E11 No. 35." in fine.lines
    assert "woven micromesh" in " ".join(fine.lines)
    # 0.86 of the runs asked for extra fine and 0.14 for fine: fine would do in 14 of 100.
    assert "Fine enough in 100% of 2000 trial runs; the next coarser class, fine, in 14%." in fine.lines
    assert plain(often.headline) == "About every 9 months"
    assert plain(" ".join(often.lines)).startswith(
        "8 of 10 trial runs: 6 to 14 months. Best months: May and November."
    )
    assert "Without a guard: 3 months, range 2 to 5 months." in plain(" ".join(often.lines))
    assert why.headline.startswith("White pine needles are only 0.5 to 0.7 mm wide")
    assert len(why.lines) == 2


def test_unsure_says_what_would_settle_it(survey: Survey, advice: Advice) -> None:
    # Advice kept from before it named what to find out, and a guard all the same: no guard is shown.
    older = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None)
    fine = older.answers[0]
    assert fine.headline == "We cannot say yet"
    assert "Photograph ten needles" in fine.lines[0]
    assert fine.lines[1] == "2000 trial runs asked for: extra fine 86% and fine 14%."
    assert older.guards.marked == ()
    assert "micromesh" not in " ".join(fine.lines)
    first = ("Find out the kind first: look below the tree.", "Then measure.")
    asked = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None, find_out_first=first).answers[0]
    assert asked.headline == "Find out the kind first"
    assert asked.lines[:2] == ("Look below the tree.", "Then measure.")
    nothing = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None, measure_next=()).answers[0]
    assert "settle" not in " ".join(nothing.lines)


def test_the_rule_that_says_unsure_comes_first(survey: Survey, advice: Advice) -> None:
    last = advice.reasons[0].model_copy(update={"rule": "unsure-which-tree", "sentence": "Nobody knows."})
    why = rebuilt(survey, advice, fineness_class="unsure", reasons=(*advice.reasons, last)).answers[2]
    assert why.headline == "Nobody knows."


def test_eaves_that_differ_are_named(survey: Survey, advice: Advice) -> None:
    front = advice.eaves[0].model_copy(update={"fineness_class": "no-guard-needed", "opening_mm": None})
    fine = rebuilt(survey, advice, eaves=(front, advice.eaves[1])).answers[0]
    assert fine.lines[-1] == "Eave by eave: no guard needed at front; extra fine at back."


def test_assumed_fields_are_named_by_their_eave_in_both_units(survey: Survey, advice: Advice) -> None:
    given = (
        Assumed(field="eaves[1].gutter.width", value="0.127 m", low="0.1 m", high="0.15 m", why="Common."),
        Assumed(field="trees[0].height", value="14 m", low="9 m", high="20 m", why="Usual."),
        Assumed(
            field="eaves[0].gutter.profile", value="k_style", low="k_style", high="k_style", why="Usual."
        ),
        Assumed(field="wind.from", value="any direction", low="0 deg", high="360 deg", why="Not given."),
    )
    rows = [tuple(map(plain, row)) for row in rebuilt(survey, advice, assumed=given).assumed.rows]
    assert rows[0] == (
        "back: gutter width",
        "127 mm (5.0 in)",
        "100 mm (3.9 in) to 150 mm (5.9 in)",
        "Common.",
    )
    assert rows[1] == ("white pines: height", "14.0 m (46 ft)", "9.0 m (30 ft) to 20.0 m (66 ft)", "Usual.")
    assert rows[2] == ("front: gutter profile", "K-style", "", "Usual.")
    assert rows[3][0] == "wind from"


def test_a_margin_is_spare_or_short(survey: Survey, advice: Advice) -> None:
    eave = advice.eaves[0]
    for margin, words in ((0.5, "outlet, 50% to spare"), (-0.12, "outlet, 12% short")):
        water = eave.water.model_copy(update={"margin": margin})
        changed = rebuilt(survey, advice, eaves=(eave.model_copy(update={"water": water}),))
        assert changed.water.rows[0][5] == words


def test_no_guard_needed(survey: Survey, advice: Advice) -> None:
    document = rebuilt(
        survey,
        advice,
        fineness_class="no-guard-needed",
        opening_mm=None,
        recommended_guard="none",
        interval_unguarded_months=Interval(low=14, typical=60, high=60),
        clean_in=(),
    )
    fine, often, _ = document.answers
    assert fine.headline == "No guard is needed"
    assert often.headline == "Less than once in five years"
    words = plain(" ".join(often.lines))
    assert "14 months to more than five years" in words
    assert "By hand, without a guard." in words
    assert "Without a guard:" not in words
    assert not any("mat of litter lying on the guard" in line for line in document.until_then)
    assert len(document.figures[0].plot.alt) > 20


def test_every_number_of_every_reason_is_there(document: ReportDocument, advice: Advice) -> None:
    assert [line.rule for line in document.reasons] == [reason.rule for reason in advice.reasons]
    assert plain(document.reasons[0].numbers) == (
        "width low: 0.50 mm (0.020 in); width high: 0.70 mm (0.028 in); opening: 0.50 mm (0.020 in)"
    )
    assert plain(document.reasons[1].numbers) == "peak month: October; autumn: 55%"
    assert document.reasons[0].source == "Flora of New Zealand vol 4 (Webb et al. 1988) (found)"
    # A source that is only its mark is not said twice.
    assert document.reasons[2].source == "judgement"


def test_named_numbers_carry_their_units() -> None:
    cases = {
        ("load_kg_per_m_year", 1.0): "load: 1 kg/m (0.67 lb/ft) a year",
        ("distance_m", 3.048): "distance: 3.0 m (10 ft)",
        ("rain_mm_h", 25.4): "rain: 25.4 mm/h (1 in/h)",
        ("demand_l_s", 1.0): "demand: 1 L/s (16 gal/min)",
        ("wait_months", 7.25): "wait: 7.25 months",
        ("pitch_deg", 26.6): "pitch: 26.6°",
        ("ratio", 2.5): "ratio: 2.5",
        ("species", "Pinus strobus"): "species: Pinus strobus",
        ("species", None): "species: not known",
        ("upwind", True): "upwind: yes",
    }
    for (name, value), expected in cases.items():
        assert plain(named_number(name, value)) == expected


def test_tables_hold_every_row(document: ReportDocument, advice: Advice) -> None:
    assert len(document.guards.rows) == len(advice.guards)
    assert [document.guards.rows[at][0] for at in document.guards.marked] == ["Woven micromesh"]
    assert document.guards.bars[-1] == (6.0, 9.0, 14.0)
    # The table gives the sentence that decided on each guard; print leaves the others to their numbers.
    assert [line.in_guards for line in document.reasons] == [
        reason.about in GUARD_WORDS for reason in advice.reasons
    ]
    assert [row[0] for row in document.eaves.rows] == ["front", "back"]
    assert len(document.water.rows) == 2
    assert [row[1:2] for row in document.assumed.rows] == [("15.0\u00a0m (49\u00a0ft)",), ("2 in by 3 in",)]
    for table in (document.guards, document.eaves, document.water, document.assumed, document.take_off):
        assert all(len(row) == len(table.columns) for row in table.rows)


def test_take_off_adds_up_and_is_no_quote(document: ReportDocument) -> None:
    assert plain(document.take_off.rows[-1][1]) == "26.8 m (88 ft)"
    assert document.take_off.rows[-1][-1] == "4"
    assert plain(document.price) == "1,340 to 2,540 USD from the office's own price table. Not a quote."


def test_no_price_without_a_price_for_every_eave(survey: Survey, advice: Advice) -> None:
    half = advice.eaves[0].model_copy(
        update={
            "take_off": advice.eaves[0].take_off.model_copy(update={"price_low": None, "price_high": None})
        }
    )
    assert rebuilt(survey, advice, eaves=(half, advice.eaves[1])).price == ""


def test_pictures_say_what_was_read(document: ReportDocument) -> None:
    pines, front, needles = (plain(picture.caption) for picture in document.pictures)
    assert pines == "White pines, tree: needle-leaf 97%; long needle 90%"
    assert front == (
        "House: broadleaf 88%; unsure about needle-leaf; form unsure: broad leaf or small leaflet; "
        "photo too dark"
    )
    assert needles == (
        "White pines, needle gauge: 11 needles measured, 0.59 mm (0.023 in) wide, nine of ten between 0.52 "
        "and 0.68 mm, 89 mm (3.5 in) long"
    )
    assert all(picture.label for picture in document.pictures)
    assert "drawn by eavefall's own code" in document.credits[0]


def test_a_refused_gauge_says_why(
    survey: Survey, advice: Advice, photos: dict[str, PhotoPicture], gauges: dict[str, GaugeResult]
) -> None:
    refusal = Refusal(reason="blurred", message="The needles are blurred.", retake="Hold still.")
    refused = gauges["needles.jpg"].model_copy(update={"summary": None, "refused": refusal})
    document = build_report(survey, advice, photos, (Reading("needles.jpg", gauge=refused),))
    assert "no measurement: The needles are blurred." in document.pictures[2].caption
    assert not any(bar.measured for bar in document.figures[2].plot.bars)  # type: ignore[attr-defined]


def test_photos_that_failed_are_named(
    survey: Survey, advice: Advice, photos: dict[str, PhotoPicture], readings: tuple[Reading, ...]
) -> None:
    some = {name: photo for name, photo in photos.items() if name != "front.jpg"}
    changed = advice.model_copy(update={"failed_photos": ("front.jpg",), "check_photos": ("pines.jpg",)})
    document = build_report(survey, changed, some, readings)
    assert [picture.name for picture in document.pictures] == ["pines.jpg", "needles.jpg"]
    assert [notice.heading for notice in document.notices] == [
        "Photos that could not be read",
        "Photos to look at again",
    ]
    assert "front.jpg" in document.notices[0].text


def test_widths_come_from_the_gauge_and_the_species(document: ReportDocument) -> None:
    bars = document.figures[2].plot.bars  # type: ignore[attr-defined]
    assert (bars[0].label, bars[0].low_mm, bars[0].high_mm, bars[0].measured) == (
        "white pines",
        0.52,
        0.68,
        True,
    )
    needle = next(bar for bar in bars if bar.label == "eastern white pine needle")
    # Flora of New Zealand vol 4 (Webb et al. 1988): Pinus strobus, leaves 0.5-0.7 mm wide.
    assert (needle.low_mm, needle.high_mm) == (0.5, 0.7)


def test_the_document_is_a_pure_function(
    document: ReportDocument,
    survey: Survey,
    advice: Advice,
    photos: dict[str, PhotoPicture],
    readings: tuple[Reading, ...],
) -> None:
    assert build_report(survey, advice, photos, readings) == document


def test_the_plan_draws_what_the_answer_takes_a_tree_for(survey: Survey, advice: Advice) -> None:
    for foliage in ("needle", "broad", "unsure"):
        kind = TreeKind(tree=survey.trees[0].name, foliage=foliage, form="unsure", known="photos")
        plan = rebuilt(survey, advice, trees=(kind,)).plan.plot
        assert plan.trees[0].kind == foliage  # type: ignore[attr-defined]


def test_many_trees_stay_readable(survey: Survey, advice: Advice) -> None:
    names = tuple(f"tree {number}" for number in range(9))
    eave = advice.eaves[0].model_copy(update={"trees": names})
    assert rebuilt(survey, advice, eaves=(eave,)).eaves.rows[0][-1] == "tree 0, tree 1, tree 2 and 6 more"
    species = (
        "white pine",
        "red maple",
        "northern red oak",
        "Norway spruce",
        "black locust",
        "loblolly pine",
    )
    trees = tuple(
        survey.trees[0].model_copy(update={"name": f"tree {number}", "species": name, "form": None})
        for number, name in enumerate(species)
    )
    bars = rebuilt(survey.model_copy(update={"trees": trees}), advice).figures[2].plot.bars  # type: ignore[attr-defined]
    assert len(bars) == 10
    assert [bar.low_mm for bar in bars] == sorted(bar.low_mm for bar in bars)
