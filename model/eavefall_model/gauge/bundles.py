"""Which needles share a base: the fascicles of pines."""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["find_bundles", "hidden_base_mm"]

FloatArray = NDArray[np.float64]

_TOGETHER_MM: Final = 2.5  # sheaths are up to about this wide
_SHEATH_MM: Final = 10.0  # and mostly shorter than this (judgement)
_FAN_COSINE: Final = math.cos(math.radians(45))
_ALONG_COSINE: Final = math.cos(math.radians(20))
_LOOK_MM: Final = 10.0


def find_bundles(axes_mm: list[FloatArray], forks: list[int | None]) -> list[tuple[int, int] | None]:
    """Bundle number (from 1) and which end is the base (0 first, 1 last) of each axis; None if single.

    Parameters
    ----------
    axes_mm : list of (N, 2) arrays
        Axes in the plane, from end to end.
    forks : list of int or None
        Which of them were seen to part from one another at a fork (the same number).

    Notes
    -----
    Ends that lie together and whose needles leave in about the same direction are one base; so are those of
    needles from one fork of which one begins beside the other's first millimetres. A needle with both ends in
    company belongs where the company is larger.
    """
    ends = [(i, end) for i in range(len(axes_mm)) for end in (0, 1)]
    places = np.array([axes_mm[i][-end] for i, end in ends]).reshape(-1, 2)
    outward = np.array([_leaving(axes_mm[i], end) for i, end in ends]).reshape(-1, 2)
    home = list(range(len(ends)))

    def find(k: int) -> int:
        while home[k] != k:
            k = home[k]
        return k

    for a in range(len(ends)):
        for b in range(a + 1, len(ends)):
            cosine = float(outward[a] @ outward[b])
            if ends[a][0] == ends[b][0] or cosine < _FAN_COSINE:
                continue
            fork = forks[ends[a][0]] is not None and forks[ends[a][0]] == forks[ends[b][0]]
            aside = min(_apart(places[a], axes_mm, ends[b]), _apart(places[b], axes_mm, ends[a]))
            together = math.dist(places[a], places[b]) < _TOGETHER_MM
            if together or (fork and cosine > _ALONG_COSINE and aside < _TOGETHER_MM / 2):
                home[max(find(a), find(b))] = min(find(a), find(b))
    groups: dict[int, list[int]] = {}
    for k in range(len(ends)):
        groups.setdefault(find(k), []).append(k)
    result: list[tuple[int, int] | None] = [None] * len(axes_mm)
    number = 0
    for members in sorted(groups.values(), key=lambda group: (-len(group), group)):
        free = [k for k in members if result[ends[k][0]] is None]
        if len({ends[k][0] for k in free}) >= 2:
            number += 1
            for k in free:
                result[ends[k][0]] = (number, ends[k][1])
    return result


def hidden_base_mm(axes_mm: list[FloatArray], bundles: list[tuple[int, int] | None]) -> list[float]:
    """How much farther into its sheath each needle runs than was seen: as far as any of its bundle."""
    hidden = [0.0] * len(axes_mm)
    for i, mine in enumerate(bundles):
        if mine is None:
            continue
        here, outward = axes_mm[i][-mine[1]], _leaving(axes_mm[i], mine[1])
        for j, other in enumerate(bundles):
            if other is not None and other[0] == mine[0]:
                hidden[i] = max(hidden[i], float((here - axes_mm[j][-other[1]]) @ outward))
    return hidden


def _apart(place: FloatArray, axes_mm: list[FloatArray], end: tuple[int, int]) -> float:
    """Distance from a place to the first millimetres of a needle, counted from one of its ends."""
    points = axes_mm[end[0]] if end[1] == 0 else axes_mm[end[0]][::-1]
    first = points[np.hypot(*(points - points[0]).T) <= _SHEATH_MM]
    return float(np.hypot(*(first - place).T).min())


def _leaving(axis: FloatArray, end: int) -> FloatArray:
    """Unit direction in which the needle leaves this end."""
    points = axis if end == 0 else axis[::-1]
    far = points[np.hypot(*(points - points[0]).T) <= _LOOK_MM][-1] - points[0]
    size = float(np.hypot(*far))
    return far / size if size > 0 else np.zeros(2)
