"""Cross-validation folds in which a species, a small source or a near-duplicate is never torn apart."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence

from eavefall_datasets.picture import Picture


def held_out_groups(
    pictures: Sequence[Picture],
    near_duplicates: Mapping[str, int] | None = None,
    *,
    whole_sources_below: int = 40,
) -> dict[str, str]:
    """Group name of every picture (by file id): what must stay together.

    A named species is one group across all sources; a picture without a species goes with its whole source;
    a source of fewer than ``whole_sources_below`` pictures is one group; near-duplicates join their groups.
    """
    size: dict[str, int] = defaultdict(int)
    for picture in pictures:
        size[picture.source] += 1
    parent: dict[str, str] = {}

    def root(name: str) -> str:
        parent.setdefault(name, name)
        while parent[name] != name:
            parent[name] = parent[parent[name]]
            name = parent[name]
        return name

    first: dict[str, str] = {}
    for picture in pictures:
        species = f"species:{' '.join(picture.species.lower().split()[:2])}" if picture.species else ""
        source = f"source:{picture.source}"
        name = species or source
        if size[picture.source] < whole_sources_below and species:
            parent[root(source)] = root(species)
        first[picture.file_id] = name
        root(name)
    if near_duplicates:
        seen: dict[int, str] = {}
        for picture in pictures:
            number = near_duplicates.get(picture.file_id)
            if number is not None:
                other = seen.setdefault(number, first[picture.file_id])
                parent[root(first[picture.file_id])] = root(other)
    return {file_id: root(name) for file_id, name in first.items()}


def kept_for_test(picture: Picture) -> bool:
    """One fifth of the species of the flashcards, by name: never trained on."""
    if "flashcards" not in picture.source:
        return False
    name = " ".join(picture.species.lower().split()[:2])
    return hashlib.sha256(f"kept for test:{name}".encode()).digest()[0] % 5 == 0


def source_folds(pictures: Sequence[Picture], folds: int) -> dict[str, int]:
    """Fold of every source: the one with most trees first, each to the fold with the fewest so far."""
    trees: dict[str, int] = defaultdict(int)
    for picture in pictures:
        trees[picture.source] += picture.foliage != "none"
    filled = [0] * folds
    dealt = {}
    for source in sorted(trees, key=lambda name: (-trees[name], name)):
        fold = min(range(folds), key=lambda k: filled[k])
        dealt[source] = fold
        filled[fold] += trees[source]
    return dealt
