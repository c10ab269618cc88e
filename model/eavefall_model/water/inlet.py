"""Water through the screen: orifices less what litter covers, with surface tension as a caution.

``Q = C A sqrt(2 g h)`` with C = 0.60 (EPA SWMM Reference Manual Vol III, eq 6-73) over the open area left,
under the depth of the sheet on the guard. No published hydraulic test of gutter guards was found, so a
clean screen's margin is only that of orifices; what is lost over the front on a steep wet mesh is told as a
caution.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike, NDArray

from eavefall_model.water.outlet import GRAVITY_M_S2, orifice_l_s

Array = NDArray[np.float64]
SURFACE_TENSION_N_M: Final = 0.0728  # water at 20 C
# Depth of the sheet of water on a guard in heavy rain (judgement: a few mm; smooth films run 1 to 3 mm).
SHEET_DEPTH_M: Final = 0.003


def screen_inlet_l_s(
    length_m: ArrayLike,
    width_m: ArrayLike,
    open_area: ArrayLike,
    blinded: ArrayLike = 0.0,
    sheet_m: ArrayLike = SHEET_DEPTH_M,
) -> Array:
    """Flow that the guard over ``length_m`` of gutter lets in; ``blinded`` is the share covered."""
    length, width, share, covered = (
        np.asarray(x, dtype=np.float64) for x in (length_m, width_m, open_area, blinded)
    )
    return orifice_l_s(length * width * share * np.clip(1 - covered, 0.0, 1.0), sheet_m)


def capillary_head_m(opening_mm: ArrayLike) -> Array:
    """Head that a wetted square opening can hold up at most: ``4 gamma / (rho g w)`` (Young and Laplace)."""
    opening_m = np.asarray(opening_mm, dtype=np.float64) / 1000
    return np.asarray(4 * SURFACE_TENSION_N_M / (998.2 * GRAVITY_M_S2 * opening_m))


def carry_over_caution(
    opening_mm: float | None, slope_deg: float, blinded: float, slot: bool = False
) -> str | None:
    """A sentence where water may run over the front although the orifices would carry it, or ``None``.

    Limits are judgement: openings of 1 mm and less on 30 degrees or steeper, a quarter of the face covered,
    or any slot cover on a roof steeper than 30 degrees.
    """
    if slot and slope_deg > 30:
        return "On a steep roof fast water can leave the curved nose and miss the slot in a downpour."
    if blinded > 0.25:
        return "With this much litter on it, water runs along the wet mat and over the front edge."
    if opening_mm is not None and opening_mm <= 1.0 and slope_deg >= 30:
        held_mm = 1000 * float(capillary_head_m(opening_mm))
        return (
            f"On a steep mesh this fine surface tension can hold up a film (to {held_mm:.0f} mm of water "
            "at rest) that runs over the front in a downpour."
        )
    return None
