"""A net made cheaper without fitting: channels that its answers hardly need are taken out of its blocks.

Inside a block many channels are squeezed back into few, and what one of them gives to the sum can largely be
given by the others. First those go whose loss the answers would feel least. Then, block by block, the
squeezing weights are fitted anew so that what comes out is what came out before, errors of earlier blocks
included.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, cast

import numpy as np
import torch
from torch import Tensor

from eavefall_training.channels import STEP, Array, at_places, read_channels, removal_order, ridged
from eavefall_training.net import Block, TaggerNet, multiply_adds, net_of_state

__all__ = ["narrow", "widths_for"]

_FIRM: Final = 1e-3  # ridge of the new weights; 1e-2 gave the same answers


def narrow(net: TaggerNet, batches: Sequence[Tensor], share: float) -> TaggerNet:
    """A copy of the net without about ``share`` of its multiply-adds, taken where they matter least.

    Parameters
    ----------
    batches : sequence of tensors (n, 3, side, side), 0 to 255
        Pictures to go by, of the side the net is to serve.
    share : float
        From 0 to less than 1; blocks keep 16 channels in any case. ``ValueError`` otherwise.
    """
    if not 0 <= share < 1:
        raise ValueError(f"a share of {share} cannot be taken out")
    read = read_channels(net, batches)
    found = {number: removal_order(_squeezing(net.blocks()[number]), told) for number, told in read.items()}
    widths = widths_for(net, {number: costs for number, (_, costs) in found.items()}, share)
    state = dict(net.state_dict())
    for number, (order, _) in found.items():
        gone = order[: len(read[number].mean) - widths[number]]
        kept = torch.from_numpy(np.setdiff1d(np.arange(len(read[number].mean)), gone))
        _select(state, f"_blocks.{number}.", kept.to(batches[0].device))
    narrowed = net_of_state(state).to(batches[0].device)
    _refit(narrowed, net.eval(), batches)
    return narrowed


def widths_for(net: TaggerNet, costs: Mapping[int, Array], share: float) -> dict[int, int]:
    """Channels to keep in each block: sixteens go where they cost the answers least per multiply-add."""
    per_channel, whole = multiply_adds(net)
    removed = dict.fromkeys(costs, 0)
    saved = 0.0
    while saved < share * whole:
        prices = {}
        for number, cost in costs.items():
            after = removed[number] + STEP
            if after <= len(cost):
                before = cost[removed[number] - 1] if removed[number] else 0.0
                prices[number] = (cost[after - 1] - before) / per_channel[number]
        if not prices:
            break
        cheapest = min(prices, key=prices.__getitem__)
        removed[cheapest] += STEP
        saved += STEP * per_channel[cheapest]
    return {number: len(cost) + STEP - removed[number] for number, cost in costs.items()}


@dataclass
class _Regression:
    """Sums for linear regression of o outputs on c channels over places."""

    n: int = 0
    sums: list[Any] = field(default_factory=lambda: [0.0] * 4)

    def add(self, channels: Tensor, outputs: Tensor) -> None:
        x, y = at_places(channels), at_places(outputs)
        self.n += len(x)
        for i, part in enumerate((x.sum(0), y.sum(0), x.T @ x, x.T @ y)):
            self.sums[i] = self.sums[i] + part.cpu().numpy()

    def solve(self, start: Array) -> tuple[Array, Array]:
        """Weights (c, o), drawn to ``start`` where the channels say nothing, and a constant (o,)."""
        x, y, xx, xy = (each / self.n for each in self.sums)
        covariance = xx - np.outer(x, x)
        left = xy - np.outer(x, y) - covariance @ start
        weights = start + np.linalg.solve(ridged(covariance, _FIRM), left)
        return weights, y - x @ weights


def _squeezing(block: Block) -> Array:
    """Weights (o, c) that squeeze the channels of a block."""
    weights: Array = block._project_conv.weight[:, :, 0, 0].detach().double().cpu().numpy()
    return weights


def _scale(block: Block) -> Array:
    """What each of the o outputs is multiplied by after the squeezing."""
    bn = block._bn2
    scale: Array = (bn.weight / torch.sqrt(cast(Tensor, bn.running_var) + bn.eps)).double().cpu().numpy()
    return scale


def _select(state: dict[str, Tensor], block: str, kept: Tensor) -> None:
    """Leave these channels only inside one block of ``state``."""
    inside = tuple(block + part for part in ("_expand_conv.", "_bn0.", "_depthwise_conv.", "_bn1."))
    for name, value in state.items():
        if name.startswith(inside) and value.ndim:
            state[name] = value[kept]
    squeezing = block + "_project_conv.weight"
    state[squeezing] = state[squeezing][:, kept]


@torch.no_grad()
def _refit(net: TaggerNet, like: TaggerNet, batches: Sequence[Tensor]) -> None:
    """Fit the squeezing weights of each block in turn so that ``net`` passes on what ``like`` does."""
    own = wanted = [like.stem(pixels.float()).half() for pixels in batches]  # the stem stays as it is
    for number, block in net.blocks().items():
        fit = _Regression()
        before = like.blocks()[number]
        wanted = [before(x.float()).half() for x in wanted]
        if block.expand:
            for mine, theirs in zip(own, wanted, strict=True):
                x = mine.float()
                fit.add(block.widened(x), theirs.float() - x if block.skip else theirs.float())
            _set_squeezing(block, *fit.solve(_squeezing(block).T * _scale(block)))
        own = [block(x.float()).half() for x in own]


def _set_squeezing(block: Block, weights: Array, constant: Array) -> None:
    """Squeezing weights (c, o) and a constant (o,) for a block; the scaling behind them is put out of use."""
    like = block._project_conv.weight
    like.copy_(torch.from_numpy(weights.T)[:, :, None, None].to(like))
    bn = block._bn2
    variance, mean = cast(Tensor, bn.running_var), cast(Tensor, bn.running_mean)
    bn.weight.copy_(torch.sqrt(variance + bn.eps))
    mean.zero_()
    bn.bias.copy_(torch.from_numpy(constant).to(bn.bias))
