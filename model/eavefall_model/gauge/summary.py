"""What the needles of one photo say together: which share a base, how many kinds, counts and percentiles."""

from __future__ import annotations

import math
from collections import Counter
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from eavefall_model.gauge.schema import GaugeSummary, Needle, WidthGroup
from eavefall_model.screens.standards import widest_iso_opening_below

FloatArray = NDArray[np.float64]

_LONG_MM: Final = 70.0  # a long needle, by the house's own word list
_TOGETHER_MM: Final = 2.5  # sheaths are up to about this wide
_SHEATH_MM: Final = 10.0  # and mostly shorter than this (judgement)
_FAN_COSINE: Final = math.cos(math.radians(45))
_ALONG_COSINE: Final = math.cos(math.radians(20))
_LOOK_MM: Final = 10.0
# Needles of one tree differ in width by a tenth or so: a gap this wide between two neighbors in width, with
# two or more on either side, parts kinds (judgement).
_KINDS_APART: Final = 1.4


def summarize(needles: list[Needle], rel_scale_sd: float) -> GaugeSummary:
    """Summary of at least one needle.

    The standard deviation of the median width has the needles' scatter (1.2533 s / sqrt n, the large-sample
    error of a median), their own mean error shared through edges, and the scale.
    """
    widths = np.array([needle.width_mm for needle in needles])
    lengths = np.array([needle.length_mm for needle in needles if needle.complete])
    p5, median, p95 = (float(v) for v in np.percentile(widths, [5, 50, 95]))
    scatter = 1.2533 * float(np.std(widths, ddof=1)) / len(widths) ** 0.5 if len(widths) > 1 else 0.0
    own = float(np.median([needle.width_sd_mm for needle in needles]))
    opening = widest_iso_opening_below(p5)
    bundles = Counter(needle.bundle for needle in needles if needle.bundle is not None)
    sizes = Counter(bundles.values()).most_common(1)
    return GaugeSummary(
        n=len(needles),
        n_complete=len(lengths),
        length_p5_mm=float(np.percentile(lengths, 5)) if len(lengths) else None,
        length_median_mm=float(np.median(lengths)) if len(lengths) else None,
        length_p95_mm=float(np.percentile(lengths, 95)) if len(lengths) else None,
        width_p5_mm=p5,
        width_median_mm=median,
        width_p95_mm=p95,
        width_sd_mm=float(np.sqrt(scatter**2 + own**2 + (rel_scale_sd * median) ** 2)),
        needles_per_bundle=sizes[0][0] if sizes and sizes[0][0] > 1 else None,
        form=_form(lengths.tolist()),
        refusing_opening_mm=opening[0] if opening else None,
        refusing_designation=opening[1] if opening else None,
        groups=_groups(needles),
    )


def _form(lengths_mm: list[float]) -> Literal["long_needle", "short_needle", "unsure"]:
    """Long or short where the middle half of the lengths agrees, unsure else."""
    if len(lengths_mm) == 0:
        return "unsure"
    low, high = np.percentile(lengths_mm, [25, 75])
    if low >= _LONG_MM:
        return "long_needle"
    return "short_needle" if high < _LONG_MM else "unsure"


def _groups(needles: list[Needle]) -> tuple[WidthGroup, ...]:
    """Needles by kind, thinnest first, where there is more than one kind; else none."""
    order = sorted(needles, key=lambda needle: needle.width_mm)
    kinds: list[list[Needle]] = [[]]
    for k, needle in enumerate(order):
        if (
            k
            and needle.width_mm > _KINDS_APART * order[k - 1].width_mm
            and len(kinds[-1]) >= 2 <= len(order) - k
        ):
            kinds.append([])
        kinds[-1].append(needle)
    if len(kinds) == 1:
        return ()
    groups = []
    for kind in kinds:
        lengths = [needle.length_mm for needle in kind if needle.complete]
        groups.append(
            WidthGroup(
                n=len(kind),
                width_median_mm=float(np.median([needle.width_mm for needle in kind])),
                length_median_mm=float(np.median(lengths)) if lengths else None,
            )
        )
    return tuple(groups)


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
    needles from one fork of which one begins beside the other's first millimeters. A needle with both ends in
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
    """Distance from a place to the first millimeters of a needle, counted from one of its ends."""
    points = axes_mm[end[0]] if end[1] == 0 else axes_mm[end[0]][::-1]
    first = points[np.hypot(*(points - points[0]).T) <= _SHEATH_MM]
    return float(np.hypot(*(first - place).T).min())


def _leaving(axis: FloatArray, end: int) -> FloatArray:
    """Unit direction in which the needle leaves this end."""
    points = axis if end == 0 else axis[::-1]
    far = points[np.hypot(*(points - points[0]).T) <= _LOOK_MM][-1] - points[0]
    size = float(np.hypot(*far))
    return far / size if size > 0 else np.zeros(2)
