"""Where eaves and trees go on the plan sketch, in meters east and north of the middle of the house.

A survey holds lengths, facings, distances and bearings, no coordinates. The sketch stands the eaves around a
rectangle and puts each trunk on its bearing at its distance from its eave. It is a sketch: what the survey
does not give is drawn dashed and never measured from here.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from eavefall_model.house.tree_kinds import TreeKind
from eavefall_model.sighting.measured import bearing_sd_deg, length_sd_m
from eavefall_model.survey import Eave, Survey

Point = tuple[float, float]
_LENGTH_M: Final = 10.0
_RUN_M: Final = 4.0
_DISTANCE_M: Final = 6.0
_CROWN_M: Final = 3.5
_STEPS: Final = 400
_RAY_M: Final = 3.0


@dataclass(frozen=True)
class EaveLine:
    """One eave from ``start`` to ``end``; ``known`` is False if its facing or length was not given.

    ``facing_sd_deg`` is how sure its facing is, where the survey says how it was taken.
    """

    name: str
    start: Point
    end: Point
    facing_deg: float
    known: bool
    facing_sd_deg: float | None = None


@dataclass(frozen=True)
class House:
    """Outline of the house (four corners, in order) and its eaves."""

    corners: tuple[Point, Point, Point, Point]
    eaves: tuple[EaveLine, ...]


@dataclass(frozen=True)
class TreeMark:
    """Trunk and crown of one entry of the survey; ``kind`` is ``needle``, ``broad`` or ``unsure``.

    ``bearing_sd_deg`` and ``distance_sd_m`` are how sure its place is, where the survey says how it was
    taken.
    """

    name: str
    count: int
    trunk: Point
    crown_m: float
    bearing_deg: float
    distance_m: float | None
    overhang_m: float | None
    kind: str
    known: bool
    bearing_sd_deg: float | None = None
    distance_sd_m: float | None = None


def _unit(bearing_deg: float) -> Point:
    angle = math.radians(bearing_deg)
    return math.sin(angle), math.cos(angle)


def _at(origin: Point, *steps: tuple[float, Point]) -> Point:
    return (
        origin[0] + sum(length * way[0] for length, way in steps),
        origin[1] + sum(length * way[1] for length, way in steps),
    )


def house_of(survey: Survey) -> House:
    """Eaves stood around a rectangle whose first side faces as the longest eave of known facing does."""
    faced = [eave for eave in survey.eaves if eave.facing_deg is not None]
    main = max(faced, key=lambda eave: eave.length_m or _LENGTH_M).facing_deg if faced else 180.0
    assert main is not None
    sides: dict[int, list[Eave]] = {0: [], 1: [], 2: [], 3: []}
    for eave in faced:
        assert eave.facing_deg is not None
        sides[round(((eave.facing_deg - main) % 360) / 90) % 4].append(eave)
    for eave in survey.eaves:
        if eave.facing_deg is None:
            sides[min((0, 2, 1, 3), key=lambda side: len(sides[side]))].append(eave)

    def width(first: int, second: int) -> float:
        along = max(sum(eave.length_m or _LENGTH_M for eave in sides[side]) for side in (first, second))
        if along > 0:
            return along
        # No eave on these sides: the house is as deep as the roof runs that drain to the other two.
        across = ((first + 1) % 4, (second + 1) % 4)
        runs = [max((eave.roof_run_m or _RUN_M for eave in sides[side]), default=0.0) for side in across]
        return sum(runs) if all(runs) else 2 * max(runs)

    half = (width(0, 2) / 2, width(1, 3) / 2)
    lines: list[EaveLine] = []
    for side, eaves in sides.items():
        facing = (main + 90 * side) % 360
        out, along = _unit(facing), _unit(facing + 90)
        reach = half[1] if side % 2 == 0 else half[0]
        at = -sum(eave.length_m or _LENGTH_M for eave in eaves) / 2
        for eave in eaves:
            length = eave.length_m or _LENGTH_M
            start, end = (_at((0.0, 0.0), (reach, out), (at + more, along)) for more in (0.0, length))
            known = eave.facing_deg is not None and eave.length_m is not None
            sd_deg = bearing_sd_deg(None if eave.taken is None else eave.taken.facing)
            lines.append(EaveLine(eave.name, start, end, facing, known, sd_deg))
            at += length
    out, along = _unit(main), _unit(main + 90)
    corners = tuple(
        _at((0.0, 0.0), (half[1] * a, out), (half[0] * b, along))
        for a, b in ((1, -1), (1, 1), (-1, 1), (-1, -1))
    )
    order = {eave.name: place for place, eave in enumerate(survey.eaves)}
    return House(
        (corners[0], corners[1], corners[2], corners[3]),
        tuple(sorted(lines, key=lambda line: order[line.name])),
    )


def spread_lines(house: House, trees: Sequence[TreeMark]) -> tuple[tuple[Point, ...], ...]:
    """Lines that show how sure places are, one standard deviation to either side, each a row of points.

    Of a tree an arc about the middle of the house and a line toward it; of an eave two rays from its middle.
    Where nobody said how something was taken, nothing is drawn.
    """
    found: list[tuple[Point, ...]] = []
    for line in house.eaves:
        if line.facing_sd_deg:
            middle = ((line.start[0] + line.end[0]) / 2, (line.start[1] + line.end[1]) / 2)
            found += [
                (middle, _at(middle, (_RAY_M, _unit(line.facing_deg + side * line.facing_sd_deg))))
                for side in (-1, 1)
            ]
    for tree in trees:
        away = math.hypot(*tree.trunk)
        if tree.bearing_sd_deg:
            middle_deg = math.degrees(math.atan2(*tree.trunk))
            found.append(
                tuple(
                    _at((0.0, 0.0), (away, _unit(middle_deg + tree.bearing_sd_deg * at / 6)))
                    for at in range(-6, 7)
                )
            )
        if tree.distance_sd_m and away:
            way = (tree.trunk[0] / away, tree.trunk[1] / away)
            found.append(tuple(_at(tree.trunk, (side * tree.distance_sd_m, way)) for side in (-1, 1)))
    return tuple(found)


def _gap(point: Point, line: EaveLine) -> float:
    """Distance from ``point`` to the segment of ``line``."""
    (x0, y0), (x1, y1) = line.start, line.end
    dx, dy = x1 - x0, y1 - y0
    squared = dx * dx + dy * dy
    share = 0.0 if squared == 0 else ((point[0] - x0) * dx + (point[1] - y0) * dy) / squared
    share = min(1.0, max(0.0, share))
    return math.hypot(point[0] - x0 - share * dx, point[1] - y0 - share * dy)


def _trunk(bearing_deg: float, distance_m: float, lines: tuple[EaveLine, ...]) -> Point:
    """Farthest point on the bearing from the house's middle that is ``distance_m`` from the nearest line."""
    way = _unit(bearing_deg)
    reach = max(math.hypot(*corner) for line in lines for corner in (line.start, line.end)) + distance_m
    step = reach / _STEPS
    ray = [_at((0.0, 0.0), (step * at, way)) for at in range(_STEPS + 1)]
    gaps = [min(_gap(point, line) for line in lines) for point in ray]
    # A bearing past a corner may never come that close: then the closest it comes.
    wanted = max(distance_m, min(gaps)) + step / 2
    return next(point for point, gap in zip(reversed(ray), reversed(gaps), strict=True) if gap <= wanted)


