"""The water check of one eave of a site, with middle values."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.eave_arrays import outlet_sides_m
from eavefall_model.house.house import House
from eavefall_model.water.check import EaveWater, ScreenOnGutter, check_eave


def _middle(values: NDArray[np.float64]) -> float:
    return float(np.median(values))


def water_of(site: House, number: int, screen: ScreenOnGutter | None = None) -> EaveWater:
    """Water check of one eave with middle values, with or without a screen on it."""
    eave = site.survey.eaves[number]
    profile = eave.gutter.profile or "k_style"
    across_m, across_2_m = outlet_sides_m(eave)
    return check_eave(
        length_m=_middle(site.eaves.length_m[:, number]),
        run_m=_middle(site.eaves.run_m[:, number]),
        pitch_deg=_middle(site.roofs.pitch_deg[:, number]),
        intensity_mm_h=site.intensity_mm_h,
        profile=profile,
        width_m=_middle(site.eaves.depth_m[:, number]),
        depth_m=_middle(site.gutter_depth_m[:, number]),
        outlets=int(_middle(site.outlets[:, number])),
        downspout_m=across_m,
        downspout_2_m=across_2_m,
        screen=screen,
    )
