"""Puts a trained net into the model package: weights, card, credits. The only writer of those three files."""

from __future__ import annotations

import csv
import dataclasses
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from eavefall_datasets.picture import Picture
from eavefall_model.tags.card import Card, Figure, Source
from eavefall_training import export
from eavefall_training.config import FitConfig
from eavefall_training.evaluate import Rules
from eavefall_training.net import TaggerNet

__all__ = ["CREDIT_COLUMNS", "credits", "release", "sources"]

CREDIT_COLUMNS = ("file_id", "source", "licence", "credit", "credit_url")

INTENDED = (
    "Says, for one ordinary phone photo of a tree, a branch, litter or a house with trees, whether needles, "
    "broad leaves or leafless crowns show, and roughly which form of leaf, so that a gutter screen can be "
    "chosen together with measured distances and a person's eye."
)
NOT_FOR = (
    "naming a species",
    "judging whether a tree is healthy, safe or protected",
    "measuring needles (use the gauge)",
    "deciding anything alone where it says unsure",
)
FAILURES = (
    "A juniper grown as a round open tree in a park is not seen as one; the bushes behind it are.",
    "A second kind of tree behind the first or at the edge is often missed: conifers behind a maple, a "
    "broadleaf crown beside redwoods, aspens among pines.",
    "Cones or bark filling the frame with few needles are often taken for broad leaves or left unsure.",
    "Bald cypress and other feathery conifers seen close are taken for broad leaves; walnut and other "
    "feathery broadleaf foliage for needles.",
    "Conifers far away on a mountainside or at the edge of a meadow are missed.",
    "Among conifers at a forest edge the few broadleaf trees are not made out: broad is left unsure there.",
    "Herbs, ferns and shrubs close up are read as broad leaves, grasses and horsetails sometimes as needles: "
    "it sees leaves, not trees.",
    "Small leaflets (locusts) are mostly taken for ordinary broad leaves.",
    "Long, short and scale-like needles are told apart poorly; the set of forms is the honest answer.",
    "Bare crowns were learnt from drawn scenes and cut-outs; hardly any real photo was there to test on.",
    "Of photos without a tree it seldom says outright that there is none; mostly it says unsure.",
    "A tapering tower under the sky and a skyline over water were read as needles, flowers as broad leaves.",
    "Beside a house, part of what speaks for broad leaves can lie on gables and roofs; the overlay shows it.",
)


def credits(pictures: Iterable[Picture]) -> list[dict[str, str]]:
    """One row per picture trained on.

    Raises
    ------
    ValueError
        If any may not be trained on, or a licence that asks for attribution comes without a name.
    """
    rows = []
    for picture in pictures:
        if not picture.trainable:
            raise ValueError(f"{picture.file_id} may not be trained on: {picture.licence}")
        if "BY" in picture.licence and not picture.credit:
            raise ValueError(f"{picture.file_id} is under {picture.licence} but names nobody")
        rows.append({name: str(getattr(picture, name)) for name in CREDIT_COLUMNS})
    return rows


def sources(trained: Sequence[Picture], tested: Sequence[Picture]) -> tuple[Source, ...]:
    """Collections with counts, licences and classes."""
    out = []
    for use, pictures in (("trained", trained), ("tested", tested)):
        for name in sorted({p.source for p in pictures}):
            own = [p for p in pictures if p.source == name]
            classes = Counter(p.foliage for p in own)
            out.append(
                Source(
                    name=name,
                    pictures=len(own),
                    use="trained" if use == "trained" else "tested",
                    licences="; ".join(sorted({p.licence for p in own})),
                    classes=", ".join(f"{word} {n}" for word, n in sorted(classes.items())),
                )
            )
    return tuple(out)


def release(
    folder: Path,
    net: TaggerNet,
    config: FitConfig,
    rules: Rules,
    figures: tuple[Figure, ...],
    trained: Sequence[Picture],
    tested: Sequence[Picture],
    *,
    input_px: int,
) -> Card:
    """Write ``tagger.onnx``, ``card.json`` and ``credits.csv`` to ``folder``; returns the card."""
    rows = credits(trained)
    weights = export.to_onnx(net, input_px)
    card = Card(
        name=config.name,
        weights_file="tagger.onnx",
        weights_sha256=export.sha256(weights),
        weights_licence="CC-BY-SA-4.0",
        code_licence="Apache-2.0",
        input_px=input_px,
        views=("whole",),
        foliage=rules.foliage,
        form=rules.form,
        intended_use=INTENDED,
        not_for=NOT_FOR,
        known_failures=FAILURES,
        figures=figures,
        sources=sources(trained, tested),
        recipe=_recipe(config),
    )
    folder.mkdir(parents=True, exist_ok=True)
    (folder / card.weights_file).write_bytes(weights)
    (folder / "card.json").write_text(card.model_dump_json(indent=1) + "\n", encoding="utf-8")
    with (folder / "credits.csv").open("w", encoding="utf-8", newline="") as handle:
        writer = csv.DictWriter(handle, CREDIT_COLUMNS, lineterminator="\n")
        writer.writeheader()
        writer.writerows(rows)
    return card


def _recipe(config: FitConfig) -> dict[str, float | int | str]:
    """The recipe as one flat table; what the first stage does differently begins with ``first_``."""
    facts = dataclasses.asdict(config)
    facts["without_blocks"] = " ".join(str(number) for number in config.without_blocks)
    first = facts.pop("first") or {}
    return {**facts, **{f"first_{name}": value for name, value in first.items()}}
