"""What makes cleaning necessary: how much litter a gutter, an outlet and a screen's surface can bear."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.house import House
from eavefall_model.house.streams import Streams
from eavefall_model.species.habit import litter_of

Array = NDArray[np.float64]
# Spread, in the logarithm, of what nobody has measured of screens: two thirds lie between 0.6 and 1.65 times.
_UNMEASURED: Final = 0.5


@dataclass(frozen=True)
class Capacity:
    """What makes cleaning due, (draws, eaves): kg in a meter of gutter, kg that plug an outlet per meter
    of gutter that feeds it, kg on a meter of screen; ``kept`` is the share of arriving litter that stays.
    Kilograms in the gutter and the outlet are those of broadleaf litter that takes the same room.
    ``clears`` multiplies
    how fast a screen clears itself, ``mats`` what of the litter stays on it until it is brushed."""

    gutter_kg_m: Array
    outlet_kg_m: Array
    surface_kg_m: Array
    kept: Array
    clears: Array
    mats: Array


def capacity(site: House, settings: Mapping[str, float], streams: Streams) -> Capacity:
    """Thresholds from the gutter's and the outlet's size and the settings of the rules file."""
    spread = litter_of("broad_leaf").sd_ln
    bulk = settings["bulk_density_kg_m3"] * np.exp(spread * streams.normal("capacity.bulk"))[:, None]
    kept = (settings["kept_share"] + 0.4 * (streams.uniform("capacity.kept") - 0.5))[:, None]
    # No heap over an outlet is higher than the gutter.
    heap_m = np.minimum(settings["plug_diameters"] * site.outlet_m, site.gutter_depth_m)
    plug = heap_m * site.outlet_m**2 * bulk
    per_outlet_m = site.eaves.length_m / site.outlets
    blind = -np.log1p(-settings["blinded_limit"]) * settings["blinding_load_kg_m2"]
    bears = np.exp(0.4 * streams.normal("capacity.surface"))[:, None]
    return Capacity(
        gutter_kg_m=settings["fill_share"] * site.gutter_area_m2 * bulk,
        outlet_kg_m=plug / per_outlet_m,
        surface_kg_m=blind * bears * site.eaves.depth_m,
        kept=np.broadcast_to(np.clip(kept, 0.05, 1.0), site.gutter_area_m2.shape),
        clears=np.exp(_UNMEASURED * streams.normal("capacity.clears"))[:, None],
        mats=np.exp(_UNMEASURED * streams.normal("capacity.mats"))[:, None],
    )
