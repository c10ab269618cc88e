"""What an answer says, in the words of the one who reads it: estimator or owner, US units or metric.

Everything that is said is stored as a template for each audience with the figures that fill it, so that a
kept answer can be said to anybody. Names of guards, classes and forms by audience stand here and nowhere
else.
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
)
from eavefall_model.vocabulary import Units, Value

Audience = Literal["estimator", "owner"]
MONTHS: Final = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September", "October",
    "November", "December",
)  # fmt: skip
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
_OWN_TREES: Final[Mapping[str, str]] = {
    HOME_TREE: "the tree nearest the roof",
    PHOTO_TREE: "the trees in your photos",
    PHOTO_TREE_OF["needle"]: "the needle trees in your photos",
    PHOTO_TREE_OF["broad"]: "the broadleaf trees in your photos",
}


@dataclass(frozen=True)
class Voice:
    """To whom something is said, in which units; ``one_eave`` where the house has a single gutter."""

    audience: Audience = "estimator"
    units: Units = "us"
    one_eave: bool = False


def voice_of(advice: Advice, audience: Audience, units: Units) -> Voice:
    """The voice in which ``advice`` is said."""
    return Voice(audience, units, len(advice.eaves) == 1)


def say(said: Said, voice: Voice) -> str | None:
    """The sentence for one audience; ``None`` where there is nothing to say to it."""
    template = said.to_estimator if voice.audience == "estimator" else said.to_owner
    if template is None:
        return None
    return sentence_case(_Filler(said.figures, voice).format(template))


Words = TypeVar("Words", bound=Said)


def written(said: Words, units: Units) -> Words:
    """The same with its ready sentence for the estimator, in the office's units."""
    return said.model_copy(update={"sentence": say(said, Voice("estimator", units))})


def figure_text(figure: Figure, voice: Voice, manner: str = "") -> str:
    """One figure as words with its unit; ``manner`` is ``every`` for a wait said as a frequency."""
    value = figure.value
    if value is None:
        return "not known"
    if manner == "every":
        return every(_number(value))
    return value_text(value, figure.unit, voice)


def value_text(value: Value, unit: str, voice: Voice) -> str:
    """A value in its unit; text where a number is expected stands as it is."""
    if isinstance(value, str) and unit in _MEASURED:
        return value
    return _WAYS[unit](value, voice)


def assumed_text(row: Assumed, voice: Voice) -> str:
    """A default that was taken: ``back: roof pitch 6/12 (4/12 to 8/12)``."""
    value, low, high = (value_text(each, row.unit, voice) for each in (row.value, row.low, row.high))
    span = "" if low == high else f" ({low} to {high})"
    return f"{f'{row.of}: ' if row.of else ''}{row.label} {value}{span}"


def figures_text(reason: Reason, voice: Voice) -> str:
    """The numbers that a reason rests on and does not quote, with their labels."""
    quoted = {name for name, _ in placeholders(reason.to_estimator)}
    return "; ".join(
        f"{figure.label}: {figure_text(figure, voice)}"
        for figure in reason.figures
        if figure.name not in quoted and figure.unit in _MEASURED and figure.unit != "yes or no"
    )


def guard_name(kind: str) -> str:
    """``woven micromesh``: a guard kind as the trade calls it."""
    return GUARDS["estimator"][kind]


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


def joined(words: Sequence[str], last: str = "and") -> str:
    """``a, b and c``."""
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {last} {words[-1]}" if words else ""


def sentence_case(text: str) -> str:
    """First letter large, the rest untouched."""
    return text[:1].upper() + text[1:]


def wait_text(months: float) -> str:
    """``9 months``, ``1.5 months``, ``more than five years``: whole months, halves below three."""
    if months >= HORIZON_MONTHS:
        return BEYOND
    text = bare_months(months)
    return f"{text}\u00a0{'month' if text == '1' else 'months'}"


def every(months: float) -> str:
    """``about every 9 months``, ``less than once in five years``."""
    return "less than once in five years" if months >= HORIZON_MONTHS else f"about every {wait_text(months)}"


def bare_months(months: float) -> str:
    """``9``, ``1.5``: whole months, halves below three."""
    return f"{months:.0f}" if months >= 3 else number_text(round(months * 2) / 2 or 0.5)


def range_of(interval: Interval) -> str:
    """``6 to 14 months``, ``20 months to more than five years``."""
    low, high = wait_text(interval.low), wait_text(interval.high)
    if low == high:
        return high
    return f"{low} to {high}" if interval.high >= HORIZON_MONTHS else f"{bare_months(interval.low)} to {high}"


def interval_text(interval: Interval) -> str:
    """``9 months (6 to 14)``; ``more than five years``, with the soonest if that is sooner."""
    typical = wait_text(interval.typical)
    if wait_text(interval.low) == wait_text(interval.high):
        return typical
    if interval.typical >= HORIZON_MONTHS:
        return f"{typical} (from {wait_text(interval.low)})"
    if interval.high >= HORIZON_MONTHS:
        return f"{typical} ({range_of(interval)})"
    return f"{typical} ({bare_months(interval.low)} to {bare_months(interval.high)})"


