"""What the channels inside the blocks of a net do on pictures, and which of them its answers need least."""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Final

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor

from eavefall_model.vocabulary import FOLIAGE
from eavefall_training.net import TaggerNet

__all__ = ["STEP", "Array", "Channels", "at_places", "read_channels", "removal_order", "ridged"]

Array = NDArray[np.float64]
STEP: Final = 16  # processors work on so many numbers at a time, and so many channels stay at least
_PLACES: Final = 8192  # of a batch at most, in which channels are read
_RIDGE: Final = 1e-4


@dataclass(frozen=True)
class Channels:
    """What the c channels inside one block did, and what its o outputs count for.

    ``mean`` (c,) and ``covariance`` (c, c) over places; ``importance`` (o, o): outer product of the slopes of
    the foliage logits against the outputs, summed over the places of a picture, mean over pictures.
    """

    mean: Array
    covariance: Array
    importance: Array


def read_channels(net: TaggerNet, batches: Iterable[Tensor]) -> dict[int, Channels]:
    """``Channels`` of every block that widens what it is given, by its number."""
    net = copy.deepcopy(net).eval()
    blocks = {number: block for number, block in net.blocks().items() if block.expand}
    given: dict[int, Tensor] = {}
    made: dict[int, Tensor] = {}
    for number, block in blocks.items():
        block._project_conv.register_forward_hook(_noting(given, made, number))
    sums = {number: _Sums() for number in blocks}
    for pixels in batches:
        logits = net(pixels.float())[0]
        for number in blocks:
            sums[number].channels(given[number], len(pixels))
        for label in range(len(FOLIAGE)):
            outputs = [made[number] for number in blocks]
            slopes = torch.autograd.grad(logits[:, label].sum(), outputs, retain_graph=True)
            for number, slope in zip(blocks, slopes, strict=True):
                sums[number].slopes(slope)
    return {number: each.summed() for number, each in sums.items()}


def removal_order(squeezing: Array, told: Channels) -> tuple[NDArray[np.int64], Array]:
    """Channels in the order in which they can go, and how much the answers have changed after each.

    Parameters
    ----------
    squeezing : float array (o, c)

    Notes
    -----
    Greedy, by the algebra of least squares, as in the "optimal brain surgeon" (Hassibi & Stork, NIPS 1992,
    from memory) with the covariance of the channels for its matrix: when one goes, what it gave is given by
    the others as far as they vary with it.

    Returns
    -------
    int array (c - 16,), float array (c - 16,)
        The change is the summed variance of the foliage logits if the errors of places were independent.
    """
    strength, axes = np.linalg.eigh(told.importance)
    felt = torch.from_numpy((axes * np.sqrt(np.maximum(strength, 0.0))).T @ squeezing)
    # Tensors, for their outer product that is added in place.
    inverse = torch.from_numpy(np.linalg.inv(ridged(told.covariance, _RIDGE)))
    gone = torch.zeros(len(inverse), dtype=torch.bool)
    order, costs, cost = [], [], 0.0
    with _one_thread():
        for _ in range(len(inverse) - STEP):
            each = felt.square().sum(0) / inverse.diagonal()
            each[gone] = torch.inf
            at = int(each.argmin())
            cost += float(each[at])
            order.append(at)
            costs.append(cost)
            gone[at] = True
            row = inverse[at] / inverse[at, at]
            felt.addr_(felt[:, at].clone(), row, alpha=-1)
            inverse.addr_(inverse[:, at].clone(), row, alpha=-1)
    return np.array(order, dtype=np.int64), np.array(costs)


@contextmanager
def _one_thread() -> Iterator[None]:
    """Thousands of small steps shared among threads wait for each other for minutes on a busy machine."""
    threads = torch.get_num_threads()
    torch.set_num_threads(1)
    try:
        yield
    finally:
        torch.set_num_threads(threads)


def at_places(values: Tensor) -> Tensor:
    """(n, c, h, w) -> float64 (places, c), every so many of them, in the same order for the same shape."""
    rows = _rows(values)
    return rows[:: max(1, len(rows) // _PLACES)].double()


def _rows(values: Tensor) -> Tensor:
    return values.permute(0, 2, 3, 1).flatten(0, 2)


def ridged(covariance: Array, by: float) -> Array:
    """With this share of the mean variance added to each: channels that never vary can then be divided by."""
    ridge: Array = np.eye(len(covariance)) * (by * np.trace(covariance) / len(covariance) + 1e-12)
    return covariance + ridge


@dataclass
class _Sums:
    pictures: int = 0
    places: int = 0
    mean: Array = field(default_factory=lambda: np.zeros(()))
    second: Array = field(default_factory=lambda: np.zeros(()))
    importance: Array = field(default_factory=lambda: np.zeros(()))

    def channels(self, values: Tensor, pictures: int) -> None:
        rows = at_places(values)
        self.pictures += pictures
        self.places += len(rows)
        self.mean = self.mean + rows.sum(0).cpu().numpy()
        self.second = self.second + (rows.T @ rows).cpu().numpy()

    def slopes(self, values: Tensor) -> None:
        rows = _rows(values).double()
        self.importance = self.importance + (rows.T @ rows).cpu().numpy()

    def summed(self) -> Channels:
        mean = self.mean / self.places
        covariance = self.second / self.places - np.outer(mean, mean)
        return Channels(mean, covariance, self.importance / self.pictures)


def _noting(given: dict[int, Tensor], made: dict[int, Tensor], number: int) -> Callable[..., None]:
    """A hook that notes what a module is given and what it makes of it."""

    def hook(_module: object, inputs: tuple[Tensor, ...], output: Tensor) -> None:
        given[number] = inputs[0].detach()
        made[number] = output

    return hook
