"""The training recipe: one frozen record, read from YAML, saved inside every artefact."""

from __future__ import annotations

from dataclasses import dataclass, replace
from importlib import resources
from pathlib import Path
from typing import Any

import yaml

__all__ = ["FitConfig", "load_config"]


@dataclass(frozen=True)
class FitConfig:
    """Everything that decides what the weights become, apart from the pictures.

    Lengths are pixels, rates are per step; ``steps`` counts batches. See ``tagger.yaml`` for why each number
    is what it is. ``first`` holds what is different in the stage before, whose net then looks at crops of
    ``teacher_px`` and whose opinion counts ``teacher_share`` against the label. ``edges`` counts the forest
    edges made from each needle cut-out. ``group_share`` is the share of the species and sources whose photos
    are learnt from, drawn by the seed. ``narrow`` is the share of the multiply-adds taken out of the fitted
    net (see ``narrow.narrow``).
    """

    name: str
    seed: int = 0
    input_px: int = 256
    serve_px: int = 256
    steps: int = 900
    batch: int = 32
    learning_rate: float = 4e-4
    head_rate_factor: float = 5.0
    weight_decay: float = 0.02
    warmup: float = 0.1
    ema_decay: float = 0.99
    freeze_batch_norm: bool = True
    dropout: float = 0.2
    drop_path: float = 0.1
    label_smoothing: float = 0.05
    blend: float = 0.0
    collage: float = 0.0
    form_weight: float = 0.7
    balance: float = 0.7
    share_sprites: float = 0.0
    share_rendered: float = 0.0
    share_packages: float = 0.0
    edges: int = 0
    group_share: float = 1.0
    smallest_crop: float = 0.12
    colour: float = 1.0
    degrade: float = 1.0
    unsure_weight: float = 0.5
    other_weight: float = 0.6
    folds: int = 5
    nets: int = 1
    without_blocks: tuple[int, ...] = ()
    narrow: float = 0.0
    teacher_px: int = 288
    teacher_share: float = 0.7
    first: dict[str, float] | None = None

    @property
    def first_stage(self) -> FitConfig | None:
        """The recipe of the net that teaches this one and that it starts from, or None."""
        if self.first is None:
            return None
        changes: dict[str, Any] = {"first": None, "blend": 0.0, "collage": 0.0, "narrow": 0.0, **self.first}
        return replace(self, **changes)


def load_config(path: Path | None = None, **changes: object) -> FitConfig:
    """The committed recipe, or the one in ``path``; ``changes`` replace single fields."""
    if path is None:
        text = resources.files("eavefall_training").joinpath("tagger.yaml").read_text(encoding="utf-8")
    else:
        text = path.read_text(encoding="utf-8")
    stated = {**yaml.safe_load(text), **changes}
    return FitConfig(**{**stated, "without_blocks": tuple(stated.get("without_blocks", ()))})
