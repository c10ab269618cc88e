"""What an answer says: spans, months, rates, and every figure in the words and units of its reader."""

from __future__ import annotations

import pytest

from eavefall_model.advice.figures import FIGURES
from eavefall_model.advice.say import (
    Voice,
    assumed_text,
    every,
    figure_text,
    interval_text,
    months_text,
    placeholders,
    range_of,
    say,
    sieve_text,
    sold_text,
    times_text,
    value_text,
)
from eavefall_model.advice.schema import Figure, Interval, MarketOpening, Opening, Said
from eavefall_model.house.place_photos import HOME_TREE, PHOTO_TREE, PHOTO_TREE_OF
from eavefall_model.house.reader import Assumed


def plain(text: str | None) -> str:
    """Fixed spaces as ordinary ones."""
    assert text is not None
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("months", "expected"),
    [
        ((), ""),
        ((5, 11), "May and November"),
        ((10, 11, 12), "October to December"),
        ((11, 12, 1), "November to January"),
        ((1, 4, 9, 10, 11), "January, April and September to November"),
        (range(1, 13), "any month"),
        ((12,), "December"),
        ((3, 3, 3), "March"),
    ],
)
def test_months_by_name(months: tuple[int, ...], expected: str) -> None:
    assert months_text(months) == expected


@pytest.mark.parametrize(
    ("low", "typical", "high", "expected"),
    [
        (6, 9, 14, "9 months (6 to 14)"),
        (0.9, 1.1, 1.4, "1 month (1 to 1.5)"),
        (2.2, 3.2, 40, "3 months (2 to 40)"),
        (20, 60, 60, "more than five years (from 20 months)"),
        (60, 60, 60, "more than five years"),
        (9, 9, 9, "9 months"),
        (0.1, 0.2, 0.3, "0.5 months"),
    ],
)
def test_interval(low: float, typical: float, high: float, expected: str) -> None:
    assert plain(interval_text(Interval(low=low, typical=typical, high=high))) == expected


def test_interval_range() -> None:
    assert plain(range_of(Interval(low=6, typical=9, high=14))) == "6 to 14 months"
    assert plain(range_of(Interval(low=6, typical=9, high=99))) == "6 months to more than five years"
    assert plain(range_of(Interval(low=60, typical=60, high=60))) == "more than five years"


@pytest.mark.parametrize(
    ("per_year", "said"),
    [
        (6.0, "6 times a year"),
        (2.62, "2.6 times a year"),
        (1.02, "once a year"),
        (2.0, "twice a year"),
        (0.5, "once in two years"),
        (0.8, "about every 15 months"),
        (0.2, "less than once in five years"),
        (0.0, "never"),
    ],
)
def test_how_often(per_year: float, said: str) -> None:
    assert plain(times_text(per_year)) == said


def test_every_so_often() -> None:
    assert plain(every(9.2)) == "about every 9 months"
    assert plain(every(1.2)) == "about every 1 month"
    assert every(60.0) == "less than once in five years"


def test_sieve() -> None:
    named = Opening(low_mm=0.3, high_mm=0.5, designation_iso="ISO 3310-1 0.5 mm", designation_astm=None)
    assert sieve_text(named) == "ISO 3310-1 0.5 mm"
    both = named.model_copy(update={"designation_astm": "ASTM E11 No. 35"})
    assert sieve_text(both) == "ISO 3310-1 0.5 mm, ASTM E11 No. 35"


@pytest.mark.parametrize(
    ("kind", "designation", "expected"),
    [
        ("mill cloth", "40 mesh mill", "40 mesh mill cloth"),
        ("market cloth", "20 mesh x 0.016 in", "20 mesh x 0.016 in market cloth"),
        ("insect screen", "18x14", "18x14 insect screen"),
    ],
)
def test_what_is_sold_is_called_as_the_trade_does(kind: str, designation: str, expected: str) -> None:
    sold = MarketOpening(kind=kind, designation=designation, opening_mm=0.4, open_area=0.4)
    assert sold_text(sold) == expected


# ---- figures by reader


