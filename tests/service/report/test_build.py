"""What the report says, against the figures it was given."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from eavefall_model.advice.schema import Advice, FirstStep, Interval
from eavefall_model.gauge.schema import Refusal
from eavefall_model.house.reader import Assumed
from eavefall_model.house.tree_kinds import TreeKind
from eavefall_model.reading import Reading
from eavefall_model.survey import Survey
from eavefall_model.vocabulary import GUARD_KINDS
from eavefall_service.report.build import build_report
from eavefall_service.report.document import Figure, Picture, Pictures, ReportDocument
from eavefall_service.report.photos import PhotoPicture
from eavefall_service.report.pictures import MOST_PICTURES

from .document_text import entries, lines, said, table


def plain(text: str) -> str:
    """Fixed spaces as ordinary ones."""
    return text.replace("\u00a0", " ")


def rebuilt(survey: Survey, advice: Advice, **changes: object) -> ReportDocument:
    return build_report(survey, advice.model_copy(update=changes), {}, ())


def test_three_answers(document: ReportDocument) -> None:
    fine, worth, often = document.answers
    assert fine.headline == "An extra-fine screen"
    assert plain(fine.lines[0]) == (
        "Clear openings up to 0.5 mm (0.020 in); nearest standard sieve ISO 3310-1 0.5 mm, ASTM E11 No. 35."
    )
    assert "woven micromesh" in " ".join(fine.lines)
    assert worth.headline == "Yes"
    assert "Without a guard: about every 3 months (2 to 5 months)." in plain(" ".join(worth.lines))
    assert plain(often.headline) == "About every 9 months"
    assert plain(" ".join(often.lines)).startswith(
        "8 of 10 trial runs: 6 to 14 months. Best months: May and November."
    )
    assert document.why.lines[0].startswith("White pine needles are only 0.5 to 0.7 mm wide")
    assert len(document.why.lines) == 2


EITHER = "Could go either way"


def test_how_sure_the_class_is_stands_with_the_sources(document: ReportDocument) -> None:
    # 0.86 of the runs asked for extra fine and 0.14 for fine: fine would do in 14 of 100.
    opening = next(one for one in entries(document, "sources").entries if one.heading == "Clear opening")
    assert "Fine enough in 100% of trial runs; the next coarser class, fine, in 14%." in opening.text


@pytest.mark.parametrize(
    ("no_guard", "said"),
    [
        (0.0, "Yes"),
        (0.34, "Yes"),
        (0.36, "Could go either way"),
        (0.64, "Could go either way"),
        (0.66, "No"),
        (1.0, "No"),
    ],
)
def test_worth_it_is_never_flatter_than_the_trial_runs(
    survey: Survey, advice: Advice, no_guard: float, said: str
) -> None:
    shares = {"no-guard-needed": no_guard, "extra-fine": 1 - no_guard}
    worth = rebuilt(survey, advice, class_probability=shares).answers[1]
    assert worth.headline == said
    assert f"In {1 - no_guard:.0%} of trial runs" in worth.lines[0]


def test_unsure_says_what_would_settle_it(survey: Survey, advice: Advice) -> None:
    # Advice that does not name what to find out.
    older = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None, recommended_guard=None)
    fine = older.answers[0]
    assert fine.headline == "We cannot say yet"
    assert "Photograph ten needles" in fine.lines[0]
    assert fine.lines[1] == "The trial runs asked for: extra fine 86% and fine 14%."
    assert table(older, "guards").marked == ()
    assert "micromesh" not in " ".join(fine.lines)
    first = tuple(
        FirstStep(sentence=said, to_estimator=said, to_owner=None, code="kind-of-tree", by="owner")
        for said in ("Find out the kind first: look below the tree.", "Then measure.")
    )
    asked = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None, find_out_first=first).answers[0]
    assert asked.headline == "Find out the kind first"
    assert asked.lines[:2] == ("Look below the tree.", "Then measure.")
    nothing = rebuilt(survey, advice, fineness_class="unsure", opening_mm=None, measure_next=())
    assert "settle" not in " ".join(nothing.answers[0].lines)
    assert nothing.answers[1].headline == "Not known yet"


def test_the_rule_that_says_unsure_comes_first(survey: Survey, advice: Advice) -> None:
    last = advice.reasons[0].model_copy(update={"rule": "unsure-which-tree", "to_estimator": "Nobody knows."})
    why = rebuilt(survey, advice, fineness_class="unsure", reasons=(*advice.reasons, last)).why
    assert why.lines[0] == "Nobody knows."


def test_eaves_that_differ_are_named(survey: Survey, advice: Advice) -> None:
    front = advice.eaves[0].model_copy(update={"fineness_class": "no-guard-needed", "opening_mm": None})
    fine = rebuilt(survey, advice, eaves=(front, advice.eaves[1])).answers[0]
    assert fine.lines[-1] == "Eave by eave: no guard needed at front; extra fine at back."


def test_what_was_assumed_is_named_by_its_eave_in_the_offices_units(survey: Survey, advice: Advice) -> None:
    def row(of: str | None, label: str, unit: str, *span: float | str) -> Assumed:
        value, low, high = span if len(span) == 3 else span * 3
        return Assumed(
            field="-", of=of, label=label, unit=unit, value=value, low=low, high=high, why="Usual."
        )

    given = (
        row("back", "gutter width", "size", 127.0, 101.6, 152.4),
        row("white pines", "height", "m", 14.02, 9.1, 20.0),
        row("front", "gutter profile", "words", "K-style"),
        row("back", "gutter profile", "words", "K-style"),
        row("front", "roof pitch", "pitch", 26.565051177, 14.0, 34.0),
        row(None, "wind mostly from", "bearing", "any direction"),
    )
    changed = advice.model_copy(update={"assumed": given})
    us, metric = (
        [
            (entry.heading, plain(entry.text), entry.source)
            for entry in entries(build_report(survey, changed, {}, (), units=units), "assumed").entries
        ]
        for units in ("us", "metric")
    )
    assert us[0] == ("Gutter width (back)", "5 in (4 in to 6 in)", "Usual")
    assert us[1] == ("Height (white pines)", "46 ft (30 ft to 66 ft)", "Usual")
    assert metric[0][1] == "127 mm (102 mm to 152 mm)"
    assert metric[1] == ("Height (white pines)", "14.0 m (9.1 m to 20.0 m)", "Usual")
    # One line for both eaves.
    assert us[2] == ("Gutter profile (front and back)", "K-style", "Usual")
    assert us[3] == ("Roof pitch (front)", "6/12 (3/12 to 8/12)", "Usual")
    assert metric[3] == ("Roof pitch (front)", "27° (14° to 34°)", "Usual")
    assert us[4] == ("Wind mostly from", "any direction", "Usual")


def test_a_margin_is_spare_or_short(survey: Survey, advice: Advice) -> None:
    eave = advice.eaves[0]
    for margin, words in ((0.5, "outlet: 50% to spare"), (-0.12, "outlet: 12% short")):
        water = eave.water.model_copy(update={"margin": margin})
        changed = rebuilt(survey, advice, eaves=(eave.model_copy(update={"water": water}),))
        assert table(changed, "eaves").rows[0][6] == words


def test_no_guard_needed(survey: Survey, advice: Advice) -> None:
    document = rebuilt(
        survey,
        advice,
        fineness_class="no-guard-needed",
        class_probability={"no-guard-needed": 0.9, "fine": 0.1},
        opening_mm=None,
        recommended_guard="none",
        interval_unguarded_months=Interval(low=14, typical=70, high=80),
        clean_in=(),
    )
    fine, worth, often = document.answers
    assert fine.headline == "No class is needed"
    assert worth.headline == "No"
    assert often.headline == "More than five years between cleanings"
    words = plain(" ".join(often.lines))
    assert "14 months to more than five years" in words
    assert "without a guard" in words
    assert not any("look at the guard" in line for line in lines(document, "until"))


def test_every_rule_that_spoke_is_there_with_its_source(document: ReportDocument, advice: Advice) -> None:
    words = " ".join(said(document.section("sources"))).casefold()
    # Of the rules about guard kinds only those whose sentence the table shows.
    cells = plain(" ".join(cell for row in table(document, "guards").rows for cell in row))
    heard = [one for one in advice.reasons if one.about not in GUARD_KINDS or plain(one.sentence) in cells]
    for reason in heard:
        assert reason.rule.replace("-", " ") in words
        assert reason.source.casefold() in words
    # A source that is only its mark is not said twice.
    assert "judgement (judgement)" not in words


def test_tables_hold_every_row(document: ReportDocument, advice: Advice) -> None:
    guards = table(document, "guards")
    assert len(guards.rows) == len(advice.guards)
    assert [guards.rows[at][0] for at in guards.marked] == ["Woven micromesh"]
    assert [row[0] for row in table(document, "eaves").rows] == ["front", "back"]
    for key in ("guards", "eaves", "material"):
        shown = table(document, key)
        assert all(len(row) == len(shown.columns) == len(shown.shares) for row in shown.rows)


def test_material_adds_up_and_is_no_quote(document: ReportDocument, survey: Survey, advice: Advice) -> None:
    # 26.84 m in all: 88.06 ft.
    material = table(document, "material")
    assert plain(material.rows[-1][1]) == "88 ft"
    assert material.rows[-1][-1] == "4"
    assert "1,340 to 2,540 USD from the office's own price table. Not a quote." in plain(material.note)
    metric = build_report(survey, advice, {}, (), units="metric")
    assert plain(table(metric, "material").rows[-1][1]) == "26.8 m"


def test_no_price_without_a_price_for_every_eave(survey: Survey, advice: Advice) -> None:
    off = advice.eaves[0].take_off.model_copy(update={"price_low": None, "price_high": None})
    half = advice.eaves[0].model_copy(update={"take_off": off})
    assert "quote" not in table(rebuilt(survey, advice, eaves=(half, advice.eaves[1])), "material").note


def shown(document: ReportDocument) -> tuple[Picture, ...]:
    section = document.section("photos")
    blocks = () if section is None else section.blocks
    return tuple(one for block in blocks if isinstance(block, Pictures) for one in block.pictures)


def test_pictures_say_what_was_read(document: ReportDocument) -> None:
    pines, front, needles = (plain(picture.caption) for picture in shown(document))
    assert pines == "White pines, tree: needle 97%; long needle 90%"
    assert front == "House: broadleaf 88%; unsure about needle; form unsure"
    assert needles == "White pines, needle gauge: 11 needles, 0.59 mm (0.023 in) wide, 89 mm (3.5 in) long"
    section = document.section("photos")
    assert section is not None
    # Said once above them, where it holds of all.
    assert "rendered" in section.heading
    assert not any(picture.label for picture in shown(document))


def test_a_refused_gauge_and_a_photo_without_a_tree_are_not_shown(
    survey: Survey, advice: Advice, photos: dict[str, PhotoPicture], readings: tuple[Reading, ...]
) -> None:
    refusal = Refusal(reason="blurred", message="The needles are blurred.", retake="Hold still.")
    changed = []
    for each in readings:
        if each.gauge is not None:
            gone = each.gauge.model_copy(update={"summary": None, "refused": refusal})
            each = replace(each, gauge=gone)
        if each.photo == "front.jpg":
            each = each.corrected((), None, "test")
        changed.append(each)
    document = build_report(survey, advice, photos, tuple(changed))
    assert [picture.name for picture in shown(document)] == ["pines.jpg"]
    # Nor is a photo of which nothing is known.
    assert shown(build_report(survey, advice, photos, ())) == ()


def test_of_many_photos_each_tree_gets_one_first(
    survey: Survey, advice: Advice, photos: dict[str, PhotoPicture], readings: tuple[Reading, ...]
) -> None:
    pine = survey.photos[0]
    again = tuple(pine.model_copy(update={"file": f"again{at}.jpg"}) for at in range(5))
    more = survey.model_copy(update={"photos": (*again, *survey.photos)})
    read = next(each for each in readings if each.photo == pine.file)
    all_read = (*readings, *(replace(read, photo=one.file) for one in again))
    all_photos = photos | {one.file: photos[pine.file] for one in again}
    names = [picture.name for picture in shown(build_report(more, advice, all_photos, all_read))]
    assert len(names) == MOST_PICTURES
    assert {"front.jpg", "needles.jpg"} <= set(names)


def test_photos_that_failed_are_named(
    survey: Survey, advice: Advice, photos: dict[str, PhotoPicture], readings: tuple[Reading, ...]
) -> None:
    some = {name: photo for name, photo in photos.items() if name != "front.jpg"}
    changed = advice.model_copy(update={"failed_photos": ("front.jpg",), "check_photos": ("pines.jpg",)})
    document = build_report(survey, changed, some, readings)
    assert [picture.name for picture in shown(document)] == ["pines.jpg", "needles.jpg"]
    assert [notice.heading for notice in document.notices] == [
        "Photos that could not be read",
        "Photos to look at again",
    ]
    assert "front.jpg" in document.notices[0].text


def plot(document: ReportDocument, key: str) -> Any:
    section = document.section(key)
    assert section is not None
    return next(block.plot for block in section.blocks if isinstance(block, Figure))


def test_widths_come_from_the_gauge_and_the_species(document: ReportDocument) -> None:
    bars = plot(document, "opening").bars
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
        plan = plot(rebuilt(survey, advice, trees=(kind,)), "plan")
        assert plan.trees[0].kind == foliage


def test_many_trees_stay_readable(survey: Survey, advice: Advice) -> None:
    names = tuple(f"tree {number}" for number in range(9))
    eave = advice.eaves[0].model_copy(update={"trees": names})
    assert (
        table(rebuilt(survey, advice, eaves=(eave,)), "eaves").rows[0][-1]
        == "tree 0, tree 1, tree 2 and 6 more"
    )
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
    bars = plot(rebuilt(survey.model_copy(update={"trees": trees}), advice), "opening").bars
    assert len(bars) == 5
    assert [bar.low_mm for bar in bars] == sorted(bar.low_mm for bar in bars)
