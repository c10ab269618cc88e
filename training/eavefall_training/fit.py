"""One net from one recipe and one set of pictures: load, loop, average, done."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from eavefall_training.augment import Strength, augment
from eavefall_training.config import FitConfig
from eavefall_training.net import TaggerNet, load_pretrained
from eavefall_training.pack import Pack

__all__ = ["Stack", "fit_net", "fit_soup", "predict", "stack"]


@dataclass(frozen=True)
class Stack:
    """A pack as tensors on the device: uint8 pixels (n, 3, s, s) and labels."""

    pixels: Tensor
    foliage: Tensor
    form: Tensor
    weight: Tensor


def stack(pack: Pack, side_px: int, device: torch.device) -> Stack:
    """Every picture squashed to a square of ``side_px``, as the tagger serves them."""
    square = np.stack([squash(pack.pixels(i), side_px) for i in range(len(pack))])
    return Stack(
        torch.from_numpy(square).permute(0, 3, 1, 2).contiguous().to(device),
        torch.from_numpy(pack.foliage).to(device),
        torch.from_numpy(pack.form).to(device),
        torch.from_numpy(pack.weight).to(device),
    )


def squash(rgb: NDArray[np.uint8], side_px: int) -> NDArray[np.uint8]:
    """The serving resize: the whole picture, its sides squashed to a square."""
    from eavefall_model.tags.preprocess import to_square

    return to_square(rgb, side_px)


def fit_net(
    data: Stack,
    rows: NDArray[np.int64],
    draw_weight: NDArray[np.float64],
    config: FitConfig,
    seed: int,
    progress: Callable[[int, float], None] | None = None,
) -> TaggerNet:
    """Fine-tune the pretrained net on ``rows`` of ``data``; returns the averaged net, ready to predict.

    Parameters
    ----------
    rows : int array (m,)
        Pictures to learn from.
    draw_weight : float array (m,)
        Relative frequency with which each is drawn.
    progress : callable, optional
        Called with step and loss every 50 steps.
    """
    device = data.pixels.device
    torch.manual_seed(seed)
    generator = torch.Generator(device=device).manual_seed(seed)
    net = load_pretrained(TaggerNet(dropout=config.dropout, drop_path=config.drop_path))
    net = net.to(device).to(memory_format=torch.channels_last)
    average = copy.deepcopy(net)
    head = [p for n, p in net.named_parameters() if n.startswith("head")]
    trunk = [p for n, p in net.named_parameters() if not n.startswith("head")]
    optimizer = torch.optim.AdamW(
        [
            {"params": trunk, "lr": config.learning_rate},
            {"params": head, "lr": config.learning_rate * config.head_rate_factor},
        ],
        weight_decay=config.weight_decay,
        fused=device.type == "cuda",
    )
    schedule = torch.optim.lr_scheduler.LambdaLR(optimizer, lambda step: _rate(step, config))
    chance = torch.as_tensor(draw_weight / draw_weight.sum(), dtype=torch.float64).to(device)
    index = torch.as_tensor(rows).to(device)
    strength = Strength(config.smallest_crop, config.colour, config.degrade)
    for step in range(config.steps):
        net.train()
        if config.freeze_batch_norm:
            net.freeze_batch_norm()
        picks = index[torch.multinomial(chance, config.batch, replacement=True, generator=generator)]
        pixels = augment(data.pixels[picks].float(), config.input_px, strength, generator)
        foliage, form = _smoothed(data, picks, config.label_smoothing)
        if config.mixup > 0:
            pixels, foliage, form = _mix(pixels, foliage, form, config.mixup, generator)
        with torch.autocast(device.type, torch.bfloat16, enabled=device.type == "cuda"):
            logits = net(pixels.to(memory_format=torch.channels_last))[0]
        loss = _loss(logits.float(), foliage, form, data.weight[picks], config.form_weight)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        schedule.step()
        _follow(average, net, min(config.ema_decay, (1 + step) / (10 + step)))
        if progress is not None and step % 50 == 0:
            progress(step, float(loss.detach()))
    average.eval()
    return average


def fit_soup(
    data: Stack,
    rows: NDArray[np.int64],
    draw_weight: NDArray[np.float64],
    config: FitConfig,
    fold: int,
) -> TaggerNet:
    """Mean weights of ``config.nets`` nets that differ in seed only (Wortsman et al., ICML 2022)."""
    nets = [
        fit_net(data, rows, draw_weight, config, config.seed + 100 * (fold + 1) + 10_000 * i)
        for i in range(config.nets)
    ]
    soup = nets[0]
    with torch.no_grad():
        for name, value in soup.state_dict().items():
            if value.dtype.is_floating_point:
                value.copy_(torch.stack([net.state_dict()[name] for net in nets]).mean(0))
    return soup.eval()


@torch.no_grad()
def predict(net: TaggerNet, pixels: Tensor, *, mirror: bool = True, batch: int = 64) -> NDArray[np.float32]:
    """Logits (n, 8) of uint8 pixels (n, 3, side, side); ``mirror`` averages with the mirrored picture."""
    net.eval()
    out = []
    for part in torch.split(pixels, batch):
        x = part.float().contiguous(memory_format=torch.channels_last)
        logits = net(x)[0]
        if mirror:
            logits = (logits + net(x.flip(3))[0]) / 2
        out.append(logits.float().cpu().numpy())
    return np.concatenate(out)


def _rate(step: int, config: FitConfig) -> float:
    warm = max(1, int(config.warmup * config.steps))
    if step < warm:
        return (step + 1) / warm
    return 0.5 * (1 + math.cos(math.pi * (step - warm) / max(1, config.steps - warm)))


def _smoothed(data: Stack, picks: Tensor, by: float) -> tuple[Tensor, Tensor]:
    """Foliage targets (n, 3) and form targets (n, 5); a row of zeros where the form cannot be read."""
    foliage = data.foliage[picks] * (1 - by) + by / 2
    form = data.form[picks]
    onehot = F.one_hot(form.clamp(min=0), 5).float() * (1 - by) + by / 5
    return foliage, onehot * (form >= 0).unsqueeze(1)


def _mix(
    pixels: Tensor, foliage: Tensor, form: Tensor, alpha: float, generator: torch.Generator
) -> tuple[Tensor, Tensor, Tensor]:
    other = torch.randperm(len(pixels), device=pixels.device, generator=generator)
    share = torch.rand(len(pixels), 1, device=pixels.device, generator=generator) * alpha
    mixed = pixels * (1 - share.view(-1, 1, 1, 1)) + pixels[other] * share.view(-1, 1, 1, 1)
    return mixed, foliage * (1 - share) + foliage[other] * share, form * (1 - share) + form[other] * share


def _loss(logits: Tensor, foliage: Tensor, form: Tensor, weight: Tensor, form_weight: float) -> Tensor:
    yes_no = F.binary_cross_entropy_with_logits(logits[:, :3], foliage, reduction="none").sum(1)
    which = -(form * F.log_softmax(logits[:, 3:], 1)).sum(1)
    return ((yes_no + form_weight * which) * weight).mean()


@torch.no_grad()
def _follow(average: TaggerNet, net: TaggerNet, decay: float) -> None:
    ours = [*average.parameters(), *average.buffers()]
    theirs = [*net.parameters(), *net.buffers()]
    for slow, fast in zip(ours, theirs, strict=True):
        if slow.dtype.is_floating_point:
            slow.lerp_(fast, 1 - decay)
        else:
            slow.copy_(fast)
