"""Plain words for the pages, in one place."""

from __future__ import annotations

from typing import Final

from eavefall_model.advice import say
from eavefall_model.advice.say import every, range_of, sentence_case
from eavefall_model.advice.schema import Interval
from eavefall_model.language import translate
from eavefall_model.shed.visits import HORIZON_MONTHS
from eavefall_model.vocabulary import Language

# As the answers name them, with a large first letter.
FOLIAGE: Final = {word: sentence_case(text) for word, text in say.FOLIAGE.items()}
FORMS: Final = {word: sentence_case(text) for word, text in say.FORMS.items()}
GUARDS: Final = {word: sentence_case(text) for word, text in say.GUARDS["estimator"].items()}
CLASSES: Final = {word: sentence_case(text) for word, text in say.CLASSES["estimator"].items()}
# After "probably", "perhaps" and "no".
SEEN: Final = {"needle": "needles", "broad": "broad leaves", "bare": "bare crown"}
SHOWS: Final = {
    "tree": "Tree",
    "closeup": "Leaf close-up",
    "litter": "Litter",
    "house": "House",
    "gutter": "Gutter",
    "gauge": "Needles beside a card",
    "handful": "A handful of litter",
}
# The rep's tabs of one survey: key, words, end of the address.
TABS: Final = (
    ("photos", "Photos", ""), ("trees", "Trees", "/trees"), ("house", "House", "/house"),
    ("measure", "Measure", "/measure"), ("answer", "Answer", "/answer"), ("share", "Share", "/share"),
)  # fmt: skip
# The ways to measure, each a page of the rep's under this name, with its words and a hint.
MEASURES: Final = (
    (
        "plan",
        "Plan",
        "draw the eaves, put the trees where they stand: lengths, distances and directions follow",
    ),
    ("taps", "Photo", "with a door in view: height and run of the gutter, height and overhang of a tree"),
    (
        "angles",
        "Angles and compass",
        "height of a tree or an eave by the phone's tilt, direction by its compass",
    ),
    ("needles", "Needles beside a card", "one close-up tells how thick and how long they are"),
    (
        "handful",
        "A handful of litter",
        "what lies there, piece by piece, and what of it each guard lets through",
    ),
    ("gutter", "A photo into the gutter", "how full it is and what lies there, from a phone on a pole"),
    ("drop-test", "Drop test", "real needles on a sample piece; it overrules the geometry"),
)
ROOFS: Final = {
    "shingle": "Asphalt shingle",
    "tile": "Tile",
    "metal": "Metal",
    "slate": "Slate",
    "wood": "Wood",
    "membrane": "Membrane",
}
PROFILES: Final = {"k_style": "K-style", "half_round": "Half-round", "box": "Box"}
# Names of the facts that may be usual at an office's houses.
FACTS: Final = {
    "roof": "roof", "pitch": "pitch", "height": "height above ground", "profile": "gutter",
    "width": "gutter width", "wind_from": "wind from", "prevails": "how clearly", "intensity": "design rain",
    "duration_min": "over minutes", "return_period_y": "once in years", "wildfire": "wildfire area",
}  # fmt: skip
# What a piece of a handful is.
PIECES: Final = {
    "needle": "Needle", "bundle": "Needle bundle", "shoot": "Twig with needles", "spray": "Scale spray",
    "leaf": "Leaf", "leaf piece": "Piece of leaf", "leaflet": "Leaflet", "stalk": "Leaf stalk",
    "seed": "Seed", "nut": "Nut or acorn", "catkin": "Catkin or flower", "cone": "Cone",
    "cone scale": "Cone scale", "twig": "Twig or bark", "grit": "Grit", "other": "Something else",
}  # fmt: skip
STATUS: Final = {
    "open": "In progress",
    "submitted": "With the office",
    "sent_back": "Question from the office",
    "confirmed": "Confirmed",
}
NEEDS: Final = {
    "unsure": "Not sure",
    "contradictory": "Photos disagree",
    "overridden": "Rep gave a different answer",
    "high value": "Large job",
    "random sample": "Random sample",
    "remote": "Sent from home",
}
DECISIONS: Final = {
    "submit": "Sent to the office",
    "override": "Gave a different answer",
    "reply": "Replied",
    "confirm": "Confirmed",
    "correct": "Corrected",
    "send_back": "Sent back",
    "reopen": "Taken back into the queue",
}
# Why a survey comes where it does in the queue, after "because".
NEED_WHY: Final = {
    "unsure": "the answer is not sure",
    "contradictory": "people and photos disagree",
    "overridden": "the rep gave a different answer",
    "high value": "it is a large job",
    "random sample": "it was drawn at random, one in ten",
    "remote": "the photos were sent from home",
}
ROLES: Final = {
    "rep": "Rep",
    "auditor": "Auditor",
    "admin": "Admin",
    "homeowner": "Homeowner",
}
# What is wrong with a photo, and how to retake it.
PROBLEMS: Final = {
    "too dark": "Too dark. Stand with the light behind you, or wait for daylight.",
    "too bright": "Too bright. Turn a little away from the sun.",
    "blurred": "Blurred. Hold the phone with both hands, tap on the tree, wait a moment, then take it.",
    "small": "Too small. Send the photo itself, not a preview of it.",
    "no tree": "We may not see a tree in it. If there is one, step back until all of it fits. "
    "If there is none, leave the photo as it is.",
    "too far": "Too far away. Hold the phone about a hand's length above the card.",
    "glare": "It shines too much. Turn away from the lamp or the sun; no flash.",
    "tilted": "Held at a slant. Hold the phone flat, straight above the card.",
    "cluttered": "Too much in it. Only the card and a few needles or leaves, side by side.",
    "no handful": "We cannot tell the pieces apart. Spread them one layer deep, apart, on our sheet or on "
    "white paper beside the card, and nothing else in the picture.",
    "no card": "We can't find the card. Lay it flat beside the needles, all four corners in view.",
}


