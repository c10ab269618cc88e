"""From pictures to a released tagger in one go: pack, fit every fold and the final net, evaluate, write."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path
from typing import Final

import numpy as np
import torch
from numpy.typing import NDArray

from eavefall_datasets.edges import write_edges
from eavefall_datasets.manifest import load_manifest
from eavefall_datasets.packages import load_packages
from eavefall_datasets.picture import Picture
from eavefall_datasets.rendered import load_rendered
from eavefall_datasets.sprites import write_sprite_scenes
from eavefall_model.tags.card import Card, Figure
from eavefall_training import pack as packs
from eavefall_training.config import FitConfig
from eavefall_training.evaluate import evaluate, fit_rules
from eavefall_training.net import TaggerNet, net_of_state
from eavefall_training.pooled import pooled_figures
from eavefall_training.release import release
from eavefall_training.trials import PICTURES, fit_all, fitted_from, load_fitted

__all__ = [
    "SIDE_PX",
    "Material",
    "gather",
    "load_net",
    "measured",
    "out_of_fold",
    "pack_all",
    "packed_from",
    "reproduce",
]

Material = tuple[list[Picture], dict[str, str], list[Picture]]
SIDE_PX: Final = 320  # of the packed pictures: crops down to an eighth of the area still hold 110 px
_PACKED_FROM: Final = "pictures.key"


def gather(
    imagery: Path | None, packages: Path | None, rendered: Path | None, config: FitConfig, work: Path
) -> Material:
    """(pictures to pack, kind by file id, pictures to credit); folders left out add nothing."""
    photos = list(load_manifest(imagery))
    sprites = list(load_packages(packages, kind="sprite")) if packages else []
    scenes = list(write_sprite_scenes(sprites, work / "sprites", each=3)) if sprites else []
    if config.edges:
        scenes += write_edges(sprites, work / "edges", folds=config.folds, each=config.edges)
    whole = list(load_packages(packages, kind="package")) if packages else []
    drawn = list(load_rendered(rendered)) if rendered else []
    kinds = {
        **{p.file_id: "sprite" for p in scenes},
        **{p.file_id: "package" for p in whole},
        **{p.file_id: "rendered" for p in drawn},
    }
    return [*photos, *scenes, *drawn, *whole], kinds, [*photos, *sprites, *whole, *drawn]


def out_of_fold(
    by_fold: NDArray[np.float32], final: NDArray[np.float32], fold: NDArray[np.int64]
) -> NDArray[np.float64]:
    """(n, 8): each picture from the net that never saw it; whole sources held out from the final net."""
    out = final.astype(np.float64)
    for k in range(len(by_fold)):
        out[fold == k] = by_fold[k][fold == k]
    return out


def load_net(path: Path) -> TaggerNet:
    """A net saved by the trials."""
    return net_of_state(torch.load(path, map_location="cpu", weights_only=True))


def reproduce(
    material: Material,
    config: FitConfig,
    work: Path,
    out: Path,
    *,
    device: str = "cpu",
    workers: int = 1,
    side_px: int = SIDE_PX,
    say: Callable[[str], None] = print,
) -> Card:
    """Run everything; intermediate files go to ``work``, the three released files to ``out``.

    What an earlier run, or another machine, has already packed or fitted from the same pictures by the same
    recipe is taken as it is.
    """
    pictures, _, credited = material
    if packed_from(material, config, work, side_px):
        say(f"{len(pictures)} pictures are packed already")
    else:
        say(f"packing {len(pictures)} pictures")
        pack_all(material, config, work, side_px=side_px)
    pack = packs.load(work / PICTURES)
    if fitted_from(config, work):
        say("the nets are fitted already")
    else:
        say(f"fitting {config.folds} folds and the final net on {device}")
        fit_all(config, work, device=device, workers=workers)
    by_fold, final = load_fitted(work)
    logits = out_of_fold(by_fold, final, pack.fold)
    np.save(work / "logits.npy", logits)
    rules = fit_rules(pack, logits, np.isfinite(logits[:, 0]) & (pack.fold >= 0))
    trained = [p for p in credited if p.trainable]
    tested = [p for p in credited if not p.trainable]
    net = load_net(work / f"final-{config.name}.pt")
    return release(out, net, config, rules, measured(pack, logits), trained, tested, input_px=config.serve_px)


def measured(pack: packs.Pack, logits: NDArray[np.float64]) -> tuple[Figure, ...]:
    """All figures of logits from nets that never saw the picture: of single photos, and of several pooled."""
    return (*evaluate(pack, logits), *pooled_figures(pack, logits))


def pack_all(material: Material, config: FitConfig, work: Path, *, side_px: int = SIDE_PX) -> None:
    """Write ``pictures.npz`` to ``work``, and beside it what it was made from."""
    pictures, kinds, _ = material
    work.mkdir(parents=True, exist_ok=True)
    (work / _PACKED_FROM).unlink(missing_ok=True)
    pack = packs.build(
        pictures,
        kinds=kinds,
        side_px=side_px,
        held_out_side_px=min(side_px, 256),
        folds=config.folds,
        unsure_weight=config.unsure_weight,
        other_weight=config.other_weight,
    )
    packs.save(pack, work / PICTURES)
    (work / _PACKED_FROM).write_text(_material_key(material, config, side_px), encoding="ascii")


def packed_from(material: Material, config: FitConfig, work: Path, side_px: int = SIDE_PX) -> bool:
    """Whether ``work`` holds a pack of just these pictures, labels and sizes."""
    note = work / _PACKED_FROM
    return (
        (work / PICTURES).exists()
        and note.exists()
        and note.read_text(encoding="ascii") == _material_key(material, config, side_px)
    )


def _material_key(material: Material, config: FitConfig, side_px: int) -> str:
    pictures, kinds, _ = material
    facts = [
        (p.file_id, p.foliage, p.form, p.subject, p.species, p.unsure, p.trainable, kinds.get(p.file_id))
        for p in pictures
    ]
    made = (facts, side_px, config.folds, config.unsure_weight, config.other_weight)
    return hashlib.sha256(repr(made).encode()).hexdigest()
