"""An eave of the survey as draws: its size, roof, gutter and outlets."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.reader import Reader, Uncertain
from eavefall_model.language import mark
from eavefall_model.shed.roof import SLIP_M
from eavefall_model.survey import Eave, Survey
from eavefall_model.units import MM_PER_INCH

Array = NDArray[np.float64]
GUTTER_DEPTH_SHARE: Final = {"half_round": 0.5, "k_style": 0.7, "box": 0.7}
# Share of the gutter's bounding box that holds litter.
_LEAST_M: Final = 0.03  # no gutter or downspout is smaller; a smaller figure is a typing error
_FULLNESS: Final = {"half_round": math.pi / 4, "k_style": 0.78, "box": 1.0}


@dataclass(frozen=True)
class EaveArrays:
    """Draws of one eave, each (draws,), or of all eaves, each (draws, eaves); see ``Eave`` for what they are.

    ``gutter_area_m2`` is the cross-section that holds litter, ``outlet_m`` the side of a square as wide as
    one outlet, ``slip_m`` how far litter slips on a roof of 45 degrees.
    """

    length_m: Array
    height_m: Array
    roof_run_m: Array
    pitch_deg: Array
    slip_m: Array
    gutter_width_m: Array
    gutter_depth_m: Array
    gutter_area_m2: Array
    outlets: Array
    outlet_m: Array


def facings_deg(survey: Survey, read: Reader) -> list[float]:
    """Facing of every eave; a missing one from the trees named at it, or spread evenly round the house."""
    result = []
    for at, eave in enumerate(survey.eaves):
        if eave.facing_deg is not None:
            result.append(eave.facing_deg)
            continue
        bearings = [
            tree.bearing_deg
            for tree in survey.trees
            if tree.eave == eave.name and tree.bearing_deg is not None
        ]
        if bearings:
            east = sum(math.sin(math.radians(each)) for each in bearings)
            north = sum(math.cos(math.radians(each)) for each in bearings)
            facing = math.degrees(math.atan2(east, north)) % 360
            why = mark("The bearing of the trees named at this eave.")
        else:
            facing = 360.0 * at / len(survey.eaves)
            why = mark("Eaves are taken evenly round the house; only the wind's share depends on it.")
        read.note(f"eaves[{at}].facing", float(f"{facing:.0f}"), why, mark("any"), mark("any"))
        result.append(facing)
    return result


def drawn_facings_deg(survey: Survey, facings: Sequence[float], read: Reader) -> Array:
    """Facings with the error of how each was taken, (draws, eaves); (1, eaves) where none has one.

    A house turns as a whole: what turns a compass, or a plan that was drawn a little askew, does so at every
    wall, and corners stay square. One stream for all, each with its own standard deviation.
    """
    keys = [f"eaves[{at}].facing" for at in range(len(facings))]
    sds = [read.bearing_sd_deg(key, 0.0) for key in keys]
    mean = np.asarray(facings, dtype=np.float64)[None, :]
    if not any(sds):
        return mean
    drawn = mean + np.asarray(sds) * read.streams.normal("eaves.facing")[:, None]
    for at, key in enumerate(keys):
        if sds[at]:
            read.inputs.append(Uncertain(key, drawn[:, at], False, read.how(key)))
    return np.asarray(drawn)


def outlet_sides_m(eave: Eave) -> tuple[float, float | None]:
    """Diameter of the downspout and ``None``, or its two sides; 2 by 3 in where the survey does not say."""
    spout = eave.downspout
    if spout is None or spout.size_m is None:
        return 0.0762, 0.0508
    first = max(spout.size_m, _LEAST_M)
    if spout.size_2_m is not None and spout.shape != "round":
        return first, max(spout.size_2_m, _LEAST_M)
    return first, first if spout.shape == "rectangular" else None


def read_eave(at: int, eave: Eave, read: Reader) -> EaveArrays:
    where = f"eaves[{at}]"
    gutter = eave.gutter
    profile = gutter.profile or "k_style"
    if gutter.profile is None:
        read.note(f"{where}.gutter.profile", mark("K-style"), mark("The commonest profile in North America."))
    if eave.roof is None:
        read.note(
            f"{where}.roof", mark("shingle"), mark("The commonest covering."), mark("wood"), mark("metal")
        )
    length = read.measured(
        f"{where}.length", eave.length_m, 12.0, error=0.01, spread=0.35, why=mark("A usual side of a house."),
        least=0.3,
    )  # fmt: skip
    height = read.measured(
        f"{where}.height", eave.height_m, 3.2, error=0.03, spread=0.25, why=mark("One storey, more for two."),
    )  # fmt: skip
    run = read.measured(
        f"{where}.roof_run", eave.roof_run_m, 5.0, error=0.05, spread=0.25,
        why=mark("Half the depth of a usual house."), least=0.1,
    )  # fmt: skip
    pitch_given = eave.pitch_deg
    normal = read.streams.normal(f"{where}.pitch")
    pitch = np.clip(
        (pitch_given if pitch_given is not None else 24.0)
        + (1.0 if pitch_given is not None else 7.0) * normal,
        0.0,
        75.0,
    )
    if pitch_given == 0.0:
        pitch = np.zeros_like(pitch)
    if pitch_given is None:
        read.assume(f"{where}.pitch", pitch, mark("As steep as most houses."))
    read.inputs.append(Uncertain(f"{where}.pitch", pitch, pitch_given is None))
    width = read.measured(
        f"{where}.gutter.width", gutter.width_m, 5 * MM_PER_INCH / 1000, error=0.02, spread=0.12,
        why=mark("5-inch, the commonest."), least=_LEAST_M,
    )  # fmt: skip
    depth = (
        width * GUTTER_DEPTH_SHARE[profile]
        if gutter.depth_m is None
        else max(gutter.depth_m, _LEAST_M) + np.zeros_like(width)
    )
    slip = SLIP_M[eave.roof or "shingle"] * np.exp(0.35 * read.streams.normal(f"{where}.slip"))
    spout = eave.downspout
    if spout is None:
        outlets = np.maximum(np.ceil(length / 12.0), 1.0)
        read.note(
            f"{where}.downspout",
            mark("one outlet for each 40 ft (12 m), 2 by 3 in (51 by 76 mm)"),
            mark("Common practice, no source."),
        )
    else:
        outlets = np.full_like(length, float(spout.outlets))
    across_m, across_2_m = outlet_sides_m(eave)
    outlet = np.full_like(length, math.sqrt(across_m * (across_2_m or across_m)))
    return EaveArrays(
        length_m=length,
        height_m=height,
        roof_run_m=run,
        pitch_deg=pitch,
        slip_m=slip,
        gutter_width_m=width,
        gutter_depth_m=depth,
        gutter_area_m2=_FULLNESS[profile] * width * depth,
        outlets=outlets,
        outlet_m=outlet,
    )
