"""Many nets side by side: every recipe times every fold, plus one net on everything, in parallel processes.

A fold net never sees its fold; its logits there are the out-of-fold predictions that all figures,
calibration and thresholds come from. Pictures held out whole are scored by every net.
"""

from __future__ import annotations

import hashlib
import queue
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
import torch
from numpy.typing import NDArray

from eavefall_training import pack as packs
from eavefall_training.config import FitConfig
from eavefall_training.draws import draw_weights, training_rows
from eavefall_training.fit import fit_soup, predict
from eavefall_training.stack import as_served, stack

__all__ = ["PICTURES", "Trial", "fit_all", "fitted_from", "load_fitted", "run_trials"]

STACK_PX = 384
PICTURES: Final = "pictures.npz"  # in a work folder: what is learnt from
_FITTED: Final = "fitted.npz"


@dataclass(frozen=True)
class Trial:
    """Logits of one recipe.

    Attributes
    ----------
    by_fold : float32 array (folds, n, 8)
        Logits of each fold net on all n pictures; NaN where a net was not trained.
    final : float32 array (n, 8)
        Logits of the net trained on everything; only meaningful on pictures held out whole.
    seconds : float
        Summed over nets.
    """

    config: FitConfig
    by_fold: NDArray[np.float32]
    final: NDArray[np.float32]
    seconds: float

    def out_of_fold(self, fold: NDArray[np.int64]) -> NDArray[np.float32]:
        """(n, 8): each picture from the net that never saw it; held-out pictures from the mean fold net."""
        out = np.nanmean(self.by_fold, axis=0)
        for k in range(len(self.by_fold)):
            out[fold == k] = self.by_fold[k][fold == k]
        return np.asarray(out, dtype=np.float32)


def run_trials(
    pack_path: Path,
    recipes: list[FitConfig],
    *,
    device: str,
    workers: int,
    out: Path,
    keep_nets: tuple[str, ...] = (),
    keep_fold_nets: tuple[str, ...] = (),
    seconds: float = 1e9,
    with_final: bool = True,
) -> list[Trial]:
    """Fit everything; writes ``final-NAME.pt`` (half precision) for recipes in ``keep_nets``.

    No new net is begun after ``seconds``; what is unfinished stays NaN.
    """
    tasks: list[tuple[int, int]] = []
    for r, config in enumerate(recipes):
        tasks += [(r, k) for k in ([-1] if with_final else []) + list(range(config.folds))]
    context = torch.multiprocessing.get_context("spawn")
    todo: Any = context.Queue()
    done: Any = context.Queue()
    for task in tasks:
        todo.put(task)
    began = time.time()
    args = (pack_path, recipes, device, todo, done, out, keep_nets, keep_fold_nets, began + seconds)
    # Workers are dealt to the devices of one host in turn.
    devices = [f"cuda:{i}" for i in range(torch.cuda.device_count())] if device == "cuda" else [device]
    processes = [
        context.Process(target=_work, args=(*args[:2], devices[i % len(devices)], *args[3:]))
        for i in range(workers)
    ]
    for process in processes:
        process.start()
    n = len(packs.load(pack_path))
    by_fold = [np.full((c.folds, n, 8), np.nan, np.float32) for c in recipes]
    final = [np.full((n, 8), np.nan, np.float32) for _ in recipes]
    spent = [0.0] * len(recipes)
    open_workers = workers
    while open_workers:
        try:
            message = done.get(timeout=30)
        except queue.Empty:
            if not any(p.is_alive() for p in processes):
                break
            continue
        if message is None:
            open_workers -= 1
            continue
        r, fold, logits, took = message
        spent[r] += took
        if fold < 0:
            final[r] = logits
        else:
            by_fold[r][fold] = logits
        print(f"{time.time() - began:6.0f} s  {recipes[r].name} fold {fold}  {took:.0f} s", flush=True)
    for process in processes:
        process.join()
    return [Trial(c, b, f, s) for c, b, f, s in zip(recipes, by_fold, final, spent, strict=True)]


def fit_all(config: FitConfig, work: Path, *, device: str, workers: int) -> None:
    """Fit every fold and the final net from ``work / PICTURES``; leaves the net and all logits in ``work``.

    Needs nothing but that file, so that a machine with graphics cards need not have the pictures.
    """
    (work / _FITTED).unlink(missing_ok=True)
    trial = run_trials(
        work / PICTURES, [config], device=device, workers=workers, out=work, keep_nets=(config.name,)
    )[0]
    if not (np.isfinite(trial.by_fold).all() and np.isfinite(trial.final).all()):
        raise RuntimeError("not every net was fitted; what its process said stands above")
    np.savez(work / _FITTED, by_fold=trial.by_fold, final=trial.final, made_from=_fitting_key(config, work))


def fitted_from(config: FitConfig, work: Path) -> bool:
    """Whether ``work`` holds what ``fit_all`` would leave there for this recipe and these pictures."""
    if not ((work / _FITTED).exists() and (work / f"final-{config.name}.pt").exists()):
        return False
    with np.load(work / _FITTED, allow_pickle=False) as stored:
        return str(stored["made_from"]) == _fitting_key(config, work)


def load_fitted(work: Path) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """``Trial.by_fold`` and ``Trial.final`` as ``fit_all`` left them."""
    with np.load(work / _FITTED, allow_pickle=False) as stored:
        return stored["by_fold"], stored["final"]


def _fitting_key(config: FitConfig, work: Path) -> str:
    packed = hashlib.sha256((work / PICTURES).read_bytes()).hexdigest()
    return f"{packed} {config}"


def _work(
    pack_path: Path,
    recipes: list[FitConfig],
    device_name: str,
    todo: Any,
    done: Any,
    out: Path,
    keep_nets: tuple[str, ...],
    keep_fold_nets: tuple[str, ...],
    deadline: float,
) -> None:
    if device_name.startswith("cuda"):
        torch.set_num_threads(1)
    torch.backends.cudnn.benchmark = device_name.startswith("cuda")
    torch.backends.cudnn.benchmark_limit = 3  # trying all kernels took each process 60 to 80 s
    device = torch.device(device_name)
    pack = packs.load(pack_path)
    data = stack(pack, STACK_PX, device)
    try:
        while time.time() < deadline:
            r, fold = todo.get(timeout=2)
            config, began = recipes[r], time.time()
            rows = training_rows(pack, config, None if fold < 0 else fold)
            net = fit_soup(data, rows, draw_weights(pack, rows, config), config, fold)
            torch.backends.cudnn.benchmark = False
            logits = predict(net, as_served(data.pixels, config), mirror=False)
            torch.backends.cudnn.benchmark = device_name.startswith("cuda")
            if (fold < 0 and config.name in keep_nets) or (fold >= 0 and config.name in keep_fold_nets):
                name = f"final-{config.name}.pt" if fold < 0 else f"fold{fold}-{config.name}.pt"
                torch.save({k: v.half().cpu() for k, v in net.state_dict().items()}, out / name)
            done.put((r, fold, logits, time.time() - began))
    except queue.Empty:
        pass
    done.put(None)