def _walls(house: House) -> tuple[EaveLine, ...]:
    turned = (*house.corners[1:], house.corners[0])
    return tuple(EaveLine("", a, b, 0.0, False) for a, b in zip(house.corners, turned, strict=True))


def _indoors(point: Point, walls: tuple[EaveLine, ...]) -> bool:
    """Whether ``point`` lies within the walls, clear of them: on the same side of all four."""
    turns = [
        (wall.end[0] - wall.start[0]) * (point[1] - wall.start[1])
        - (wall.end[1] - wall.start[1]) * (point[0] - wall.start[0])
        for wall in walls
    ]
    return all(turn > 1e-6 for turn in turns) or all(turn < -1e-6 for turn in turns)


def trees_of(survey: Survey, house: House, kinds: Sequence[TreeKind]) -> tuple[TreeMark, ...]:
    """Every tree of the survey; ``kinds`` says what each is taken for."""
    foliage = {kind.tree: kind.foliage for kind in kinds}
    facing = {line.name: line.facing_deg for line in house.eaves}
    marks: list[TreeMark] = []
    for place, tree in enumerate(survey.trees):
        bearing = tree.bearing_deg
        if bearing is None:
            bearing = (
                facing[tree.eave] if tree.eave in facing else (house.eaves[0].facing_deg + 50 * place) % 360
            )
        own = tuple(line for line in house.eaves if line.name == tree.eave) or house.eaves
        distance = _DISTANCE_M if tree.distance_m is None else tree.distance_m
        trunk, walls = _trunk(bearing, distance, own), _walls(house)
        if _indoors(trunk, walls):
            # No eave of the survey faces this tree: its distance is from the wall on its side.
            trunk = _trunk(bearing, distance, walls)
        marks.append(
            TreeMark(
                name=tree.name,
                count=tree.count,
                trunk=trunk,
                crown_m=_CROWN_M if tree.crown_radius_m is None else tree.crown_radius_m,
                bearing_deg=bearing,
                distance_m=tree.distance_m,
                overhang_m=tree.overhang_m,
                kind=foliage.get(tree.name, "unsure"),
                known=None not in (tree.bearing_deg, tree.distance_m, tree.crown_radius_m),
                bearing_sd_deg=bearing_sd_deg(None if tree.taken is None else tree.taken.bearing),
                distance_sd_m=None
                if tree.taken is None or tree.distance_m is None
                else length_sd_m(tree.distance_m, tree.taken.distance),
            )
        )
    return tuple(marks)
