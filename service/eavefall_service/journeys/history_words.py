"""A line of the log in words and units: what was done, and what changed from what to what."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from eavefall_model.advice import say
from eavefall_model.advice.say import sentence_case
from eavefall_model.errors import EavefallError
from eavefall_model.language import listed
from eavefall_model.units import (
    compass,
    length_text,
    opening_text,
    parse_bearing_deg,
    parse_intensity_mm_h,
    parse_length_m,
    parse_pitch_deg,
    pitch_text,
    rain_text,
    size_text,
)
from eavefall_model.vocabulary import Units
from eavefall_service.storage.rows import HistoryRow

_ACTIONS: Final = {
    "submit": "Sent to the office",
    "override": "Gave a different answer",
    "reply": "Replied",
    "reopen": "Taken back into the queue",
    "confirm": "Confirmed",
    "correct": "Corrected",
    "send back": "Sent back with a question",
    "agreed": "Agreed to the use of photos",
    "site changed": "The place changed",
    "read blind": "Read for the sample, without seeing the other answers",
}
_FIELDS: Final = {
    "name": "name", "species": "species", "form": "kind", "foliage": "leaves or needles", "count": "how many",
    "distance": "distance to the eave", "height": "height", "crown_radius": "crown, trunk to edge",
    "overhang": "reaches in over the roof", "bearing": "stands in the", "eave": "eave", "tree": "tree",
    "length": "length", "roof_run": "roof run", "pitch": "pitch", "facing": "faces", "roof": "roof",
    "shaded_or_mossy": "shaded or mossy", "inside_corners": "inside corners",
    "outside_corners": "outside corners", "gutter": "gutter", "profile": "gutter's shape",
    "width": "gutter's width", "depth": "gutter's depth", "condition": "gutter's condition",
    "guard": "guard", "downspout": "downspout", "outlets": "outlets", "shape": "downspout's shape",
    "size": "downspout's size", "size_2": "downspout's other side", "wind": "wind", "from": "wind from",
    "prevails": "how clearly the wind prevails", "rain": "rain", "intensity": "design rain",
    "duration_min": "rain lasts, in minutes", "return_period_y": "rain comes once in years",
    "household": "household", "cleanings_per_year": "cleanings a year",
    "accepts_brushing": "they brush from the ground", "ladder_reach": "can be reached safely",
    "history": "the gutter's past", "last_cleaned_months_ago": "last cleaned, months ago",
    "now_full_fifths": "full now, in fifths", "now_covered_fifths": "guard covered now, in fifths",
    "overflowed": "has overflowed", "wildfire": "wildfire area",
    "state": "state", "city": "nearest city",
    "note": "note", "month": "month", "opening_mm": "opening of the sample", "dropped": "dropped",
    "passed": "went through", "lodged": "stuck", "photo": "photo", "shows": "shows", "of": "shows",
    "class": "answer", "interval_months": "months between cleanings", "found": "found", "months": "months",
    "photos": "photos", "expires_at": "good until", "training": "may teach the tool",
}  # fmt: skip
_WORDS: Final[Mapping[str, str]] = {
    **say.CLASSES["estimator"], **say.GUARDS["estimator"], **say.FORMS, **say.FOLIAGE,
    "closeup": "leaf close-up", "gauge": "needles beside a card",
    "handful": "a handful of litter", "k_style": "K-style",
}  # fmt: skip
_SMALL: Final = frozenset({"width", "depth", "size", "size_2"})
_LONG: Final = frozenset({"distance", "height", "crown_radius", "overhang", "length", "roof_run"})


def action_text(action: str) -> str:
    """What was done, such as ``Tree changed``."""
    return _ACTIONS.get(action) or sentence_case(action)


def changes_of(detail: Mapping[str, Any], units: Units) -> tuple[str, ...]:
    """What a line of the log holds, a sentence for each thing: ``pitch: from 4/12 to 6/12``.

    Things that only programs need (marks against sending twice, sizes in bytes) are left out.
    """
    if "before" in detail or "after" in detail:
        before, after = detail.get("before"), detail.get("after")
        if isinstance(before, Mapping) or isinstance(after, Mapping):
            both = [
                f"{_FIELDS.get(name, name)}: {other['who']} had just written "
                f"{'nothing' if other['value'] in (None, '') else _value(name, other['value'], units)}"
                for name, other in detail.get("meanwhile", {}).items()
            ]
            return (*_changes(before or {}, after or {}, units), *both)
        return (f"from {before or 'nobody'} to {after or 'nobody'}",)
    return tuple(f"{_FIELDS[name]}: {text}" for name, text in _flat(detail, units).items())


def meanwhile_texts(line: HistoryRow, units: Units) -> tuple[str, ...]:
    """What others had written into fields that this line then changed: both values, and whose is kept."""
    kept = _flat(line.detail.get("after") or {}, units)
    found = []
    for name, other in line.detail.get("meanwhile", {}).items():
        theirs = "nothing" if other["value"] in (None, "") else _value(name, other["value"], units)
        field, mine = sentence_case(_FIELDS.get(name, name)), kept.get(name, "nothing")
        found.append(f"{field}: {other['who']} wrote {theirs} meanwhile, {line.who} {mine}, which stands.")
    return tuple(found)


def _changes(before: Mapping[str, Any], after: Mapping[str, Any], units: Units) -> list[str]:
    old, new = _flat(before, units), _flat(after, units)
    lines = []
    for name in dict.fromkeys([*old, *new]):
        was, now = old.get(name), new.get(name)
        if was == now:
            continue
        if was is None:
            lines.append(f"{_FIELDS[name]}: {now}")
        elif now is None:
            lines.append(f"{_FIELDS[name]}: {was}, removed")
        else:
            lines.append(f"{_FIELDS[name]}: from {was} to {now}")
    return lines


def _flat(part: Mapping[str, Any], units: Units) -> dict[str, str]:
    """Fields that have a name for people, those inside a gutter or a downspout too."""
    found: dict[str, str] = {}
    for name, value in part.items():
        if isinstance(value, Mapping):
            found |= _flat(value, units)
        elif name in _FIELDS and value not in (None, "", []):
            found[name] = _value(name, value, units)
    return found


def _value(name: str, value: Any, units: Units) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return listed([_value(name, each, units) for each in value])
    if name == "expires_at":
        return str(value)[:10]
    if name == "opening_mm" and isinstance(value, int | float):
        return opening_text(value, units)
    text = str(value)
    try:
        if (quantity := _quantity(name, units)) is not None:
            return quantity(text)
    except EavefallError:
        return text
    return f"“{text}”" if name == "note" else _WORDS.get(text, text.replace("_", " "))


def _quantity(name: str, units: Units) -> Callable[[str], str] | None:
    """Reads what was typed and says it in ``units``, for a field that holds a quantity."""
    if name in _LONG:
        return lambda text: length_text(parse_length_m(text), units)
    if name in _SMALL:
        return lambda text: size_text(parse_length_m(text) * 1000, units)
    if name == "pitch":
        return lambda text: pitch_text(parse_pitch_deg(text), units)
    if name in ("facing", "bearing", "from"):
        return lambda text: compass(parse_bearing_deg(text))
    if name == "intensity":
        return lambda text: rain_text(parse_intensity_mm_h(text), units)
    return None
