"""Every picture to learn from or test on, small, in one file: copies dropped, whole sources in folds."""

from __future__ import annotations

import zlib
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from eavefall_datasets.hashing import difference_hash
from eavefall_datasets.manifest import load_manifest
from eavefall_datasets.packages import load_packages
from eavefall_datasets.picture import Picture
from eavefall_datasets.rendered import load_rendered
from eavefall_datasets.scenes.cut_outs import write_sprite_scenes
from eavefall_datasets.splits import kept_for_test, source_folds
from eavefall_model.photo import decode
from eavefall_model.vocabulary import FORMS

TEST: Final = -1  # the fold of pictures that no net ever learns from
FOLDS: Final = 6
PICTURES: Final = "pictures.npz"
# Whole trees are looked at closer than the rest.
_SIDE_PX: Final = {"whole tree": 384, "close-up": 320, "print": 320}
_OTHER_SIDE_PX: Final = 256
# Independent pictures differ in about 128 of 256 bits; see eavefall_datasets.hashing.
_COPY_BITS: Final = 60
_MADE_FOR: Final = {"sprite": "cut-out", "rendered": "drawn", "package": "ground"}


@dataclass(frozen=True)
class Pack:
    """n pictures.

    Attributes
    ----------
    jpegs : list of bytes
        WebP or JPEG, shorter side 256 to 384 px at most.
    foliage : float32 array (n, 3)
        Needle, broad, bare.
    form : int64 array (n,)
        Index into ``FORMS``; -1 where none can be read.
    fold : int64 array (n,)
        Of its whole source; herbs are dealt by species, made pictures by name; ``TEST`` never trains.
    weight : float32 array (n,)
        Trust in the label; what has 0 is not learned from.
    file_ids, kinds, strata, sources, species : list of str
        ``kinds``: photo, sprite, rendered, package, treeless. ``strata`` of photos: whole tree, close-up,
        print, herb, no tree.
    """

    jpegs: list[bytes]
    foliage: NDArray[np.float32]
    form: NDArray[np.int64]
    fold: NDArray[np.int64]
    weight: NDArray[np.float32]
    file_ids: list[str]
    kinds: list[str]
    strata: list[str]
    sources: list[str]
    species: list[str]

    def __len__(self) -> int:
        return len(self.jpegs)

    def pixels(self, i: int) -> NDArray[np.uint8]:
        """RGB of picture i, uint8 (height, width, 3)."""
        bgr = cv2.imdecode(np.frombuffer(self.jpegs[i], np.uint8), cv2.IMREAD_COLOR)
        if bgr is None:
            raise ValueError(f"{self.file_ids[i]} in the pack cannot be decoded")
        return np.ascontiguousarray(bgr[:, :, ::-1], dtype=np.uint8)


def gather(
    imagery: Path | None, packages: Path | None, rendered: Path | None, work: Path
) -> tuple[dict[str, list[Picture]], list[Picture]]:
    """(pictures to pack by kind, pictures to credit); folders left out add nothing."""
    photos = list(load_manifest(imagery))
    sprites = list(load_packages(packages, kind="sprite")) if packages else []
    found = {
        "photo": photos,
        "package": list(load_packages(packages, kind="package")) if packages else [],
        "treeless": list(load_packages(packages, kind="treeless")) if packages else [],
        "rendered": list(load_rendered(rendered)) if rendered else [],
        "sprite": list(write_sprite_scenes(sprites, work / "sprites", each=3)) if sprites else [],
    }
    return found, [*photos, *sprites, *found["package"], *found["treeless"], *found["rendered"]]


