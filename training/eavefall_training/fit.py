"""Fits the nets of a recipe: one for each fold of left-out sources, and one on everything."""

from __future__ import annotations

import copy
import hashlib
import math
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional as F

from eavefall_model.tags.preprocess import to_square
from eavefall_training import pictures
from eavefall_training.augment import Strength, augment
from eavefall_training.evaluate import BOXES, INPUT_PX, Scores
from eavefall_training.net import TaggerNet, load_pretrained
from eavefall_training.pictures import PICTURES, TEST, Pack

Floats = NDArray[np.float64]

_STACK_PX: Final = 384
# Steps done before a step is recorded: libraries choose their kernels, the optimizer allocates its state.
_WARM_UP: Final = 12
_LEAST: Final = 4  # judgement: one odd picture is not to fill a fiftieth of all draws


@dataclass(frozen=True)
class Recipe:
    """Everything that decides what the weights become, apart from the pictures.

    The defaults are the recipe shipped; the trials behind it are rows of ``results.csv``. Rates are per
    step; ``steps`` counts batches. ``nets`` that differ by seed are averaged (Wortsman et al., ICML
    2022). ``blend`` is the chance of a picture to be blended with another by half at most (mixup, Zhang
    et al., ICLR 2018). ``share_*`` are of all draws, the rest are photos.
    """

    name: str = "eavefall-tagger-4"
    seed: int = 0
    steps: int = 700
    batch: int = 48
    learning_rate: float = 4e-4
    head_rate_factor: float = 5.0
    weight_decay: float = 0.02
    warmup: float = 0.1
    ema_decay: float = 0.99
    dropout: float = 0.2
    drop_path: float = 0.1
    label_smoothing: float = 0.05
    blend: float = 0.5
    form_weight: float = 0.5
    balance: float = 0.5
    share_sprite: float = 0.13  # made pictures: on two folds 0.940 without them, 0.949 with 22 %
    share_rendered: float = 0.24
    share_package: float = 0.08
    smallest_crop: float = 0.1
    grey: float = 0.2
    colour: float = 1.0
    degrade: float = 1.0
    nets: int = 2


@dataclass(frozen=True)
class Stack:
    """A pack as tensors on one device: uint8 pixels (n, 3, s, s), squashed to squares, and labels."""

    pixels: Tensor
    foliage: Tensor
    form: Tensor
    weight: Tensor


def stack(pack: Pack, device: torch.device, side_px: int = _STACK_PX) -> Stack:
    """Every picture squashed to a square, as the tagger serves them."""
    square = np.stack([to_square(pack.pixels(i), side_px) for i in range(len(pack))])
    pixels = torch.from_numpy(square).permute(0, 3, 1, 2).contiguous()
    parts = (pixels, *(torch.from_numpy(part) for part in (pack.foliage, pack.form, pack.weight)))
    return Stack(*(part.to(device) for part in parts))


def training_rows(pack: Pack, recipe: Recipe, left_out: int) -> NDArray[np.int64]:
    """Rows to learn from: every fold but the one left out (``TEST`` leaves none out), no weight of 0."""
    share = _shares(recipe)
    keep = [
        fold not in (TEST, left_out) and weight > 0 and (kind == "photo" or share[kind] > 0)
        for fold, weight, kind in zip(pack.fold, pack.weight, pack.kinds, strict=True)
    ]
    return np.flatnonzero(keep).astype(np.int64)


def draw_weights(pack: Pack, rows: NDArray[np.int64], recipe: Recipe) -> NDArray[np.float64]:
    """Relative frequency of each row.

    A class is a kind of picture and a form, or foliage where no form is known. In a class of n pictures each
    gets n ** -balance, and no class counts as less than four; of m pictures of one species in one source each
    gets m ** -0.25 on top. Each made kind then gets its share of all draws.
    """
    keys = [(pack.kinds[i], pack.form[i] if pack.form[i] >= 0 else tuple(pack.foliage[i])) for i in rows]
    groups = [(pack.sources[i], pack.species[i] or pack.file_ids[i]) for i in rows]
    n_class, n_group = Counter(keys), Counter(groups)
    weight = np.array(
        [
            max(n_class[key], _LEAST) ** -recipe.balance * n_group[group] ** -0.25
            for key, group in zip(keys, groups, strict=True)
        ]
    )
    share, kinds = _shares(recipe), np.array([pack.kinds[i] for i in rows])
    made = sum(s for kind, s in share.items() if (kinds == kind).any())
    for kind in set(kinds):
        weight[kinds == kind] *= share.get(kind, 1.0 - made) / weight[kinds == kind].sum()
    return np.asarray(weight, dtype=np.float64)


def _shares(recipe: Recipe) -> dict[str, float]:
    return {
        "sprite": recipe.share_sprite,
        "rendered": recipe.share_rendered,
        "package": recipe.share_package,
        "treeless": 0.0,
    }