@pytest.mark.parametrize(
    ("unit", "value", "us", "metric", "owner"),
    [
        ("m", 5.334, "17 ft 6 in", "5.3 m", "17 ft 6 in"),
        ("pitch", 26.565051177, "6/12", "27°", "6/12"),
        ("size", 127.0, "5 in", "127 mm", "5 in"),
        ("mm", 0.508, "0.51 mm (0.020 in)", "0.51 mm", "0.51 mm (0.020 in)"),
        ("kg/m", 2.4, "1.6 lb/ft", "2.4 kg/m", "1.6 lb/ft"),
        ("mm/h", 101.6, "4 in/h", "102 mm/h", "4 in/h"),
        ("bearing", 340.0, "NNW", "NNW", "NNW"),
        ("months", 9.0, "9 months", "9 months", "about 9 months"),
        ("a year", 2.6, "2.6 times a year", "2.6 times a year", "about 2.6 times a year"),
        ("times a year", 4.0, "4 times a year", "4 times a year", "4 times a year"),
        ("share", 0.344, "34%", "34%", "34%"),
        ("margin", -0.12, "12% short", "12% short", "12% short"),
        ("class", "extra-fine", "extra-fine", "extra-fine", "an extra-fine screen"),
        ("guard", "none", "no guard", "no guard", "no screen"),
        ("calendar months", (10, 11), "October and November", "October and November", "October and November"),
        ("mm range", (0.46, 0.54), "0.46 to 0.54 mm", "0.46 to 0.54 mm", "0.46 to 0.54 mm"),
        ("eave", "front", "front", "front", "your gutter “front”"),
        ("trees", ("old elm", HOME_TREE), "old elm and Tree nearest the roof",
         "old elm and Tree nearest the roof", "“old elm” and the tree nearest the roof"),
        ("words", ("oak", "pine"), "oak and pine", "oak and pine", "oak and pine"),
        ("yes or no", True, "yes", "yes", "yes"),
        ("m", "any place", "any place", "any place", "any place"),
    ],
)  # fmt: skip
def test_a_value_in_the_words_of_its_reader(
    unit: str, value: object, us: str, metric: str, owner: str
) -> None:
    figure = Figure.model_validate({"name": "x", "label": "x", "unit": unit, "value": value})
    assert plain(figure_text(figure, Voice("estimator", "us"))) == us
    assert plain(figure_text(figure, Voice("estimator", "metric"))) == metric
    assert plain(figure_text(figure, Voice("owner", "us"))) == owner


def test_every_registered_figure_has_a_way_to_be_said() -> None:
    samples: dict[str, object] = {
        "class": "fine", "guard": "none", "form": "long_needle", "foliage": "broad",
        "failure": "gutter fills", "calendar months": (5,), "eave": "front", "trees": "elm",
        "words": "k_style", "mm range": (0.5, 0.6), "pieces/m": ("seeds=130",),
    }  # fmt: skip
    for kind in FIGURES.values():
        said = value_text(samples.get(kind.unit, 0.5), kind.unit, Voice())  # type: ignore[arg-type]
        assert said, kind.name
        assert "_" not in said


def test_one_gutter_is_your_gutter() -> None:
    assert value_text("front", "eave", Voice("owner", "us", one_eave=True)) == "your gutter"


def test_trees_that_nobody_named_are_called_by_what_the_photos_show() -> None:
    names = (HOME_TREE, PHOTO_TREE, *PHOTO_TREE_OF.values(), "old elm")
    assert [value_text(name, "trees", Voice("owner")) for name in names] == [
        "the tree nearest the roof",
        "the trees in your photos",
        "the needle trees in your photos",
        "the broadleaf trees in your photos",
        "“old elm”",
    ]


def test_a_template_is_filled_for_each_reader_and_braces_in_names_stay() -> None:
    figure = Figure(name="tree", label="tree", unit="trees", value="the {odd} one")
    said = Said(sentence="-", to_estimator="{tree} sheds.", to_owner="look at {tree}.", figures=(figure,))
    assert say(said, Voice()) == "The {odd} one sheds."
    assert say(said, Voice("owner")) == "Look at “the {odd} one”."
    assert say(said.model_copy(update={"to_owner": None}), Voice("owner")) is None


def test_what_was_assumed_in_one_line() -> None:
    row = Assumed(
        field="eaves[0].pitch", of="back", label="roof pitch", unit="pitch", value=26.565, low=18.435,
        high=33.69, why="-",
    )  # fmt: skip
    assert assumed_text(row, Voice()) == "back: roof pitch 6/12 (4/12 to 8/12)"
    fixed = row.model_copy(update={"of": None, "low": 26.565, "high": 26.565})
    assert assumed_text(fixed, Voice("estimator", "metric")) == "roof pitch 27°"


@pytest.mark.parametrize("wrong", ["{a.b}", "{0}", "{}", "{a!r}", "{a:.1f}", "{a", "{A}"])
def test_what_is_no_placeholder_is_refused(wrong: str) -> None:
    with pytest.raises(ValueError, match=r"figure|unit|expected"):
        placeholders(f"Say {wrong}.")


def test_placeholders_in_order_each_once() -> None:
    assert placeholders("{b} and {a:every} and {b}.") == (("b", ""), ("a", "every"))
