"""Counts and percentiles over the needles of one photo."""

from __future__ import annotations

from collections import Counter
from typing import Final, Literal

import numpy as np

from eavefall_model.gauge.schema import GaugeSummary, Needle
from eavefall_model.screens.standards import widest_iso_opening_below

__all__ = ["summarise"]

_LONG_MM: Final = 70.0  # a long needle, by the house's own word list


def summarise(needles: list[Needle], rel_scale_sd: float) -> GaugeSummary:
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
    )


def _form(lengths_mm: list[float]) -> Literal["long_needle", "short_needle", "unsure"]:
    """Long or short where the middle half of the lengths agrees, unsure else."""
    if len(lengths_mm) == 0:
        return "unsure"
    low, high = np.percentile(lengths_mm, [25, 75])
    if low >= _LONG_MM:
        return "long_needle"
    return "short_needle" if high < _LONG_MM else "unsure"
