"""What an answer says, in the words of the one who reads it: estimator or owner, US units or metric, English
or Spanish.

Everything that is said is stored as a template for each audience with the figures that fill it, so that a
kept answer can be said to anybody. A template has one message to a line, each a whole sentence or clause;
the message is what a catalog translates (``language``). Names of guards, classes and forms by audience stand
here and nowhere else.
"""

from __future__ import annotations

import re
import string
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any, Final, Literal, TypeVar

from eavefall_model.advice.schema import (
    Advice,
    Figure,
    Interval,
    MarketOpening,
    Opening,
    Reason,
    Said,
)
from eavefall_model.house.place_photos import HOME_TREE, PHOTO_TREE, PHOTO_TREE_OF
from eavefall_model.house.reader import Assumed
from eavefall_model.language import listed, month_name, translate, translate_count
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.units import (
    compass,
    count_per_length_text,
    flow_text,
    length_text,
    mass_per_length_text,
    number_text,
    opening_text,
    per_cent,
    pitch_text,
    rain_text,
    range_text,
    size_text,
    span_text,
)
from eavefall_model.vocabulary import Language, Units, Value

Audience = Literal["estimator", "owner"]
# Waits beyond five years are not told apart.
BEYOND: Final = "more than five years"
CLASSES: Final[Mapping[Audience, Mapping[str, str]]] = {
    "estimator": {
        "open": "open", "coarse": "coarse", "medium": "medium", "fine": "fine", "extra-fine": "extra-fine",
        "no-guard-needed": "no guard needed", "unsure": "not known yet",
    },
    "owner": {
        "open": "an open screen", "coarse": "a coarse screen", "medium": "a medium screen",
        "fine": "a fine screen", "extra-fine": "an extra-fine screen", "no-guard-needed": "no screen at all",
        "unsure": "something we can't name yet",
    },
}  # fmt: skip
GUARDS: Final[Mapping[Audience, Mapping[str, str]]] = {
    "estimator": {
        "none": "no guard", "wire_netting": "wire netting", "expanded_metal": "expanded metal",
        "perforated_panel": "perforated panel", "front_slot_cover": "solid cover with a front slot",
        "woven_micromesh": "woven micromesh",
    },
    "owner": {
        "none": "no screen", "wire_netting": "wire netting",
        "expanded_metal": "expanded metal (a sheet slit and pulled into a mesh)",
        "perforated_panel": "a perforated panel (a sheet with punched holes)",
        "front_slot_cover": "a solid cover with a slot along its front",
        "woven_micromesh": "micromesh (very fine woven steel cloth)",
    },
}  # fmt: skip
FORMS: Final[Mapping[str, str]] = MappingProxyType(
    {
        "long_needle": "long needles",
        "short_needle": "short needles",
        "scale_leaf": "scale leaves",
        "broad_leaf": "broad leaves",
        "small_leaflet": "small leaflets",
    }
)
FOLIAGE: Final[Mapping[str, str]] = MappingProxyType(
    {"needle": "needle", "broad": "broadleaf", "bare": "bare crown"}
)
FAILURES: Final[Mapping[str, str]] = MappingProxyType(
    {
        "gutter fills": "the gutter fills",
        "screen gets covered": "litter covers the screen",
        "outlet blocks": "the outlet blocks",
        "none expected": "nothing expected within five years",
    }
)
# Trees that no person named, as their owner would call them.
OWN_TREES: Final[Mapping[str, str]] = {
    HOME_TREE: "the tree nearest the roof",
    PHOTO_TREE: "the trees in your photos",
    PHOTO_TREE_OF["needle"]: "the needle trees in your photos",
    PHOTO_TREE_OF["broad"]: "the broadleaf trees in your photos",
}


@dataclass(frozen=True)
class Voice:
    """To whom something is said, in which units and language; ``one_eave`` where the house has one gutter."""

    audience: Audience = "estimator"
    units: Units = "us"
    one_eave: bool = False
    language: Language = "en"


def voice_of(advice: Advice, audience: Audience, units: Units, language: Language = "en") -> Voice:
    """The voice in which ``advice`` is said."""
    return Voice(audience, units, len(advice.eaves) == 1, language)


def say(said: Said, voice: Voice) -> str | None:
    """The sentence for one audience; ``None`` where there is nothing to say to it."""
    template = said.to_estimator if voice.audience == "estimator" else said.to_owner
    if template is None:
        return None
    filler = _Filler(said.figures, voice)
    lines = [filler.format(translate(voice.language, message)) for message in template.split("\n")]
    return sentence_case(" ".join(lines))


