"""One net from one recipe and one set of pictures: load, loop, average, done."""

from __future__ import annotations

import copy
import math
from collections.abc import Callable
from dataclasses import replace

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from eavefall_training.augment import Strength, augment
from eavefall_training.config import FitConfig
from eavefall_training.narrow import narrow
from eavefall_training.net import TaggerNet, load_pretrained
from eavefall_training.replay import repeat
from eavefall_training.stack import Stack, as_served
from eavefall_training.teach import Lesson, Teacher, blend, collage, labels

__all__ = ["fit_net", "fit_soup", "narrowed", "predict"]

_NARROW_BY = 400  # pictures: enough for regressions on up to 1152 channels at 64 places each


def fit_net(
    data: Stack,
    rows: NDArray[np.int64],
    draw_weight: NDArray[np.float64],
    config: FitConfig,
    seed: int,
    progress: Callable[[int, float], None] | None = None,
    teacher: Teacher | None = None,
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
    teacher : Teacher, optional
        Where the net starts from; looks at the same crops, at ``config.teacher_px``.
    """
    device = data.pixels.device
    torch.manual_seed(seed)
    generator = _generator(device, seed)
    net = load_pretrained(
        TaggerNet(dropout=config.dropout, drop_path=config.drop_path, without_blocks=config.without_blocks)
    )
    if teacher is not None:
        net.load_state_dict(teacher.net.state_dict())
    net = net.to(device).to(memory_format=torch.channels_last)
    average = copy.deepcopy(net)
    net.train()
    if config.freeze_batch_norm:
        net.freeze_batch_norm()
    steps = np.arange(config.steps)
    at = torch.zeros(1, dtype=torch.int64, device=device)
    rates = torch.tensor([_rate(int(step), config) for step in steps], device=device)
    keep = torch.tensor(np.minimum(config.ema_decay, (1 + steps) / (10 + steps)), device=device).float()
    chance = torch.as_tensor(draw_weight / draw_weight.sum(), dtype=torch.float64).to(device)
    picks = torch.multinomial(chance, config.steps * config.batch, replacement=True, generator=generator)
    picks = torch.as_tensor(rows).to(device)[picks].view(config.steps, config.batch)
    head = [p for n, p in net.named_parameters() if n.startswith("head")]
    trunk = [p for n, p in net.named_parameters() if not n.startswith("head")]
    full = (config.learning_rate, config.learning_rate * config.head_rate_factor)
    rate = [torch.zeros((), device=device) for _ in full]
    optimizer = torch.optim.AdamW(
        [{"params": part, "lr": lr} for part, lr in zip((trunk, head), rate, strict=True)],
        weight_decay=config.weight_decay,
        fused=device.type == "cuda",
        capturable=device.type == "cuda",
    )
    strength = Strength(config.smallest_crop, config.colour, config.degrade)

    def step() -> Tensor:
        for lr, top in zip(rate, full, strict=True):
            lr.copy_(rates[at][0] * top)
        lesson = _lesson(data, picks[at][0], config, strength, generator, teacher)
        with torch.autocast(device.type, torch.bfloat16, device.type == "cuda", cache_enabled=False):
            logits = net(lesson.pixels.to(memory_format=torch.channels_last))[0]
        loss = _loss(logits.float(), lesson, config.form_weight)
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        _follow(average, net, keep[at][0])
        at.add_(1)
        return loss

    repeat(step, config.steps, device, progress)
    average.eval()
    return average


def fit_soup(
    data: Stack,
    rows: NDArray[np.int64],
    draw_weight: NDArray[np.float64],
    config: FitConfig,
    fold: int,
) -> TaggerNet:
    """Mean weights of ``config.nets`` nets that differ in seed only (Wortsman et al., ICML 2022).

    With ``config.first`` such a mean is fitted by that recipe first; the nets start from it and it teaches.
    With ``config.narrow`` the mean is made cheaper at the end.
    """
    teacher = None
    if config.first_stage is not None:
        first = fit_soup(data, rows, draw_weight, config.first_stage, fold)
        teacher = Teacher(first, config.teacher_share)
    nets = [
        fit_net(
            data,
            rows,
            draw_weight,
            config,
            config.seed + 100 * (fold + 1) + 10_000 * i,
            teacher=teacher,
        )
        for i in range(config.nets)
    ]
    soup = nets[0]
    with torch.no_grad():
        for name, value in soup.state_dict().items():
            if value.dtype.is_floating_point:
                value.copy_(torch.stack([net.state_dict()[name] for net in nets]).mean(0))
    soup.eval()
    return narrowed(soup, data, rows, draw_weight, config) if config.narrow else soup


def narrowed(
    net: TaggerNet,
    data: Stack,
    rows: NDArray[np.int64],
    draw_weight: NDArray[np.float64],
    config: FitConfig,
) -> TaggerNet:
    """The net less ``config.narrow`` of its multiply-adds, by some of the pictures it learnt from."""
    chance = torch.as_tensor(draw_weight / draw_weight.sum(), dtype=torch.float64)
    generator = torch.Generator().manual_seed(config.seed)
    some = torch.multinomial(chance, min(_NARROW_BY, len(rows)), replacement=False, generator=generator)
    picks = torch.as_tensor(rows)[some].to(data.pixels.device)
    return narrow(net, torch.split(as_served(data.pixels[picks], config), config.batch), config.narrow)


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


def _generator(device: torch.device, seed: int) -> torch.Generator:
    """Seeded; on a graphics card the device's own, the only one that a recorded step moves on by itself."""
    if device.type == "cuda":
        own = torch.cuda.default_generators[device.index or 0]
        own.manual_seed(seed)
        return own
    return torch.Generator().manual_seed(seed)


def _lesson(
    data: Stack,
    picks: Tensor,
    config: FitConfig,
    strength: Strength,
    generator: torch.Generator,
    teacher: Teacher | None,
) -> Lesson:
    """What the net is shown of these pictures, and what it is to say."""
    side_px = config.input_px if teacher is None else config.teacher_px
    pixels = augment(data.pixels[picks].float(), side_px, strength, generator)
    lesson = Lesson(
        pixels, *labels(data.foliage[picks], data.form[picks], config.label_smoothing), data.weight[picks]
    )
    if config.blend > 0:
        lesson = blend(lesson, config.blend, generator)
    if teacher is not None:
        lesson = teacher.opinion(lesson)
        small = F.interpolate(lesson.pixels, size=config.input_px, mode="bilinear", antialias=True)
        lesson = replace(lesson, pixels=small)
    # After the teacher: it is asked what each picture shows, not what a collage does.
    return collage(lesson, config.collage, generator) if config.collage > 0 else lesson


def _loss(logits: Tensor, lesson: Lesson, form_weight: float) -> Tensor:
    yes_no = F.binary_cross_entropy_with_logits(logits[:, :3], lesson.foliage, reduction="none").sum(1)
    which = -(lesson.form * F.log_softmax(logits[:, 3:], 1)).sum(1)
    return ((yes_no + form_weight * which) * lesson.weight).mean()


@torch.no_grad()
def _follow(average: TaggerNet, net: TaggerNet, keep: Tensor) -> None:
    """Move the averaged net towards ``net``; ``keep`` is the share of itself it keeps."""
    slow = [v for v in average.state_dict().values() if v.dtype.is_floating_point]
    fast = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    # Lists of tensors in one call each: some 300 small launches otherwise.
    apart = torch._foreach_sub(fast, slow)
    torch._foreach_mul_(apart, 1 - keep)
    torch._foreach_add_(slow, apart)
