"""The survey as uncertain numbers: every figure as draws, every gap filled by a stated, wide default.

A given measurement gets the error of the usual way of taking it; a missing one a default with a wide spread,
listed under ``assumed``. The defaults and spreads are our judgement.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.house.eave_arrays import EaveArrays, drawn_facings_deg, facings_deg, read_eave
from eavefall_model.house.place_photos import PHOTO_TREE, PHOTO_TREE_OF
from eavefall_model.house.reader import Assumed, Reader, Uncertain
from eavefall_model.house.streams import Streams, side_by_side
from eavefall_model.house.tree_arrays import TreeArrays, nearest_eave, read_tree
from eavefall_model.house.tree_kinds import Evidence
from eavefall_model.language import mark
from eavefall_model.shed.kernel import dispersal_scale_m
from eavefall_model.shed.load import Crowns, Roofs, WindRose
from eavefall_model.shed.plan import EaveLines, eave_offsets_m, tree_positions
from eavefall_model.survey import Survey

Array = NDArray[np.float64]
# Stretch of the litter's drift along the wind, by how strongly it prevails. Our judgement.
_STRETCH: Final = {"weakly": (0.0, 0.2), "clearly": (0.2, 0.4), "strongly": (0.4, 0.6)}
# A house's own wind: twice or half of it is 0.55. Our judgement.
_REACH_SPREAD: Final = 0.35
# Stand-off from which the wind between a tree's side and an eave is judged.
_STAND_OFF_M: Final = 6.0


@dataclass(frozen=True)
class House:
    """One house as arrays; trees (draws, trees), eaves (draws, eaves), house (draws,).

    ``distance_m`` is the trunk's distance from its eave, ``out_m`` that of the middle of its crown.
    """

    survey: Survey
    eaves: EaveLines
    roofs: Roofs
    crowns: Crowns
    wind: WindRose
    wind_speed_m_s: Array
    counts: Array
    eave_of_tree: NDArray[np.intp]
    distance_m: Array
    out_m: Array
    along_m: Array
    gutter_area_m2: Array
    gutter_depth_m: Array
    outlets: Array
    outlet_m: Array
    intensity_mm_h: float
    inputs: tuple[Uncertain, ...]
    assumed: tuple[Assumed, ...]


def _read_wind(survey: Survey, read: Reader) -> WindRose:
    wind = survey.wind
    if wind.from_deg is None:
        from_deg = 360.0 * read.streams.uniform("wind.from")
        read.note("wind.from", mark("any direction"), mark("No prevailing wind was given."))
    else:
        from_deg = wind.from_deg + 15.0 * read.streams.normal("wind.from")
    read.inputs.append(Uncertain("wind.from", from_deg, wind.from_deg is None))
    if wind.prevails is None:
        low, high = 0.0, 0.5
        if wind.from_deg is not None:
            read.note(
                "wind.prevails", mark("weakly to strongly"), mark("How strongly it prevails was not given.")
            )
    else:
        low, high = _STRETCH[wind.prevails]
    return WindRose(from_deg, low + (high - low) * read.streams.uniform("wind.prevails"))


# Said after the source of a design rain that was looked up.
LOCAL_CODE: Final = mark("The local code comes first.")


def _read_rain(survey: Survey, read: Reader) -> float:
    rain = survey.rain
    if rain.intensity_mm_h is None:
        why = mark("Between 60-minute and 5-minute design rains of temperate places.")
        read.note("rain.intensity", 150.0, why, 75.0, 230.0)
        return 150.0
    if rain.source is not None:
        read.note("rain.intensity", rain.intensity_mm_h, f"{rain.source}. {LOCAL_CODE}")
    if rain.duration_min is None or rain.return_period_y is None:
        why = mark(
            "60-minute 100-year and 5-minute 10-year design rains differ about twofold; say which this is."
        )
        read.note("rain.duration_min", mark("not given"), why, mark("5 min"), mark("60 min"))
    return rain.intensity_mm_h


def _note_household(survey: Survey, settings: Mapping[str, float], read: Reader) -> None:
    """What the owner has not said; these decide rules and are not drawn."""
    if survey.household.cleanings_per_year is None:
        usual = settings["cleanings_default"]
        read.note(
            "household.cleanings_per_year", usual, mark("The owner has not said how often is acceptable.")
        )
    if survey.household.accepts_brushing is None:
        read.note("household.accepts_brushing", False, mark("The owner has not said."), False, True)
    if survey.wildfire is None:
        read.note("wildfire", False, mark("Not stated; ask the fire authority where in doubt."), False, True)


def build_house(
    survey: Survey, evidence: Sequence[Evidence], streams: Streams, settings: Mapping[str, float]
) -> House:
    """Every uncertain input of a survey as draws; see the module's head for what a gap becomes.

    ``settings`` are those of the rules file.
    """
    read = Reader(streams, survey)
    draws = streams.draws
    facings = facings_deg(survey, read)
    eaves = side_by_side(
        EaveArrays, [read_eave(at, eave, read) for at, eave in enumerate(survey.eaves)], draws
    )
    facing = drawn_facings_deg(survey, facings, read)
    offset = eave_offsets_m(eaves.length_m, eaves.roof_run_m, facing)
    lines = EaveLines(eaves.length_m, eaves.roof_run_m, facing, eaves.gutter_width_m, offset)
    nearest = [nearest_eave(at, tree, survey, facings, read) for at, tree in enumerate(survey.trees)]
    each = [
        read_tree(at, tree, evidence[at], nearest[at], lines, facing, read)
        for at, tree in enumerate(survey.trees)
    ]
    trees = side_by_side(TreeArrays, each, draws)
    for at, tree in enumerate(survey.trees):
        if tree.name in (PHOTO_TREE, *PHOTO_TREE_OF.values()):
            read.note(
                f"trees[{at}].count",
                tree.count,
                mark("Photos show trees, but none is listed."),
                1,
                mark("many"),
            )
    if not survey.trees:
        read.note("trees", mark("none near the house"), mark("No tree was listed and no photo shows one."))
    eave_of_tree = np.stack(nearest, axis=1) if nearest else np.zeros((draws, 0), dtype=np.intp)
    east, north = tree_positions(lines, eave_of_tree, trees.out_m, trees.along_m)
    stand_off = np.full_like(trees.along_m, _STAND_OFF_M)
    side_east, side_north = tree_positions(lines, eave_of_tree, stand_off, trees.along_m)
    wind = _read_wind(survey, read)
    reach_m = settings["litter_reach_m"] * np.exp(_REACH_SPREAD * streams.normal("wind.canopy"))
    crowns = Crowns(
        east_m=east,
        north_m=north,
        side_east_m=side_east,
        side_north_m=side_north,
        radius_m=trees.radius_m,
        height_m=trees.height_m,
        depth_share=trees.depth_share,
        scale_m=dispersal_scale_m(reach_m[:, None], trees.height_m, trees.fall_speed_m_s),
    )
    intensity_mm_h = _read_rain(survey, read)
    _note_household(survey, settings, read)
    return House(
        survey=survey,
        eaves=lines,
        roofs=Roofs(eaves.height_m, eaves.pitch_deg, eaves.slip_m),
        crowns=crowns,
        wind=wind,
        wind_speed_m_s=2.0 * np.exp(0.25 * streams.normal("wind.eave")),
        counts=np.asarray([tree.count for tree in survey.trees], dtype=np.float64),
        eave_of_tree=eave_of_tree,
        distance_m=trees.distance_m,
        out_m=trees.out_m,
        along_m=trees.along_m,
        gutter_area_m2=eaves.gutter_area_m2,
        gutter_depth_m=eaves.gutter_depth_m,
        outlets=eaves.outlets,
        outlet_m=eaves.outlet_m,
        intensity_mm_h=intensity_mm_h,
        inputs=tuple(read.inputs),
        assumed=tuple(read.assumed),
    )