Words = TypeVar("Words", bound=Said)


def written(said: Words, units: Units) -> Words:
    """The same with its ready sentence for the estimator, in the office's units."""
    return said.model_copy(update={"sentence": say(said, Voice("estimator", units))})


def figure_text(figure: Figure, voice: Voice, manner: str = "") -> str:
    """One figure as words with its unit; ``manner`` is ``every`` for a wait said as a frequency."""
    value = figure.value
    if value is None:
        return translate(voice.language, "not known")
    if manner == "every":
        return every(_number(value), voice.language)
    return value_text(value, figure.unit, voice)


def value_text(value: Value, unit: str, voice: Voice) -> str:
    """A value in its unit; text where a number is expected stands as it is."""
    if isinstance(value, str) and unit in _MEASURED:
        return translate(voice.language, value)
    return _WAYS[unit](value, voice)


def assumed_text(row: Assumed, voice: Voice) -> str:
    """A default that was taken: ``back: roof pitch 6/12 (4/12 to 8/12)``."""
    label = translate(voice.language, row.label)
    return f"{f'{row.of}: ' if row.of else ''}{label} {assumed_value(row, voice)}"


def assumed_value(row: Assumed, voice: Voice) -> str:
    """What was taken, with its range: ``6/12 (4/12 to 8/12)``."""
    value, low, high = (value_text(each, row.unit, voice) for each in (row.value, row.low, row.high))
    return value if low == high else f"{value} ({span_text(low, high, voice.language)})"


def figures_text(reason: Reason, voice: Voice) -> str:
    """The numbers that a reason rests on and does not quote, with their labels."""
    quoted = {name for name, _ in placeholders(reason.to_estimator)}
    return "; ".join(
        f"{figure.label}: {figure_text(figure, voice)}"
        for figure in reason.figures
        if figure.name not in quoted and figure.unit in _MEASURED and figure.unit != "yes or no"
    )


def guard_name(kind: str, language: Language = "en") -> str:
    """``woven micromesh``: a guard kind as the trade calls it."""
    return translate(language, GUARDS["estimator"][kind])


def guard_why(advice: Advice, kind: str, voice: Voice) -> str:
    """Why a guard kind has its verdict, the weightiest rule first."""
    guard = next(each for each in advice.guards if each.kind == kind)
    heard = {(reason.rule, reason.about): reason for reason in advice.reasons}
    found = []
    for rule in guard.rules:
        reason = heard.get((rule, kind)) or next(
            (each for each in advice.reasons if each.rule == rule and each.about != kind), None
        )
        found.append(say(reason, voice) if reason is not None else None)
    return " ".join(dict.fromkeys(filter(None, found)))


def sentence_case(text: str) -> str:
    """First letter large, the rest untouched."""
    return text[:1].upper() + text[1:]


def wait_text(months: float, language: Language = "en") -> str:
    """``9 months``, ``1.5 months``, ``more than five years``: whole months, halves below three."""
    if months >= HORIZON_MONTHS:
        return translate(language, BEYOND)
    text = bare_months(months)
    return translate_count(
        language, "{many}\u00a0month", "{many}\u00a0months", 1 if text == "1" else 2, many=text
    )


def every(months: float, language: Language = "en") -> str:
    """``about every 9 months``, ``less than once in five years``."""
    if months >= HORIZON_MONTHS:
        return translate(language, "less than once in five years")
    return translate(language, "about every {wait}", wait=wait_text(months, language))


def bare_months(months: float) -> str:
    """``9``, ``1.5``: whole months, halves below three."""
    return f"{months:.0f}" if months >= 3 else number_text(round(months * 2) / 2 or 0.5)


def range_of(interval: Interval, language: Language = "en") -> str:
    """``6 to 14 months``, ``20 months to more than five years``."""
    low, high = wait_text(interval.low, language), wait_text(interval.high, language)
    if low == high:
        return high
    return span_text(low if interval.high >= HORIZON_MONTHS else bare_months(interval.low), high, language)


def interval_text(interval: Interval, language: Language = "en") -> str:
    """``9 months (6 to 14)``; ``more than five years``, with the soonest if that is sooner."""
    typical = wait_text(interval.typical, language)
    if wait_text(interval.low) == wait_text(interval.high):
        return typical
    if interval.typical >= HORIZON_MONTHS:
        low = wait_text(interval.low, language)
        return translate(language, "{typical} (from {low})", typical=typical, low=low)
    if interval.high >= HORIZON_MONTHS:
        return f"{typical} ({range_of(interval, language)})"
    return f"{typical} ({span_text(bare_months(interval.low), bare_months(interval.high), language)})"