def fit_net(data: Stack, pack: Pack, recipe: Recipe, left_out: int) -> TaggerNet:
    """The mean of ``recipe.nets`` fine-tuned nets, each averaged over its steps; ready to predict."""
    rows = training_rows(pack, recipe, left_out)
    draws = draw_weights(pack, rows, recipe)
    nets = [
        _fit_one(data, rows, draws, recipe, recipe.seed + 100 * (left_out + 1) + 10_000 * i)
        for i in range(recipe.nets)
    ]
    with torch.no_grad():
        for name, value in nets[0].state_dict().items():
            if value.dtype.is_floating_point:
                value.copy_(torch.stack([net.state_dict()[name] for net in nets]).mean(0))
    return nets[0].eval()


def _fit_one(
    data: Stack, rows: NDArray[np.int64], draws: NDArray[np.float64], recipe: Recipe, seed: int
) -> TaggerNet:
    device = data.pixels.device
    torch.manual_seed(seed)
    generator = _generator(device, seed)
    net = load_pretrained(TaggerNet(dropout=recipe.dropout, drop_path=recipe.drop_path))
    net = net.to(device).to(memory_format=torch.channels_last)
    average = copy.deepcopy(net)
    net.train()
    net.freeze_batch_norm()
    # What changes from step to step lies in tensors, so that a step can be recorded.
    steps = np.arange(recipe.steps)
    at = torch.zeros(1, dtype=torch.int64, device=device)
    rates = torch.tensor([_rate(int(step), recipe) for step in steps], device=device)
    keep = torch.tensor(np.minimum(recipe.ema_decay, (1 + steps) / (10 + steps)), device=device).float()
    chance = torch.as_tensor(draws / draws.sum(), dtype=torch.float64).to(device)
    picks = torch.multinomial(chance, recipe.steps * recipe.batch, replacement=True, generator=generator)
    picks = torch.as_tensor(rows).to(device)[picks].view(recipe.steps, recipe.batch)
    head = [p for n, p in net.named_parameters() if n.startswith("head")]
    trunk = [p for n, p in net.named_parameters() if not n.startswith("head")]
    full = (recipe.learning_rate, recipe.learning_rate * recipe.head_rate_factor)
    rate = [torch.zeros((), device=device) for _ in full]
    optimizer = torch.optim.AdamW(
        [{"params": part, "lr": lr} for part, lr in zip((trunk, head), rate, strict=True)],
        weight_decay=recipe.weight_decay,
        fused=device.type == "cuda",
        capturable=device.type == "cuda",
    )
    strength = Strength(recipe.smallest_crop, recipe.grey, recipe.colour, recipe.degrade)

    def step() -> None:
        for lr, top in zip(rate, full, strict=True):
            lr.copy_(rates[at][0] * top)
        chosen = picks[at][0]
        pixels = augment(data.pixels[chosen].float(), INPUT_PX, strength, generator)
        foliage, form = _targets(data.foliage[chosen], data.form[chosen], recipe.label_smoothing)
        if recipe.blend:
            part = 0.5 * torch.rand(len(chosen), 1, device=device, generator=generator)
            part = part * (torch.rand(len(chosen), 1, device=device, generator=generator) < recipe.blend)
            pixels = torch.lerp(pixels, pixels.roll(1, 0), part.view(-1, 1, 1, 1))
            foliage, form = (torch.lerp(t, t.roll(1, 0), part) for t in (foliage, form))
        with torch.autocast(device.type, torch.bfloat16, device.type == "cuda", cache_enabled=False):
            logits = net(pixels.to(memory_format=torch.channels_last))[0].float()
        yes_no = F.binary_cross_entropy_with_logits(logits[:, :3], foliage, reduction="none").sum(1)
        which = -(form * F.log_softmax(logits[:, 3:], 1)).sum(1)
        loss = ((yes_no + recipe.form_weight * which) * data.weight[chosen]).mean()
        optimizer.zero_grad(set_to_none=True)
        loss.backward()  # type: ignore[no-untyped-call]
        torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimizer.step()
        _follow(average, net, keep[at][0])
        at.add_(1)

    _repeat(step, recipe.steps, device)
    return average.eval()


def _targets(foliage: Tensor, form: Tensor, by: float) -> tuple[Tensor, Tensor]:
    """Smoothed targets (n, 3) and (n, 5); a row of zeros in the second where no form can be read."""
    known = torch.arange(5, device=form.device) == form.unsqueeze(1)
    readable = (form >= 0).unsqueeze(1)
    return foliage * (1 - by) + by / 2, known * (1 - by) + by / 5 * readable