POINTS: Final = (
    ("N", "North"), ("NNE", "North-north-east"), ("NE", "North-east"), ("ENE", "East-north-east"),
    ("E", "East"), ("ESE", "East-south-east"), ("SE", "South-east"), ("SSE", "South-south-east"),
    ("S", "South"), ("SSW", "South-south-west"), ("SW", "South-west"), ("WSW", "West-south-west"),
    ("W", "West"), ("WNW", "West-north-west"), ("NW", "North-west"), ("NNW", "North-north-west"),
)  # fmt: skip


# How full a gutter is, in fifths of its depth.
FIFTHS: Final = (
    ("0", "Empty"), ("1", "One fifth"), ("2", "Two fifths"), ("3", "Three fifths"), ("4", "Four fifths"),
    ("5", "Full"),
)  # fmt: skip
COVERED: Final = (("0", "None of it"), *FIFTHS[1:5], ("5", "All of it"))
POINT_NAMES: Final = dict(POINTS)
# Eight points as they lie on a plan, the house in the middle.
ROSE: Final = ("NW", "N", "NE", "W", "", "E", "SW", "S", "SE")


def compass(bearing_deg: float | None) -> str:
    """The nearest of the 16 points, such as ``NNE``; empty for none."""
    return "" if bearing_deg is None else POINTS[round(bearing_deg / 22.5) % 16][0]


def interval(low: float | None, typical: float | None, high: float | None) -> str:
    """``about every 8 months (5 to 14 months)``."""
    if low is None or typical is None or high is None:
        return "not known yet"
    return f"{every(typical)} ({range_of(Interval(low=low, typical=typical, high=high))})"


def months_span(low: float, high: float, language: Language = "en") -> str:
    """``Every 5 to 14 months``, ``Less than once in five years``."""
    if low >= HORIZON_MONTHS:
        return sentence_case(every(low, language))
    months = range_of(Interval(low=low, typical=low, high=high), language)
    return translate(language, "Every {months}", months=months)


def opening(low_mm: float, high_mm: float) -> str:
    """``0.5 to 1.0 mm (0.020 to 0.039 in)``."""
    return f"{low_mm:g} to {high_mm:g} mm ({low_mm / 25.4:.3f} to {high_mm / 25.4:.3f} in)"
