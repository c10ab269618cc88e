"""Forest edges of two kinds, from cut-out branches: many crowns of one, a few of the other among them.

Photos of conifers with a few broadleaf trees among them, or the other way round, are where a tagger that
looks at the whole picture misses the lesser kind; hardly any such photo can be trained on, so these are made.
"""

from __future__ import annotations

import zlib
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from eavefall_datasets.picture import Picture
from eavefall_datasets.sprites import draw_crown, meadow

__all__ = ["compose_edge", "fold_of_cut_out", "write_edges"]

UInt8 = NDArray[np.uint8]


def fold_of_cut_out(picture: Picture, folds: int) -> int:
    """Cross-validation fold that all scenes of one cut-out share."""
    return zlib.crc32(picture.note.encode()) % folds


def compose_edge(many: UInt8, few: UInt8, rng: np.random.Generator, size: int) -> UInt8:
    """A row of trees behind a meadow under the sky.

    Eight to eighteen crowns are of ``many``; of ``few`` there are one to four, never smaller than the median
    of the others and with at most one of those before them, so that something of them shows.

    Parameters
    ----------
    many, few : uint8 array (h, w, 4)
        RGBA cut-outs.
    rng : numpy Generator
    size : int
        Side of the square scene, px.

    Returns
    -------
    uint8 array (size, size, 3)
    """
    canvas, horizon = meadow(rng, size, (0.45, 0.9))
    # From far (a tenth of the picture high) to near (half of it).
    tall = size * float(np.exp(rng.uniform(np.log(0.1), np.log(0.5))))
    of_many = int(rng.integers(8, 19))
    heights = tall * rng.uniform(0.6, 1.15, of_many)
    trees = [(many, height) for height in heights]
    for _ in range(int(rng.integers(1, 5))):
        trees.insert(len(trees) - 1, (few, float(np.median(heights)) * rng.uniform(1.0, 1.2)))
    pointed = bool(rng.random() < 0.7)  # conifers mostly are, and so is many a young broadleaf tree
    for sprite, height in trees:
        # Feet stand a little lower the nearer the tree, by no more than a tenth of the picture.
        foot = (size * rng.uniform(0.03, 0.97), min(size, horizon + size * 0.1 * rng.random()))
        is_pointed = pointed if sprite is many else bool(rng.random() < 0.3)
        draw_crown(
            canvas,
            sprite,
            rng,
            foot=foot,
            tall_px=height,
            wide_px=height * rng.uniform(0.35, 0.75),
            pointed=is_pointed,
            copies=(25, 60),
        )
    return canvas


def write_edges(
    sprites: Sequence[Picture], folder: Path, *, folds: int, each: int = 4, size: int = 320, seed: int = 0
) -> tuple[Picture, ...]:
    """``each`` edges from every needle cut-out, as JPEG in ``folder``, half of them with needles as the few.

    The partner is a broadleaf cut-out under the same licence that shares its cross-validation fold; where
    there is none, the cut-out is left out. Credits name both makers.
    """
    folder.mkdir(parents=True, exist_ok=True)
    broad = [picture for picture in sprites if picture.foliage == "broad"]
    out = []
    for number, needle in enumerate(picture for picture in sprites if picture.foliage == "needle"):
        partners = [
            picture
            for picture in broad
            if picture.licence == needle.licence
            and fold_of_cut_out(picture, folds) == fold_of_cut_out(needle, folds)
        ]
        for i in range(each if partners else 0):
            rng = np.random.default_rng([seed, number, i])
            partner = partners[int(rng.integers(len(partners)))]
            file_id = f"{needle.file_id}_edge_{i}"
            target = folder / f"{file_id}.jpg"
            if not target.exists():
                pair = [_cut_out(picture) for picture in (needle, partner)]
                many, few = pair if i % 2 == 0 else pair[::-1]
                Image.fromarray(compose_edge(many, few, rng, size)).save(target, quality=90)
            out.append(_labelled(needle, partner, file_id, target))
    return tuple(out)


def _cut_out(picture: Picture) -> UInt8:
    return np.asarray(Image.open(picture.path).convert("RGBA"))


def _labelled(needle: Picture, partner: Picture, file_id: str, path: Path) -> Picture:
    credit = needle.credit if needle.credit == partner.credit else f"{needle.credit}; {partner.credit}"
    return replace(
        needle,
        file_id=file_id,
        path=path,
        foliage="mixed",
        form=None,
        subject="forest_scene",
        species="",
        credit=credit,
    )
