"""The survey as uncertain numbers: every figure as draws, every gap filled by a stated, wide default.

A given measurement gets the error of the usual way of taking it; a missing one a default with a wide spread,
listed under ``assumed``. The defaults and spreads are our judgement.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from eavefall_model.advice.evidence import Evidence
from eavefall_model.advice.schema import Assumed
from eavefall_model.advice.streams import Streams
from eavefall_model.shed.load import Crowns, Roofs, WindRose
from eavefall_model.shed.plan import EaveLines, along_from_bearing_m, tree_positions, wrap_deg
from eavefall_model.shed.roof import SLIP_M
from eavefall_model.survey import Eave, Survey, Tree
from eavefall_model.units import MM_PER_INCH

__all__ = ["GUTTER_DEPTH_SHARE", "Site", "Uncertain", "build_site"]

Array = NDArray[np.float64]
Z90: Final = 1.2816  # 10th and 90th percentile of a normal
GUTTER_DEPTH_SHARE: Final = {"half_round": 0.5, "k_style": 0.7, "box": 0.7}
# Share of the gutter's bounding box that holds litter.
_FULLNESS: Final = {"half_round": math.pi / 4, "k_style": 0.78, "box": 1.0}
_STRETCH: Final = {"weakly": (0.0, 0.2), "clearly": (0.2, 0.4), "strongly": (0.4, 0.6)}
_FALL_SPEED_M_S: Final = {"needle": 2.0, "broad": 1.3, "bare": 1.3}


@dataclass(frozen=True)
class Uncertain:
    """One uncertain input: its draws, and how to ask for it. ``missing`` says that the survey left it out."""

    key: str
    label: str
    ask: str
    draws: Array
    missing: bool


@dataclass(frozen=True)
class Site:
    """One house as arrays; trees (draws, trees), eaves (draws, eaves), house (draws,)."""

    survey: Survey
    eaves: EaveLines
    roofs: Roofs
    crowns: Crowns
    wind: WindRose
    wind_speed_m_s: Array
    counts: Array
    eave_of_tree: NDArray[np.intp]
    out_m: Array
    gutter_area_m2: Array
    gutter_depth_m: Array
    outlets: Array
    outlet_m: Array
    intensity_mm_h: float
    inputs: tuple[Uncertain, ...]
    assumed: tuple[Assumed, ...]


class _Reader:
    """Turns one field at a time into draws, and keeps the book of what is uncertain and what was assumed."""

    def __init__(self, streams: Streams) -> None:
        self.streams = streams
        self.inputs: list[Uncertain] = []
        self.assumed: list[Assumed] = []

    def measured(
        self,
        key: str,
        label: str,
        ask: str,
        given: float | None,
        default: float | Array,
        *,
        error: float,
        spread: float,
        unit: str,
        why: str,
    ) -> Array:
        """Positive figure: ``given`` with relative ``error``, or ``default`` times a lognormal ``spread``."""
        normal = self.streams.normal(key)
        if given is not None:
            draws = given * np.exp(error * normal)
        else:
            draws = np.asarray(default * np.exp(spread * normal))
            self.assume(key, draws, unit, why)
        self.inputs.append(Uncertain(key, label, ask, draws, given is None))
        return draws

    def assume(self, key: str, draws: Array, unit: str, why: str) -> None:
        low, middle, high = np.quantile(draws, (0.1, 0.5, 0.9))
        self.assumed.append(
            Assumed(
                field=key,
                value=f"{middle:.3g} {unit}",
                low=f"{low:.3g} {unit}",
                high=f"{high:.3g} {unit}",
                why=why,
            )
        )

    def note(self, key: str, value: str, why: str, low: str = "", high: str = "") -> None:
        self.assumed.append(Assumed(field=key, value=value, low=low or value, high=high or value, why=why))


def _facings(survey: Survey, read: _Reader) -> list[float]:
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
            why = "The bearing of the trees named at this eave."
        else:
            facing = 360.0 * at / len(survey.eaves)
            why = "Eaves are taken evenly round the house; only the wind's share depends on it."
        read.note(f"eaves[{at}].facing", f"{facing:.0f} deg", why, "any", "any")
        result.append(facing)
    return result


def _columns(values: Sequence[Array], draws: int) -> Array:
    return np.stack(values, axis=1) if values else np.zeros((draws, 0))


def _read_eave(at: int, eave: Eave, read: _Reader) -> dict[str, Array]:
    where, name = f"eaves[{at}]", eave.name
    gutter = eave.gutter
    profile = gutter.profile or "k_style"
    if gutter.profile is None:
        read.note(f"{where}.gutter.profile", "k_style", "The commonest profile in North America.")
    if eave.roof is None:
        read.note(f"{where}.roof", "shingle", "The commonest covering.", "wood", "metal")
    length = read.measured(
        f"{where}.length", f"length of eave {name}", f"measure the length of eave {name}",
        eave.length_m, 12.0, error=0.01, spread=0.35, unit="m", why="A usual side of a house.",
    )  # fmt: skip
    height = read.measured(
        f"{where}.height", f"height of eave {name}", f"measure the height of the gutter at {name}",
        eave.height_m, 3.2, error=0.03, spread=0.25, unit="m", why="One storey, more for two.",
    )  # fmt: skip
    run = read.measured(
        f"{where}.roof_run", f"roof run above {name}", f"measure the roof run above {name}",
        eave.roof_run_m, 5.0, error=0.05, spread=0.25, unit="m", why="Half the depth of a usual house.",
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
        read.assume(f"{where}.pitch", pitch, "deg", "Between 3/12 and 8/12 on most houses.")
    read.inputs.append(
        Uncertain(
            f"{where}.pitch",
            f"pitch above {name}",
            f"measure the roof pitch above {name}",
            pitch,
            pitch_given is None,
        )
    )
    width = read.measured(
        f"{where}.gutter.width", f"gutter width at {name}", f"measure the gutter's top opening at {name}",
        gutter.width_m, 5 * MM_PER_INCH / 1000, error=0.02, spread=0.12, unit="m", why="5-inch gutter, the commonest.",
    )  # fmt: skip
    depth = (
        width * GUTTER_DEPTH_SHARE[profile]
        if gutter.depth_m is None
        else gutter.depth_m + np.zeros_like(width)
    )
    slip = SLIP_M[eave.roof or "shingle"] * np.exp(0.35 * read.streams.normal(f"{where}.slip"))
    spout = eave.downspout
    if spout is None:
        outlets = np.maximum(np.ceil(length / 12.0), 1.0)
        read.note(f"{where}.downspout", "one outlet for each 12 m, 2 by 3 in", "Common practice, no source.")
    else:
        outlets = np.full_like(length, float(spout.outlets))
    size = spout.size_m if spout and spout.size_m else 0.0762
    size_2 = (spout.size_2_m or size) if spout and spout.size_m else 0.0508
    return {
        "length": length, "height": height, "run": run, "pitch": pitch, "width": width, "depth": depth, "slip": slip,
        "outlets": outlets, "outlet": np.full_like(length, math.sqrt(size * size_2)),
        "area": _FULLNESS[profile] * width * depth,
    }  # fmt: skip


def _nearest_eave(
    at: int, tree: Tree, survey: Survey, facings: Sequence[float], read: _Reader
) -> NDArray[np.intp]:
    names = [eave.name for eave in survey.eaves]
    draws = read.streams.draws
    if tree.eave in names:
        return np.full(draws, names.index(tree.eave), dtype=np.intp)
    if tree.bearing_deg is not None:
        off = np.abs(wrap_deg(np.asarray(facings) - tree.bearing_deg))
        return np.full(draws, int(off.argmin()), dtype=np.intp)
    pick = np.floor(read.streams.uniform(f"trees[{at}].eave") * len(names)).astype(np.intp)
    if len(names) > 1:
        read.note(f"trees[{at}].eave", "any eave, each as likely", "Neither an eave nor a bearing was given.")
        read.inputs.append(
            Uncertain(
                f"trees[{at}].eave", f"side on which {tree.name} stands", f"note which eave {tree.name} stands at",
                pick.astype(np.float64), True,
            )
        )  # fmt: skip
    return pick


def _read_tree(
    at: int,
    tree: Tree,
    evidence: Evidence,
    eave: NDArray[np.intp],
    lines: EaveLines,
    facings: Array,
    read: _Reader,
) -> dict[str, Array]:
    where, name = f"trees[{at}]", tree.name
    needle = evidence.needle_chance > 0.5
    distance = read.measured(
        f"{where}.distance", f"distance to {name}", f"measure the distance from the eave to {name}",
        tree.distance_m, 6.0, error=0.03, spread=0.6, unit="m", why="Trees that are asked about stand near; wide.",
    )  # fmt: skip
    height = read.measured(
        f"{where}.height", f"height of {name}", f"measure the height of {name}",
        tree.height_m, 14.0, error=0.08, spread=0.35, unit="m", why="A grown yard tree; wide.",
    )  # fmt: skip
    reach = height * (0.2 if needle else 0.3)
    if tree.overhang_m and tree.distance_m:
        reach = np.maximum(tree.distance_m + tree.overhang_m, 0.3) + np.zeros_like(reach)
    radius = read.measured(
        f"{where}.crown_radius", f"crown radius of {name}", f"pace out the crown of {name}, trunk to drip line",
        tree.crown_radius_m, reach, error=0.06, spread=0.3, unit="m",
        why="Share of the height usual for a conifer (0.2) or a broadleaf tree (0.3), or distance plus overhang.",
    )  # fmt: skip
    # The crown's middle, outside the eave. A measured overhang says where the crown's edge is.
    if tree.overhang_m is None:
        out = distance
    else:
        over = tree.overhang_m * np.exp(0.15 * read.streams.normal(f"{where}.overhang"))
        out = radius - over if tree.overhang_m > 0 else np.maximum(distance, radius)
        read.inputs.append(
            Uncertain(
                f"{where}.overhang", f"overhang of {name}", f"measure how far {name} overhangs", over, False
            )
        )
    rows = np.arange(read.streams.draws)
    full = (read.streams.draws, facings.shape[1])
    length, run = (np.broadcast_to(each, full)[rows, eave] for each in (lines.length_m, lines.run_m))
    if tree.bearing_deg is None:
        along = (read.streams.uniform(f"{where}.along") - 0.5) * length
        read.note(f"{where}.bearing", "square to its eave", "No bearing was given.", "one end", "other end")
    else:
        off = wrap_deg(
            tree.bearing_deg
            + 8.0 * read.streams.normal(f"{where}.bearing")
            - np.broadcast_to(facings, full)[rows, eave]
        )
        along = along_from_bearing_m(off, run + distance, length)
    speed = _FALL_SPEED_M_S["needle" if needle else "broad"] * np.exp(
        0.25 * read.streams.normal(f"{where}.fall")
    )
    depth_share = 0.5 + 0.4 * read.streams.uniform(f"{where}.depth")
    return {
        "distance": distance, "height": height, "radius": np.maximum(radius, 0.05), "out": out, "along": along,
        "speed": speed, "depth_share": depth_share,
    }  # fmt: skip


def _read_wind(survey: Survey, read: _Reader) -> WindRose:
    wind = survey.wind
    if wind.from_deg is None:
        from_deg = 360.0 * read.streams.uniform("wind.from")
        read.note("wind.from", "any direction", "No prevailing wind was given.", "0 deg", "360 deg")
    else:
        from_deg = wind.from_deg + 15.0 * read.streams.normal("wind.from")
    read.inputs.append(
        Uncertain(
            "wind.from",
            "prevailing wind",
            "ask where the wind mostly comes from",
            from_deg,
            wind.from_deg is None,
        )
    )
    if wind.prevails is None:
        low, high = 0.0, 0.5
        if wind.from_deg is not None:
            read.note("wind.prevails", "weakly to strongly", "How strongly it prevails was not given.")
    else:
        low, high = _STRETCH[wind.prevails]
    return WindRose(from_deg, low + (high - low) * read.streams.uniform("wind.prevails"))


def build_site(
    survey: Survey, evidence: Sequence[Evidence], streams: Streams, canopy_wind_m_s: float
) -> Site:
    """Every uncertain input of a survey as draws; see the module's head for what a gap becomes."""
    read = _Reader(streams)
    draws = streams.draws
    facings = _facings(survey, read)
    rows = [_read_eave(at, eave, read) for at, eave in enumerate(survey.eaves)]

    def eave_column(key: str) -> Array:
        return _columns([row[key] for row in rows], draws)

    facing = np.asarray(facings)[None, :]
    lines = EaveLines(eave_column("length"), eave_column("run"), facing, eave_column("width"))
    nearest = [_nearest_eave(at, tree, survey, facings, read) for at, tree in enumerate(survey.trees)]
    trees = [
        _read_tree(at, tree, evidence[at], nearest[at], lines, facing, read)
        for at, tree in enumerate(survey.trees)
    ]
    if not survey.trees:
        read.note("trees", "none near the house", "No tree was listed and no photo shows one.")

    def tree_column(key: str) -> Array:
        return _columns([row[key] for row in trees], draws)

    eave_of_tree = np.stack(nearest, axis=1) if nearest else np.zeros((draws, 0), dtype=np.intp)
    east, north = tree_positions(lines, eave_of_tree, tree_column("out"), tree_column("along"))
    wind = _read_wind(survey, read)
    canopy_m_s = canopy_wind_m_s * np.exp(0.4 * streams.normal("wind.canopy"))
    crowns = Crowns(
        east, north, tree_column("radius"), tree_column("height"), tree_column("depth_share"), tree_column("speed"),
        np.repeat(canopy_m_s[:, None], len(trees), axis=1),
    )  # fmt: skip
    intensity = survey.rain.intensity_mm_h
    if intensity is None:
        intensity = 150.0
        read.note(
            "rain.intensity", "150 mm/h", "Between the 60-minute and the 5-minute design rains of temperate places.",
            "75 mm/h", "230 mm/h",
        )  # fmt: skip
    return Site(
        survey=survey,
        eaves=lines,
        roofs=Roofs(eave_column("height"), eave_column("pitch"), eave_column("slip")),
        crowns=crowns,
        wind=wind,
        wind_speed_m_s=2.0 * np.exp(0.25 * streams.normal("wind.eave")),
        counts=np.asarray([tree.count for tree in survey.trees], dtype=np.float64),
        eave_of_tree=eave_of_tree,
        out_m=tree_column("out"),
        gutter_area_m2=eave_column("area"),
        gutter_depth_m=eave_column("depth"),
        outlets=eave_column("outlets"),
        outlet_m=eave_column("outlet"),
        intensity_mm_h=intensity,
        inputs=tuple(read.inputs),
        assumed=tuple(read.assumed),
    )
