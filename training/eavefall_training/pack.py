"""Decoded pictures as one file of small JPEGs and labels, so that fitting never touches the originals."""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.copies import copies
from eavefall_datasets.edges import fold_of_cut_out
from eavefall_datasets.hashing import difference_hash, near_duplicate_groups
from eavefall_datasets.picture import Picture
from eavefall_datasets.splits import assign_folds, held_out_groups
from eavefall_model.photo import decode
from eavefall_model.vocabulary import FORMS

__all__ = ["HELD_OUT", "Pack", "build", "load", "save"]

HELD_OUT = -1  # never trained on: whole sources whose licence does not allow it


@dataclass(frozen=True)
class Pack:
    """n pictures.

    Attributes
    ----------
    jpegs : list of bytes
        Shorter side ``side_px`` at most (less for pictures only tested on), quality 90.
    foliage : float32 array (n, 3)
        Needle, broad, bare.
    form : int64 array (n,)
        Index into ``FORMS``; -1 where none can be read.
    fold : int64 array (n,)
        Cross-validation fold, or ``HELD_OUT``. Made pictures have folds too: all scenes of one cut-out
        share one, rendered scenes are dealt by their number.
    weight : float32 array (n,)
        Trust in the label.
    file_ids, kinds, sources, subjects, groups : list of str
        ``kinds`` is ``photo``, ``sprite``, ``rendered`` or ``package``.
    """

    jpegs: list[bytes]
    foliage: NDArray[np.float32]
    form: NDArray[np.int64]
    fold: NDArray[np.int64]
    weight: NDArray[np.float32]
    file_ids: list[str]
    kinds: list[str]
    sources: list[str]
    subjects: list[str]
    groups: list[str]

    def __len__(self) -> int:
        return len(self.jpegs)

    def pixels(self, i: int) -> NDArray[np.uint8]:
        """RGB of picture i, uint8 (height, width, 3)."""
        bgr = cv2.imdecode(np.frombuffer(self.jpegs[i], np.uint8), cv2.IMREAD_COLOR)
        if bgr is None:
            raise ValueError(f"{self.file_ids[i]} in the pack cannot be decoded")
        return np.ascontiguousarray(bgr[:, :, ::-1], dtype=np.uint8)


def build(
    pictures: Sequence[Picture],
    *,
    kinds: Mapping[str, str] | None = None,
    side_px: int = 384,
    held_out_side_px: int = 300,
    folds: int = 5,
    unsure_weight: float = 0.5,
    other_weight: float = 0.6,
) -> Pack:
    """Decode, shrink and label; photos that may be trained on are dealt to folds.

    Pictures held out that are copies of one learnt from are left out.

    Parameters
    ----------
    pictures : sequence of Picture
    kinds : mapping of file id to kind, optional
        ``photo`` where not named.
    unsure_weight, other_weight : float
        Trust in a label that is owed a second look, and in pictures of flowers, fruit or bark.
    """
    kind_of = dict(kinds or {})
    hashes, jpeg_of = {}, {}
    for picture in pictures:
        rgb = decode(picture.path.read_bytes(), name=picture.file_id).rgb
        hashes[picture.file_id] = difference_hash(rgb)
        jpeg_of[picture.file_id] = _shrunk(rgb, side_px if picture.trainable else held_out_side_px)
    learnt, held_out = ([p for p in pictures if p.trainable is may] for may in (True, False))
    left_out = copies(held_out, learnt, hashes)
    pictures = [picture for picture in pictures if picture.file_id not in left_out]
    duplicates = dict(zip(hashes, near_duplicate_groups(list(hashes.values())), strict=True))
    dealt = [p for p in learnt if kind_of.get(p.file_id, "photo") == "photo"]
    groups = held_out_groups(dealt, duplicates)
    fold_of = assign_folds(groups, folds=folds)

    def fold(picture: Picture) -> int:
        if not picture.trainable:
            return HELD_OUT
        if picture.file_id in fold_of:
            return fold_of[picture.file_id]
        if kind_of[picture.file_id] == "sprite":
            return fold_of_cut_out(picture, folds)
        return zlib.crc32(picture.file_id.encode()) % folds

    def weight(picture: Picture) -> float:
        return (unsure_weight if picture.unsure else 1.0) * (
            other_weight if picture.subject == "other" and picture.foliage != "none" else 1.0
        )

    return Pack(
        jpegs=[jpeg_of[p.file_id] for p in pictures],
        foliage=np.array([p.targets for p in pictures], np.float32).reshape(-1, 3),
        form=np.array([-1 if p.form is None else FORMS.index(p.form) for p in pictures], np.int64),
        fold=np.array([fold(p) for p in pictures], np.int64),
        weight=np.array([weight(p) for p in pictures], np.float32),
        file_ids=[p.file_id for p in pictures],
        kinds=[kind_of.get(p.file_id, "photo") for p in pictures],
        sources=[p.source for p in pictures],
        subjects=[p.subject for p in pictures],
        groups=[groups.get(p.file_id, "") for p in pictures],
    )


def save(pack: Pack, path: Path) -> None:
    """Write as one ``.npz``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    np.savez(
        path,
        bytes=np.frombuffer(b"".join(pack.jpegs), np.uint8),
        length=np.array([len(j) for j in pack.jpegs], np.int64),
        foliage=pack.foliage,
        form=pack.form,
        fold=pack.fold,
        weight=pack.weight,
        words=np.array(
            [pack.file_ids, pack.kinds, pack.sources, pack.subjects, pack.groups], dtype=np.str_
        ).reshape(5, -1),
    )


def load(path: Path) -> Pack:
    """Read what ``save`` wrote."""
    with np.load(path, allow_pickle=False) as stored:
        ends = np.cumsum(stored["length"])
        blob = stored["bytes"].tobytes()
        words = [[str(w) for w in row] for row in stored["words"]]
        return Pack(
            [blob[end - n : end] for end, n in zip(ends, stored["length"], strict=True)],
            stored["foliage"],
            stored["form"],
            stored["fold"],
            stored["weight"],
            *words,
        )


def _shrunk(rgb: NDArray[np.uint8], side_px: int) -> bytes:
    height, width = rgb.shape[:2]
    scale = min(1.0, side_px / min(height, width))
    if scale < 1.0:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    ok, data = cv2.imencode(".jpg", rgb[:, :, ::-1], [cv2.IMWRITE_JPEG_QUALITY, 90])
    if not ok:
        raise ValueError("a picture could not be written as JPEG")
    return bytes(data.tobytes())
