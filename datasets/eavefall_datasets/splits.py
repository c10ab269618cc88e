"""Cross-validation folds in which a species, a small source or a near-duplicate is never torn apart."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Mapping, Sequence

from eavefall_datasets.picture import Picture

__all__ = ["assign_folds", "held_out_groups"]


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


def assign_folds(
    pictures: Sequence[Picture], groups: Mapping[str, str], *, folds: int = 5, seed: int = 0
) -> dict[str, int]:
    """Fold (0 to ``folds`` - 1) of every picture by file id; whole groups, classes as even as they allow.

    Groups are dealt largest first to the fold where they leave the counts of (foliage, form) most even; the
    seed only breaks ties, so the same table always gives the same folds.
    """
    members: dict[str, list[Picture]] = defaultdict(list)
    for picture in pictures:
        members[groups[picture.file_id]].append(picture)

    def tie(name: str) -> str:
        return hashlib.sha256(f"{seed}:{name}".encode()).hexdigest()

    total: dict[tuple[str, str | None], int] = defaultdict(int)
    for picture in pictures:
        total[(picture.foliage, picture.form)] += 1
    counts: list[dict[tuple[str, str | None], int]] = [defaultdict(int) for _ in range(folds)]
    out: dict[str, int] = {}
    for name in sorted(members, key=lambda g: (-len(members[g]), tie(g))):
        added: dict[tuple[str, str | None], int] = defaultdict(int)
        for picture in members[name]:
            added[(picture.foliage, picture.form)] += 1
        # Cost of a fold: how full it already is of just the classes this group brings.
        cost = [
            (sum(n * count[key] / total[key] for key, n in added.items()), sum(count.values()), fold)
            for fold, count in enumerate(counts)
        ]
        fold = min(cost)[2]
        for key, n in added.items():
            counts[fold][key] += n
        for picture in members[name]:
            out[picture.file_id] = fold
    return out
