"""Does the rain still get in? Demand of one eave against gutter, outlet and screen inlet, and the size."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from eavefall_model.units import MM_PER_INCH
from eavefall_model.vocabulary import Profile, WeakestLink
from eavefall_model.water.gutter import en_capacity_l_s, gutter_capacity_l_s
from eavefall_model.water.inlet import carry_over_caution, screen_inlet_l_s
from eavefall_model.water.outlet import downspout_l_s, hydraulic_diameter_m, outlet_l_s
from eavefall_model.water.roof import RoofConvention, rational_l_s, roof_area_m2

# Widths asked for when one is too small: 4 to 8 in, the trade's sizes.
GUTTER_WIDTHS_M: Final = tuple(inches * MM_PER_INCH / 1000 for inches in (4, 5, 6, 7, 8))


@dataclass(frozen=True, slots=True)
class ScreenOnGutter:
    """The guard as water sees it. ``blinded`` is the share of the face that litter covers."""

    opening_mm: float
    open_area: float
    slope_deg: float = 0.0
    blinded: float = 0.0
    slot: bool = False


@dataclass(frozen=True, slots=True)
class EaveWater:
    """Demand and capacities of one eave, L/s over all its outlets; ``inlet_l_s`` is ``None`` without a guard.

    ``gutter_l_s`` is Beij's; ``gutter_en_l_s`` is the clean gutter by EN 12056-3, a second opinion that
    takes no part in the margin. ``margin`` is (weakest capacity - demand) / demand: negative overflows.
    ``enough_width_m`` is the narrowest trade width of the same profile whose gutter carries the demand,
    ``None`` if none does.
    """

    area_m2: float
    demand_l_s: float
    gutter_l_s: float
    gutter_en_l_s: float
    outlet_l_s: float
    inlet_l_s: float | None
    weakest: WeakestLink
    margin: float
    gutter_margin: float
    enough_width_m: float | None
    caution: str | None


def check_eave(
    *,
    length_m: float,
    run_m: float,
    pitch_deg: float,
    intensity_mm_h: float,
    profile: Profile,
    width_m: float,
    depth_m: float,
    outlets: int,
    downspout_m: float,
    downspout_2_m: float | None,
    screen: ScreenOnGutter | None = None,
    debris_depth_m: float = 0.0,
    outlet_factor: float = 1.0,
    convention: RoofConvention = "en",
) -> EaveWater:
    """Water figures of one eave.

    Parameters
    ----------
    length_m, run_m, pitch_deg : the eave, the horizontal roof run above it, the roof pitch.
    intensity_mm_h : design rain; the caller keeps its duration and return period.
    width_m, depth_m : gutter top width and depth.
    outlets : each drains one run of ``length_m / outlets`` from one side (the safe case).
    downspout_m, downspout_2_m : diameter and ``None``, or the two sides.
    debris_depth_m, outlet_factor : litter settled in the gutter, and the share of the outlet that is free.
    """
    area = float(roof_area_m2(length_m, run_m, pitch_deg, convention))
    demand = float(rational_l_s(area, intensity_mm_h))
    run_to_outlet = length_m / outlets

    def gutter(width: float, depth: float) -> float:
        return outlets * float(gutter_capacity_l_s(profile, width, depth, run_to_outlet, debris_depth_m))

    gutter_l_s = gutter(width_m, depth_m)
    diameter = downspout_m if downspout_2_m is None else hydraulic_diameter_m(downspout_m, downspout_2_m)
    free_depth = max(depth_m - debris_depth_m, 0.0)
    one_outlet = min(
        float(outlet_l_s(diameter, free_depth, outlet_factor)), downspout_l_s(downspout_m, downspout_2_m)
    )
    capacities: dict[WeakestLink, float] = {"gutter": gutter_l_s, "outlet": outlets * one_outlet}
    caution = None
    if screen is not None:
        capacities["inlet"] = float(screen_inlet_l_s(length_m, width_m, screen.open_area, screen.blinded))
        caution = carry_over_caution(screen.opening_mm, screen.slope_deg, screen.blinded, screen.slot)
    weakest = min(capacities, key=lambda link: capacities[link])
    shape = depth_m / width_m
    enough = next((wide for wide in GUTTER_WIDTHS_M if gutter(wide, shape * wide) >= demand), None)
    margin = capacities[weakest] / demand - 1
    return EaveWater(
        area_m2=area,
        demand_l_s=demand,
        gutter_l_s=gutter_l_s,
        gutter_en_l_s=outlets * float(en_capacity_l_s(profile, width_m, depth_m, run_to_outlet)),
        outlet_l_s=capacities["outlet"],
        inlet_l_s=capacities.get("inlet"),
        weakest=weakest,
        margin=margin,
        gutter_margin=gutter_l_s / demand - 1,
        enough_width_m=enough,
        caution=caution,
    )
