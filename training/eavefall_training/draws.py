"""How often each picture is shown: classes evened out, near-copies and made pictures held in check."""

from __future__ import annotations

import hashlib
from collections import Counter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_training.config import FitConfig
from eavefall_training.pack import HELD_OUT, Pack

__all__ = ["draw_weights", "training_rows"]

_LEAST: Final = 4  # judgement: one odd picture is not to fill a fiftieth of all draws


def training_rows(pack: Pack, config: FitConfig, leave_out_fold: int | None) -> NDArray[np.int64]:
    """Rows to learn from: every fold but one (or all of them), and made pictures if they have a share.

    With ``config.group_share`` below 1, photos of that share of the species and sources only.
    """
    share = _shares(config)
    keep = [
        fold not in (HELD_OUT, leave_out_fold)
        and (share[kind] > 0 if kind != "photo" else _place(group, config.seed) < config.group_share)
        for fold, kind, group in zip(pack.fold, pack.kinds, pack.groups, strict=True)
    ]
    return np.flatnonzero(keep).astype(np.int64)


def draw_weights(pack: Pack, rows: NDArray[np.int64], config: FitConfig) -> NDArray[np.float64]:
    """Relative frequency of each row.

    A class is a form, or foliage where no form is known: a second kind of tree behind the first does not make
    a class of its own, whose only picture would be drawn as often as dozens. In a class of n pictures each
    gets n ** -balance, and no class counts as less than four; a group of m pictures of one species or place
    gets m ** -0.25 on top. Each made kind then gets its share of all draws.
    """
    keys = [(pack.kinds[i], _class(pack, int(i))) for i in rows]
    n_class = Counter(keys)
    n_group = Counter((pack.groups[i] or pack.file_ids[i]) for i in rows)
    weight = np.array(
        [
            max(n_class[key], _LEAST) ** -config.balance
            * n_group[pack.groups[i] or pack.file_ids[i]] ** -0.25
            for key, i in zip(keys, rows, strict=True)
        ]
    )
    share = _shares(config)
    kinds = np.array([pack.kinds[i] for i in rows])
    made = sum(s for kind, s in share.items() if (kinds == kind).any())
    for kind in set(kinds):
        part = share.get(kind, 1.0 - made)
        weight[kinds == kind] *= part / weight[kinds == kind].sum()
    return np.asarray(weight, dtype=np.float64)


def _place(group: str, seed: int) -> float:
    """Where a species or source stands from 0 to 1 in the order that this seed takes them in."""
    return int.from_bytes(hashlib.sha256(f"subset {seed}:{group}".encode()).digest()[:8], "big") / 2**64


def _class(pack: Pack, i: int) -> int | tuple[float, ...]:
    return int(pack.form[i]) if pack.form[i] >= 0 else tuple(pack.foliage[i].tolist())


def _shares(config: FitConfig) -> dict[str, float]:
    return {
        "sprite": config.share_sprites,
        "rendered": config.share_rendered,
        "package": config.share_packages,
    }
