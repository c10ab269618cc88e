"""The homeowner's five shots and few questions, in plain words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True)
class Shot:
    """One guided photo; ``key`` also names its drawing."""

    key: str
    title: str
    how: str
    shows: str
    reference: str | None = None
    optional: bool = False


@dataclass(frozen=True)
class Question:
    """One question with answers (key, words); ``pictured`` answers have drawings."""

    key: str
    text: str
    answers: tuple[tuple[str, str], ...]
    pictured: bool = False


SHOTS: Final = (
    Shot(
        "house",
        "The house and its trees",
        "From across the street or garden, so that the roof edge and the trees are both in the picture.",
        "house",
    ),
    Shot(
        "tree",
        "The tree nearest the roof",
        "Step back until the whole tree fits, from the ground to its top. Hold the phone upright.",
        "tree",
    ),
    Shot(
        "other",
        "The next tree, or the other side",
        "Another tree that could drop something on the roof. Or the nearest one, from another side.",
        "tree",
        optional=True,
    ),
    Shot(
        "leaf",
        "What lies on the ground, beside a card",
        "Pick up five to ten fallen needles or leaves. Lay them on plain paper, side by side, and beside "
        "them a plastic card of bank-card size. A shop or library card is best: it shows no bank number. "
        "Hold the phone flat above, all four corners of the card in view.",
        "gauge",
        "card",
    ),
    Shot(
        "gutter",
        "The gutter, from the ground",
        "Stand on the ground and zoom in on the roof edge. Never climb for it.",
        "gutter",
        optional=True,
    ),
)

QUESTIONS: Final = (
    Question(
        "near",
        "How near does a tree come to the roof?",
        (
            ("over", "It touches or hangs over"),
            ("car", "Within a car's length"),
            ("two_cars", "Two cars would fit between"),
            ("far", "Farther than that"),
        ),
        pictured=True,
    ),
    Question(
        "tall",
        "How tall is that tree?",
        (
            ("eave", "Up to the roof edge"),
            ("roof", "About as high as the roof"),
            ("twice", "About twice the house"),
            ("taller", "Taller still"),
        ),
        pictured=True,
    ),
    Question(
        "storeys",
        "How many floors are under the gutter?",
        (("one", "One"), ("two", "Two"), ("three", "Three")),
        pictured=True,
    ),
    Question(
        "kind",
        "What falls from the trees?",
        (
            ("needle", "Mostly needles"),
            ("broad", "Mostly leaves"),
            ("both", "Both"),
            ("unknown", "I don't know"),
        ),
    ),
    Question(
        "roof",
        "What is on the roof?",
        (
            ("shingle", "Asphalt shingles"),
            ("tile", "Tiles"),
            ("metal", "Metal"),
            ("slate", "Slate"),
            ("wood", "Wood"),
            ("", "I don't know"),
        ),
    ),
    Question(
        "cleaned",
        "How often are the gutters cleaned now?",
        (
            ("0", "Never"),
            ("1", "Once a year"),
            ("2", "Twice a year"),
            ("4", "More often"),
            ("", "I don't know"),
        ),
    ),
    Question(
        "accept",
        "How often would cleaning be fine with you?",
        (
            ("0.5", "Every other year"),
            ("1", "Once a year"),
            ("2", "Twice a year"),
            ("4", "More often"),
            ("", "I don't know"),
        ),
    ),
)


def in_words(answers: Mapping[str, str]) -> list[tuple[str, str]]:
    """What a homeowner was asked and answered, for others to read; a question left out is left out."""
    return [
        (question.text, dict(question.answers)[answers[question.key]])
        for question in QUESTIONS
        if answers.get(question.key) in dict(question.answers) and answers[question.key]
    ]