# Everyday odds, by chance.
ODDS: Final = (
    (0.08, "about 1 in 20"), (0.15, "about 1 in 10"), (0.225, "about 1 in 5"),
    (0.29, "about 1 in 4"), (0.42, "about 1 in 3"), (0.58, "about 1 in 2"), (0.71, "about 2 in 3"),
    (0.775, "about 3 in 4"), (0.85, "about 4 in 5"), (0.92, "about 9 in 10"), (1.01, "about 19 in 20"),
)  # fmt: skip


def chance_words(chance: float) -> str:
    """A chance as everyday odds, such as ``about 2 in 3``."""
    return next(words for limit, words in ODDS if chance < limit)


YES_NO: Final = {True: "yes", False: "no"}
# Shares of a year that have a name.
TIMES: Final[Mapping[float, str]] = MappingProxyType(
    {
        0.25: "once in four years", 0.33: "once in three years", 0.5: "once in two years", 1.0: "once a year",
        2.0: "twice a year",
    }
)  # fmt: skip


def times_text(per_year: float, language: Language = "en") -> str:
    """``once a year``, ``2.6 times a year``; less often than that as a wait."""
    rate = round(per_year, 1)
    named = TIMES.get(round(per_year, 2)) or TIMES.get(rate)
    if named:
        return translate(language, named)
    if rate < 1:
        return every(12 / per_year, language) if per_year > 0 else translate(language, "never")
    figure = f"{rate:g}"
    return translate(language, "{figure} times a year", figure=figure)


def months_text(months: Iterable[int], language: Language = "en") -> str:
    """Months 1 to 12 by name; three or more in a row become ``October to December``, across New Year too."""
    wanted = sorted(set(months))
    if len(wanted) == 12:
        return translate(language, "any month")
    # Start each run at a month whose predecessor is not wanted, so that a run may pass December.
    runs: list[list[int]] = []
    for month in wanted:
        if (month - 2) % 12 + 1 in wanted:
            continue
        run = [month]
        while run[-1] % 12 + 1 in wanted:
            run.append(run[-1] % 12 + 1)
        runs.append(run)
    words: list[str] = []
    for run in runs:
        names = [month_name(month, language) for month in run]
        words += [span_text(names[0], names[-1], language)] if len(names) > 2 else names
    return listed(words, language)


def spare_text(margin: float, language: Language = "en") -> str:
    """Capacity over demand: ``20% to spare``, ``5% short``."""
    if margin >= 0:
        return translate(language, "{share} to spare", share=per_cent(margin, language))
    return translate(language, "{share} short", share=per_cent(-margin, language))


def sieve_text(opening: Opening) -> str:
    """``ISO 3310-1 0.5 mm, ASTM E11 No. 35``: the nearest standard sieve."""
    return ", ".join(filter(None, (opening.designation_iso, opening.designation_astm)))


def sold_text(sold: MarketOpening, language: Language = "en") -> str:
    """``40 mesh mill cloth``, ``0.0625 in on 0.1250 in perforated sheet``: as the trade calls it."""
    first, *rest = sold.kind.split()
    kind = " ".join(rest) if sold.designation.split()[-1] == first else sold.kind
    size = translate(language, sold.designation)
    return translate(language, "{size} {kind}", size=size, kind=translate(language, kind))


def _number(value: Any) -> float:
    return float(value)


def _list(value: Any) -> tuple[Any, ...]:
    return tuple(value) if isinstance(value, tuple | list) else (value,)


def _about(text: str, voice: Voice) -> str:
    if voice.audience == "estimator" or not text[:1].isdigit():
        return text
    return translate(voice.language, "about {figure}", figure=text)


def _eave(name: Any, voice: Voice) -> str:
    if voice.audience == "estimator":
        return str(name)
    if voice.one_eave:
        return translate(voice.language, "your gutter")
    return translate(voice.language, "your gutter “{name}”", name=name)