def times_text(per_year: float) -> str:
    """``once a year``, ``2.6 times a year``; less often than that as a wait."""
    named = {
        0.25: "once in four years", 0.33: "once in three years", 0.5: "once in two years", 1.0: "once a year",
        2.0: "twice a year",
    }  # fmt: skip
    if round(per_year, 2) in named:
        return named[round(per_year, 2)]
    rate = round(per_year, 1)
    if rate in named:
        return named[rate]
    if rate < 1:
        return every(12 / per_year) if per_year > 0 else "never"
    return f"{rate:g} times a year"


def months_text(months: Iterable[int]) -> str:
    """Months 1 to 12 by name; three or more in a row become ``October to December``, across New Year too."""
    wanted = sorted(set(months))
    if len(wanted) == 12:
        return "any month"
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
        names = [MONTHS[month - 1] for month in run]
        words += [f"{names[0]} to {names[-1]}"] if len(names) > 2 else names
    return joined(words)


def spare_text(margin: float) -> str:
    """Capacity over demand: ``20% to spare``, ``5% short``."""
    return f"{per_cent(margin)} to spare" if margin >= 0 else f"{per_cent(-margin)} short"


def sieve_text(opening: Opening) -> str:
    """``ISO 3310-1 0.5 mm, ASTM E11 No. 35``: the nearest standard sieve."""
    return ", ".join(filter(None, (opening.designation_iso, opening.designation_astm)))


def sold_text(sold: MarketOpening) -> str:
    """``40 mesh mill cloth``, ``0.0625 in on 0.1250 in perforated sheet``: as the trade calls it."""
    first, *rest = sold.kind.split()
    kind = " ".join(rest) if sold.designation.split()[-1] == first else sold.kind
    return f"{sold.designation} {kind}"


def _number(value: Any) -> float:
    return float(value)


def _list(value: Any) -> tuple[Any, ...]:
    return tuple(value) if isinstance(value, tuple | list) else (value,)


def _about(text: str, voice: Voice) -> str:
    return f"about {text}" if voice.audience == "owner" and text[:1].isdigit() else text


def _eave(name: Any, voice: Voice) -> str:
    if voice.audience == "estimator":
        return str(name)
    return "your gutter" if voice.one_eave else f"your gutter “{name}”"


def _pieces(counted: Any, voice: Voice) -> str:
    """``100 broken needles and 40 seeds a foot``, of counts for each meter such as ``seeds=130``."""
    words = []
    for each in _list(counted):
        name, _, number = str(each).partition("=")
        words.append(f"{count_per_length_text(float(number), voice.units)} {name}")
    return f"{joined(words)} a {'foot' if voice.units == 'us' else 'meter'}"


def _tree(name: Any, voice: Voice) -> str:
    if voice.audience == "estimator":
        return str(name)
    return _OWN_TREES.get(name, f"“{name}”")


# How a figure of each unit is said.
_WAYS: Final[Mapping[str, Callable[[Any, Voice], str]]] = MappingProxyType(
    {
        "mm": lambda value, voice: opening_text(value, voice.units),
        "mm range": lambda value, voice: range_text(value[0], value[1], "metric"),
        "size": lambda value, voice: size_text(value, voice.units),
        "m": lambda value, voice: length_text(value, voice.units),
        "kg/m": lambda value, voice: mass_per_length_text(value, voice.units),
        "L/s": lambda value, voice: flow_text(value, voice.units),
        "mm/h": lambda value, voice: rain_text(value, voice.units),
        "pitch": lambda value, voice: pitch_text(value, voice.units),
        "bearing": lambda value, voice: compass(value),
        "months": lambda value, voice: _about(wait_text(value), voice),
        "a year": lambda value, voice: _about(times_text(value), voice),
        "times a year": lambda value, voice: times_text(value),
        "share": lambda value, voice: per_cent(value),
        "margin": lambda value, voice: spare_text(value),
        "ratio": lambda value, voice: number_text(value, 2),
        "count": lambda value, voice: number_text(value),
        "yes or no": lambda value, voice: "yes" if value else "no",
        "class": lambda value, voice: CLASSES[voice.audience][value],
        "guard": lambda value, voice: GUARDS[voice.audience][value],
        "form": lambda value, voice: FORMS[value],
        "foliage": lambda value, voice: FOLIAGE[value],
        "failure": lambda value, voice: FAILURES[value],
        "calendar months": lambda value, voice: months_text(_list(value)),
        "pieces/m": _pieces,
        "eave": _eave,
        "trees": lambda value, voice: joined([_tree(each, voice) for each in _list(value)]),
        "words": lambda value, voice: joined([str(each).replace("_", " ") for each in _list(value)]),
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
