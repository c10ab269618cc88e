"""A pack as tensors on the device that fits, and its pictures at the side a net is to serve."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import torch
from torch import Tensor
from torch.nn import functional as F

from eavefall_model.tags.preprocess import to_square
from eavefall_training.config import FitConfig
from eavefall_training.pack import Pack

__all__ = ["Stack", "as_served", "stack"]


@dataclass(frozen=True)
class Stack:
    """A pack as tensors on the device: uint8 pixels (n, 3, s, s) and labels."""

    pixels: Tensor
    foliage: Tensor
    form: Tensor
    weight: Tensor


def stack(pack: Pack, side_px: int, device: torch.device) -> Stack:
    """Every picture squashed to a square of ``side_px``, as the tagger serves them."""
    square = np.stack([to_square(pack.pixels(i), side_px) for i in range(len(pack))])
    return Stack(
        torch.from_numpy(square).permute(0, 3, 1, 2).contiguous().to(device),
        torch.from_numpy(pack.foliage).to(device),
        torch.from_numpy(pack.form).to(device),
        torch.from_numpy(pack.weight).to(device),
    )


def as_served(pixels: Tensor, config: FitConfig) -> Tensor:
    """Pixels (n, 3, s, s) at the side the net is to serve, in whole numbers."""
    return F.interpolate(pixels.float(), size=config.serve_px, mode="area").round()
