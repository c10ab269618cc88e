"""Learn from an office's corrections on a plain CPU: only the last layer moves, and not far.

The tagger's scores are linear in its features. A refit finds the change of that last layer that makes the
base pictures and the office's own more likely, with a ridge that pulls every weight back to what it was. How
strong the ridge is, held-out groups decide. Trunk, preprocessing and calibration stay as they are.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Final

import numpy as np
import onnx
from numpy.typing import NDArray
from onnx import numpy_helper
from torch import Tensor, from_numpy, optim, zeros
from torch.nn import functional as F

from eavefall_model.tags.card import Card, Source
from eavefall_training.described import Described
from eavefall_training.release import sha256

_RIDGES: Final = (30.0, 10.0, 3.0, 1.0, 0.3)
_FORM_WEIGHT: Final = 0.7


@dataclass(frozen=True)
class Refit:
    """Change of the last layer: ``weight`` (8, 1280), ``bias`` (8,); and how it was found.

    ``held_out_loss`` maps each ridge tried, and 0 for no change at all, to the mean loss on held-out groups.
    """

    weight: NDArray[np.float32]
    bias: NDArray[np.float32]
    ridge: float
    held_out_loss: dict[float, float]
    n: int


def _loss(logits: Tensor, foliage: Tensor, form: Tensor, weight: Tensor) -> Tensor:
    yes_no = F.binary_cross_entropy_with_logits(logits[:, :3], foliage, reduction="none").sum(1)
    known = form >= 0
    which = F.cross_entropy(logits[:, 3:], form.clamp(min=0), reduction="none") * known
    return ((yes_no + _FORM_WEIGHT * which) * weight).sum() / weight.sum()


def fit_change(
    data: Described, ridge: float, scale: float
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Change of weight and bias that minimizes mean loss + ridge * squared change of scores at unit scale.

    ``scale`` is the root mean square length of the features; it makes the ridge mean the same for any net.
    """
    x = from_numpy(data.features.astype(np.float64) / scale)
    start = from_numpy(data.logits.astype(np.float64))
    foliage = from_numpy(data.foliage.astype(np.float64))
    form, trust = from_numpy(data.form), from_numpy(data.weight)
    change = zeros((x.shape[1] + 1, 8), dtype=x.dtype, requires_grad=True)
    solver = optim.LBFGS([change], max_iter=200, line_search_fn="strong_wolfe")

    def step() -> float:
        solver.zero_grad()
        moved = start + x @ change[:-1] + change[-1]
        loss = _loss(moved, foliage, form, trust) + ridge / len(x) * change.square().sum()
        loss.backward()  # type: ignore[no-untyped-call]
        return float(loss.detach())

    solver.step(step)  # type: ignore[no-untyped-call]
    found = change.detach().numpy()
    return (found[:-1].T / scale).astype(np.float32), found[-1].astype(np.float32)


def apply_refit(
    data: Described, weight: NDArray[np.float32], bias: NDArray[np.float32]
) -> NDArray[np.float32]:
    """Scores after a change, float32 (n, 8)."""
    return np.asarray(data.logits + data.features @ weight.T + bias, dtype=np.float32)


def _mean_loss(data: Described, logits: NDArray[np.float32]) -> float:
    return float(
        _loss(
            from_numpy(logits.astype(np.float64)),
            from_numpy(data.foliage.astype(np.float64)),
            from_numpy(data.form),
            from_numpy(data.weight),
        )
    )


def choose_ridge(data: Described, fold: NDArray[np.int64]) -> Refit:
    """Refit with the ridge that does best on folds of whole groups, or no change if none does better.

    Parameters
    ----------
    data : Described
        All that may be learned from.
    fold : int array (n,)
        Pictures of one tree, species or small source share a fold.
    """
    scale = float(np.sqrt((data.features.astype(np.float64) ** 2).sum(axis=1).mean()))
    tried: dict[float, float] = {0.0: _mean_loss(data, data.logits)}
    for ridge in _RIDGES:
        logits = np.zeros_like(data.logits)
        for k in np.unique(fold):
            learn, held = np.flatnonzero(fold != k), np.flatnonzero(fold == k)
            logits[held] = apply_refit(data.take(held), *fit_change(data.take(learn), ridge, scale))
        tried[ridge] = _mean_loss(data, logits)
    best = min(tried, key=lambda ridge: tried[ridge])
    if best == 0.0:
        nothing = np.zeros((8, data.features.shape[1]), np.float32)
        return Refit(nothing, np.zeros(8, np.float32), 0.0, tried, len(data))
    return Refit(*fit_change(data, best, scale), best, tried, len(data))


def write_candidate(
    refit: Refit, weights: bytes, card: Card, name: str, sources: tuple[Source, ...], out: Path
) -> Card:
    """Write ``out`` with the changed weights and a card that says what they are; returns the card."""
    model = onnx.load_model_from_string(weights)
    stored = {part.name: part for part in model.graph.initializer}
    for part in ("net.head.weight", "net.head.weight_half"):
        if part in stored:
            old = numpy_helper.to_array(stored[part])
            new = old.astype(np.float32) + refit.weight.reshape(old.shape)
            stored[part].CopyFrom(numpy_helper.from_array(new.astype(old.dtype), part))
            break
    else:
        raise ValueError("the model has no head that this version knows how to refit")
    bias = numpy_helper.to_array(stored["net.head.bias"]) + refit.bias
    stored["net.head.bias"].CopyFrom(numpy_helper.from_array(bias, "net.head.bias"))
    data = bytes(model.SerializeToString())
    made = card.model_copy(
        update={
            "name": name,
            "weights_sha256": sha256(data),
            "weights_licence": "for this office only: learned from photos sent with consent to just that",
            "figures": (),
            "sources": (*card.sources, *sources),
            "recipe": {**card.recipe, "refit_ridge": refit.ridge, "refit_pictures": refit.n},
        }
    )
    out.mkdir(parents=True, exist_ok=True)
    (out / card.weights_file).write_bytes(data)
    (out / "card.json").write_text(made.model_dump_json(indent=1), encoding="utf-8")
    return made
