"""Pictures of what was measured elsewhere. Nothing is computed here beyond where to put it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from html import escape

from eavefall_service.audit.agreement import Confusion
from eavefall_service.audit.calibration import Calibration
from eavefall_service.audit.canvas import Canvas, svg
from eavefall_service.audit.drift import DriftWatch, Week
from eavefall_service.audit.plans import Plan, accept_probability
from eavefall_service.audit.posterior import ScaleUpdate

__all__ = ["confusion_svg", "operating_curve_svg", "reliability_svg", "scale_svg", "weekly_svg"]

_SHARES = tuple((share / 100, f"{share} %") for share in (0, 25, 50, 75, 100))


def _share_ticks(top: float) -> list[tuple[float, str]]:
    step = next(s for s in (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.25) if top / s <= 5 or s == 0.25)
    return [(i * step, f"{100 * i * step:g} %") for i in range(int(top / step + 1e-9) + 1)]


def confusion_svg(table: Confusion) -> str:
    """Squares whose darkness is the share of the row; every count is written; the diagonal is framed."""
    cell, left, top = 62.0, 118.0, 74.0
    size = len(table.labels)
    text = 'font-family="system-ui, sans-serif" font-size="12" fill="currentColor"'
    across, down = left + cell * size / 2, top + cell * size / 2
    parts = [
        f'<text x="{across:.0f}" y="16" text-anchor="middle" {text}>{escape(table.second)}</text>',
        f'<text x="14" y="{down:.0f}" text-anchor="middle" {text} transform="rotate(-90 14 {down:.0f})">'
        f"{escape(table.first)}</text>",
    ]
    for i, label in enumerate(table.labels):
        words = escape(label.replace("_", " "))
        x, y = left + cell * (i + 0.5), top + cell * (i + 0.5)
        parts.append(f'<text x="{left - 8:.0f}" y="{y + 4:.0f}" text-anchor="end" {text}>{words}</text>')
        parts.append(
            f'<text x="{x:.0f}" y="{top - 8:.0f}" text-anchor="start" transform="rotate(-35 {x:.0f} '
            f'{top - 8:.0f})" {text}>{words}</text>'
        )
        total = sum(table.counts[i])
        for j, count in enumerate(table.counts[i]):
            share = count / total if total else 0.0
            x = left + cell * j
            edge = 'stroke-width="2"' if i == j else 'stroke-opacity="0.3"'
            parts.append(
                f'<rect x="{x:.0f}" y="{top + cell * i:.0f}" width="{cell - 3:.0f}" height="{cell - 3:.0f}" '
                f'fill="currentColor" fill-opacity="{0.45 * share:.3f}" stroke="currentColor" {edge}/>'
                f'<text x="{x + cell / 2 - 2:.0f}" y="{top + cell * i + 28:.0f}" text-anchor="middle" '
                f'font-weight="600" {text}>{count}</text>'
                f'<text x="{x + cell / 2 - 2:.0f}" y="{top + cell * i + 45:.0f}" text-anchor="middle" '
                f"{text.replace('12', '10', 1)}>{share:.0%}</text>"
            )
    width, height = left + cell * size + 60, top + cell * size + 6
    said = table.agreement()
    return svg(width, height, f"{table.first} against {table.second}", f"They agree on {said}.", parts)


def weekly_svg(weeks: Sequence[Week], watched: DriftWatch, title: str, starts: str = "") -> str:
    """Weekly shares with their intervals, the baseline, and a flag at every alarm."""
    shown = [week for week in weeks if week.share.value is not None]
    if not shown:
        return svg(560, 40, title, "No survey yet.", ())
    first, last = shown[0].week, shown[-1].week
    top = min(1.0, max(max(w.share.value or 0.0 for w in shown) * 1.35, 0.05))
    canvas = Canvas((first - 0.5, last + 0.5), (0.0, top))
    step = max(1, math.ceil((last - first + 1) / 9))
    ticks = [(float(w), str(w - first + 1)) for w in range(first, last + 1, step)]
    canvas.axes(ticks, _share_ticks(top), f"week{f' (from {starts})' if starts else ''}", "share of surveys")
    if watched.baseline is not None and watched.baseline.value is not None:
        usual = watched.baseline
        canvas.band(
            [(first - 0.5, usual.low, min(top, usual.high)), (last + 0.5, usual.low, min(top, usual.high))]
        )
        canvas.line(
            [(first - 0.5, usual.value or 0.0), (last + 0.5, usual.value or 0.0)], dash="6 4", weight=1.5
        )
    for week in shown:
        canvas.whisker(week.week, week.share.low, min(top, week.share.high))
        canvas.dot(week.week, week.share.value or 0.0)
    for alarm in watched.alarms:
        canvas.flag(alarm.week, f"Alarm in week {alarm.week - first + 1}, {alarm.direction}")
    told = [f"alarm in week {alarm.week - first + 1}" for alarm in watched.alarms] or [watched.state]
    return canvas.done(title, f"{sum(w.share.n for w in shown)} surveys; {', '.join(told)}.")


def reliability_svg(found: Calibration) -> str:
    """Share right against stated confidence, with intervals; the diagonal is perfect."""
    canvas = Canvas((0.0, 1.0), (0.0, 1.0), width=380, height=340)
    canvas.axes(_SHARES, _SHARES, "stated confidence", "share right")
    canvas.line([(0.0, 0.0), (1.0, 1.0)], dash="6 4", weight=1.5)
    for band in found.bins:
        canvas.whisker(band.mean_confidence, band.right.low, band.right.high)
        canvas.dot(band.mean_confidence, band.right.value or 0.0, 2.5 + 5 * math.sqrt(band.right.n / found.n))
    return canvas.done(
        "Stated confidence against what the audit found",
        f"n = {found.n}; calibration error {found.ece:.3f}, a perfect model shows {found.ece_floor:.3f}.",
    )


def operating_curve_svg(plan: Plan) -> str:
    """Chance that a lot passes against the share wrong in it."""
    top = 0.02
    while accept_probability(plan, top) > 0.02 and top < 1:
        top = min(1.0, top * 1.3)
    canvas = Canvas((0.0, top), (0.0, 1.0))
    canvas.axes(_share_ticks(top), _SHARES, "share wrong", "passes")
    grid = [top * i / 80 for i in range(81)]
    canvas.line([(share, accept_probability(plan, share)) for share in grid])
    at_aql = accept_probability(plan, plan.aql_percent / 100)
    canvas.dot(plan.aql_percent / 100, at_aql)
    return canvas.done(
        f"Check {plan.sample_size}, pass with up to {plan.accept} wrong",
        f"At {plan.aql_percent:g} % wrong, {at_aql:.0%} of lots pass.",
    )


def scale_svg(update: ScaleUpdate) -> str:
    """Prior (dashed) and posterior (solid) of the factor on predicted months."""
    peak = max(max(update.posterior_density), max(update.prior_density))
    canvas = Canvas((math.log(0.4), math.log(2.5)), (0.0, peak * 1.08))
    ticks = [(math.log(f), f"{f:g}") for f in (0.5, 0.7, 1.0, 1.4, 2.0)]
    canvas.axes(ticks, [], "factor on predicted months; dashed: before any outcome", "how likely")
    inside = [i for i, f in enumerate(update.factor_grid) if 0.4 <= f <= 2.5]
    logs = [math.log(update.factor_grid[i]) for i in inside]
    canvas.line(
        [(x, update.prior_density[i]) for x, i in zip(logs, inside, strict=True)], dash="6 4", weight=1.5
    )
    canvas.line([(x, update.posterior_density[i]) for x, i in zip(logs, inside, strict=True)])
    return canvas.done(f"Factor on months, {update.guard.replace('_', ' ')}", update.sentence)
