"""What phones do to pictures, for a whole batch at once on any device.

Each picture of the batch draws its own numbers. Geometry is one resampling through an affine grid (crop from
far to near, aspect, tilt, mirror); then light and color, blur, noise and JPEG blocks. torchvision's v2
transforms draw one set of numbers per batch, which is why these few lines stand here instead.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import torch
from torch import Tensor
from torch.nn import functional as F


@dataclass(frozen=True)
class Strength:
    """How hard: ``smallest_crop`` is the least share of the area kept, ``grey`` the share without color; the
    rest scale their effect."""

    smallest_crop: float = 0.1
    grey: float = 0.2
    colour: float = 1.0
    degrade: float = 1.0


def augment(pixels: Tensor, side_px: int, strength: Strength, generator: torch.Generator) -> Tensor:
    """Batch of squashed pictures, float (n, 3, s, s) in 0 to 255 -> (n, 3, side_px, side_px) in 0 to 255."""
    draw = _Draws(len(pixels), pixels.device, generator)
    x = _geometry(pixels, side_px, strength, draw)
    x = _colour(x, strength.colour, strength.grey, draw)
    x = _air(x, strength.degrade, draw)
    x = _blur(x, strength.degrade, draw)
    x = _noise(x, strength.degrade, draw, generator)
    x = _jpeg(x, strength.degrade, draw)
    return x.clamp(0, 255)


class _Draws:
    """Uniform numbers, one per picture."""

    def __init__(self, n: int, device: torch.device, generator: torch.Generator) -> None:
        self.n, self.device, self.generator = n, device, generator

    def uniform(self, low: float, high: float) -> Tensor:
        return low + (high - low) * torch.rand(self.n, device=self.device, generator=self.generator)

    def chance(self, p: float) -> Tensor:
        return self.uniform(0, 1) < p


def _geometry(x: Tensor, side_px: int, strength: Strength, draw: _Draws) -> Tensor:
    area = torch.exp(draw.uniform(math.log(strength.smallest_crop), 0.0))
    area = torch.where(draw.chance(0.3), torch.ones_like(area), area)  # the whole picture, as served
    aspect = torch.exp(draw.uniform(-0.3, 0.3))
    half_w = (area * aspect).sqrt().clamp(max=1.0)
    half_h = (area / aspect).sqrt().clamp(max=1.0)
    shift_x = draw.uniform(-1, 1) * (1 - half_w)
    shift_y = draw.uniform(-1, 1) * (1 - half_h)
    angle = draw.uniform(-0.26, 0.26) * draw.chance(0.5)
    mirror = 1 - 2 * draw.chance(0.5).float()
    cos, sin = torch.cos(angle), torch.sin(angle)
    rows = torch.stack(
        [
            torch.stack([half_w * cos * mirror, -half_h * sin, shift_x], 1),
            torch.stack([half_w * sin * mirror, half_h * cos, shift_y], 1),
        ],
        1,
    )
    grid = F.affine_grid(rows.to(x.dtype), [len(x), 3, side_px, side_px], align_corners=False)
    # Whole pictures shrink here: average first where the grid would skip pixels.
    shrink = x.shape[-1] / side_px
    if shrink > 1.3:
        half = F.interpolate(x, scale_factor=0.5, mode="bilinear", antialias=True)
        near = F.grid_sample(x, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
        far = F.grid_sample(half, grid, mode="bilinear", padding_mode="reflection", align_corners=False)
        wide = (torch.maximum(half_w, half_h) * shrink > 1.3).view(-1, 1, 1, 1)
        return torch.where(wide, far, near)
    return F.grid_sample(x, grid, mode="bilinear", padding_mode="reflection", align_corners=False)


def _column(values: Tensor) -> Tensor:
    return values.view(-1, 1, 1, 1)


def _colour(x: Tensor, by: float, grey_share: float, draw: _Draws) -> Tensor:
    x = x / 255
    gain = torch.exp(torch.stack([draw.uniform(-0.18, 0.18) for _ in range(3)], 1) * by)  # white balance
    x = x * gain[:, :, None, None] * _column(torch.exp(draw.uniform(-0.45, 0.35) * by))  # exposure
    x = x.clamp(0, 1) ** _column(torch.exp(draw.uniform(-0.3, 0.3) * by))  # tone
    mean = x.mean((1, 2, 3), keepdim=True)
    x = mean + (x - mean) * _column(1 + draw.uniform(-0.35, 0.35) * by)
    grey = x.mean(1, keepdim=True)
    saturation = _column(1 + draw.uniform(-0.6, 0.4) * by)
    saturation = torch.where(_column(draw.chance(grey_share)), torch.zeros_like(saturation), saturation)
    x = grey + (x - grey) * saturation
    # Hue: turn the color plane about the grey axis (autumn needles, blue spruces, odd cameras).
    angle = draw.uniform(-0.35, 0.35) * by * draw.chance(0.5)
    cos, sin = torch.cos(angle), torch.sin(angle) / math.sqrt(3)
    third = (1 - cos) / 3
    turn = torch.stack(
        [
            torch.stack([cos + third, third - sin, third + sin], 1),
            torch.stack([third + sin, cos + third, third - sin], 1),
            torch.stack([third - sin, third + sin, cos + third], 1),
        ],
        1,
    )
    return torch.einsum("nij,njhw->nihw", turn.to(x.dtype), x).clamp(0, 1) * 255


def _air(x: Tensor, by: float, draw: _Draws) -> Tensor:
    """Haze, which lays an even light over all, or light from behind, which leaves crowns dark."""
    veil = draw.uniform(0, 0.5) * draw.chance(0.15 * by)
    light = torch.stack([draw.uniform(170, 235), draw.uniform(180, 240), draw.uniform(190, 250)], 1)
    x = torch.lerp(x, light[:, :, None, None].expand_as(x).to(x.dtype), _column(veil).to(x.dtype))
    behind = 1 + draw.uniform(0.2, 1.0) * draw.chance(0.15 * by)
    return (x / 255).clamp(0, 1) ** _column(behind) * 255


def _blur(x: Tensor, by: float, draw: _Draws) -> Tensor:
    """Round blur (focus) or blur along one axis (hand shake), each of its own width."""
    sigma_x = draw.uniform(0.3, 1.8) * by
    sigma_y = torch.where(draw.chance(0.35), torch.full_like(sigma_x, 0.05), sigma_x)
    on = draw.chance(0.3 * by)
    at = torch.arange(-4, 5, device=x.device, dtype=x.dtype)

    def kernel(sigma: Tensor) -> Tensor:
        k = torch.exp(-0.5 * (at / sigma.clamp(min=0.05).to(x.dtype).unsqueeze(1)) ** 2)
        return k / k.sum(1, keepdim=True)

    soft = _along(_along(x, kernel(sigma_x), 3), kernel(sigma_y), 2)
    return torch.where(on.view(-1, 1, 1, 1), soft, x)


def _along(x: Tensor, kernels: Tensor, axis: int) -> Tensor:
    """Convolve each picture with its own 9 numbers along one axis: nine shifted sums, no grouped kernel."""
    pad = (4, 4, 0, 0) if axis == 3 else (0, 0, 4, 4)
    wide = F.pad(x, pad, mode="replicate")
    out = torch.zeros_like(x)
    for i in range(9):
        out.addcmul_(wide.narrow(axis, i, x.shape[axis]), kernels[:, i].view(-1, 1, 1, 1))
    return out


def _noise(x: Tensor, by: float, draw: _Draws, generator: torch.Generator) -> Tensor:
    sigma = draw.uniform(0, 12) * by * draw.chance(0.3)
    grain = torch.randn(x.shape, device=x.device, dtype=x.dtype, generator=generator)
    return x + grain * sigma.view(-1, 1, 1, 1).to(x.dtype)


def _jpeg(x: Tensor, by: float, draw: _Draws) -> Tensor:
    """Quantise 8 x 8 cosine blocks; steps grow with frequency as in ITU-T T.81 Annex K, without its table."""
    side = x.shape[-1] // 8 * 8
    if side != x.shape[-1] or side != x.shape[-2]:
        return x
    k = torch.arange(8, device=x.device, dtype=x.dtype)
    basis = torch.cos(math.pi * (2 * k[None] + 1) * k[:, None] / 16) * math.sqrt(2 / 8)
    basis[0] = math.sqrt(1 / 8)
    whole = torch.kron(basis, basis)  # (64, 64): rows are two-dimensional cosines
    step = (4 + 6 * (k[None] + k[:, None])).reshape(1, 1, 64) * draw.uniform(0.2, 1.6).to(x.dtype).view(
        -1, 1, 1
    )
    n, channels = x.shape[:2]
    tiles = (n, channels, side // 8, 8, side // 8, 8)
    blocks = x.view(tiles).transpose(3, 4).reshape(n, -1, 64)
    coded = torch.round((blocks - 128) @ whole.T / step) * step
    back = (coded @ whole + 128).view(n, channels, side // 8, side // 8, 8, 8).transpose(3, 4).reshape_as(x)
    on = draw.chance(0.4 * by).view(-1, 1, 1, 1)
    return torch.where(on, back, x)
