"""One training step many times: as it is on a processor, recorded once and replayed on a graphics card.

A small net at a batch of 32 keeps a graphics card waiting for Python; a recorded step (a CUDA graph) is
launched whole. What changes from step to step must therefore lie in tensors that the step itself moves on.
"""

from __future__ import annotations

from collections.abc import Callable

import torch
from torch import Tensor

__all__ = ["repeat"]

# Steps done before recording: libraries choose their kernels, the optimiser allocates its state.
_WARM_UP = 12


def repeat(
    step: Callable[[], Tensor],
    steps: int,
    device: torch.device,
    progress: Callable[[int, float], None] | None = None,
) -> None:
    """Run ``step`` ``steps`` times; it returns its loss, which ``progress`` is told every 50 steps."""

    def told(at: int, loss: Tensor) -> None:
        if progress is not None and at % 50 == 0:
            progress(at, float(loss.detach()))

    if device.type != "cuda":
        for at in range(steps):
            told(at, step())
        return
    with torch.cuda.device(device):
        aside = torch.cuda.Stream()  # type: ignore[no-untyped-call]
        aside.wait_stream(torch.cuda.current_stream())
        with torch.cuda.stream(aside):
            for at in range(min(_WARM_UP, steps)):
                told(at, step())
        torch.cuda.current_stream().wait_stream(aside)
        if steps <= _WARM_UP:
            return
        graph = torch.cuda.CUDAGraph()
        with torch.cuda.graph(graph):
            loss = step()
        for at in range(_WARM_UP, steps):
            graph.replay()
            told(at, loss)
        torch.cuda.synchronize()