def _pieces(counted: Any, voice: Voice) -> str:
    """``100 broken needles and 40 seeds a foot``, of counts for each meter such as ``seeds=130``."""
    words = []
    for each in _list(counted):
        name, _, number = str(each).partition("=")
        many = count_per_length_text(float(number), voice.units, voice.language)
        words.append(f"{many} {translate(voice.language, name)}")
    pieces = listed(words, voice.language)
    if voice.units == "us":
        return translate(voice.language, "{pieces} a foot", pieces=pieces)
    return translate(voice.language, "{pieces} a meter", pieces=pieces)


def _tree(name: Any, voice: Voice) -> str:
    if voice.audience == "estimator":
        return str(name)
    return translate(voice.language, OWN_TREES[name]) if name in OWN_TREES else f"“{name}”"


def _word(value: Any, voice: Voice) -> str:
    return translate(voice.language, str(value).replace("_", " "))


# How a figure of each unit is said.
_WAYS: Final[Mapping[str, Callable[[Any, Voice], str]]] = MappingProxyType(
    {
        "mm": lambda value, voice: opening_text(value, voice.units, voice.language),
        "mm range": lambda value, voice: range_text(value[0], value[1], "metric", voice.language),
        "size": lambda value, voice: size_text(value, voice.units, voice.language),
        "m": lambda value, voice: length_text(value, voice.units, voice.language),
        "kg/m": lambda value, voice: mass_per_length_text(value, voice.units, voice.language),
        "L/s": lambda value, voice: flow_text(value, voice.units, voice.language),
        "mm/h": lambda value, voice: rain_text(value, voice.units, voice.language),
        "pitch": lambda value, voice: pitch_text(value, voice.units, voice.language),
        "bearing": lambda value, voice: compass(value, voice.language),
        "months": lambda value, voice: _about(wait_text(value, voice.language), voice),
        "a year": lambda value, voice: _about(times_text(value, voice.language), voice),
        "times a year": lambda value, voice: times_text(value, voice.language),
        "share": lambda value, voice: per_cent(value, voice.language),
        "odds": lambda value, voice: translate(voice.language, chance_words(value)),
        "margin": lambda value, voice: spare_text(value, voice.language),
        "ratio": lambda value, voice: number_text(value, 2, voice.language),
        "count": lambda value, voice: number_text(value, language=voice.language),
        "yes or no": lambda value, voice: translate(voice.language, YES_NO[bool(value)]),
        "class": lambda value, voice: translate(voice.language, CLASSES[voice.audience][value]),
        "guard": lambda value, voice: translate(voice.language, GUARDS[voice.audience][value]),
        "form": lambda value, voice: translate(voice.language, FORMS[value]),
        "foliage": lambda value, voice: translate(voice.language, FOLIAGE[value]),
        "failure": lambda value, voice: translate(voice.language, FAILURES[value]),
        "calendar months": lambda value, voice: months_text(_list(value), voice.language),
        "pieces/m": _pieces,
        "eave": _eave,
        "trees": lambda value, voice: listed([_tree(each, voice) for each in _list(value)], voice.language),
        "words": lambda value, voice: listed([_word(each, voice) for each in _list(value)], voice.language),
    }
)
# Units of which a value is a number.
_MEASURED: Final = frozenset(
    {"mm", "size", "m", "kg/m", "L/s", "mm/h", "pitch", "bearing", "months", "a year", "times a year"}
    | {"share", "margin", "ratio", "count", "yes or no", "calendar months"}
)


class _Filler(string.Formatter):
    """Puts figures into a template; a figure that is missing is a mistake in the template."""

    def __init__(self, figures: Sequence[Figure], voice: Voice) -> None:
        self.figures = {figure.name: figure for figure in figures}
        self.voice = voice

    def get_value(self, key: int | str, args: Sequence[Any], kwargs: Mapping[str, Any]) -> Figure:
        return self.figures[str(key)]

    def format_field(self, value: Any, format_spec: str) -> str:
        return figure_text(value, self.voice, format_spec)


def placeholders(template: str) -> tuple[tuple[str, str], ...]:
    """Names of the figures in a template and the manner of each, in order, each once.

    Raises
    ------
    ValueError
        For braces that do not match, for what is not a name, and for a manner that there is not.
    """
    found = []
    for _, name, manner, conversion in string.Formatter().parse(template):
        if name is None:
            continue
        if not re.fullmatch(r"[a-z][a-z_]*", name) or conversion:
            raise ValueError(f"{{{name}}} is not the name of a figure")
        if manner not in ("", "every"):
            raise ValueError(f"{{{name}:{manner}}}: write {{{name}}}, its unit says how it is written")
        found.append((name, manner or ""))
    return tuple(dict.fromkeys(found))