def pack(found: Mapping[str, Sequence[Picture]], *, folds: int = FOLDS) -> Pack:
    """Decode, shrink, label and deal.

    A photo that shows what another photo before it shows is left out, those to learn from coming first, so
    no copy can stand on both sides of a split. Trust: half where a second look is owed to the label.
    """
    kinds = {picture.file_id: kind for kind, pictures in found.items() for picture in pictures}

    def tests(picture: Picture) -> bool:
        return not picture.trainable or kinds[picture.file_id] == "treeless" or kept_for_test(picture)

    pictures = sorted((p for some in found.values() for p in some), key=tests)
    seen: list[NDArray[np.bool_]] = []
    kept: list[tuple[Picture, bytes]] = []
    for picture in pictures:
        rgb = decode(picture.path.read_bytes(), name=picture.file_id, fit_px=384).rgb
        if kinds[picture.file_id] in ("photo", "treeless"):
            bits = difference_hash(rgb)
            if seen and (np.stack(seen) != bits).sum(axis=1).min() <= _COPY_BITS:
                continue
            seen.append(bits)
        side_px = _SIDE_PX.get(_stratum(picture, kinds[picture.file_id]), _OTHER_SIDE_PX)
        kept.append((picture, _shrunk(rgb, side_px)))
    pictures = [picture for picture, _ in kept]
    fold_of = source_folds([p for p in pictures if kinds[p.file_id] == "photo" and not tests(p)], folds)

    def fold(picture: Picture) -> int:
        if tests(picture):
            return TEST
        kind = kinds[picture.file_id]
        herb = _stratum(picture, kind) == "herb"
        if kind == "photo" and not herb:
            return fold_of[picture.source]
        # Herbs, which come from one source alone, are dealt by species. All scenes of one cut-out share a
        # fold: their note names it.
        name = picture.species if herb else picture.note if kind == "sprite" else picture.file_id
        return zlib.crc32(name.encode()) % folds

    return Pack(
        jpegs=[data for _, data in kept],
        foliage=np.array([p.targets for p in pictures], np.float32).reshape(-1, 3),
        form=np.array([-1 if p.form is None else FORMS.index(p.form) for p in pictures], np.int64),
        fold=np.array([fold(p) for p in pictures], np.int64),
        weight=np.array([0.5 if p.unsure else 1.0 for p in pictures], np.float32),
        file_ids=[p.file_id for p in pictures],
        kinds=[kinds[p.file_id] for p in pictures],
        strata=[_stratum(p, kinds[p.file_id]) for p in pictures],
        sources=[p.source for p in pictures],
        species=[" ".join(p.species.lower().split()[:2]) for p in pictures],
    )


def _stratum(picture: Picture, kind: str) -> str:
    if kind in _MADE_FOR:
        return _MADE_FOR[kind]
    if "black-and-white print" in picture.note:
        return "print"
    if picture.foliage == "none":
        return "herb" if "flashcards" in picture.source else "no tree"
    return "whole tree" if picture.subject in ("tree", "forest_scene", "house_scene") else "close-up"


def save(pack: Pack, path: Path) -> None:
    """Write as one ``.npz``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    words = [pack.file_ids, pack.kinds, pack.strata, pack.sources, pack.species]
    np.savez(
        path,
        bytes=np.frombuffer(b"".join(pack.jpegs), np.uint8),
        length=np.array([len(j) for j in pack.jpegs], np.int64),
        foliage=pack.foliage,
        form=pack.form,
        fold=pack.fold,
        weight=pack.weight,
        words=np.array(words, dtype=np.str_).reshape(5, -1),
    )


def load(path: Path) -> Pack:
    """Read what ``save`` wrote."""
    with np.load(path, allow_pickle=False) as stored:
        ends = np.cumsum(stored["length"])
        blob = stored["bytes"].tobytes()
        jpegs = [blob[end - n : end] for end, n in zip(ends, stored["length"], strict=True)]
        words = [[str(w) for w in row] for row in stored["words"]]
        arrays = [stored[name] for name in ("foliage", "form", "fold", "weight")]
    return Pack(jpegs, *arrays, *words)


def thinned(pack: Pack, share: float, draw: int) -> Pack:
    """The same pictures, of whose photos only ``share`` is learned from, whole species of a source at a time.

    All are still tested on, and what our own code made stays: nothing but the number of photos changes.
    """
    group = [
        (source, species or own)
        for source, species, own in zip(pack.sources, pack.species, pack.file_ids, strict=True)
    ]
    photos = [i for i, kind in enumerate(pack.kinds) if kind == "photo" and pack.fold[i] != TEST]
    size = Counter(group[i] for i in photos)
    names = sorted(size)
    order = [names[i] for i in np.random.default_rng(draw).permutation(len(names))]
    reached = np.cumsum([size[name] for name in order])
    kept = set(order[: 1 + int(np.abs(reached - share * len(photos)).argmin())])
    weight = pack.weight.copy()
    weight[[i for i in photos if group[i] not in kept]] = 0
    return replace(pack, weight=weight)


def summary(pack: Pack) -> Counter[tuple[int, str]]:
    """How many pictures of each stratum each fold holds."""
    return Counter(zip((int(k) for k in pack.fold), pack.strata, strict=True))


def _shrunk(rgb: NDArray[np.uint8], side_px: int) -> bytes:
    height, width = rgb.shape[:2]
    scale = min(1.0, side_px / min(height, width))
    if scale < 1.0:
        size = (max(1, round(width * scale)), max(1, round(height * scale)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA).astype(np.uint8)
    ok, data = cv2.imencode(".webp", rgb[:, :, ::-1], [cv2.IMWRITE_WEBP_QUALITY, 80])
    if not ok:
        raise ValueError("a picture could not be written")
    return bytes(data.tobytes())
