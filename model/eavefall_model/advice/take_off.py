"""Material for one eave with waste, and a price range from the office's own prices that is not a quote."""

from __future__ import annotations

import numpy as np

from eavefall_model.advice.judge import Judged
from eavefall_model.advice.outcome import Outcome
from eavefall_model.advice.schema import TakeOff
from eavefall_model.language import mark


def take_off(outcome: Outcome, judged: Judged, number: int) -> TakeOff:
    """Meters of guard (none where none is recommended, or none yet) and of gutter (worn or failing)."""
    eave = outcome.survey.eaves[number]
    waste = outcome.settings["waste_share"]
    length_m = float(np.median(outcome.house.eaves.length_m[:, number]))
    guard_m = 0.0 if judged.planned == "none" else length_m * (1 + waste)
    gutter_m = length_m * (1 + waste) if eave.gutter.condition in ("worn", "failing") else 0.0
    corners = eave.inside_corners + eave.outside_corners
    prices = outcome.survey.prices
    low = high = currency = None
    note = "" if prices is None else mark("The office's prices lack this material.")
    if prices is not None:
        per_guard = prices.guard_per_m.get(judged.planned) if guard_m else (0.0, 0.0)
        per_gutter = prices.gutter_per_m if gutter_m else (0.0, 0.0)
        if per_guard is not None and per_gutter is not None:
            low = round(guard_m * per_guard[0] + gutter_m * per_gutter[0], 2)
            high = round(guard_m * per_guard[1] + gutter_m * per_gutter[1], 2)
            currency, note = prices.currency, "A range from the office's own prices per meter. Not a quote."
    if judged.recommended is None:
        low = high = currency = None
        note = mark("No guard is counted: find out the kind of tree first.")
    return TakeOff(
        guard_m=round(guard_m, 2),
        gutter_m=round(gutter_m, 2),
        waste_share=waste,
        corners=corners,
        ends=2,
        outlets=int(np.median(outcome.house.outlets[:, number])),
        price_low=low,
        price_high=high,
        currency=currency,
        note=note,
    )
