"""The card beside the weights: labels, preprocessing, calibration, thresholds and where it all came from."""

from __future__ import annotations

from functools import lru_cache
from importlib import resources
from typing import Final, Literal

from pydantic import BaseModel, ConfigDict

from eavefall_model.vocabulary import Foliage

CARD_FORMAT: Final = "eavefall.card/1"


class _Frozen(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class FoliageRule(_Frozen):
    """Turns the foliage logits into one label's probability and verdict.

    ``p = 1 / (1 + exp(-(slopes . logits + offset)))`` over the logits of needle, broad and bare (Platt
    scaling; a slope of 0 leaves a label out); ``yes`` from ``yes_from`` upward, ``no`` up to ``no_to``,
    ``unsure`` between.
    """

    slopes: tuple[float, float, float]
    offset: float
    yes_from: float
    no_to: float


class FormRule(_Frozen):
    """Softmax of form logits over ``temperature``.

    ``sure_from`` is the least top probability that is answered. ``set_mass``: the conformal set takes forms
    in falling order of probability until their sum reaches it.
    """

    temperature: float
    sure_from: float
    set_mass: float


class CloserLook(_Frozen):
    """What is looked at where the first look leaves needles or broad leaves unsure, and how it is read.

    ``boxes``: parts of the photo, (left, top, side) as shares of its width and height, each squashed as
    the whole photo is; the scores of all are averaged and take the place of those of the first look.
    """

    boxes: tuple[tuple[float, float, float], ...]
    foliage: dict[Foliage, FoliageRule]
    form: FormRule


class Figure(_Frozen):
    """One measured number with its sample size and 95 % interval."""

    what: str
    value: float
    n: int
    low: float
    high: float
    how: str


class Source(_Frozen):
    """A collection trained on or tested on."""

    name: str
    pictures: int
    use: Literal["trained", "tested"]
    licences: str
    classes: str


class Card(_Frozen):
    """Everything the tagger needs besides the weights; read from ``card.json``.

    ``input_px`` is the side of the square that the net is shown; ``fit_px`` what the shorter side of a photo
    is decoded to, so that a closer look has something to look at. ``foliage`` and ``form`` read the first
    look, at the whole photo; without ``closer`` there is no other.
    """

    format: Literal["eavefall.card/1"] = CARD_FORMAT
    name: str
    weights_file: str
    weights_sha256: str
    weights_licence: str
    code_licence: str
    input_px: int
    fit_px: int
    foliage: dict[Foliage, FoliageRule]
    form: FormRule
    closer: CloserLook | None = None
    intended_use: str
    not_for: tuple[str, ...]
    known_failures: tuple[str, ...]
    figures: tuple[Figure, ...]
    sources: tuple[Source, ...]
    recipe: dict[str, float | int | str | bool]


@lru_cache(maxsize=1)
def load_card() -> Card:
    """The card shipped in this package; ``FileNotFoundError`` if it was installed without."""
    text = resources.files("eavefall_model.tags").joinpath("card.json").read_text(encoding="utf-8")
    return Card.model_validate_json(text)