def _repeat(step: Callable[[], None], steps: int, device: torch.device) -> None:
    """Run ``step`` so often: as it is on a processor, recorded once (a CUDA graph) on a graphics card, which
    a small net keeps waiting for Python otherwise."""
    if device.type != "cuda":
        for _ in range(steps):
            step()
        return
    with torch.cuda.device(device):
        aside = torch.cuda.Stream()  # type: ignore[no-untyped-call]
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for _ in range(min(_WARM_UP, steps)):
                step()
        torch.cuda.current_stream().wait_stream(aside)
        if steps > _WARM_UP:
            graph = torch.cuda.CUDAGraph()
            with torch.cuda.graph(graph):
                step()
            for _ in range(_WARM_UP, steps):
                graph.replay()
        torch.cuda.synchronize()


def _rate(step: int, recipe: Recipe) -> float:
    warm = max(1, int(recipe.warmup * recipe.steps))
    if step < warm:
        return (step + 1) / warm
    return 0.5 * (1 + math.cos(math.pi * (step - warm) / max(1, recipe.steps - warm)))


def _generator(device: torch.device, seed: int) -> torch.Generator:
    """Seeded; on a graphics card the device's own, the only one that a recorded step moves on by itself."""
    if device.type == "cuda":
        own = torch.cuda.default_generators[device.index or 0]
        own.manual_seed(seed)
        return own
    return torch.Generator().manual_seed(seed)


@torch.no_grad()
def _follow(average: TaggerNet, net: TaggerNet, keep: Tensor) -> None:
    """Move the averaged net toward ``net``; ``keep`` is the share of itself it keeps."""
    slow = [v for v in average.state_dict().values() if v.dtype.is_floating_point]
    fast = [v for v in net.state_dict().values() if v.dtype.is_floating_point]
    # Lists of tensors in one call each: some 300 small launches otherwise.
    apart = torch._foreach_sub(fast, slow)
    torch._foreach_mul_(apart, 1 - keep)
    torch._foreach_add_(slow, apart)


@torch.no_grad()
def predict(net: TaggerNet, pixels: Tensor, batch: int = 64) -> tuple[Floats, Floats]:
    """Logits (n, 8) of the first and of the closer look at uint8 pixels (n, 3, s, s)."""

    def ask(box: tuple[float, float, float]) -> Floats:
        left, top, part = (round(share * pixels.shape[-1]) for share in box)
        mode = "area" if part >= INPUT_PX else "bilinear"
        out = []
        for some in torch.split(pixels[:, :, top : top + part, left : left + part], batch):
            x = F.interpolate(some.float(), INPUT_PX, mode=mode).round()
            out.append(net(x.contiguous(memory_format=torch.channels_last))[0].float().cpu().numpy())
        return np.asarray(np.concatenate(out), dtype=np.float64)

    return ask((0.0, 0.0, 1.0)), np.asarray(np.mean([ask(box) for box in BOXES], axis=0))


def fit_all(recipe: Recipe, work: Path, *, device: str = "cpu", workers: int = 1) -> Scores:
    """A net for each fold and one on everything, ``final.pt``; scores of every picture by a net that never
    saw it. What lies in ``work`` from the same pictures and recipe is taken as it is."""
    pack = pictures.load(work / PICTURES)
    made_from = hashlib.sha256((work / PICTURES).read_bytes() + repr(recipe).encode()).hexdigest()
    stored = work / "scores.npz"
    if stored.exists() and (work / "final.pt").exists():
        with np.load(stored) as found:
            if str(found["made_from"]) == made_from:
                return Scores(found["first"], found["closer"])
    folds = [TEST, *range(int(pack.fold.max()) + 1)]
    jobs = [(recipe, work, device, k) for k in folds]
    if workers > 1:
        with torch.multiprocessing.get_context("spawn").Pool(workers) as pool:
            parts = pool.starmap(_fit_fold, jobs, chunksize=1)
    else:
        parts = [_fit_fold(*job) for job in jobs]
    first, closer = np.full((len(pack), 8), np.nan), np.full((len(pack), 8), np.nan)
    for k, (one, other) in zip(folds, parts, strict=True):
        first[pack.fold == k], closer[pack.fold == k] = one, other
    np.savez(stored, first=first, closer=closer, made_from=made_from)
    return Scores(first, closer)


def _fit_fold(recipe: Recipe, work: Path, device_name: str, left_out: int) -> tuple[Floats, Floats]:
    if device_name == "cuda":
        # Trying all kernels takes each process a minute.
        torch.backends.cudnn.benchmark, torch.backends.cudnn.benchmark_limit = True, 3
    pack = pictures.load(work / PICTURES)
    data = stack(pack, torch.device(device_name))
    net = fit_net(data, pack, recipe, left_out)
    torch.backends.cudnn.benchmark = False
    if left_out == TEST:
        torch.save({name: value.half().cpu() for name, value in net.state_dict().items()}, work / "final.pt")
    rows = torch.as_tensor(np.flatnonzero(pack.fold == left_out)).to(data.pixels.device)
    return predict(net, data.pixels[rows]) if len(rows) else (np.zeros((0, 8)), np.zeros((0, 8)))
