"""Pictures as one model sees them: features, scores and labels in arrays. Minutes of CPU, done once."""

from __future__ import annotations

import csv
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from torch import from_numpy, no_grad

from eavefall_datasets.picture import Picture
from eavefall_model.photo import decode
from eavefall_model.tags.preprocess import to_square
from eavefall_model.tags.tagger import Tagger
from eavefall_model.vocabulary import FORMS
from eavefall_training.net import TaggerNet, load_pretrained


@dataclass(frozen=True)
class Described:
    """n pictures under one model.

    ``features`` float32 (n, 1280), unscaled; ``logits`` float32 (n, 8), linear in them; ``foliage`` int64
    (n, 3); ``form`` int64 (n,), -1 where none can be read; ``weight`` float64 (n,), trust in the label.
    """

    pictures: tuple[Picture, ...]
    features: NDArray[np.float32]
    logits: NDArray[np.float32]
    foliage: NDArray[np.int64]
    form: NDArray[np.int64]
    weight: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.pictures)

    def unit(self) -> NDArray[np.float32]:
        """Features of unit length."""
        length = np.linalg.norm(self.features, axis=1, keepdims=True)
        return np.asarray(self.features / np.maximum(length, 1e-12), dtype=np.float32)

    def take(self, rows: NDArray[np.int64]) -> Described:
        """Some of the pictures."""
        return Described(
            tuple(self.pictures[int(i)] for i in rows),
            self.features[rows],
            self.logits[rows],
            self.foliage[rows],
            self.form[rows],
            self.weight[rows],
        )


def describe(
    pictures: Sequence[Picture],
    tagger: Tagger,
    progress: Callable[[int], None] = lambda _done: None,
    *,
    unsure_weight: float = 0.5,
) -> Described:
    """Run the tagger over pictures."""
    features = np.zeros((len(pictures), 1280), np.float32)
    logits = np.zeros((len(pictures), 8), np.float32)
    for i, picture in enumerate(pictures):
        photo = decode(picture.path.read_bytes(), name=picture.file_id, fit_px=tagger.fit_px)
        logits[i], features[i] = tagger.scores(photo)
        progress(i + 1)
    return _labeled(pictures, features, logits, unsure_weight)


def _labeled(
    pictures: Sequence[Picture],
    features: NDArray[np.float32],
    logits: NDArray[np.float32],
    unsure_weight: float,
) -> Described:
    return Described(
        tuple(pictures),
        features,
        logits,
        np.array([p.targets for p in pictures], np.int64).reshape(-1, 3),
        np.array([-1 if p.form is None else FORMS.index(p.form) for p in pictures], np.int64),
        np.array([unsure_weight if p.unsure else 1.0 for p in pictures], np.float64),
    )


def describe_plainly(
    pictures: Sequence[Picture], progress: Callable[[int], None] = lambda _done: None, side_px: int = 256
) -> Described:
    """As ``describe``, by the trunk as it was before it learned anything of trees (ImageNet only); no scores.

    For simulations that pretend not to know these pictures' labels: our own net's features have seen them.
    """
    net = load_pretrained(TaggerNet()).eval()
    features = np.zeros((len(pictures), 1280), np.float32)
    for i, picture in enumerate(pictures):
        rgb = decode(picture.path.read_bytes(), name=picture.file_id, fit_px=side_px).rgb
        square = np.ascontiguousarray(to_square(rgb, side_px).transpose(2, 0, 1))[None]
        with no_grad():
            features[i] = net(from_numpy(square).float())[2][0].numpy()
        progress(i + 1)
    return _labeled(pictures, features, np.zeros((len(pictures), 8), np.float32), 0.5)


def joined(parts: Sequence[Described]) -> Described:
    """Several sets as one."""
    return Described(
        tuple(picture for part in parts for picture in part.pictures),
        np.concatenate([part.features for part in parts]),
        np.concatenate([part.logits for part in parts]),
        np.concatenate([part.foliage for part in parts]),
        np.concatenate([part.form for part in parts]),
        np.concatenate([part.weight for part in parts]),
    )


def slices_of(root: Path) -> dict[str, dict[str, str]]:
    """Branch, season and survey of every picture of a folder, by file id, where its manifest names them."""
    with (root / "manifest.csv").open(encoding="utf-8", newline="") as handle:
        return {
            Path(row["file"]).stem: {
                key: row[column]
                for key, column in (("branch", "branch"), ("season", "season"), ("survey", "source_path"))
                if row.get(column)
            }
            for row in csv.DictReader(handle)
        }
